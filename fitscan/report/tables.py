"""Results as tables and sentences for the screen, no wider than 80 characters.

Each function returns something that Rich prints; printing it is left to the command line. Texts
that a user wrote (names, labels) are never read as markup.
"""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

import numpy as np
from rich.console import Group, RenderableType
from rich.text import Text

from fitscan.fit.align import Alignment
from fitscan.fit.gap import Gap
from fitscan.fit.recheck import Recheck
from fitscan.fit.verdict import COVERAGE
from fitscan.lens.model import LENS_PARAMETERS
from fitscan.report.pieces import (
    WIDTH,
    ending,
    facts_of,
    heading,
    item,
    number_table,
    sentences_of,
    signed,
    titled,
    verdict_text,
)
from fitscan.report.words import amount, verdict_counts
from fitscan.survey.survey import Survey

if TYPE_CHECKING:
    from fitscan.lens.calibrate import CalibrationResult

__all__ = ["WIDTH", "camera_table", "gap_table", "recheck_table", "survey_table"]

_MOST_ROWS = 12


def gap_table(gap: Gap) -> RenderableType:
    """A gap: sentences, one table for each straight, warnings, caution."""
    parts: list[RenderableType] = [heading(f"{gap.bar} against {gap.target}, on the {gap.on}")]
    parts += sentences_of(gap.sentences)
    for straight in gap.straights:
        angle = amount(straight.angle_deg, straight.angle_expanded_deg, "deg")
        table = number_table(("along", "across", "U", "out", "U", "total", "U", "verdict"))
        for s in straight.stations:
            table.add_row(
                f"{s.along_mm:.0f}",
                *signed(s.across_mm, s.across_expanded_mm),
                *signed(s.out_mm, s.out_expanded_mm),
                f"{s.total_mm:.2f}",
                f"{s.total_expanded_mm:.2f}",
                verdict_text(s.verdict),
            )
        title = f"straight {straight.number}: axes at {angle}; all in mm, U with k = 2"
        parts.append(titled(title, table))
    counts = verdict_counts([s.verdict for s in gap.stations], gap.tolerance_mm)
    parts.append(Text(f"{counts}."))
    parts.append(
        Text(
            "along: from the seat's first cuff; across: along the panel, square to the seat; "
            "out: away from the panel, out of the recess; total: distance of the two axes."
        )
    )
    parts.append(_aligned(gap.alignment, gap.on))
    return Group(*parts, *ending(gap.warnings))


def recheck_table(result: Recheck) -> RenderableType:
    """A recheck: what to do, shift and turn, each marker, warnings, caution."""
    parts: list[RenderableType] = [heading(f"{result.part} against its record, on the {result.on}")]
    parts += sentences_of(result.sentences)
    parts += sentences_of(result.deciding)
    names = ("X forward", "Y left", "Z up") if result.axes.known else ("X", "Y", "Z")
    motion = number_table(("axis", "shift mm", "U mm", "turn deg", "U deg"))
    for i, name in enumerate(names):
        motion.add_row(
            name,
            *signed(float(result.shift_mm[i]), float(result.shift_expanded_mm[i])),
            *signed(float(result.turn_deg[i]), float(result.turn_expanded_deg[i]), 3),
        )
    title = f"how it moved since its record, in the frame {result.axes.frame}; U with k = 2"
    parts.append(titled(title, motion))
    if result.moves:
        steps = number_table(("move, largest first", "it moves up to mm", "leaves mm"))
        for m in result.moves:
            steps.add_row(Text(m.words), f"{m.effect_mm:.2f}", f"{m.leaves_mm:.2f}")
        parts.append(titled("what each move takes out, and the furthest marker after it", steps))
    rows = sorted(result.shifts, key=lambda s: -s.size_mm)
    table = number_table(("marker", "X", "Y", "Z", "total", "U", "verdict"))
    for s in rows:
        label = Text(_short_label(s.label))
        if s.bent:
            label.append(f" bent {s.left_size_mm:.2f}", style="bold")
        x, y, z = (f"{round(float(v), 2) + 0.0:+.2f}" for v in s.shift_mm)
        table.add_row(
            label, x, y, z, f"{s.size_mm:.2f}", f"{s.size_expanded_mm:.2f}", verdict_text(s.verdict)
        )
    title = "each marker of the part: how it moved since its record, in mm, U with k = 2"
    parts.append(titled(title, table))
    counts = verdict_counts([s.verdict for s in rows], result.tolerance_mm)
    parts.append(Text(f"{counts}."))
    if any(s.bent for s in rows):
        parts.append(
            Text("bent: did not move with the rest of the part as one rigid piece, by so many mm.")
        )
    parts.append(_aligned(result.alignment, result.on))
    return Group(*parts, *ending(result.warnings))


def survey_table(survey: Survey) -> RenderableType:
    """A survey: its quality, photos, parts, rules, what was left out, advice."""
    q = survey.quality
    used = [p for p in survey.photos if p.refused is None]
    refused = [p for p in survey.photos if p.refused is not None]
    scale = f"{q.scale_source}, lengths known to U = {100 * COVERAGE * q.scale_u:.3f} % (k = 2)"
    facts = facts_of(
        ("photos", f"{len(used)} used, {len(refused)} refused"),
        ("markers", f"{len(survey.markers)} of {_markers_in_kit(survey)} in the kit"),
        ("squares", f"{q.squares} measured of {q.expected} expected, {q.sought} by search"),
        ("misfit", f"{q.rms_px:.2f} px rms of the corners, redundancy {q.redundancy}"),
        ("scale", scale),
        ("lens", f"from {q.lens_source}, f = {float(survey.lens.values[0]):.1f} px"),
        ("printer", _printer(survey)),
    )
    parts: list[RenderableType] = [heading(f"Survey {survey.name}"), facts]
    parts.append(_parts_table(survey))
    if q.rules:
        table = number_table(
            ("tags", "read mm", "u mm", "difference mm", "smallest error found mm")
        )
        for r in q.rules:
            found = "-" if r.smallest_error_mm is None else f"{r.smallest_error_mm:.2f}"
            ids = f"{r.ids[0]}, {r.ids[1]}"
            table.add_row(
                ids, f"{r.length_mm:.1f}", f"{r.u_mm:.2f}", f"{r.difference_mm:+.2f}", found
            )
        title = "rules; difference: adjusted less read; u: standard uncertainty of the reading"
        parts.append(titled(title, table))
    parts.append(Text(""))
    parts += [item(f"Refused: {p.name}: {p.refused}") for p in refused]
    parts += _dropped(survey)
    parts += [item(f"Advice: {a}") for a in q.advice]
    return Group(*parts, *ending(q.warnings))


def camera_table(result: CalibrationResult) -> RenderableType:
    """A lens: its numbers with U, the photos it rests on, advice."""
    used = [v for v in result.verdicts if v.used]
    c = result.identity
    phone = " ".join(w for w in (c.maker, c.model, c.lens) if w) or "unknown"
    facts = facts_of(
        ("camera", phone),
        (
            "photos",
            f"{len(used)} used of {len(result.verdicts)}, size {c.width_px} x {c.height_px}",
        ),
        ("misfit", f"{result.rms_px:.3f} px rms"),
        (
            "coverage",
            f"{100 * result.coverage.share:.0f} % of the frame, "
            f"out to {100 * result.coverage.radius:.0f} % of its half diagonal",
        ),
    )
    table = number_table(("number", "value", "U"))
    expanded = COVERAGE * np.sqrt(np.diag(result.covariance))
    for name, value, u in zip(LENS_PARAMETERS, result.lens.values, expanded, strict=True):
        digits = 2 if name.endswith("_px") else 5
        table.add_row(name, f"{float(value):.{digits}f}", f"{float(u):.{digits}f}")
    parts: list[RenderableType] = [heading("Lens"), facts, titled("U with k = 2", table)]
    parts += [item(f"Left out: {v.name}: {v.reason}") for v in result.verdicts if not v.used]
    parts += [item(f"Advice: {a}") for a in result.advice]
    return Group(*parts)


# ---------------------------------------------------------------- pieces


def _short_label(label: str) -> str:
    """Shorten "main hoop, straight 1, cuff 100" to "main hoop 1, cuff 100"."""
    return label.replace(", straight ", " ")


def _aligned(alignment: Alignment, on: str) -> Text:
    if not alignment.used:
        return Text("Both were measured in one survey: nothing had to be brought together.")
    text = f"Brought together on {len(alignment.used)} markers of the {on}"
    if alignment.moved:
        moved = ", ".join(
            f"{m.marker_id} ({amount(float(np.linalg.norm(m.shift_mm)), m.expanded_mm, 'mm')})"
            for m in alignment.moved
        )
        text += f"; moved and left out: {moved}"
    return Text(f"{text}.")


def _markers_in_kit(survey: Survey) -> int:
    kit = survey.kit
    return len(kit.tag) + len(kit.pointer) + len(kit.cuff)


def _printer(survey: Survey) -> str:
    q = survey.quality
    across, along = (
        amount(100.0 * s, 100.0 * COVERAGE * u, "%")
        for s, u in zip(q.printer, q.printer_u, strict=True)
    )
    return f"{across} across, {along} along; black grown by {q.ink_mm:+.3f} mm per edge"


def _parts_table(survey: Survey) -> Group:
    """How well the markers of each part are known."""
    table = number_table(
        ("part", "markers", "fewest photos", "median U mm", "largest U mm", "at marker")
    )
    for part in survey.kit.parts:
        markers = survey.of_part(part)
        if not markers:
            table.add_row(Text(part), "0", "-", "-", "-", "-")
            continue
        worst = [
            COVERAGE * float(np.sqrt(np.linalg.eigvalsh(survey.pose(m).covariance[3:, 3:])[-1]))
            for m in markers
        ]
        few = min(survey.sights[survey.row(m)] for m in markers)
        largest = int(np.argmax(worst))
        table.add_row(
            Text(part), str(len(markers)), str(few), f"{float(np.median(worst)):.2f}",
            f"{worst[largest]:.2f}", str(markers[largest]),
        )  # fmt: skip
    return titled("U (k = 2) of a marker's centre in its worst direction", table)


def _dropped(survey: Survey) -> list[RenderableType]:
    """What was left out, gathered by reason; whole markers by their id."""
    out: list[RenderableType] = []
    whole = [d for d in survey.quality.dropped if not d.photo]
    out += [item(f"Left out: marker {d.tag_id}: {d.reason}") for d in whole[:_MOST_ROWS]]
    if len(whole) > _MOST_ROWS:
        out.append(item(f"and {len(whole) - _MOST_ROWS} markers more, see the survey's file"))
    counted = Counter(d.reason for d in survey.quality.dropped if d.photo)
    for reason, count in counted.most_common():
        squares = "1 square" if count == 1 else f"{count} squares"
        out.append(item(f"Left out: {squares} in single photos: {reason}"))
    return out
