"""The rough list: where it puts markers, and how a slip in it is named."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from plan_shoots import PLACES, scene

from fitscan.errors import InputError
from fitscan.plan.places_file import read_places, stage_of
from fitscan.plan.stage import Stage


def read(folder: Path, text: str) -> Stage:
    file = folder / "places.toml"
    file.write_text(text, encoding="utf-8")
    return stage_of(read_places(file), scene().kit, "places.toml")


def test_tags_stand_in_a_row_and_face_where_they_are_said_to(tmp_path: Path) -> None:
    stage = read(tmp_path, PLACES)
    assert stage.poses[0].translation == pytest.approx([-900.0, 700.0, 300.0])
    assert stage.poses[20].translation == pytest.approx([900.0, 700.0, 700.0])
    steps = [stage.poses[i].translation for i in (0, 4, 8, 12, 16, 20)]
    assert np.ptp(np.diff(steps, axis=0), axis=0) == pytest.approx([0.0, 0.0, 0.0], abs=1e-9)
    assert stage.poses[0].rotation[:, 2] == pytest.approx([0.0, -1.0, 0.0])
    assert stage.poses[2].rotation[:, 2] == pytest.approx([0.0, 0.0, 1.0])
    for pose in stage.poses.values():
        assert pose.rotation @ pose.rotation.T == pytest.approx(np.eye(3), abs=1e-12)
        assert np.linalg.det(pose.rotation) == pytest.approx(1.0)


def test_cuffs_sit_on_their_tube_and_the_tube_stands_in_the_way(tmp_path: Path) -> None:
    stage = read(tmp_path, PLACES)
    start, end = np.array([180.0, 550.0, 100.0]), np.array([60.0, 550.0, 1000.0])
    along = (end - start) / np.linalg.norm(end - start)
    for cuff in (100, 114):
        away = stage.poses[cuff].translation - start
        assert np.linalg.norm(away - (away @ along) * along) < 1e-9
        assert stage.poses[cuff].rotation[:, 2] == pytest.approx(along)
    assert stage.bars[0].name == "main hoop, straight 1"
    assert stage.bars[0].radius_mm == pytest.approx(22.5)
    assert stage.blocked(np.array([[120.0, 1200.0, 550.0]]), np.array([[120.0, 0.0, 550.0]]))[0]
    # The box of the list, which reaches to 250 mm.
    assert stage.blocked(np.array([[600.0, 1200.0, 0.0]]), np.array([[600.0, 0.0, 0.0]]))[0]
    assert not stage.blocked(np.array([[600.0, 1200.0, 900.0]]), np.array([[600.0, 0.0, 900.0]]))[0]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[[tag]]\nids = [0]\nstart = [0, 0, 0]\nfaces = 'north'", "faces"),
        ("[[tag]]\nids = [0]\nstart = [0, 0]\nfaces = 'up'", "start"),
        ("[[tag]]\nids = [0, 1]\nstart = [0, 0, 0]\nfaces = 'up'", "several ids"),
        ("[[tag]]\nids = [0]\nstart = [0, 0, 0]\nfaces = [0, 0, 0]", "no direction"),
        ("[[tag]]\nids = [999]\nstart = [0, 0, 0]\nfaces = 'up'", "Id 999 is not a tag"),
        ("[[tag]]\nids = [0]\nstart = [0, 0, 0]\nfaces = 'up'\n" * 2, "placed twice"),
        ("[[tube]]\nname = 'roof bar'\nstart = [0, 0, 0]\nend = [0, 0, 900]", "'roof bar'"),
        ("[[tube]]\nname = 'main hoop'\nstart = [0, 0, 0]\nend = [0, 0, 9]", "less than 50 mm"),
        ("colour = 'blue'", "colour"),
        ("ground_mm = 'low'", "ground_mm"),
        ("ground_mm = 0", "places no marker"),
        ("[[tag]\n", "not TOML"),
    ],
)  # fmt: skip
def test_a_slip_is_one_sentence_that_names_it(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputError) as caught:
        read(tmp_path, text)
    assert said in str(caught.value)
    assert "\n" not in str(caught.value)
