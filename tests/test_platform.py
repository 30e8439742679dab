"""What the computer may lack: Open3D's system libraries are missed by scans only."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
DATA = ROOT / "tests" / "job" / "data" / "version_1"

BROKEN = {
    "libGL": 'raise OSError("libGL.so.1: cannot open shared object file: No such file")',
    "libusb": 'raise ImportError("libusb-1.0.so.0: cannot open shared object file: No such file")',
    "absent": 'raise ModuleNotFoundError("No module named \'open3d\'", name="open3d")',
}
"""What `import open3d` does on a computer without these, as Debian's loader words it."""

NAMED = {"libGL": "apt-get install libgl1;", "libusb": "apt-get install libusb-1.0-0;",
         "absent": "pip install open3d-cpu"}  # fmt: skip


@pytest.fixture(params=BROKEN)
def lacking(request: pytest.FixtureRequest, tmp_path: Path) -> tuple[str, Path, dict[str, str]]:
    """A folder to work in, and an environment in which Open3D cannot be loaded."""
    place = tmp_path / "modules" / "open3d"
    place.mkdir(parents=True)
    (place / "__init__.py").write_text(BROKEN[request.param], encoding="utf-8")
    work = tmp_path / "Jo's Käfig"
    work.mkdir()
    path = os.pathsep.join([str(place.parent), str(ROOT)])
    return request.param, work, {**os.environ, "PYTHONPATH": path, "MPLBACKEND": "Agg"}


def run(
    words: tuple[str, ...], where: Path, environment: dict[str, str]
) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, *words], cwd=where, env=environment, capture_output=True, text=True,
        check=False,
    )  # fmt: skip


def test_everything_but_scans_works_without_open3d_and_scans_name_the_package(
    lacking: tuple[str, Path, dict[str, str]],
) -> None:
    name, work, environment = lacking
    for file in ("record.json", "survey.json"):
        shutil.copy(DATA / file, work)
    script = (
        "from fitscan.cli.run import main; import sys; sys.argv = ['fitscan', 'recheck', "
        "'record.json', 'survey.json', '--out', 'result.json', '--quiet']\n"
        "try: main()\n"
        "except SystemExit as leaving: assert not leaving.code, leaving.code\n"
        "from fitscan.shape.open3d_door import load_open3d\n"
        "from fitscan.errors import EnvironmentProblem\n"
        "try: load_open3d()\n"
        "except EnvironmentProblem as problem: print(problem, problem.exit_code)\n"
    )
    done = run(("-c", script), work, environment)
    assert done.returncode == 0, done.stderr
    assert (work / "result.json").is_file()
    assert (work / "result-plot.png").is_file()
    assert NAMED[name] in done.stdout
    assert "everything but scans works without it" in done.stdout
    assert done.stdout.rstrip().endswith(" 3")
