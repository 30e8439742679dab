"""The rules of the house, each with a proof that breaking it is noticed."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]

# Heavy, and needed by single commands only: `fitscan --help` must not wait for them.
HEAVY = {
    "cv2", "ezdxf", "jinja2", "joblib", "matplotlib", "open3d", "pi_heif", "plotly", "reportlab",
    "scipy",
}  # fmt: skip

# Folders of the machines that the project was written on; parts are joined so as not to match.
MACHINE_PATHS = re.compile(
    rb"(?<![\w.])/(?:" + b"|".join([b"wor" + b"k", b"roo" + b"t", b"opt/py" + b"pi"]) + rb")/"
)


def run(*command: str, where: Path = ROOT) -> subprocess.CompletedProcess[str]:
    environment = {**os.environ, "PYTHONPATH": str(where)}
    return subprocess.run(
        command, cwd=where, env=environment, capture_output=True, text=True, check=False
    )


def layers(where: Path) -> subprocess.CompletedProcess[str]:
    script = "import sys; from importlinter.cli import lint_imports; "
    return run(
        sys.executable,
        "-c",
        script + "sys.exit(lint_imports(config_filename='pyproject.toml', no_cache=True))",
        where=where,
    )


def files_of_the_project() -> list[Path]:
    """All files that git keeps or would keep."""
    listed = run("git", "ls-files", "-z", "--cached", "--others", "--exclude-standard")
    assert listed.returncode == 0, listed.stderr
    paths = [ROOT / name for name in listed.stdout.split("\0") if name]
    return [path for path in paths if path.is_file()]


def readme_command(name: str) -> str:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    found = re.findall(rf"<!-- command: {name} -->\n```sh\n(.*?)```", text, flags=re.DOTALL)
    assert len(found) == 1, f"the README must have one command {name!r}"
    return str(found[0])


@pytest.fixture
def copy(tmp_path: Path) -> Path:
    """A copy of the package, to break rules in."""
    shutil.copytree(ROOT / "fitscan", tmp_path / "fitscan", ignore=shutil.ignore_patterns("*.pyc"))
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    return tmp_path


def test_imports_go_down_the_layers_only() -> None:
    result = layers(ROOT)
    assert result.returncode == 0, result.stdout + result.stderr


def test_an_import_upwards_breaks_the_contract(copy: Path) -> None:
    with (copy / "fitscan/errors.py").open("a", encoding="utf-8") as stream:
        stream.write("\nimport fitscan.store.digest\n")
    result = layers(copy)
    assert result.returncode == 1
    assert "fitscan.errors -> fitscan.store.digest" in result.stdout


def test_a_module_without_a_layer_breaks_the_contract(copy: Path) -> None:
    (copy / "fitscan/nowhere.py").write_text('"""Belongs to no layer."""\n', encoding="utf-8")
    result = layers(copy)
    assert result.returncode == 1
    assert "nowhere" in result.stdout


def test_no_file_names_a_folder_of_the_machine_it_was_written_on() -> None:
    files = files_of_the_project()
    assert len(files) > 20
    found = [
        str(path.relative_to(ROOT)) for path in files if MACHINE_PATHS.search(path.read_bytes())
    ]
    assert found == []


def test_a_folder_of_the_machine_would_be_found() -> None:
    assert MACHINE_PATHS.search(b'open("/wo' + b'rk/x")')
    assert MACHINE_PATHS.search(b"cd /ro" + b"ot/fitscan")
    assert not MACHINE_PATHS.search(b"my_job/work/x and net" + b"/ro" + b"ot/x")


def test_the_command_line_starts_without_the_heavy_libraries() -> None:
    script = (
        "import sys; import fitscan.cli; "
        "print(*sorted({name.partition('.')[0] for name in sys.modules}))"
    )
    result = run(sys.executable, "-c", script)
    assert result.returncode == 0, result.stderr
    loaded = set(result.stdout.split())
    assert "fitscan" in loaded
    assert loaded & HEAVY == set()


def loaded_by(modules: str) -> set[str]:
    result = run(sys.executable, "-c", f"import sys; import {modules}; print(*sorted(sys.modules))")
    assert result.returncode == 0, result.stderr
    return set(result.stdout.split())


def test_a_comparison_of_saved_surveys_starts_without_the_slow_libraries() -> None:
    loaded = loaded_by(
        "fitscan.cli, fitscan.fit.gap, fitscan.fit.recheck, fitscan.fit.result_file, "
        "fitscan.report.tables, fitscan.survey.survey_file"
    )
    assert "fitscan.fit.gap" in loaded
    assert loaded & {"cv2", "open3d", "matplotlib", "plotly", "scipy", "joblib"} == set()


def test_a_survey_gives_photos_to_its_workers_before_it_loads_what_solves_it() -> None:
    loaded = loaded_by("fitscan.cli, fitscan.survey.shoot")
    assert "fitscan.survey.look" in loaded
    assert loaded & {"cv2", "scipy", "fitscan.survey.build"} == set()


def test_a_survey_and_its_advice_load_no_scipy() -> None:
    loaded = loaded_by("fitscan.cli, fitscan.survey.build, fitscan.plan.advise")
    assert "fitscan.survey.rounds" in loaded
    assert "scipy" not in loaded


def test_the_readmes_two_commands_set_up_the_same_system() -> None:
    demo, tests = readme_command("demo"), readme_command("tests")
    # Only the tests look at pages in a browser.
    assert tests.count(" chromium ") == 1
    needed = tests.replace(" chromium ", " ")
    assert demo.partition("-m pip")[0] == needed.partition("-m pip")[0]
    assert demo.rstrip().endswith("fitscan demo")
    assert " -m pytest" in tests.rstrip().splitlines()[-1]


def test_the_continuous_check_runs_the_readmes_test_command_word_for_word() -> None:
    shown = run("bash", ".ci/run", "--show")
    assert shown.returncode == 0, shown.stderr
    assert shown.stdout == readme_command("tests")
