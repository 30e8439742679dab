"""The tag family against what its makers published."""

from __future__ import annotations

import numpy as np
import pytest

from fitscan.errors import InputError
from fitscan.markers.family import CELLS, FAMILY_SIZE, cells


def test_the_family_has_587_tags_that_differ_in_eleven_cells_however_they_are_turned() -> None:
    # Olson, "AprilTag: A robust and flexible visual fiducial system" (ICRA 2011): family 36h11 has
    # 587 codes of 36 bits with a Hamming distance of at least 11, turned copies included.
    codes = np.array([cells(i)[1:7, 1:7] for i in range(FAMILY_SIZE)])
    assert FAMILY_SIZE == 587
    upright = codes.reshape(FAMILY_SIZE, 36).astype(int)
    for quarter in range(4):
        turned = np.rot90(codes, quarter, axes=(1, 2)).reshape(FAMILY_SIZE, 36).astype(int)
        distance = upright @ (1 - turned.T) + (1 - upright) @ turned.T
        if quarter == 0:
            np.fill_diagonal(distance, 36)
        assert distance.min() == 11


def test_the_first_code_is_the_published_one() -> None:
    # 0xd5d628584 is the first code of tag36h11 in the AprilTag library (from memory); OpenCV
    # draws the family turned by half a turn against the bits read row by row.
    bits = "".join("1" if bit else "0" for bit in np.rot90(cells(0)[1:7, 1:7], 2).ravel())
    assert int(bits, 2) == 0xD5D628584


def test_every_tag_has_a_closed_black_border() -> None:
    for tag_id in range(FAMILY_SIZE):
        c = cells(tag_id)
        assert c.shape == (CELLS, CELLS)
        assert not np.concatenate([c[0], c[-1], c[:, 0], c[:, -1]]).any()


@pytest.mark.parametrize("tag_id", [-1, 587, 10_000])
def test_an_id_outside_the_family_is_refused_in_one_sentence(tag_id: int) -> None:
    with pytest.raises(InputError, match=rf"Tag id {tag_id} does not exist .*use ids 0 to 586"):
        cells(tag_id)


def test_cells_cannot_be_changed_by_accident() -> None:
    with pytest.raises(ValueError, match="read-only"):
        cells(3)[0, 0] = True
