"""What commands share around their call: progress, tables, result files and their names.

Tables come from `fitscan.report`; what a result says is left to the layers below.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fitscan.cli.interrupt import check_stop
from fitscan.errors import InputError

if TYPE_CHECKING:
    from rich.console import Console

    from fitscan.store.json_file import JsonDocument
    from fitscan.survey.survey import Survey

__all__ = [
    "check_free",
    "check_photos_folder",
    "drawing",
    "give",
    "give_facts",
    "photos_of",
    "progress",
    "say_files",
    "say_notes",
    "screen_for",
    "working",
]


def screen_for(*, hushed: bool) -> Console:
    """Where people read: standard output, or standard error when machines read the output."""
    from rich.console import Console

    return Console(stderr=hushed, width=None if sys.stdout.isatty() else 80, highlight=False)


_SOON_S = 1.0


@contextmanager
def progress(*, quiet: bool) -> Iterator[Callable[[str, int, int], None]]:
    """A progress bar per step on standard error."""
    if quiet:
        yield lambda sentence, done, total: check_stop()
        return
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn

    columns = (TextColumn("{task.description:<34}"), BarColumn(24), MofNCompleteColumn())
    bar = Progress(*columns, console=Console(stderr=True), transient=False)
    tasks: dict[str, Any] = {}

    def tell(sentence: str, done: int, total: int) -> None:
        check_stop()
        # Not before there is something to tell: an early refusal stands alone.
        bar.start()
        if sentence not in tasks:
            for task in tasks.values():
                bar.update(task, completed=bar.tasks[task].total)
            tasks[sentence] = bar.add_task(sentence, total=max(total, 1))
        bar.update(tasks[sentence], completed=done, total=max(total, 1))

    try:
        yield tell
        for task in tasks.values():
            bar.update(task, completed=bar.tasks[task].total)
    finally:
        # Asked of the bar itself: Ctrl-C may come between its start and its first sentence.
        if bar.live.is_started:
            bar.stop()


@contextmanager
def drawing(*, quiet: bool) -> Iterator[None]:
    """A bar while pictures are drawn, which takes seconds on photos of 12 megapixels."""
    with progress(quiet=quiet) as tell:
        tell("Drawing pictures", 0, 1)
        yield


@contextmanager
def working(sentence: str, *, quiet: bool) -> Iterator[None]:
    """A bar for work in one piece, shown once it has taken a second: a refusal stands alone."""
    with progress(quiet=quiet) as tell:
        later = threading.Timer(_SOON_S, tell, (sentence, 0, 1))
        later.daemon = True
        later.start()
        try:
            yield
        finally:
            later.cancel()
            later.join()


def give_facts(kind: str, **facts: Any) -> None:
    """Print, where machines read, the facts of something that has no JSON file of its own."""
    import json

    sys.stdout.write(json.dumps({"kind": kind, **facts}, ensure_ascii=False) + "\n")


def give(document: JsonDocument, out: Path | None, *, json: bool, replace: bool) -> None:
    """Write the result's file, and print it where machines read."""
    from fitscan.store.json_file import render_json, write_json

    if out is not None:
        write_json(out, document, replace=replace)
    if json:
        sys.stdout.write(render_json(document))


_PICTURES = (
    "-photo-1.jpg",
    "-photo-2.jpg",
    "-close-up.jpg",
    "-plot.png",
    "-plot-2.png",
    "-plan.png",
    "-advice.png",
)
"""What a result's pictures may be called after its own name."""


def check_free(
    out: Path | None, kind: str, *, replace: bool, pictures: bool = True, kept: bool = False
) -> None:
    """Refuse before the work, not after it, a result that could not be written.

    Even when asked to replace, only an older result of the same kind is written over: never a
    record, a kit or a photo; and what is `kept` is never written over.
    """
    from fitscan.store.access import check_folder, write_refusal
    from fitscan.store.json_file import kind_of
    from fitscan.store.ledger import check_ledger

    if out is None:
        return
    stem = out.with_suffix("")
    drawn = [stem.with_name(stem.name + ending) for ending in _PICTURES if pictures]
    try:
        if out.is_dir():
            raise InputError("This is a folder, not a file", out, "name a file inside it")
        check_folder(out.parent)
        check_ledger(out)
        there = [file for file in (out, *drawn) if file.exists()]
    except OSError as error:
        raise write_refusal(error, out.parent) from error
    if there and not replace:
        todo = "choose another name" + ("" if kept else " or give --replace")
        raise InputError("The file exists already", there[0], todo)
    if out in there and kind_of(out) != kind:
        what = "--replace writes only over an older result of the same command, not over this file"
        raise InputError(what, out, "choose another name")


def check_photos_folder(folder: Path | None) -> None:
    """Refuse a folder of photos that is none."""
    if folder is not None and not folder.is_dir():
        raise InputError("There is no such folder", folder, "check the name")


def say_notes(screen: Console, notes: list[str]) -> None:
    """Print each note in full: terminals fold better than tables."""
    for note in notes:
        screen.print(note, soft_wrap=True, markup=False)


def say_files(screen: Console, *files: Path | None) -> None:
    """Name the files that were written."""
    for file in files:
        if file is not None:
            screen.print(f"written: {file}", soft_wrap=True, markup=False)


def photos_of(survey: Survey, file: Path) -> Path | None:
    """The folder of a survey's photos, beside the survey's file or in `photos` of its job."""
    beside = file.resolve().parent
    places = (beside / survey.name, beside.parent / "photos" / survey.name)
    return next((p for p in places if p.is_dir()), None)
