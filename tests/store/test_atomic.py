"""Writing whole or not at all, with disks that fill up and processes that are killed."""

from __future__ import annotations

import errno
import os
import stat
from collections.abc import Callable
from pathlib import Path

import pytest

from fitscan.errors import EnvironmentProblem, FitscanError, InputError
from fitscan.store.access import make_folder, read_bytes
from fitscan.store.atomic import write_new

NOBODY = 65534


def raising(number: int) -> Callable[..., int]:
    def fail(*_args: object, **_options: object) -> int:
        raise OSError(number, os.strerror(number))

    return fail


def in_child(work: Callable[[], None]) -> int:
    """Run in a child process that ends without any clean-up; return its exit code."""
    child = os.fork()
    if child == 0:
        try:
            work()
        except FitscanError as error:
            os.write(2, str(error).encode())
            os._exit(error.exit_code)
        except BaseException:  # noqa: BLE001  - a child must never return into the test run
            os._exit(99)
        os._exit(0)
    return os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])


def test_a_new_file_holds_exactly_the_bytes_given_and_nothing_else_is_left(tmp_path: Path) -> None:
    data = bytes(range(256)) * 5000
    write_new(tmp_path / "a.bin", data)
    assert (tmp_path / "a.bin").read_bytes() == data
    assert [entry.name for entry in tmp_path.iterdir()] == ["a.bin"]


def test_an_empty_file_can_be_written(tmp_path: Path) -> None:
    write_new(tmp_path / "a", b"")
    assert (tmp_path / "a").read_bytes() == b""


def test_short_writes_of_the_system_are_continued(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write = os.write
    monkeypatch.setattr(os, "write", lambda file, data: write(file, data[:7]))
    write_new(tmp_path / "a", b"0123456789" * 10)
    assert (tmp_path / "a").read_bytes() == b"0123456789" * 10


def test_a_file_gets_the_permissions_that_the_user_asked_for(tmp_path: Path) -> None:
    before = os.umask(0o027)
    try:
        write_new(tmp_path / "a", b"x")
    finally:
        os.umask(before)
    assert stat.S_IMODE((tmp_path / "a").stat().st_mode) == 0o640


def test_an_existing_file_is_refused_and_untouched(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    with pytest.raises(InputError, match=r"exists already.*/a\): choose another name") as caught:
        write_new(tmp_path / "a", b"new")
    assert caught.value.exit_code == 2
    assert (tmp_path / "a").read_bytes() == b"old"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_dangling_link_counts_as_an_existing_file(tmp_path: Path) -> None:
    (tmp_path / "a").symlink_to(tmp_path / "nowhere")
    with pytest.raises(InputError, match="exists already"):
        write_new(tmp_path / "a", b"new")
    assert not (tmp_path / "nowhere").exists()


def test_an_existing_file_is_replaced_when_asked(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"old")
    write_new(tmp_path / "a", b"new", replace=True)
    assert (tmp_path / "a").read_bytes() == b"new"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("hard_links", [True, False])
def test_a_file_that_appears_while_writing_is_not_overwritten(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, hard_links: bool
) -> None:
    fsync = os.fsync

    def another_writer_is_faster(file: int) -> None:
        fsync(file)
        (tmp_path / "a").write_bytes(b"theirs")

    monkeypatch.setattr(os, "fsync", another_writer_is_faster)
    if not hard_links:
        monkeypatch.setattr(os, "link", raising(errno.EPERM))
    with pytest.raises(InputError, match="exists already"):
        write_new(tmp_path / "a", b"ours")
    assert (tmp_path / "a").read_bytes() == b"theirs"
    assert len(list(tmp_path.iterdir())) == 1


def test_a_file_system_without_hard_links_will_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(os, "link", raising(errno.EPERM))
    write_new(tmp_path / "a", b"x")
    assert (tmp_path / "a").read_bytes() == b"x"
    assert len(list(tmp_path.iterdir())) == 1


@pytest.mark.parametrize("replace", [True, False])
@pytest.mark.parametrize("step", ["open", "write", "fsync"])
@pytest.mark.parametrize(
    ("number", "words"),
    [
        (errno.ENOSPC, "The disk is full"),
        (errno.EDQUOT, "The disk is full"),
        (errno.EROFS, "can only be read"),
        (errno.EACCES, "You may not write into this folder"),
        (errno.EIO, "could not be written"),
    ],
)
def test_a_refusing_disk_is_one_sentence_and_leaves_the_folder_as_it_was(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    step: str,
    number: int,
    words: str,
    replace: bool,
) -> None:
    before = {}
    if replace:
        (tmp_path / "a").write_bytes(b"old")
        before = {"a": b"old"}
    with monkeypatch.context() as patch:
        patch.setattr(os, step, raising(number))
        with pytest.raises(EnvironmentProblem) as caught:
            write_new(tmp_path / "a", b"new", replace=replace)
    sentence = str(caught.value)
    assert words in sentence
    assert str(tmp_path) in sentence
    assert "write to another folder" in sentence
    assert "\n" not in sentence
    assert caught.value.exit_code == 3
    assert {entry.name: entry.read_bytes() for entry in tmp_path.iterdir()} == before


def test_a_disk_that_fails_on_the_folder_itself_leaves_no_new_file(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fsync = os.fsync

    def fail_for_folders(file: int) -> None:
        if stat.S_ISDIR(os.fstat(file).st_mode):
            raise OSError(errno.EIO, os.strerror(errno.EIO))
        fsync(file)

    monkeypatch.setattr(os, "fsync", fail_for_folders)
    with pytest.raises(EnvironmentProblem):
        write_new(tmp_path / "a", b"x")
    assert list(tmp_path.iterdir()) == []


def test_a_file_system_that_cannot_sync_folders_will_do(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    fsync = os.fsync

    def unable_for_folders(file: int) -> None:
        if stat.S_ISDIR(os.fstat(file).st_mode):
            raise OSError(errno.EINVAL, os.strerror(errno.EINVAL))
        fsync(file)

    monkeypatch.setattr(os, "fsync", unable_for_folders)
    write_new(tmp_path / "a", b"x")
    assert (tmp_path / "a").read_bytes() == b"x"


def test_the_bytes_reach_the_disk_before_the_name_is_given(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    steps: list[str] = []
    fsync, link = os.fsync, os.link

    def note_fsync(file: int) -> None:
        steps.append("folder" if stat.S_ISDIR(os.fstat(file).st_mode) else "file")
        fsync(file)

    def note_link(*names: Path) -> None:
        steps.append("name")
        link(*names)

    monkeypatch.setattr(os, "fsync", note_fsync)
    monkeypatch.setattr(os, "link", note_link)
    write_new(tmp_path / "a", b"x")
    assert steps == ["file", "name", "folder"]


@pytest.mark.parametrize("replace", [True, False])
def test_a_process_killed_before_the_name_is_given_leaves_the_old_state(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, replace: bool
) -> None:
    target = tmp_path / "a"
    if replace:
        target.write_bytes(b"old")

    def die(*_args: object, **_options: object) -> None:
        os._exit(77)

    with monkeypatch.context() as patch:
        patch.setattr(os, "link", die)
        patch.setattr(Path, "replace", die)
        code = in_child(lambda: write_new(target, b"new", replace=replace))
    assert code == 77, "the child must have come as far as naming the file"
    assert target.exists() == replace
    if replace:
        assert target.read_bytes() == b"old"
    # What a kill leaves behind is hidden, cannot be taken for a result, and is in nobody's way.
    left = [entry.name for entry in tmp_path.iterdir() if entry != target]
    assert len(left) == 1
    assert left[0].startswith(".")
    assert left[0].endswith(".part")
    write_new(target, b"new", replace=replace)
    assert target.read_bytes() == b"new"


def test_a_folder_without_write_permission_is_named(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    locked = tmp_path / "locked"
    locked.mkdir()
    locked.chmod(0o555)
    for above in (tmp_path, *tmp_path.parents[:2]):
        above.chmod(0o755)

    def as_a_plain_user() -> None:
        if os.getuid() == 0:
            os.setgid(NOBODY)
            os.setuid(NOBODY)
        write_new(locked / "a", b"x")

    assert in_child(as_a_plain_user) == 3
    sentence = capfd.readouterr().err
    assert sentence.startswith(f"You may not write into this folder ({locked}): ")
    assert list(locked.iterdir()) == []


def test_a_folder_that_does_not_exist_is_the_users_mistake(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"folder does not exist \(.*/no\): make it first"):
        write_new(tmp_path / "no" / "a", b"x")


def test_a_folder_in_place_of_the_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").mkdir()
    with pytest.raises(InputError, match="folder, not a file"):
        write_new(tmp_path / "a", b"x", replace=True)


def test_a_file_in_place_of_the_folder_is_refused(tmp_path: Path) -> None:
    (tmp_path / "a").write_bytes(b"")
    with pytest.raises(InputError, match="A file stands where a folder is needed"):
        write_new(tmp_path / "a" / "b", b"x")
    with pytest.raises(InputError, match="A file stands where a folder is needed"):
        make_folder(tmp_path / "a")


def test_a_name_that_is_too_long_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="name is too long"):
        write_new(tmp_path / ("a" * 300), b"x")
    assert list(tmp_path.iterdir()) == []


def test_make_folder_makes_those_above_and_accepts_what_is_there(tmp_path: Path) -> None:
    assert make_folder(tmp_path / "a" / "b").is_dir()
    assert make_folder(tmp_path / "a" / "b") == tmp_path / "a" / "b"


def test_make_folder_says_that_the_disk_is_full(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(Path, "mkdir", raising(errno.ENOSPC))
    with pytest.raises(EnvironmentProblem, match="The disk is full"):
        make_folder(tmp_path / "a")


def test_reading_says_what_stands_in_the_way(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with pytest.raises(InputError, match=r"no such file \(.*/none\): check the name"):
        read_bytes(tmp_path / "none")
    with pytest.raises(InputError, match="folder, not a file"):
        read_bytes(tmp_path)
    (tmp_path / "a").write_bytes(b"x")
    with monkeypatch.context() as patch:
        patch.setattr(Path, "read_bytes", raising(errno.EACCES))
        with pytest.raises(InputError, match="may not read"):
            read_bytes(tmp_path / "a")
        patch.setattr(Path, "read_bytes", raising(errno.EIO))
        with pytest.raises(EnvironmentProblem, match="could not be read"):
            read_bytes(tmp_path / "a")
