"""All that a report is made of, gathered from files: results, surveys, records, pictures, hashes.

Files are given in any order and say themselves what they are. Laying the report out is left to
`html` and `pdf`.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

from fitscan.errors import DataError, FitscanError, InputError
from fitscan.fit.record_file import RecordFile
from fitscan.fit.result_file import CAUTION, RecheckFile
from fitscan.photos.read import read_header
from fitscan.report.kinds import MODULES, result_of_kind
from fitscan.report.kinds.recheck import is_record_of
from fitscan.report.section import Section
from fitscan.store.access import read_refusal
from fitscan.store.digest import sha256_of_file
from fitscan.store.json_file import JsonDocument, kind_of, read_json
from fitscan.survey.survey import Survey
from fitscan.survey.survey_file import SurveyFile, survey_of

__all__ = [
    "Book",
    "Picture",
    "RecordPart",
    "ResultPart",
    "Source",
    "SurveyPart",
    "gather",
]

_PICTURE = re.compile(
    r"(?:-(photo|close-up|plot|sketch|view|plan|advice)(-\d+)?)?[.](jpg|jpeg|png)", re.IGNORECASE
)
_WORDS = {
    "photo": "Drawn on a photo, through the lens",
    "close-up": "Close-up of the worst place",
    "plot": "Plot",
    "sketch": "Sketch",
    "view": "View",
    "plan": "Where to take the photos from",
    "advice": "Where further photos would help most",
    "": "Picture",
}
_ORDER = tuple(_WORDS)
_LARGEST_PX = 1600
_STALE_S = 60.0
"""A command writes its pictures after its result; a copy of both takes less than this."""

_JPEG_QUALITY = 80


@dataclass(frozen=True)
class Source:
    """A file that the report rests on: its name without its folders, hash, and writer's version."""

    name: str
    word: str
    sha256: str
    tool_version: str


@dataclass(frozen=True)
class Picture:
    """A picture made anew from its pixels, so that it carries nothing else.

    Attributes:
        data: of a JPEG or PNG file; mime: its type.
        width, height: px.
        words: what it is.
    """

    data: bytes
    mime: str
    width: int
    height: int
    words: str

    @property
    def on_photo(self) -> bool:
        """Whether it is a photo with something drawn on it, not a plot."""
        return self.mime == "image/jpeg"


@dataclass(frozen=True)
class ResultPart:
    """A result with its pictures.

    Attributes:
        document: as read; section: what it tells.
        stale: names of pictures that are older than the result and were left out.
        record: the record that it was held to, if at hand, in words.
    """

    document: JsonDocument
    section: Section
    pictures: tuple[Picture, ...]
    source: Source
    stale: tuple[str, ...] = ()
    record: str | None = None


@dataclass(frozen=True)
class SurveyPart:
    """A survey with its pictures.

    Attributes:
        taken: first and last time at which its photos were taken, by the phone's clock, or None.
        note: why that is not known.
    """

    survey: Survey
    pictures: tuple[Picture, ...]
    source: Source
    taken: tuple[datetime, datetime] | None
    note: str


@dataclass(frozen=True)
class RecordPart:
    """A record, and the survey that it keeps."""

    survey: Survey
    part: str
    on: str
    made_at: str
    note: str
    source: Source


@dataclass(frozen=True)
class Book:
    """A report before it is laid out.

    Attributes:
        title: of the report.
        made_at: when, local time.
        tool_version: that makes the report.
        results, surveys, records: by the order given.
        warnings: of everything in it, each once.
        notes: what is missing and what would fix it.
        caution: what no number here can tell.
    """

    title: str
    made_at: str
    tool_version: str
    results: tuple[ResultPart, ...]
    surveys: tuple[SurveyPart, ...]
    records: tuple[RecordPart, ...]
    warnings: tuple[str, ...]
    notes: tuple[str, ...]
    caution: str = CAUTION

    @property
    def shoots(self) -> tuple[SurveyPart | RecordPart, ...]:
        """Everything that was surveyed."""
        return (*self.surveys, *self.records)

    @property
    def sources(self) -> tuple[Source, ...]:
        """All files."""
        parts: list[Any] = [*self.results, *self.surveys, *self.records]
        return tuple(p.source for p in parts)


def gather(
    files: Sequence[Path], title: str = "", photos: Path | None = None, *, beside: bool = True
) -> Book:
    """Read files of any kind of fitscan's that a report knows.

    Args:
        files: surveys, records and results; at least one survey or record.
        title: of the report; made from the files' names if empty.
        photos: folder that holds the shoots' folders; beside each survey's file if None.
        beside: whether pictures and photos that lie beside the files are looked at.

    Raises:
        InputError: a file is missing, damaged, given twice, or of a kind that no report shows;
            or there is nothing to say how it was measured.
    """
    from fitscan import __version__

    results: list[ResultPart] = []
    surveys: list[SurveyPart] = []
    records: list[RecordPart] = []
    for file in _each_once(files):
        kind = kind_of(file)
        if kind == SurveyFile.KIND:
            surveys.append(_survey_part(file, photos, beside=beside))
        elif kind == RecordFile.KIND:
            records.append(_record_part(file))
        else:
            results.append(_result_part(file, kind, beside=beside))
    if not surveys and not records:
        raise InputError(
            "Without a survey a report cannot say how anything was measured",
            ", ".join(f.name for f in files),
            "name the survey's file too, beside the results that rest on it",
        )
    results = [_with_record(r, records) for r in results]
    warnings = [w for r in results for w in r.section.warnings]
    warnings += [w for s in surveys for w in s.survey.quality.warnings]
    warnings += [w for r in records for w in r.survey.quality.warnings]
    return Book(
        title or _title(results, surveys, records),
        datetime.now().astimezone().replace(microsecond=0).isoformat(sep=" "),
        __version__,
        tuple(results),
        tuple(surveys),
        tuple(records),
        tuple(dict.fromkeys(warnings)),
        tuple(_missing(results, surveys, records)),
    )


def _each_once(files: Sequence[Path]) -> list[Path]:
    seen: dict[Path, Path] = {}
    for file in files:
        real = file.resolve()
        if real in seen:
            raise InputError("The file is named twice", file, "name it once")
        seen[real] = file
    if not seen:
        raise InputError("No file is named", "", "name a survey and the results that rest on it")
    return list(seen.values())


def _title(results: list[ResultPart], surveys: list[SurveyPart], records: list[RecordPart]) -> str:
    if results:
        words = dict.fromkeys(f"{r.section.word}: {r.section.title}" for r in results)
        return "; ".join(words)
    names = [s.survey.name for s in surveys] + [r.survey.name for r in records]
    return f"Survey {', '.join(names)}"


def _source(file: Path, word: str, tool_version: str) -> Source:
    return Source(file.name, word, sha256_of_file(file), tool_version)


def _survey_part(file: Path, photos: Path | None, *, beside: bool) -> SurveyPart:
    document = read_json(file, SurveyFile)
    survey = survey_of(document, str(file))
    folder = (photos or file.resolve().parent) / survey.name
    source = _source(file, "survey", document.tool_version)
    if not beside:
        return SurveyPart(survey, (), source, None, "")
    taken, note = _taken(survey, folder)
    return SurveyPart(survey, _pictures(file)[0], source, taken, note)


def _record_part(file: Path) -> RecordPart:
    document = read_json(file, RecordFile)
    survey = survey_of(document.survey, str(file))
    source = _source(file, "record", document.tool_version)
    return RecordPart(survey, document.part, document.on, document.made_at, document.note, source)


def _result_part(file: Path, kind: str | None, *, beside: bool) -> ResultPart:
    result = result_of_kind(kind)
    if result is None:
        known = ", ".join(sorted(k.partition(".")[2] for k in MODULES))
        what = "This is no file that a report can show"
        if kind is not None:
            what = f"A report does not show files of the kind {kind!r}"
        raise InputError(what, file, f"name surveys, records, or results ({known})")
    document = read_json(file, result.model)
    try:
        section = result.section(document)
    except (LookupError, ValueError) as error:
        raise DataError(
            "The result holds no numbers that a report could show", file, "make the result again"
        ) from error
    pictures, stale = _pictures(file) if beside else ((), ())
    source = _source(file, section.word, section.tool_version)
    return ResultPart(document, section, pictures, source, stale)


def _with_record(part: ResultPart, records: list[RecordPart]) -> ResultPart:
    """Find the record of a recheck by its numbers."""
    if not isinstance(part.document, RecheckFile):
        return part
    for record in records:
        if is_record_of(part.document, record.survey):
            kept = f"{record.source.name}, kept {record.made_at} from survey {record.survey.name}"
            words = kept + (f" ({record.note})" if record.note else "")
            return replace(part, record=words)
    return part


def _missing(
    results: list[ResultPart], surveys: list[SurveyPart], records: list[RecordPart]
) -> list[str]:
    notes = []
    names = {s.survey.name for s in surveys} | {r.survey.name for r in records}
    for part in results:
        for name in part.section.surveys:
            if name not in names:
                notes.append(
                    f"{part.source.name} rests on the survey {name!r}, which was not given: add "
                    "its file, so that the report says how it was measured"
                )
        if isinstance(part.document, RecheckFile) and part.record is None:
            what = "none of the records given is" if records else "no record was given that is"
            notes.append(
                f"{part.source.name} was held against a record, and {what} the one: add its file"
            )
        for name in part.stale:
            notes.append(
                f"{name} is older than {part.source.name}, so it shows another result and was left "
                "out: make the result again with its photos"
            )
        on_photos = part.section.surveys or isinstance(part.document, RecheckFile)
        if on_photos and not part.pictures and not part.stale:
            notes.append(
                f"No pictures lie beside {part.source.name}: make the result again with --out and "
                "its photos, and keep them in one folder"
            )
    return list(dict.fromkeys(notes))


# ---------------------------------------------------------------- photos and pictures


def _taken(survey: Survey, folder: Path) -> tuple[tuple[datetime, datetime] | None, str]:
    """When the photos were taken, from those that are still the measured ones."""
    times = []
    for photo in survey.photos:
        file = folder / photo.name
        if photo.refused is not None or not file.is_file():
            continue
        try:
            if photo.sha256 and sha256_of_file(file) != photo.sha256:
                continue
            header = read_header(file)
        except FitscanError:
            continue
        if header.taken_at is not None:
            times.append(header.taken_at)
    if times:
        return (min(times), max(times)), ""
    return None, "the photos were not at hand, or do not say"


def _pictures(file: Path) -> tuple[tuple[Picture, ...], tuple[str, ...]]:
    """Pictures that the result's command wrote beside it, best explained first; stale names."""
    stem = file.with_suffix("").name
    found: list[tuple[tuple[int, str], Path, str]] = []
    stale: list[str] = []
    try:
        beside = sorted(file.resolve().parent.iterdir())
        made = file.stat().st_mtime
        for path in beside:
            named = path.name.startswith(stem)
            match = _PICTURE.fullmatch(path.name[len(stem) :]) if named else None
            if not match or not path.is_file():
                continue
            if path.stat().st_mtime < made - _STALE_S:
                stale.append(path.name)
                continue
            word = (match[1] or "").lower()
            found.append(((_ORDER.index(word), match[2] or ""), path, _WORDS[word]))
    except OSError as error:
        raise read_refusal(error, file.parent) from error
    return tuple(made_anew(path, words) for _, path, words in sorted(found)), tuple(stale)


def made_anew(path: Path, words: str) -> Picture:
    """A picture from another's pixels: upright, no larger than needed, without metadata.

    Raises:
        InputError: it is no picture, or damaged.
    """
    from PIL import Image, ImageOps, UnidentifiedImageError

    try:
        with Image.open(path) as opened:
            drawn = opened.format == "PNG"
            pixels = ImageOps.exif_transpose(opened).convert("RGB")
    except (OSError, UnidentifiedImageError, ValueError, SyntaxError) as error:
        raise InputError(
            "A picture beside the result cannot be read", path, "make the result again"
        ) from error
    pixels.thumbnail((_LARGEST_PX, 3 * _LARGEST_PX), Image.Resampling.LANCZOS)
    # A fresh image: nothing of the old file's information comes along.
    clean = Image.new("RGB", pixels.size)
    clean.paste(pixels)
    stream = io.BytesIO()
    if drawn:
        palette = clean.quantize(256, method=Image.Quantize.MEDIANCUT, dither=Image.Dither.NONE)
        palette.save(stream, "PNG", optimize=True)
        mime = "image/png"
    else:
        clean.save(stream, "JPEG", quality=_JPEG_QUALITY, subsampling=0, optimize=True)
        mime = "image/jpeg"
    return Picture(stream.getvalue(), mime, clean.width, clean.height, words)
