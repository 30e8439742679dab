"""Where ink lies: derivatives against differences, and frames against a strip wrapped by hand."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st

from fitscan.markers.kit import CuffSpec, Kit, PointerSpec, TagSpec
from fitscan.markers.layout import CUFF_FORM, Layout, cuff_points, flat_points

Array = npt.NDArray[np.float64]

STEP = 1e-6


def a_cuff(**changes: float) -> CuffSpec:
    values = {
        "first_id": 100,
        "od_mm": 45.0,
        "columns": 7,
        "rows": 2,
        "side_mm": 15.0,
        "row_pitch_mm": 20.0,
        "part": "cage",
        "tube": "main hoop",
    }
    return CuffSpec.model_validate({**values, **changes})


def rolled(flat: Array, radius: float) -> Array:
    """Points (..., 3) of a strip's places (x from its left edge, y up), wrapped on a cylinder.

    By hand from design: left edge at angle 0, print outwards, x runs anticlockwise seen from +z.
    """
    angle = flat[..., 0] / radius
    return np.stack([radius * np.cos(angle), radius * np.sin(angle), flat[..., 1]], axis=-1)


@given(
    scale=st.tuples(*[st.floats(0.9, 1.1)] * 2),
    uv=st.lists(st.tuples(*[st.floats(-60, 60)] * 2), min_size=1, max_size=5),
)
def test_derivatives_of_flat_points_match_central_differences(
    scale: tuple[float, float], uv: list[tuple[float, float]]
) -> None:
    places = np.array([uv])
    s = np.array(scale)
    _, by_scale = flat_points(places, s)
    for k in range(2):
        h = np.zeros(2)
        h[k] = STEP
        ahead, back = flat_points(places, s + h)[0], flat_points(places, s - h)[0]
        np.testing.assert_allclose(by_scale[..., k], (ahead - back) / (2 * STEP), atol=1e-7)


@given(
    radius=st.floats(10.0, 40.0),
    angle=st.floats(-3.0, 3.0),
    z=st.floats(-60.0, 60.0),
    scale=st.tuples(*[st.floats(0.95, 1.05)] * 2),
    form=st.tuples(st.floats(-0.05, 0.05), st.floats(-0.5, 0.5), st.floats(-0.02, 0.02)),
    uv=st.tuples(*[st.floats(-15, 15)] * 2),
)
def test_derivatives_of_cuff_points_match_central_differences(
    radius: float,
    angle: float,
    z: float,
    scale: tuple[float, float],
    form: tuple[float, float, float],
    uv: tuple[float, float],
) -> None:
    places, row = np.array([[uv]]), np.array([[radius, angle, z]])
    start = np.array([*scale, *form])

    def points(p: Array) -> Array:
        return cuff_points(places, row, p[:2], p[None, 2:])[0]

    _, d = cuff_points(places, row, start[:2], start[None, 2:])
    for k in range(2 + CUFF_FORM):
        h = np.zeros(5)
        h[k] = STEP
        difference = (points(start + h) - points(start - h)) / (2 * STEP)
        np.testing.assert_allclose(d[..., k], difference, atol=2e-6, err_msg=f"column {k}")


@pytest.mark.parametrize(
    ("columns", "rows", "od"), [(7, 2, 45.0), (5, 1, 20.0), (9, 3, 76.0), (8, 2, 63.5)]
)
def test_a_cuff_is_the_strip_wrapped_by_hand(columns: int, rows: int, od: float) -> None:
    spec = a_cuff(od_mm=od, columns=columns, rows=rows, side_mm=9.0, row_pitch_mm=12.0)
    radius = od / 2 + 0.15
    pitch = 2 * np.pi * radius / columns
    layout = Layout.of(Kit(cuff=(spec,)))
    assert layout.markers == {100: list(spec.ids)}
    for n, tag_id in enumerate(spec.ids):
        row, column = n // columns, n % columns
        centre = np.array([(column + 0.5) * pitch, ((rows - 1) / 2 - row) * 12.0])
        corners = np.array([[-4.5, 4.5], [4.5, 4.5], [4.5, -4.5], [-4.5, -4.5]])
        want = rolled(centre + corners, radius)
        np.testing.assert_allclose(layout.tags[tag_id].corners(), want, atol=1e-9)


def test_columns_follow_design_angles_and_ids_run_along_the_top_row_first() -> None:
    layout = Layout.of(Kit(cuff=(a_cuff(),)))
    for column in range(7):
        top, below = (
            layout.tags[100 + column + 7 * row].points(np.zeros((1, 2)))[0] for row in range(2)
        )
        turn = np.degrees(np.arctan2(top[1], top[0])) % 360.0
        assert turn == pytest.approx((column + 0.5) * 360.0 / 7.0)
        assert np.hypot(top[0], top[1]) == pytest.approx(45.0 / 2 + 0.15)
        assert (top[2], below[2]) == (10.0, -10.0)


def test_a_cuffs_print_faces_away_from_the_tube() -> None:
    layout = Layout.of(Kit(cuff=(a_cuff(),)))
    for tag in layout.tags.values():
        top_left, top_right, _, bottom_left = tag.corners()
        out = np.cross(top_right - top_left, top_left - bottom_left)
        centre = tag.points(np.zeros((1, 2)))[0] * [1, 1, 0]
        assert out @ centre > 0


def test_flat_tags_have_x_right_y_up_and_corners_from_the_top_left_clockwise() -> None:
    kit = Kit(
        tag=(TagSpec(id=3, side_mm=40.0, part="shell"),),
        pointer=(PointerSpec(id=60, side_mm=20.0, reach_mm=25.0, part="trim", name="lip"),),
    )
    layout = Layout.of(kit)
    want = [[-20, 20, 0], [20, 20, 0], [20, -20, 0], [-20, -20, 0]]
    np.testing.assert_allclose(layout.tags[3].corners(), want)
    assert layout.tags[60].side_mm == 20.0
    assert layout.markers == {3: [3], 60: [60]}


def test_printer_scale_stretches_a_flat_tag_across_and_along() -> None:
    x, _ = flat_points(np.array([[[10.0, 20.0]]]), np.array([0.997, 0.9985]))
    np.testing.assert_allclose(x, [[[9.97, 19.97, 0.0]]])


def test_a_skew_wrap_tilts_the_strip_and_keeps_its_middle() -> None:
    place = np.array([[22.65, 0.0, 0.0], [22.65, 1.0, 0.0]])
    form = np.array([[0.01, 0.0, 0.0]] * 2)
    x, _ = cuff_points(np.zeros((2, 1, 2)), place, np.ones(2), form)
    np.testing.assert_allclose(x[0, 0], [-22.65, 0.0, 0.0], atol=1e-12)
    assert x[1, 0, 2] == pytest.approx(0.01 * 22.65)
