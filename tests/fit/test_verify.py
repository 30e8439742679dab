"""A survey against a steel rule: errors, U of both sides, verdicts, and what is refused."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from cabins import survey_of, truth_poses

from fitscan.errors import InputError
from fitscan.fit.verdict import Verdict
from fitscan.fit.verify import (
    STEEL_RULE_U_MM,
    ReadLength,
    Verification,
    parse_length,
    verify,
)
from fitscan.fit.verify_file import keep_sheet, read_sheet, verify_document
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.markers.kit import RuleSpec
from fitscan.survey.survey import Survey

PAIRS = ((0, 1), (2, 3), (4, 13), (8, 15), (33, 1), (60, 5))
SIGMA_MM = 0.08


def survey(sigma_mm: float = SIGMA_MM) -> Survey:
    frame = Rigid(exp(np.array([0.2, -0.4, 1.0])), np.array([300.0, 20.0, -50.0]))
    return survey_of("cabin", truth_poses(), frame, sigma_mm=sigma_mm)


def true_lengths(pairs: tuple[tuple[int, int], ...] = PAIRS) -> list[float]:
    """Between centres, or the tip of the pointer 60, whose reach the printer made 0.1 % short."""
    poses = truth_poses()
    tip = np.array([0.0, -25.0 * 0.999, 0.0])
    at = {m: p.apply(tip) if m == 60 else p.translation for m, p in poses.items()}
    return [float(np.linalg.norm(at[a] - at[b])) for a, b in pairs]


def read(errors: list[float] | None = None, u_mm: float = 0.3) -> list[ReadLength]:
    """Readings so that the survey errs by `errors`."""
    off = errors or [0.0] * len(PAIRS)
    return [ReadLength(p, t - e, u_mm) for p, t, e in zip(PAIRS, true_lengths(), off, strict=True)]


def test_the_error_is_measured_less_read() -> None:
    errors = [0.1, -0.2, 0.3, -0.4, 0.5, 0.05]
    result = verify(survey(), read(errors))
    assert [c.error_mm for c in result.lengths] == pytest.approx(errors, abs=1e-9)
    assert [c.measured_mm for c in result.lengths] == pytest.approx(true_lengths())
    assert [c.read.ids for c in result.lengths] == list(PAIRS)
    assert result.lengths[5].labels == ("pointer 60 (lip)", "tag 5")


def test_u_joins_the_survey_and_the_reading() -> None:
    result = verify(survey(), read(u_mm=0.25))
    # Independent centres of 0.08 mm each way: sqrt(2) of it along the line.
    for c in result.lengths[:5]:
        assert c.measured_expanded_mm == pytest.approx(2 * np.sqrt(2) * SIGMA_MM, rel=1e-6)
        assert c.expanded_mm == pytest.approx(2 * np.hypot(np.sqrt(2) * SIGMA_MM, 0.25), rel=1e-6)
    # The pointer's turn joins in at its tip.
    assert result.lengths[5].measured_expanded_mm >= 2 * np.sqrt(2) * SIGMA_MM


def with_loose_scale(u: float) -> Survey:
    """A survey whose centres share one scale error of standard uncertainty u."""
    base = survey(0.01)
    away = np.zeros(6 * len(base.markers))
    centres = np.array([p.translation for p in base.poses])
    away.reshape(-1, 6)[:, 3:] = centres - centres.mean(axis=0)
    return replace(base, covariance=base.covariance + u**2 * np.outer(away, away))


def test_a_loose_scale_widens_u_in_proportion_to_the_length() -> None:
    result = verify(with_loose_scale(0.005), read(u_mm=0.01))
    for c in result.lengths[:5]:
        assert c.measured_expanded_mm == pytest.approx(2 * 0.005 * c.measured_mm, rel=0.01)


def test_u_covers_the_error_nineteen_times_in_twenty() -> None:
    base = with_loose_scale(0.0003)
    rng = np.random.default_rng(5)
    values, vectors = np.linalg.eigh(base.covariance)
    root = vectors * np.sqrt(np.clip(values, 0.0, None))
    inside = []
    for _ in range(60):
        step = (root @ rng.normal(size=len(values))).reshape(-1, 6)
        poses = tuple(p.step(s) for p, s in zip(base.poses, step, strict=True))
        readings = [replace(r, length_mm=r.length_mm + 0.3 * rng.normal()) for r in read()]
        inside += [c.agrees for c in verify(replace(base, poses=poses), readings).lengths]
    # 360 draws at 95.45 %: three standard deviations are 3.3 %.
    assert np.mean(inside) == pytest.approx(0.9545, abs=0.035)


def test_the_ratio_is_the_error_over_its_u() -> None:
    # E_n = (x - X) / sqrt(U_x^2 + U_X^2), ISO 13528 (from memory): at most 1 is satisfactory.
    for c in verify(survey(), read([0.1, -0.2, 0.3, -0.4, 1.5, 0.0])).lengths:
        e_n = c.error_mm / np.hypot(c.measured_expanded_mm, 2 * c.read.u_mm)
        assert c.ratio == pytest.approx(abs(e_n))
        assert c.agrees == (abs(e_n) <= 1.0)


def test_verdicts_take_u_off_the_limit() -> None:
    result = verify(survey(), read([0.0, -1.2, 2.0, -0.2, 0.5, 0.0]), 1.0)
    u = result.lengths[0].expanded_mm
    assert 0.6 < u < 0.7
    assert [c.verdict for c in result.lengths] == [
        Verdict.IN, Verdict.OPEN, Verdict.OUT, Verdict.IN, Verdict.OPEN, Verdict.IN,
    ]  # fmt: skip


def sentence(result: Verification, start: str) -> str:
    found = [s for s in result.sentences if start in s]
    assert len(found) == 1, result.sentences
    return found[0]


def test_the_largest_error_and_the_agreement_are_said_first() -> None:
    fine = verify(survey(), read([0.1, -0.3, 0.2, 0.0, 0.0, 0.0]))
    assert fine.sentences[0].startswith("Largest error: -0.30 mm (U 0.64 mm) over ")
    assert fine.sentences[0].endswith("from tag 2 to tag 3")
    assert fine.sentences[1] == (
        "The survey and the steel rule agree: all 6 errors are smaller than their U"
    )
    poor = verify(survey(), read([0.1, -0.3, 1.2, 0.0, 0.0, 0.0]))
    assert "1 of 6 lengths do not agree" in poor.sentences[1]
    assert "Read it again" in poor.sentences[1]


def test_a_survey_that_is_too_long_everywhere_is_told_so() -> None:
    lengths = true_lengths()
    result = verify(survey(), read([0.001 * v / 1.001 for v in lengths]))
    assert result.scale_error == pytest.approx(0.001, rel=1e-3)
    assert result.scale_expanded < 0.0006
    assert "0.100 % too long" in sentence(result, "All lengths together")
    assert not [s for s in verify(survey(), read()).sentences if "All lengths together" in s]


def test_what_a_full_acceptance_run_would_ask_for_is_said() -> None:
    # VDI/VDE 2634 part 1: at least five lengths on a line, the longest 2/3 of the diagonal.
    few = verify(survey(), [ReadLength((2, 3), true_lengths()[1])])
    said = sentence(few, "VDI/VDE 2634")
    assert "at least 5 lengths, and here are 1" in said
    assert "two thirds" in said
    assert not [s for s in verify(survey(), read()).sentences if "VDI" in s]
    assert verify(survey(), read()).longest_share > 2 / 3


def test_a_surveys_warnings_go_with_it() -> None:
    warned = survey()
    warned = replace(warned, quality=replace(warned.quality, warnings=("No rule was measured",)))
    assert verify(warned, read()).warnings == ("No rule was measured",)


# ---------------------------------------------------------------- wrong input


@pytest.mark.parametrize(
    ("text", "what"),
    [
        ("4:17", "is not ID:ID:MM"),
        ("4:17:12:0.3:9", "is not ID:ID:MM"),
        ("", "is not ID:ID:MM"),
        ("a:17:1200", "something else than numbers"),
        ("4:17:1200,5", "something else than numbers"),
        ("4:4:1200", "same id at both ends"),
        ("4:17:0", "no length of a car"),
        ("4:17:-3", "no length of a car"),
        ("4:17:nan", "no length of a car"),
        ("4:17:inf", "no length of a car"),
        ("4:17:1200:0", "u is 0 mm"),
        ("4:17:1200:nan", "u is nan mm"),
    ],
)
def test_a_length_written_otherwise_is_refused_with_its_text(text: str, what: str) -> None:
    with pytest.raises(InputError, match=what) as caught:
        parse_length(text)
    assert caught.value.where == "--length"
    assert caught.value.todo


def test_a_length_is_read_with_the_rules_u_unless_it_says_its_own() -> None:
    assert parse_length("4:17:1203.5") == ReadLength((4, 17), 1203.5, STEEL_RULE_U_MM)
    assert parse_length("4:17:1203.5:0.2") == ReadLength((4, 17), 1203.5, 0.2)


@pytest.mark.parametrize(
    ("ids", "what"),
    [
        ((0, 100), "Marker 100 is on a cuff"),
        ((105, 0), "Marker 105 is on a cuff"),
        ((0, 77), "Marker 77 is not in the survey's kit"),
    ],
)
def test_marks_that_no_rule_reaches_are_refused(ids: tuple[int, int], what: str) -> None:
    with pytest.raises(InputError, match=what):
        verify(survey(), [ReadLength(ids, 500.0)])


def test_a_mark_that_the_photos_did_not_show_is_named() -> None:
    poses = {m: p for m, p in truth_poses().items() if m != 4}
    with pytest.raises(InputError, match="Marker 4 of the lengths was not found"):
        verify(survey_of("cabin", poses, Rigid.identity()), [ReadLength((4, 13), 500.0)])


def test_a_rule_of_the_survey_proves_nothing() -> None:
    base = survey()
    ruled = base.kit.model_copy(update={"rule": (RuleSpec(ids=(0, 1), length_mm=1.0, u_mm=0.3),)})
    for ids in ((0, 1), (1, 0)):
        with pytest.raises(InputError, match="a rule of this survey"):
            verify(replace(base, kit=ruled), [ReadLength(ids, 1600.0)])


def test_the_same_length_twice_is_refused() -> None:
    with pytest.raises(InputError, match="given twice"):
        verify(survey(), [ReadLength((0, 1), 1600.0), ReadLength((1, 0), 1600.1)])


def test_no_length_is_refused() -> None:
    with pytest.raises(InputError, match="No length was given"):
        verify(survey(), [])


# ---------------------------------------------------------------- the sheet


def test_the_sheet_holds_every_number_and_is_never_written_over(tmp_path: Path) -> None:
    result = verify(survey(), read([0.1, -0.2, 0.3, -0.4, 1.5, 0.0]), 1.5)
    path = tmp_path / "sheet.json"
    document = verify_document(result, "rule no. 3")
    keep_sheet(path, document)
    kept = read_sheet(path)
    assert kept == document
    assert kept.note == "rule no. 3"
    assert kept.limit_mm == 1.5
    assert kept.coverage_factor == 2.0
    for row, c in zip(kept.lengths, result.lengths, strict=True):
        assert (row.ids, row.read_mm, row.read_u_mm) == (c.read.ids, c.read.length_mm, 0.3)
        assert row.error_mm == row.measured_mm - row.read_mm
        assert row.error_U_mm == c.expanded_mm
        assert row.error_over_U == c.ratio
        assert row.verdict == c.verdict.value
    before = path.read_bytes()
    with pytest.raises(InputError, match="exists already"):
        keep_sheet(path, document)
    assert path.read_bytes() == before
