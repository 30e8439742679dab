"""Tables fit a narrow screen and say everything with its unit and U."""

from __future__ import annotations

from dataclasses import replace

import pytest
from board_scenes import BOARD, Scene, board_views
from cabins import Cabin
from rich.console import Console, RenderableType

from fitscan.fit.verdict import Verdict
from fitscan.lens.calibrate import CalibrationResult, calibrate_views
from fitscan.report.tables import WIDTH, camera_table, gap_table, recheck_table, survey_table
from fitscan.report.words import CAUTION
from fitscan.survey.survey import Dropped, RuleCheck


def printed(table: RenderableType, width: int = WIDTH) -> str:
    console = Console(width=width, color_system=None, highlight=False)
    with console.capture() as capture:
        console.print(table)
    return capture.get()


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.fixture(scope="module")
def lens() -> CalibrationResult:
    return calibrate_views(board_views(Scene(photos=14), 3), BOARD)


def long_names(cabin: Cabin) -> list[RenderableType]:
    """Every table, with names as long as the kit allows."""
    name = "the very long tube behind the left seat that goes down to the sill of the car xx"
    shifts = tuple(
        replace(s, label=f"{name}, straight 1, cuff 100", bent=True) for s in cabin.recheck.shifts
    )
    rule = RuleCheck((90, 91), 801.25, 0.3, -0.12, 0.7, 2.4)
    dropped = tuple(Dropped("", i, "it was measured in fewer than two photos") for i in range(20))
    quality = replace(cabin.shut.quality, rules=(rule,), dropped=dropped, warnings=(name * 3,))
    return [
        gap_table(replace(cabin.gap, bar=name, target=name, on=name)),
        recheck_table(replace(cabin.recheck, shifts=shifts, part=name)),
        survey_table(replace(cabin.shut, quality=quality, name=name)),
    ]


def test_no_table_is_wider_than_a_narrow_screen_or_cuts_a_word(
    cabin: Cabin, lens: CalibrationResult
) -> None:
    tables = [gap_table(cabin.gap), recheck_table(cabin.recheck), survey_table(cabin.shut)]
    for table in [*tables, camera_table(lens), *long_names(cabin)]:
        text = printed(table)
        assert max(len(line) for line in text.splitlines()) <= WIDTH
        assert "…" not in text


def test_the_gap_table_has_a_row_of_numbers_for_each_station(cabin: Cabin) -> None:
    lines = [flat(line) for line in printed(gap_table(cabin.gap)).splitlines()]
    for s in cabin.gap.stations:
        row = (
            f"{s.along_mm:.0f} {s.across_mm:+.2f} {s.across_expanded_mm:.2f} {s.out_mm:+.2f} "
            f"{s.out_expanded_mm:.2f} {s.total_mm:.2f} {s.total_expanded_mm:.2f} out of tolerance"
        )
        assert row in lines
    text = flat(printed(gap_table(cabin.gap)))
    assert "along across U out U total U verdict" in text
    assert "all in mm, U with k = 2" in text
    assert "Against 2 mm: 18 out of tolerance." in text
    assert "Brought together on 9 markers of the trim." in text


def test_each_verdict_has_its_word(cabin: Cabin) -> None:
    first = cabin.gap.straights[0]
    stations = tuple(
        replace(s, verdict=v) for s, v in zip(first.stations, list(Verdict) * 3, strict=True)
    )
    gap = replace(cabin.gap, straights=(replace(first, stations=stations),))
    lines = printed(gap_table(gap)).splitlines()
    for verdict in Verdict:
        assert sum(line.rstrip().endswith(f"  {verdict.value}") for line in lines) == 3


def test_the_recheck_table_has_the_motion_and_each_marker(cabin: Cabin) -> None:
    text = flat(printed(recheck_table(cabin.recheck)))
    r = cabin.recheck
    for name, i in (("X forward", 0), ("Y left", 1), ("Z up", 2)):
        row = f"{name} {r.shift_mm[i]:+.2f} {r.shift_expanded_mm[i]:.2f} +0.000"
        assert row in text
    for s in r.shifts:
        assert f"cuff {s.marker_id} +0.40 +1.90 -0.60 {s.size_mm:.2f}" in text
    assert "shift mm U mm turn deg U deg" in text
    assert "moved and left out: 5 (4.00 ± 0." in text
    assert r.sentences[0] in text


def test_bent_markers_are_named_and_explained(cabin: Cabin) -> None:
    shifts = tuple(replace(s, bent=i == 0) for i, s in enumerate(cabin.recheck.shifts))
    text = flat(printed(recheck_table(replace(cabin.recheck, shifts=shifts))))
    assert text.count(" bent ") == 1
    assert "bent: did not move with the rest" in text
    assert "bent" not in printed(recheck_table(cabin.recheck))


def test_without_a_datum_no_direction_of_the_car_is_claimed(cabin: Cabin) -> None:
    unknown = replace(cabin.recheck, axes=replace(cabin.recheck.axes, known=False), sentences=())
    text = printed(recheck_table(unknown))
    assert "forward" not in text
    assert "survey (Z roughly up)" in flat(text)


def test_the_survey_table_sums_up_quality_photos_parts_rules_and_advice(cabin: Cabin) -> None:
    rule = RuleCheck((90, 91), 801.25, 0.3, -0.12, 0.7, None)
    survey = replace(cabin.shut, quality=replace(cabin.shut.quality, rules=(rule,)))
    text = flat(printed(survey_table(survey)))
    for words in (
        "6 used, 1 refused",
        "31 of 35 in the kit",
        "900 measured of 1000 expected",
        "0.12 px rms",
        "rules, lengths known to U = 0.040 % (k = 2)",
        "99.80 ± 0.20 % across",
        "shell 16 5 0.16 0.16 0",
        "90, 91 801.2 0.30 -0.12 -",
        "Refused: P1099.jpg: it was taken by another phone",
        "Left out: 1 square in single photos: its borders contradict the other photos",
        "Advice: Cuff 312 was measured in only 2 photos",
        "Warning: No rule was measured",
    ):
        assert words in text


def test_the_camera_table_states_each_number_of_the_lens_with_u(lens: CalibrationResult) -> None:
    text = flat(printed(camera_table(lens)))
    u = 2.0 * lens.covariance[0, 0] ** 0.5
    assert f"f_px {lens.lens.values[0]:.2f} {u:.2f}" in text
    assert "14 used of 14" in text
    for name in ("aspect", "cx_px", "k1", "p2"):
        assert name in text


def test_warnings_and_the_caution_close_every_result(cabin: Cabin) -> None:
    for table in (gap_table(cabin.gap), recheck_table(cabin.recheck), survey_table(cabin.shut)):
        assert flat(printed(table)).endswith(flat(CAUTION))
    assert flat(printed(gap_table(cabin.gap))).index("Warning: No rule") > 0


def test_names_with_brackets_are_shown_as_written(cabin: Cabin) -> None:
    gap = replace(cabin.gap, bar="bar [red]1[/red]", sentences=("See [bold]x[/bold]",))
    text = printed(gap_table(gap))
    assert "bar [red]1[/red]" in text
    assert "[bold]x[/bold]" in text
