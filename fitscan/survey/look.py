"""The first look at the photos, several at a time.

What the findings mean is left to `build`. It imports little: the rest of a survey is loaded while
workers look.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from fitscan.detect.tags import Detections
from fitscan.errors import DataError, FitscanError
from fitscan.geometry.rotation import Array
from fitscan.survey.found_before import ENTRIES, Look, content_hash, recall
from fitscan.survey.measured_before import Memory
from fitscan.survey.photo_work import look
from fitscan.survey.survey import Dropped
from fitscan.survey.workers import FEW, Progress, run_all

__all__ = ["Looked", "look_at", "no_photo_left", "same_pictures", "where_refused"]

_SAME_PX, _COMMON_SHARE = 0.5, 0.7
"""Largest move of a corner, in most of the tags, and share of tags found in both, with which two
photos are one picture."""

_BESIDE = tuple((i, j) for i in (-1, 0, 1) for j in (-1, 0, 1))


@dataclass(frozen=True)
class Looked:
    """What the first look found.

    Attributes:
        folder: of the photos.
        paths: photos that could be read.
        found: per photo, tags of the kit.
        sha256, orientation: per photo.
        refused: photos that could not be read, with the reason.
        dropped: doubles and unknown ids.
        unknown: ids that are not in the kit, with the photos that show them.
        shelf: folder of decoded photos, see `shelf`.
        memory: of what was measured in the same photos before.
        standing: hashes of the photos that a survey had placed where this one begins, if it does.
    """

    folder: Path
    paths: tuple[Path, ...]
    found: tuple[Detections, ...]
    sha256: tuple[str, ...]
    orientation: tuple[int, ...]
    refused: dict[Path, str]
    dropped: tuple[Dropped, ...]
    unknown: dict[int, tuple[str, ...]]
    shelf: Path | None = None
    memory: Memory | None = None
    standing: frozenset[str] = frozenset()

    def only(self, rows: list[int]) -> Looked:
        """Some of the photos."""
        return replace(
            self,
            paths=tuple(self.paths[i] for i in rows),
            found=tuple(self.found[i] for i in rows),
            sha256=tuple(self.sha256[i] for i in rows),
            orientation=tuple(self.orientation[i] for i in rows),
        )


def look_at(
    paths: list[Path],
    wanted: set[int],
    workers: int | None,
    tell: Progress,
    shelf: Path | None = None,
    cache: Path | None = None,
    meanwhile: Callable[[Detections], object] | None = None,
    begun: Callable[[], None] | None = None,
) -> Looked:
    """Read every photo and find tags in it.

    Args:
        paths: photos.
        wanted: ids of the kit.
        workers: processes.
        tell: progress.
        shelf: where decoded photos are kept meanwhile, see `shelf`.
        cache: where is kept what was found in which photo, see `found_before`.
        meanwhile: told what was found in a photo while others are still looked at.
        begun: called when the first photos are being looked at.
    """

    def seen(result: str | Look) -> None:
        if meanwhile is not None and not isinstance(result, str):
            meanwhile(result[2].keep(wanted))

    known = _known(paths, cache)
    calls = [(p, shelf, cache) for p in paths if p not in known]
    sentence = "Looking for tags"
    if known and len(calls) < FEW:
        workers = 1
    rest = iter(run_all(look, calls, workers, tell, sentence, seen, begun) if calls else ())
    results = [known[p] if p in known else next(rest) for p in paths]
    keep: list[tuple[Path, str, int, Detections]] = []
    refused: dict[Path, str] = {}
    dropped: list[Dropped] = []
    unknown: dict[int, list[str]] = {}
    for path, result in zip(paths, results, strict=True):
        if isinstance(result, str):
            refused[path] = result
            continue
        sha256, orientation, found = result
        for tag_id in sorted(set(found.ids.tolist()) - wanted):
            unknown.setdefault(tag_id, []).append(path.name)
        found = found.keep(wanted)
        for tag_id in found.doubles:
            reason = "it is at two places of this photo: printed twice, or a reflection"
            dropped.append(Dropped(path.name, tag_id, reason))
        keep.append((path, sha256, orientation, found))
    again = same_pictures([(k[0], k[3]) for k in keep])
    refused.update(
        {
            path: f"it shows the same as {stays.name}, pixel for pixel: the picture saved again, "
            "or a second one from a tripod"
            for path, stays in again.items()
        }
    )
    keep = [k for k in keep if k[0] not in again]
    folder = paths[0].parent if paths else Path()
    return Looked(
        folder,
        tuple(k[0] for k in keep),
        tuple(k[3] for k in keep),
        tuple(k[1] for k in keep),
        tuple(k[2] for k in keep),
        refused,
        tuple(dropped),
        {k: tuple(v) for k, v in unknown.items()},
        shelf,
    )


def _known(paths: list[Path], cache: Path | None) -> dict[Path, Look]:
    """What was found before. Asked here, so that for one photo more no worker starts."""
    if cache is None or not any(cache.glob(ENTRIES)):
        return {}
    out = {}
    for path in paths:
        with suppress(FitscanError):  # Who looks at it says what is wrong with it.
            found = recall(cache, content_hash(path))
            if found is not None:
                out[path] = found
    return out


def same_pictures(photos: list[tuple[Path, Detections]]) -> dict[Path, Path]:
    """Photos that show the same picture as another one, which stays: the largest file of them.

    Saving a picture again moves a tag's corners by a tenth of a pixel, its brightness by
    anything; a hand moves the phone by many pixels between two photos.
    """
    order = sorted(photos, key=lambda p: -p[0].stat().st_size)
    stay: list[tuple[Path, dict[int, Array]]] = []
    again: dict[Path, Path] = {}
    # A median below the limit has at least one tag below it: only photos that have some tag's
    # first corner in the same cell or one beside it are compared, not every pair of photos.
    at: dict[tuple[int, int, int], list[int]] = {}
    for path, found in order:
        quads = dict(zip(found.ids.tolist(), found.corners_px, strict=True))
        near = {row for cell in _cells(quads, _BESIDE) for row in at.get(cell, ())}
        twin = next((stay[row][0] for row in sorted(near) if _alike(quads, stay[row][1])), None)
        if twin is None:
            for cell in _cells(quads, ((0, 0),)):
                at.setdefault(cell, []).append(len(stay))
            stay.append((path, quads))
        else:
            again[path] = twin
    return again


def _cells(
    quads: Mapping[int, Array], steps: tuple[tuple[int, int], ...]
) -> Iterator[tuple[int, int, int]]:
    """Tag, column and row of the cells, as wide as the limit, about each tag's first corner."""
    for tag, quad in quads.items():
        x, y = np.floor(quad[0] / _SAME_PX).astype(int).tolist()
        yield from ((tag, x + i, y + j) for i, j in steps)


def _alike(a: Mapping[int, Array], b: Mapping[int, Array]) -> bool:
    common = a.keys() & b.keys()
    if len(common) < 2 or len(common) < _COMMON_SHARE * max(len(a), len(b)):
        return False
    moved = [np.abs(a[t] - b[t]).max() for t in common]
    return bool(np.median(moved) < _SAME_PX)


def no_photo_left(folder: Path, refused: dict[Path, str]) -> DataError:
    """The error when every photo was refused."""
    return DataError(
        "No photo of this shoot can be used",
        where_refused(folder, refused),
        "copy the photos from the phone again, or take new ones",
    )


def where_refused(folder: Path, refused: dict[Path, str]) -> str:
    """The folder, and what was refused in it, reason by reason."""
    names: dict[str, list[str]] = {}
    for path, reason in refused.items():
        names.setdefault(reason, []).append(path.name)
    said = [str(folder)]
    for reason, alike in list(names.items())[:3]:
        more = f" and {len(alike) - 1} more" if len(alike) > 1 else ""
        said.append(f"{alike[0]}{more}: {reason}")
    return "; ".join(said)
