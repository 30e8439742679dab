"""Angles and tubes on photos: straights where they truly are, each number once and with its U."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from cabins import Cabin, truth_poses
from numpy.typing import NDArray
from PIL import Image

from fitscan.fit.angles import Angles, AngleWishes, find_angles
from fitscan.fit.tubes import report_tubes
from fitscan.report.overlay_angles import angles_drawing, angles_points
from fitscan.report.palette import VERDICT_LOOKS
from fitscan.report.view import PhotoView
from fitscan.report.words import SHORT_CAUTION, amount
from fitscan.report.write_angles import write_angles_pictures

FloatArray = NDArray[np.float64]


@pytest.fixture(scope="module")
def angles(cabin: Cabin) -> Angles:
    wishes = AngleWishes(
        lean=("main hoop@0",), level=("door bar:1",), between=("door bar:1=door bar:2",),
        against="car",
    )  # fmt: skip
    return find_angles(cabin.shut, wishes)


def view_of(cabin: Cabin, photo: int) -> PhotoView:
    return PhotoView.of(cabin.shut, cabin.shut.photos[photo])


def test_axes_run_where_the_tubes_truly_are(cabin: Cabin, angles: Angles) -> None:
    view = view_of(cabin, 0)
    drawing = angles_drawing(angles, cabin.shut, view)
    poses = truth_poses()
    strokes = [s.places for s in drawing.of_role("tube axis", "door bar")]
    assert len(strokes) == 2
    for first in (100, 124):
        ends = np.array([poses[first].translation, poses[first + 12].translation])
        line = cabin.shut_from_world.apply(np.linspace(ends[0], ends[1], 30))
        places, seen = view.shown(line)
        assert seen.all()
        assert max(min(away(p, s) for s in strokes) for p in places) < 0.5


def away(place: FloatArray, line: FloatArray) -> float:
    """Distance of a place from a polyline, px."""
    out = []
    for a, b in pairwise(line):
        share = np.clip((place - a) @ (b - a) / max(float((b - a) @ (b - a)), 1e-12), 0.0, 1.0)
        out.append(float(np.linalg.norm(place - a - share * (b - a))))
    return min(out)


def test_each_label_is_a_number_with_its_u_and_none_stands_twice(
    cabin: Cabin, angles: Angles
) -> None:
    drawing = angles_drawing(angles, cabin.shut, view_of(cabin, 0))
    texts = [label.text for label in drawing.labels]
    assert texts
    assert len(set(texts)) == len(texts)
    known = {f"{r.name}: {amount(r.value, r.expanded, r.unit)}": r for r in angles.readings}
    assert set(texts) <= set(known)
    for label in drawing.labels:
        reading = known[label.text]
        shape = "" if reading.verdict is None else VERDICT_LOOKS[reading.verdict].shape
        assert label.shape == shape
    assert drawing.caution == SHORT_CAUTION


def test_a_worse_verdict_is_told_before_a_better_one(cabin: Cabin) -> None:
    wanted = find_angles(cabin.shut, AngleWishes(lean=("main hoop@5",), against="car"))
    view = next(
        v for i in range(6)
        if (v := view_of(cabin, i)).shown(angles_points(wanted))[1].all()
    )  # fmt: skip
    drawing = angles_drawing(wanted, cabin.shut, view)
    shapes = {label.shape for label in drawing.labels}
    assert shapes <= {"s"}


def test_pictures_are_written_beside_the_plot_and_carry_nothing(
    cabin: Cabin, tmp_path: Path
) -> None:
    tubes = report_tubes(cabin.shut, ["door bar"])
    folder = tmp_path / "photos"
    folder.mkdir()
    lens = cabin.shut.lens
    for photo in cabin.shut.photos:
        exif = Image.Exif()
        exif.get_ifd(0x8825)[2] = (51.0, 30.0, 0.0)
        plain = Image.new("RGB", (lens.width_px, lens.height_px), "gray")
        plain.save(folder / photo.name, exif=exif)
    survey = replace(cabin.shut, photos=tuple(replace(p, sha256="") for p in cabin.shut.photos))
    files = write_angles_pictures(tubes, survey, folder, tmp_path / "bar")
    names = [f.name for f in files]
    assert names == ["bar-photo-1.jpg", "bar-photo-2.jpg", "bar-plot.png"]
    assert b"Exif" not in files[0].read_bytes()
    said: list[str] = []
    only = write_angles_pictures(tubes, survey, None, tmp_path / "none", say=said.append)
    assert [f.name for f in only] == ["none-plot.png"]
    assert said == ["No photos were at hand, so there is no picture on a photo."]
