"""The round trip: what a plan says against surveys whose tubes are known."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import numpy.typing as npt
import pytest
from known_surveys import coverage, cuff, known_survey, on_axis
from walked import walked

from fitscan.errors import DataError, InputError
from fitscan.fit.verdict import Verdict
from fitscan.geometry.rigid import Rigid
from fitscan.make.as_built import AsBuilt, cope_as_built, tube_as_built
from fitscan.make.as_built_file import AsBuiltFile, as_built_document, compare_with_plan
from fitscan.make.bends import Bend, Bender, from_rows
from fitscan.make.bends_file import BendsFile, bends_document
from fitscan.make.cope import BranchTube, RunAt
from fitscan.make.cope_file import CopeFile, cope_document
from fitscan.make.cope_plan import CopeRequest, plan_cope
from fitscan.markers.kit import CuffSpec, Kit
from fitscan.store.json_file import read_json, write_json
from fitscan.survey.survey import Survey

Array = npt.NDArray[np.float64]
DEG = math.pi / 180.0


def turned(deg: float, lean: Array) -> Array:
    c, s = math.cos(deg * DEG), math.sin(deg * DEG)
    return np.array([[c, -s, 0.0], [s, c, 0.0], [0.0, 0.0, 1.0]]) @ lean


def joint(od: float, deg: float, offset: float, turn: float, z: float, *, far: bool) -> RunAt:
    return RunAt(od, deg * DEG, offset, turn * DEG, 0.0, "sill" if far else "hoop")


def cage(near: RunAt, far: RunAt, length: float) -> Survey:
    """A stay along z with a run at each end, laid out from the cope's own words, not its code."""
    cuffs: list[CuffSpec] = []
    poses: dict[int, Rigid] = {}

    def lay(first: int, tube: str, point: Array, direction: Array, places: tuple[float, float]):  # type: ignore[no-untyped-def]
        for k, along in enumerate(places):
            own = cuff(first + 20 * k, tube)
            cuffs.append(own)
            poses[own.first_id] = on_axis(point, direction, along, 0.4 * k)

    lay(100, "stay", np.zeros(3), np.array([0.0, 0.0, 1.0]), (150.0, length - 150.0))
    for first, run, z, sense in ((200, near, 0.0, 1.0), (300, far, length, -1.0)):
        turn = math.degrees(run.turn_rad)
        lean = np.array([-math.sin(run.angle_rad), 0.0, sense * math.cos(run.angle_rad)])
        # "Its axis passes on the side of turn + 90 deg", as seen from +z at the near end.
        point = turned(turn, np.array([0.0, run.offset_mm, z]))
        lay(first, run.name, point, turned(turn, lean), (-180.0, 160.0))
    return known_survey(Kit(cuff=tuple(cuffs)), poses)


def plan_file(near: RunAt, far: RunAt, length: float) -> CopeFile:
    request = CopeRequest("stay", BranchTube(38.0, 2.5), (near,), (far,), length)
    return cope_document(plan_cope(request))


NEAR = joint(38.0, 62.0, 1.4, 0.0, 0.0, far=False)
FAR = joint(38.0, 75.0, -2.2, 35.0, 0.0, far=True)
LENGTH = 640.0


def values(result: AsBuilt) -> dict[tuple[str, str], tuple[float, float | None]]:
    return {(r.subject.split(", ")[1].split()[0], r.name): (r.value, r.wanted)
            for r in result.readings}  # fmt: skip


def test_a_tube_that_was_fitted_as_planned_is_proven_in() -> None:
    result = cope_as_built(plan_file(NEAR, FAR, LENGTH), cage(NEAR, FAR, LENGTH))
    assert len(result.readings) == 6
    for r in result.readings:
        assert r.wanted is not None
        assert r.value == pytest.approx(r.wanted, abs=1e-6), r
        assert r.verdict is Verdict.IN
        assert r.expanded > 0.0
    assert any("All 6 judged numbers are within tolerance" in s for s in result.sentences)


def test_what_went_wrong_is_found_with_its_size() -> None:
    built = cage(joint(38.0, 60.5, 1.4, 0.0, 0.0, far=False), FAR, LENGTH - 3.0)
    result = cope_as_built(plan_file(NEAR, FAR, LENGTH), built)
    found = values(result)
    assert found["near", "angle"] == pytest.approx((60.5, 62.0), abs=1e-6)
    assert found["between", "length"] == pytest.approx((637.0, 640.0), abs=1e-6)
    out = {r.name for r in result.readings if r.verdict is Verdict.OUT}
    assert out == {"angle", "length"}
    assert any("-3.00 mm off" in s for s in result.sentences)


@pytest.mark.parametrize(
    "near",
    [
        # The same joint typed from the run's other end, and one beyond a right angle.
        RunAt(38.0, 118.0 * DEG, -1.4, math.pi, 0.0, "hoop"),
        RunAt(38.0, 118.0 * DEG, -1.4, 0.0, 0.0, "hoop"),
    ],
)
def test_a_plan_may_look_at_a_run_from_either_end(near: RunAt) -> None:
    """60 deg with an offset to one side is 120 deg with it to the other, half a turn round."""
    base = math.degrees(near.turn_rad)
    planned = RunAt(38.0, FAR.angle_rad, FAR.offset_mm, FAR.turn_rad + (base - 180.0) * DEG,
                    0.0, "sill")  # fmt: skip
    built = cage(NEAR, FAR, LENGTH)
    request = CopeRequest(
        "stay", BranchTube(38.0, 2.5), (near,), (planned if base == 0.0 else FAR,), LENGTH
    )
    result = cope_as_built(cope_document(plan_cope(request)), built)
    for r in result.readings:
        assert r.value == pytest.approx(r.wanted, abs=1e-6), r


def test_u_is_that_of_the_new_survey() -> None:
    """JCGM 101 by drawing; k = 2 covers about 95 of 100."""
    plan, built = plan_file(NEAR, FAR, LENGTH), cage(NEAR, FAR, LENGTH)
    expanded = np.array([r.expanded for r in cope_as_built(plan, built).readings])

    def found(drawn: Survey) -> Array:
        return np.array([r.value for r in cope_as_built(plan, drawn).readings])

    share = coverage(built, found, expanded, draws=60)
    assert (share > 0.83).all()


def test_names_that_do_not_belong_are_refused() -> None:
    plan, built = plan_file(NEAR, FAR, LENGTH), cage(NEAR, FAR, LENGTH)
    with pytest.raises(InputError, match="no tube 'roof'"):
        cope_as_built(plan, built, branch="roof")
    with pytest.raises(InputError, match="1 runs at its near end and 2"):
        cope_as_built(plan, built, near=["hoop", "sill"])
    thick = plan.model_copy(update={"od_mm": 45.0})
    with pytest.raises(InputError, match="for a tube of 45 mm"):
        cope_as_built(thick, built)


# --- bent tubes -----------------------------------------------------------------------------

Rows = list[tuple[float, float, float]]
CLR = 114.0
ROWS = [(260.0, 0.0, 35.0), (240.0, 70.0, 28.0)]
LAST = 280.0


def bent(rows: Rows, *, backwards: bool = False) -> Survey:
    """Two cuffs on each straight of a walked tube, numbered from either end."""
    path, along = walked(rows, LAST, CLR)
    starts, at = [], 0.0
    for feed, _, angle in rows:
        starts.append((at, at + feed))
        at += feed + CLR * angle * DEG
    starts.append((at, at + LAST))
    cuffs, poses = [], {}
    for n, (low, high) in enumerate(starts):
        number = len(starts) - n if backwards else n + 1
        for k, far in enumerate((low + 40.0, high - 40.0)):
            i = int(np.searchsorted(along, far))
            own = cuff(100 + 20 * (2 * n + k), "door bar", straight=number)
            cuffs.append(own)
            poses[own.first_id] = on_axis(path[i], path[i + 1] - path[i - 1], 0.0)
    return known_survey(Kit(cuff=tuple(cuffs)), poses, sigma_mm=0.05)


def table_file(
    rows: list[tuple[float, float, float]], springback_percent: float = 0.0
) -> BendsFile:
    bends = [Bend(f, t * DEG, a * DEG) for f, t, a in rows]
    bender = Bender(CLR, springback_percent=springback_percent)
    return bends_document(from_rows(bends, LAST, bender))


@pytest.mark.parametrize("backwards", [False, True])
def test_a_bent_tube_is_held_against_its_table_from_either_end(backwards: bool) -> None:
    result = tube_as_built(table_file(ROWS), bent(ROWS, backwards=backwards), "door bar")
    found = {(r.subject, r.name): r for r in result.readings}
    assert len(found) == 4
    for r in found.values():
        assert r.wanted is not None
        assert r.value == pytest.approx(r.wanted, abs=0.05), r
        assert r.verdict is Verdict.IN
    assert any("other end" in s for s in result.sentences) == backwards


def test_a_tube_that_sprang_back_tells_by_how_much() -> None:
    """Set to 36.4 deg for 35 and come out at 34: it springs back by 36.4 / 34 - 1."""
    came = [(260.0, 0.0, 34.0), (240.0, 70.0, 28.0)]
    result = tube_as_built(table_file(ROWS, 4.0), bent(came), "door bar")
    (angle,) = [r for r in result.readings if r.subject.endswith("bend 1") and r.name == "angle"]
    assert angle.value == pytest.approx(34.0, abs=0.02)
    assert angle.verdict is Verdict.OUT
    share = 100.0 * (36.4 / 34.0 - 1.0)
    assert any(f"springs back by {share:.1f} %" in s for s in result.sentences)


def test_another_number_of_bends_is_refused() -> None:
    with pytest.raises(DataError, match="1 bends and the survey sees 2"):
        tube_as_built(table_file(ROWS[:1]), bent(ROWS), "door bar")
    with pytest.raises(InputError, match="not named"):
        tube_as_built(table_file(ROWS), bent(ROWS))


def test_a_plan_is_read_by_its_kind_and_the_result_reads_back(tmp_path: Path) -> None:
    cope_json, bends_json = tmp_path / "cope.json", tmp_path / "bends.json"
    write_json(cope_json, plan_file(NEAR, FAR, LENGTH))
    write_json(bends_json, table_file(ROWS))
    wanted = {"tolerance_deg": 0.5, "tolerance_mm": 1.0}
    one = compare_with_plan(cope_json, cage(NEAR, FAR, LENGTH), None, [], [], **wanted)
    two = compare_with_plan(bends_json, bent(ROWS), "door bar", [], [], **wanted)
    assert one.name == "stay"
    assert two.name == "door bar"
    out = tmp_path / "out.json"
    write_json(out, as_built_document(two))
    assert len(read_json(out, AsBuiltFile).readings) == 4
    with pytest.raises(InputError, match="no plan"):
        compare_with_plan(out, bent(ROWS), None, [], [], **wanted)
    with pytest.raises(InputError, match="has no runs"):
        compare_with_plan(bends_json, bent(ROWS), "door bar", ["hoop"], [], **wanted)
