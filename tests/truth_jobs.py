"""The true gap and the true cage movement of the rendered shoots, and how far results are off."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from truth import Array, Truth

from fitscan.fit.gap import Gap
from fitscan.fit.recheck import Recheck
from fitscan.geometry.align import align_points
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import log
from fitscan.survey.survey import Survey


@dataclass(frozen=True)
class GapError:
    """Errors over all stations, mm and deg: measured less true; `normalised` is error over U."""

    across: Array
    out: Array
    total: Array
    angle: Array
    normalised: Array


def _world_from_survey(survey: Survey, truth: Truth) -> Rigid:
    markers = [m for m in survey.markers if m in truth.poses]
    found = np.array([survey.poses[survey.row(m)].translation for m in markers])
    true = np.array([truth.poses[m].translation for m in markers])
    return align_points(found, true, with_scale=False).b_from_a


def gap_error(gap: Gap, target: Survey, opened: Truth, shut: Truth) -> GapError:
    """Hold every station against the true axes, carried over by the true trim."""
    world_from_target = _world_from_survey(target, opened)
    carrier = gap.alignment.used[0]
    open_from_shut = opened.poses[carrier] @ shut.poses[carrier].inverse()
    errors: list[list[float]] = []
    angles = []
    for straight in gap.straights:
        point, along = opened.straight(gap.target, straight.number)
        bar_point, bar_along = shut.straight(gap.bar, straight.number)
        bar_point, bar_along = open_from_shut.apply(bar_point), open_from_shut.turn(bar_along)
        bar_along = bar_along * np.sign(bar_along @ along)
        across = world_from_target.turn(straight.across)
        out = world_from_target.turn(straight.out)
        for s in straight.stations:
            at = world_from_target.apply(s.seated_mm)
            foot = point + ((at - point) @ along) * along
            reach = ((foot - bar_point) @ along) / (bar_along @ along)
            away = bar_point + reach * bar_along - foot
            total = float(np.linalg.norm(away - (away @ along) * along))
            errors.append(
                [
                    s.across_mm - float(away @ across),
                    s.out_mm - float(away @ out),
                    s.total_mm - total,
                    (s.total_mm - total) / s.total_expanded_mm,
                ]
            )
        true_angle = np.degrees(np.arccos(min(1.0, float(abs(bar_along @ along)))))
        angles.append(straight.angle_deg - true_angle)
    table = np.array(errors)
    return GapError(table[:, 0], table[:, 1], table[:, 2], np.array(angles), table[:, 3])


@dataclass(frozen=True)
class RecheckError:
    """Errors of a recheck, mm and deg; `normalised` is each cuff's shift error over its U."""

    shift: Array
    turn: Array
    cuffs: Array
    left: Array
    normalised: Array


def recheck_error(result: Recheck, record: Truth, now: Truth) -> RecheckError:
    """Hold the rigid motion and every cuff against the truth, in the told frame."""
    places = np.array([s.place_mm for s in result.shifts])
    then = np.array([record.poses[s.marker_id].translation for s in result.shifts])
    later = np.array([now.poses[s.marker_id].translation for s in result.shifts])
    told_from_world = align_points(then, places, with_scale=False).b_from_a
    true_shift = told_from_world.turn(later - then)
    # Of a cuff that was compared by its tube's line, only what is square to the tube is measured.
    for i, s in enumerate(result.shifts):
        if s.line_only:
            along = told_from_world.turn(record.poses[s.marker_id].rotation[:, 2])
            true_shift[i] -= (true_shift[i] @ along) * along
    found = np.array([s.shift_mm for s in result.shifts])
    matrix = np.array(now.content["events"]["cage_world_from_tacked"])
    motion = Rigid(matrix[:3, :3], matrix[:3, 3])
    told = told_from_world @ motion @ told_from_world.inverse()
    shift = told.apply(result.reference_mm) - result.reference_mm
    left = np.array([s.left_mm for s in result.shifts])
    rigid = told.apply(places) - places
    for i, s in enumerate(result.shifts):
        if s.line_only:
            along = told_from_world.turn(record.poses[s.marker_id].rotation[:, 2])
            rigid[i] -= (rigid[i] @ along) * along
    true_left = true_shift - rigid
    expanded = np.array([s.shift_expanded_mm for s in result.shifts])
    return RecheckError(
        result.shift_mm - shift,
        result.turn_deg - np.degrees(log(told.rotation)),
        np.linalg.norm(found - true_shift, axis=1),
        np.linalg.norm(left - true_left, axis=1),
        (found - true_shift) / expanded,
    )
