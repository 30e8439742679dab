"""How a survey was measured, as facts for a report: phone, photos, scale, lens, what was left out.

Laying it out is left to `html` and `pdf`.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

import numpy as np

from fitscan.fit.verdict import COVERAGE
from fitscan.report.book import RecordPart, SurveyPart
from fitscan.report.hand_check import LengthToCheck, lengths_to_check
from fitscan.report.section import Cell, Column, Measured, Table
from fitscan.report.shapes import largest_u_mm
from fitscan.report.words import amount
from fitscan.survey.survey import Survey

__all__ = ["HowMeasured", "how_measured"]


@dataclass(frozen=True)
class HowMeasured:
    """One shoot.

    Attributes:
        name: of the survey, and what became of it.
        facts: (name, value) pairs.
        tables: parts, rules.
        refused, left_out, advice: sentences.
        photos: (name, what became of it, SHA-256).
        lengths: to check by hand.
    """

    name: str
    facts: tuple[tuple[str, str], ...]
    tables: tuple[Table, ...]
    refused: tuple[str, ...]
    left_out: tuple[str, ...]
    advice: tuple[str, ...]
    photos: tuple[tuple[str, str, str], ...]
    lengths: tuple[LengthToCheck, ...]


def how_measured(part: SurveyPart | RecordPart) -> HowMeasured:
    """Facts of a survey, or of the survey that a record keeps."""
    survey = part.survey
    if isinstance(part, RecordPart):
        words = f"{part.part} on the {part.on}, kept {part.made_at}"
        first = [("record", words + (f": {part.note}" if part.note else ""))]
        name = f"Survey {survey.name}, kept as a record"
    else:
        first = [("taken", _taken(part))]
        name = f"Survey {survey.name}"
    return HowMeasured(
        name,
        (*first, *_facts(survey)),
        (_parts(survey), *_rules(survey)),
        tuple(f"{p.name}: {p.refused}" for p in survey.photos if p.refused is not None),
        tuple(_left_out(survey)),
        survey.quality.advice,
        tuple((p.name, "refused" if p.refused else "used", p.sha256) for p in survey.photos),
        lengths_to_check(survey),
    )


def _taken(part: SurveyPart) -> str:
    if part.taken is None:
        return f"not known: {part.note}"
    first, last = (t.strftime("%Y-%m-%d %H:%M") for t in part.taken)
    return f"{first} to {last}, by the phone's clock"


def _facts(survey: Survey) -> list[tuple[str, str]]:
    q = survey.quality
    used = sum(p.refused is None for p in survey.photos)
    kit = survey.kit
    total = len(kit.tag) + len(kit.pointer) + len(kit.cuff)
    across, along = (
        amount(100.0 * s, 100.0 * COVERAGE * u, "%")
        for s, u in zip(q.printer, q.printer_u, strict=True)
    )
    return [
        ("phone", f"{survey.identity.phone}, {survey.identity.size}"),
        ("photos", f"{used} used, {len(survey.photos) - used} refused"),
        ("markers", f"{len(survey.markers)} of {total} in the kit"),
        ("squares", f"{q.squares} measured of {q.expected} expected, {q.sought} by search"),
        ("misfit", f"{q.rms_px:.2f} px rms of the corners, redundancy {q.redundancy}"),
        (
            "scale",
            f"from {q.scale_source}; lengths known to U = {100 * COVERAGE * q.scale_u:.3f} %",
        ),
        ("lens", f"from {q.lens_source}, f = {float(survey.lens.values[0]):.1f} px"),
        ("printer", f"{across} across, {along} along; ink {q.ink_mm:+.3f} mm per edge"),
        ("worked out", survey.made_at or "not known: its file is from an older fitscan"),
        *(
            (f"{name} file, SHA-256", digest)
            for name, digest in (
                ("kit", survey.sources.kit_sha256),
                ("camera", survey.sources.camera_sha256),
            )
            if digest is not None
        ),
    ]


def _parts(survey: Survey) -> Table:
    columns = (
        Column("part", "part"),
        Column("markers", "markers"),
        Column("fewest photos", "fewest_photos"),
        Column("median U", "median_u_mm", "mm", 2),
        Column("largest U", "largest_u_mm", "mm", 2),
        Column("at marker", "marker"),
    )
    rows: list[tuple[Cell, ...]] = []
    for part in survey.kit.parts:
        markers = survey.of_part(part)
        if not markers:
            rows.append((part, 0, None, None, None, None))
            continue
        worst = [largest_u_mm(survey.pose(m).covariance[3:, 3:]) for m in markers]
        few = min(survey.sights[survey.row(m)] for m in markers)
        largest = int(np.argmax(worst))
        rows.append(
            (part, len(markers), few, float(np.median(worst)), worst[largest], markers[largest])
        )
    title = "How well the markers are known: U (k = 2) of a centre in its worst direction"
    return Table(title, columns, tuple(rows), key="parts")


def _rules(survey: Survey) -> list[Table]:
    q = survey.quality
    if not q.rules:
        return []
    columns = (
        Column("tags", "tags"),
        Column("read, ± 2 u", "read_mm", "mm"),
        Column("adjusted less read", "difference_mm", "mm", 2),
        Column("smallest error found", "smallest_error_mm", "mm", 2),
    )
    rows = tuple(
        (
            f"{r.ids[0]}, {r.ids[1]}",
            Measured(r.length_mm, COVERAGE * r.u_mm),
            r.difference_mm,
            r.smallest_error_mm,
        )
        for r in q.rules
    )
    return [Table("Rules, which carry the scale", columns, rows, key="rules")]


def _left_out(survey: Survey) -> list[str]:
    """What was left out, gathered by reason."""
    markers: dict[str, list[int]] = {}
    for d in survey.quality.dropped:
        if not d.photo:
            markers.setdefault(d.reason, []).append(d.tag_id)
    out = []
    for reason, ids in markers.items():
        word = "marker" if len(ids) == 1 else "markers"
        out.append(f"{word} {', '.join(str(i) for i in ids)}: {reason}")
    counted = Counter(d.reason for d in survey.quality.dropped if d.photo)
    for reason, count in counted.most_common():
        squares = "1 square" if count == 1 else f"{count} squares"
        out.append(f"{squares} in single photos: {reason}")
    return out
