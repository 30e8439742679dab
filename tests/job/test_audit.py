"""Begin, audit and pack a job: what is whole is proven, what is not is named."""

from __future__ import annotations

import hashlib
import io
import json
import shutil
import zipfile
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from PIL import Image

from fitscan.errors import DataError, InputError
from fitscan.fit.record_file import keep_record
from fitscan.job.audit import Audit, audit
from fitscan.job.layout import FOLDERS, files_in, keep_job
from fitscan.job.pack import OLD_LIST, REPEAT, pack
from fitscan.store.atomic import write_new
from fitscan.store.document import read_json
from fitscan.store.ledger import LEDGER, Ledger, broken_link, listing, open_ledger
from fitscan.survey.shoot import sources_of
from fitscan.survey.survey_file import read_survey, write_survey

DATA = Path(__file__).parent / "data"
PHOTOS = 6


def photo(seed: int) -> bytes:
    out = io.BytesIO()
    exif = Image.Exif()
    exif[0x010F], exif[0x0110] = "Lumen", "P7"
    exif.get_ifd(0x8825).update({1: "N", 2: (48.0, 8.0, float(seed))})
    image = Image.effect_noise((64, 48), 10 + seed)
    image.save(out, "JPEG", exif=exif)
    return out.getvalue()


def make(folder: Path) -> Path:
    """A job with a survey that says of which photos and kit it was made, and a record of it."""
    keep_job(folder, "Wren")
    shutil.copy(DATA / "version_1" / "camera.json", folder)
    (folder / "kit.toml").write_text("# a kit\n", encoding="utf-8")
    shoot = folder / "photos" / "shut"
    shoot.mkdir()
    survey = read_survey(DATA / "version_1" / "survey.json")
    assert len(survey.photos) == PHOTOS
    entries = []
    for number, entry in enumerate(survey.photos):
        data = photo(number)
        (shoot / entry.name).write_bytes(data)
        entries.append(replace(entry, sha256=hashlib.sha256(data).hexdigest()))
    keep_job(folder)
    sources = sources_of(folder / "kit.toml", folder / "camera.json")
    survey = replace(survey, photos=tuple(entries), sources=sources)
    write_survey(folder / "surveys" / "shut.json", survey)
    keep_record(folder / "records" / "cage.json", survey, "cage", "shell")
    return folder


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make(tmp_path_factory.mktemp("jobs") / 'Jo\'s "Käfig" [1]')


@pytest.fixture
def job(made: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(made, tmp_path / made.name))


def bad(result: Audit) -> list[tuple[str, str]]:
    return [(f.kind, f.path) for f in result.bad]


def test_a_job_has_its_folders_and_its_list(tmp_path: Path) -> None:
    job = keep_job(tmp_path / "new" / "car")
    assert (job.begun, job.name, job.listed) == (True, "car", 0)
    assert {p.name for p in (tmp_path / "new" / "car").iterdir()} >= {*FOLDERS, LEDGER}


def test_keeping_a_job_again_adds_what_is_new_and_nothing_else(job: Path) -> None:
    before = read_json(job / LEDGER, Ledger)
    assert keep_job(job).added == ()
    assert read_json(job / LEDGER, Ledger) == before
    (job / "photos" / "shut" / "note.txt").write_text("Tuesday", encoding="utf-8")
    assert keep_job(job).added == ("photos/shut/note.txt",)
    after = read_json(job / LEDGER, Ledger)
    assert after.entries[:-1] == before.entries
    with pytest.raises(InputError, match="has the name 'Wren' already"):
        keep_job(job, "Finch")


def test_a_whole_job_is_whole(job: Path) -> None:
    result = audit(job)
    assert result.findings == ()
    assert result.name == "Wren"
    assert (result.files, result.listed) == (PHOTOS + 4, PHOTOS + 4)
    assert (result.photos, result.documents, result.sealed) == (2 * PHOTOS, 3, 1)
    result.check()


def flip(path: Path, at: int, bit: int) -> None:
    data = bytearray(path.read_bytes())
    data[at % len(data)] ^= 1 << bit
    path.write_bytes(bytes(data))


@settings(max_examples=60)
@given(pick=st.integers(0), at=st.integers(0), bit=st.integers(0, 7))
def test_any_bit_that_flips_in_any_file_is_found_and_named(
    made: Path, tmp_path_factory: pytest.TempPathFactory, pick: int, at: int, bit: int
) -> None:
    folder = tmp_path_factory.getbasetemp() / "flipped"
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(made, folder)
    names = [*files_in(folder), LEDGER]
    name = names[pick % len(names)]
    before = (folder / name).read_bytes()
    flip(folder / name, at, bit)
    result = audit(folder)
    if name == LEDGER and not result.bad:
        # The only bits of the list that no chain vouches for are the version's own name and kind.
        pytest.fail(f"bit {bit} of byte {at % len(before)}: {before[at % len(before)]:#x}")
    assert result.bad
    assert name == LEDGER or name in {f.path for f in result.bad}
    with pytest.raises(DataError, match="The folder is not whole"):
        result.check()


def test_a_missing_file_is_named(job: Path) -> None:
    (job / "records" / "cage.json").unlink()
    result = audit(job)
    assert bad(result) == [("missing", "records/cage.json")]
    with pytest.raises(DataError) as caught:
        result.check()
    assert "not whole (1 missing): records/cage.json is missing, listed 20" in str(caught.value)
    assert caught.value.exit_code == 2


def test_a_list_from_which_a_line_was_taken_is_named(job: Path) -> None:
    ledger = read_json(job / LEDGER, Ledger)
    content = json.loads((job / LEDGER).read_text(encoding="utf-8"))
    gone = content["entries"].pop(2)
    (job / LEDGER).write_text(json.dumps(content), encoding="utf-8")
    (job / gone["path"]).unlink()
    result = audit(job)
    assert ("changed", LEDGER) in bad(result)
    assert len(ledger.entries) == len(content["entries"]) + 1


def test_a_kit_written_by_hand_is_listed_anew_and_its_history_stays(job: Path) -> None:
    with (job / "kit.toml").open("a", encoding="utf-8") as stream:
        stream.write("# edited\n")
    result = audit(job)
    assert bad(result) == [("changed", "kit.toml")]
    assert "if you did, `fitscan job` lists it anew" in result.bad[0].words
    assert keep_job(job).edited == ("kit.toml",)
    result = audit(job)
    assert not result.bad
    # The survey still rests on the older kit, of which it holds what it needs.
    assert {f.path for f in result.findings} == {"surveys/shut.json", "records/cage.json"}
    history = [e.sha256 for e in read_json(job / LEDGER, Ledger).entries if e.path == "kit.toml"]
    assert len(set(history)) == 2


def test_a_photo_deleted_on_purpose_is_taken_off_but_a_record_never(job: Path) -> None:
    (job / "photos" / "shut" / "note.txt").write_text("Tuesday", encoding="utf-8")
    keep_job(job)
    with pytest.raises(InputError, match="still there"):
        keep_job(job, removed=("photos/shut/note.txt",))
    (job / "photos" / "shut" / "note.txt").unlink()
    assert bad(audit(job)) == [("missing", "photos/shut/note.txt")]
    assert keep_job(job, removed=("photos/shut/note.txt",)).removed == ("photos/shut/note.txt",)
    assert not audit(job).bad
    with pytest.raises(InputError, match="not on the job's list"):
        keep_job(job, removed=("photos/shut/other.txt",))
    (job / "records" / "cage.json").unlink()
    with pytest.raises(InputError, match="A record is never taken off the list"):
        keep_job(job, removed=("records/cage.json",))


def test_what_a_killed_writer_leaves_is_no_fault(job: Path) -> None:
    (job / "results" / ".fitscan-0123456789abcdef.part").write_bytes(b"half")
    part = job / "results" / ".fitscan-fedcba9876543210.part"
    part.write_bytes(b"whole")
    with open_ledger(job / LEDGER) as book:
        book.announce(job / "results" / "gap.json", part)
    result = audit(job)
    assert not result.bad
    assert [f.kind for f in result.findings] == ["leftover", "leftover"]
    write_new(job / "results" / "next.json", b"{}")
    assert not audit(job).bad
    assert len(keep_job(job).cleared) == 2
    assert audit(job).findings == ()


def test_clearing_away_puts_the_list_right_first(job: Path) -> None:
    part = job / "results" / ".fitscan-fedcba9876543210.part"
    part.write_bytes(b"whole")
    with open_ledger(job / LEDGER) as book:
        book.announce(job / "results" / "gap.json", part)
    keep_job(job)
    assert not part.exists()
    assert audit(job).findings == ()


def test_a_folder_without_a_list_is_judged_by_what_surveys_and_records_say(job: Path) -> None:
    (job / LEDGER).unlink()
    result = audit(job)
    assert (result.name, result.listed, result.findings) == (None, 0, ())
    names = sorted(p.name for p in (job / "photos" / "shut").iterdir())
    (job / "photos" / "shut" / names[0]).unlink()
    (job / "photos" / "shut" / names[1]).write_bytes(photo(99))
    result = audit(job)
    assert set(bad(result)) == {("missing", names[0]), ("changed", f"photos/shut/{names[1]}")}


def test_an_archive_is_whole_holds_everything_and_nothing_private(job: Path) -> None:
    packed = pack(job, job.parent / "job.zip")
    assert (packed.files, packed.stripped, packed.left_out) == (PHOTOS + 4 + 3, PHOTOS, ())
    result = audit(packed.file)
    assert not result.bad
    assert (result.photos, result.sealed) == (2 * PHOTOS, 1)
    with zipfile.ZipFile(packed.file) as archive:
        assert set(archive.namelist()) == {*files_in(job), LEDGER, OLD_LIST, REPEAT}
        repeat = archive.read(REPEAT).decode("utf-8")
        for name in archive.namelist():
            if name.endswith(".jpg"):
                with Image.open(io.BytesIO(archive.read(name))) as image:
                    assert not image.getexif().get_ifd(0x8825)
                    assert image.getexif()[0x010F] == "Lumen"
    assert "fitscan survey photos/shut --kit kit.toml --camera camera.json" in repeat
    assert "approves no design" in repeat or "does not approve a design" in repeat


def test_a_damaged_archive_is_named(job: Path) -> None:
    file = pack(job, job.parent / "job.zip").file
    with zipfile.ZipFile(file) as archive:
        at = archive.getinfo(
            "photos/shut/" + min(p.name for p in (job / "photos" / "shut").iterdir())
        )
        offset = at.header_offset + 300
    flip(file, offset, 3)
    with pytest.raises((InputError, DataError)):
        audit(file).check()
    file.write_bytes(file.read_bytes()[:-1000])
    with pytest.raises(InputError, match="neither a folder nor a whole archive"):
        audit(file)


def test_an_archive_packed_anew_differs_in_nothing_but_its_date(job: Path) -> None:
    """So two people who pack the same job can compare what they have."""
    entries = []
    for name in ("a.zip", "b.zip"):
        with zipfile.ZipFile(pack(job, job.parent / name).file) as archive:
            ledger = json.loads(archive.read(LEDGER))
            entries.append({e["path"]: e["sha256"] for e in ledger["entries"]})
    assert entries[0] == entries[1]


def test_a_job_that_is_not_whole_is_not_packed(job: Path) -> None:
    (job / "kit.toml").unlink()
    with pytest.raises(DataError, match=r"1 missing.*kit.toml"):
        pack(job, job.parent / "job.zip")
    assert not (job.parent / "job.zip").exists()


def test_what_only_has_a_photos_name_is_left_out_of_the_archive(job: Path) -> None:
    (job / "photos" / "shut" / "X5.jpg").write_text("a letter", encoding="utf-8")
    packed = pack(job, job.parent / "job.zip")
    assert packed.left_out == ("photos/shut/X5.jpg",)
    with zipfile.ZipFile(packed.file) as archive:
        assert "photos/shut/X5.jpg" not in archive.namelist()


@pytest.mark.parametrize("name", ["../evil.txt", "/evil.txt", "a/../../evil.txt"])
def test_an_archive_cannot_write_outside_its_folder(tmp_path: Path, name: str) -> None:
    with zipfile.ZipFile(tmp_path / "a.zip", "w") as archive:
        archive.writestr(name, "x")
        archive.writestr(LEDGER, listing("evil", []).model_dump_json())
    before = set(tmp_path.rglob("*"))
    audit(tmp_path / "a.zip")
    assert set(tmp_path.rglob("*")) == before
    assert not (tmp_path.parent / "evil.txt").exists()


def test_a_list_made_at_once_is_chained_as_one_made_step_by_step(job: Path) -> None:
    assert broken_link(read_json(job / LEDGER, Ledger)) is None
