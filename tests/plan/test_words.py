"""Places in words: the side, the height, the tube that is passed, the way from an earlier photo."""

from __future__ import annotations

import numpy as np
import pytest

from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import exp
from fitscan.plan.stage import Bar
from fitscan.plan.words import about_mm, side_words, step_words, way_words
from fitscan.shape.datum import CarAxes

CAR = CarAxes(Rigid.identity(), known=True)
OWN = CarAxes(Rigid.identity(), known=False)
HOOP = Bar("main hoop", np.array([0.0, 0.0, -500.0]), np.array([0.0, 0.0, 500.0]), 22.0)


@pytest.mark.parametrize(
    ("way", "said"),
    [
        ((1.0, 0.1, 0.0), "from ahead"),
        ((-1.0, 0.0, 0.2), "from behind"),
        ((0.1, 1.0, 0.0), "from the left"),
        ((0.0, -1.0, 0.1), "from the right"),
        ((-1.0, 0.0, 0.8), "from behind and above"),
        ((-0.8, 0.1, 1.0), "from above and behind"),
        ((-1.0, 0.8, 0.0), "from behind, on the left"),
        ((0.6, -1.0, 0.0), "from the right and ahead"),
        ((0.0, 0.0, -1.0), "from below"),
        ((-1.0, -0.8, 0.8), "from behind and above, on the right"),
    ],
)
def test_directions_in_the_car(way: tuple[float, float, float], said: str) -> None:
    assert way_words(np.array(way), CAR) == said


def test_directions_follow_the_car_and_not_the_survey() -> None:
    turned = CarAxes(Rigid(exp(np.array([0.0, 0.0, np.pi / 2])), np.zeros(3)), known=True)
    assert way_words(np.array([1.0, 0.0, 0.0]), turned) == "from the left"


def test_every_direction_has_words() -> None:
    rng = np.random.default_rng(1)
    for way in rng.normal(size=(300, 3)):
        assert way_words(way, CAR).startswith("from ")
        assert not way_words(way, CAR).endswith(" ")


def test_without_car_axes_only_up_and_down_are_told() -> None:
    assert way_words(np.array([0.5, 0.0, 1.0]), OWN) == "from above"
    assert way_words(np.array([0.5, 0.0, -1.0]), OWN) == "from below"
    assert way_words(np.array([1.0, 1.0, 0.1]), OWN) == "level with it"


def test_the_other_side_of_a_tube_is_told_when_no_photo_was_there() -> None:
    marker = np.array([30.0, 0.0, 0.0])
    seen = np.array([[800.0, 100.0, 0.0], [700.0, -200.0, 50.0]])
    beyond, this_side = np.array([-700.0, 0.0, 0.0]), np.array([600.0, 0.0, 300.0])
    assert side_words(marker, beyond, seen, (HOOP,)) == "from the other side of the main hoop"
    assert side_words(marker, this_side, seen, (HOOP,)) is None
    both = np.concatenate([seen, [[-500.0, 0.0, 0.0]]])
    assert side_words(marker, beyond, both, (HOOP,)) is None
    assert side_words(np.array([30.0, 900.0, 0.0]), beyond, seen, (HOOP,)) is None
    assert side_words(marker, beyond, np.zeros((0, 3)), (HOOP,)) is None


def test_the_way_from_an_earlier_photo_is_told_as_one_walks_it() -> None:
    # A phone that looks along +x: its right is -y, its down is -z.
    turn = np.array([[0.0, -1.0, 0.0], [0.0, 0.0, -1.0], [1.0, 0.0, 0.0]])
    up = np.array([0.0, 0.0, 1.0])
    here = np.array([100.0, 200.0, 300.0])

    def said(step: tuple[float, float, float]) -> str:
        return step_words(here + np.array(step), here, turn, up)

    assert said((0.0, -600.0, 0.0)) == "0.6 m to the right"
    assert said((0.0, 400.0, 300.0)) == "0.4 m to the left and 0.3 m up"
    assert said((-500.0, 0.0, -200.0)) == "0.5 m back and 0.2 m down"
    assert said((10.0, 0.0, 20.0)) == "the same place"
    assert step_words(here, here, np.eye(3), up) == ""


def test_distances_are_round() -> None:
    assert about_mm(1010.0) == "about a metre away"
    assert about_mm(730.0) == "about 0.7 m away"
