"""Files that nobody would write on purpose: each gives an answer or one sentence, soon and small.

Files are damaged in two ways: as text and bytes, and as content that is still well-formed. What can
be read is also used, because a file that passes its reader must not break what comes after.
"""

from __future__ import annotations

import contextlib
import copy
import json
import random
import resource
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from fitscan.errors import FitscanError
from fitscan.fit.align import align
from fitscan.fit.record_file import read_record
from fitscan.fit.result_file import GapFile, RecheckFile
from fitscan.lens.camera_file import read_camera
from fitscan.markers.kit import read_kit
from fitscan.markers.layout import Layout
from fitscan.photos.private import without_private_data
from fitscan.photos.read import read_header, read_photo
from fitscan.store.document import read_json, seal_of
from fitscan.store.ledger import Ledger, broken_link, listing
from fitscan.survey.survey_file import read_survey, survey_document

ROOT = Path(__file__).resolve().parents[2]
DATA = ROOT / "tests" / "job" / "data" / "version_1"
HEIC = ROOT / "tests" / "photos" / "data" / "orientation_6.heic"

LONGEST_S = 10.0
LARGEST_BYTES = 2 * 10**9

NASTY: tuple[Any, ...] = (
    None, True, False, 0, -1, 1, 2**63, -(2**70), 1e308, -1e308, 5e-324, 0.1, 10**400, "", "x",
    "\x00", "ä" * 50, "a" * 100_000, "<script>alert(1)</script>", "../../etc", "1e999", [], {},
    [[]], [None] * 3, [0.0] * 9, {"id": 1}, [1e400], float("nan"), float("-inf"), "\ud800",
)  # fmt: skip


class Case:
    """How one kind of file is made, and what is done with it."""

    def __init__(self, good: bytes, name: str, use: Callable[[Path], object]) -> None:
        self.good, self.name, self.use = good, name, use

    def run(self, folder: Path, seed: int) -> None:
        """Damage the file, use it, and hold the time and the memory to their bounds."""
        file = folder / self.name
        file.write_bytes(damaged(self.good, random.Random(seed), Path(self.name).suffix))
        begun = time.monotonic()
        try:
            self.use(file)
        except FitscanError as error:
            sentence = str(error)
            assert "\n" not in sentence
            assert sentence.endswith(".")
            assert len(sentence) < 5000
        assert time.monotonic() - begun < LONGEST_S, seed
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
        assert peak < LARGEST_BYTES, seed


def damaged(good: bytes, rng: random.Random, suffix: str) -> bytes:
    kind = rng.randrange(4)
    if suffix == ".json" and kind:
        return changed_content(good, rng)
    if suffix == ".toml" and kind:
        return changed_lines(good, rng)
    return changed_bytes(good, rng)


def changed_bytes(good: bytes, rng: random.Random) -> bytes:
    data = bytearray(good)
    for _ in range(rng.choice((1, 1, 2, 5, 40))):
        if not data:
            break
        at, what = rng.randrange(len(data)), rng.randrange(6)
        if what == 0:
            data[at] = rng.randrange(256)
        elif what == 1:
            data[at] ^= 1 << rng.randrange(8)
        elif what == 2:
            del data[at : at + rng.choice((1, 2, 8, 1000))]
        elif what == 3:
            data[at:at] = rng.randbytes(rng.choice((1, 4, 64)))
        elif what == 4:
            data[at:at] = data[at : at + rng.choice((1, 16, 300))]
        else:
            value = rng.choice((0, 1, 0x7FFFFFFF, 0xFFFFFFFF, 0xFFFF))
            data[at : at + 4] = value.to_bytes(4, rng.choice(("big", "little")))
    return bytes(data[: rng.randrange(len(data) + 1)]) if rng.random() < 0.15 else bytes(data)


def changed_content(good: bytes, rng: random.Random) -> bytes:
    content = json.loads(good)
    for _ in range(rng.choice((1, 1, 1, 2, 6))):
        place = content
        for _ in range(rng.randrange(1, 6)):
            keys = list(place) if isinstance(place, dict) else list(range(len(place)))
            if not keys:
                break
            key = rng.choice(keys)
            if isinstance(place[key], dict | list) and place[key] and rng.random() < 0.8:
                place = place[key]
                continue
            change(place, key, rng)
            break
    if "content_sha256" in content and rng.random() < 0.8:
        with contextlib.suppress(ValueError, UnicodeEncodeError):
            content["content_sha256"] = seal_of(content)
    return json.dumps(content).encode("utf-8")


def change(place: Any, key: Any, rng: random.Random) -> None:
    what = rng.randrange(5)
    value = place[key]
    if what == 0:
        del place[key]
    elif what == 1 and isinstance(place, list):
        place.insert(key, copy.deepcopy(rng.choice(place)))
    elif what == 2 and isinstance(value, float):
        place[key] = rng.choice((-value, value * 1e9, value + 1, value * 1e-9, 0.0))
    elif what == 3 and isinstance(place, dict):
        place[rng.choice(("x", "kind", "id", "schema_version", ""))] = copy.deepcopy(
            rng.choice(NASTY)
        )
    else:
        place[key] = copy.deepcopy(rng.choice(NASTY))


def changed_lines(good: bytes, rng: random.Random) -> bytes:
    lines = good.decode("utf-8").split("\n")
    for _ in range(rng.choice((1, 1, 2, 5))):
        at, what = rng.randrange(len(lines)), rng.randrange(4)
        if what == 0:
            del lines[at]
        elif what == 1:
            lines.insert(at, rng.choice(lines))
        elif what == 2 and "=" in lines[at]:
            key = lines[at].partition("=")[0]
            text = (
                "-1",
                "0",
                "1e400",
                '"x"',
                "[]",
                "{}",
                "true",
                "nan",
                "inf",
                "'",
                "9" * 40,
                "[[",
            )
            lines[at] = f"{key}= {rng.choice(text)}"
        else:
            lines[at] = rng.choice(("[[cuff]]", "[datum]", "[x", "a.b.c = 1", "\x00", "x" * 9999))
        lines = lines or [""]
    return "\n".join(lines).encode("utf-8")


# ---------------------------------------------------------------- what is done with each kind


def use_kit(file: Path) -> None:
    kit = read_kit(file)
    assert Layout.of(kit).tags is not None
    assert kit.parts is not None


def use_survey(file: Path) -> None:
    survey = read_survey(file)
    survey_document(survey)
    first = read_survey(DATA / "survey.json")
    align(first, survey, "shell")
    for cuff in survey.kit.cuff:
        if survey.has(cuff.first_id):
            survey.axis_at(cuff.first_id)


def use_record(file: Path) -> None:
    record = read_record(file)
    align(record.survey, record.survey, record.on)


def use_list(file: Path) -> None:
    broken_link(read_json(file, Ledger))


def use_photo(file: Path) -> None:
    read_header(file)
    read_photo(file)


def strip_photo(file: Path) -> None:
    without_private_data(file.read_bytes(), file)


def photo_bytes(kind: str) -> bytes:
    import io

    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F], exif[0x0112] = "Lumen", 6
    exif.get_ifd(0x8769).update({0x920A: 5.4, 0xA405: 26, 0xA002: 96, 0xA003: 64})
    image = Image.effect_noise((96, 64), 40).convert("RGB")
    options: dict[str, Any] = {"progressive": True} if kind == "PROGRESSIVE" else {}
    image.save(out, "PNG" if kind == "PNG" else "JPEG", exif=exif, **options)
    return out.getvalue()


def cases() -> dict[str, Case]:
    from fitscan.fit.record_file import RecordFile
    from fitscan.store.document import render_json

    record = render_json(read_json(DATA / "record.json", RecordFile)).encode("utf-8")
    entries = render_json(listing("Wren", [])).encode("utf-8")
    kit = (ROOT / "sample_images" / "kit.toml").read_bytes()
    return {
        "kit": Case(kit[:6000], "kit.toml", use_kit),
        "camera": Case((DATA / "camera.json").read_bytes(), "camera.json", read_camera),
        "survey": Case((DATA / "survey.json").read_bytes(), "survey.json", use_survey),
        "record": Case(record, "record.json", use_record),
        "gap": Case((DATA / "gap.json").read_bytes(), "gap.json", lambda f: read_json(f, GapFile)),
        "recheck": Case(
            (DATA / "recheck.json").read_bytes(), "r.json", lambda f: read_json(f, RecheckFile)
        ),
        "list": Case(entries, "job.json", use_list),
        "jpeg": Case(photo_bytes("JPEG"), "a.jpg", use_photo),
        "progressive": Case(photo_bytes("PROGRESSIVE"), "b.jpg", use_photo),
        "png": Case(photo_bytes("PNG"), "c.png", use_photo),
        "stripping": Case(photo_bytes("JPEG"), "d.jpg", strip_photo),
        "stripping png": Case(photo_bytes("PNG"), "e.png", strip_photo),
    }


CASES = cases()
SEEDS = st.integers(0, 2**48)
QUIET = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    place = tmp_path_factory.mktemp("fuzz") / 'Jo\'s "Käfig" [1]'
    place.mkdir()
    return place


@pytest.mark.parametrize("kind", CASES)
def test_the_undamaged_file_is_used_without_a_word(folder: Path, kind: str) -> None:
    case = CASES[kind]
    (folder / case.name).write_bytes(case.good)
    if kind == "kit":
        return  # its last table is cut
    case.use(folder / case.name)


@pytest.mark.parametrize("kind", CASES)
@settings(max_examples=30, suppress_health_check=QUIET)
@given(seed=SEEDS)
def test_a_damaged_file_gives_an_answer_or_one_sentence(folder: Path, kind: str, seed: int) -> None:
    CASES[kind].run(folder, seed)


@pytest.mark.slow
@pytest.mark.parametrize("kind", CASES)
@settings(max_examples=860, suppress_health_check=QUIET)
@given(seed=SEEDS)
def test_ten_thousand_damaged_files_give_an_answer_or_one_sentence(
    folder: Path, kind: str, seed: int
) -> None:
    CASES[kind].run(folder, seed)


@pytest.mark.slow
@settings(max_examples=120, suppress_health_check=QUIET)
@given(seed=SEEDS)
def test_a_damaged_heic_costs_one_photo(folder: Path, seed: int) -> None:
    """Fewer, because each is decoded by a process of its own."""
    Case(HEIC.read_bytes(), "f.heic", use_photo).run(folder, seed)
