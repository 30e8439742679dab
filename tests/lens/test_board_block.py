import numpy as np
from board_scenes import BOARD, LENS, Scene, board_views

from fitscan.geometry.rotation import Array
from fitscan.lens.board_block import BoardBlock, FactorPrior, pack_photo, step_photos


def problem() -> tuple[BoardBlock, dict[str, Array]]:
    rng = np.random.default_rng(3)
    views = board_views(Scene(photos=3), seed=3)
    half = 0.5 * BOARD.square_mm * (np.array(BOARD.grid) - 1.0)
    corners = [v.corners for v in views]
    block = BoardBlock(
        np.repeat(np.arange(3), [len(c.number) for c in corners]),
        np.concatenate([c.object_mm for c in corners]),
        BOARD.points_mm[0, :2] + half,
        half,
        np.concatenate([c.image_px for c in corners]),
        0.2,
        None,
    )
    photos = np.array(
        [pack_photo(np.eye(3), np.array([0.0, 0.0, 600.0 + 50 * i])) for i in range(3)]
    )
    photos = step_photos(photos, rng.normal(0, 0.2, (3, 7)))
    values = {"lens": LENS.values[None], "board": np.array([[0.002, 0.3, -0.2, 0.1]])}
    return block, {**values, "photo": photos}


def test_every_jacobian_agrees_with_central_differences_through_the_same_step() -> None:
    block, values = problem()
    linear = block.linearise(values)
    np.testing.assert_allclose(linear.residual, block.residual(values), atol=1e-9)
    sizes = {
        "lens": np.array([1e-2, 1e-6, 1e-2, 1e-2, 1e-5, 1e-5, 1e-5, 1e-6, 1e-6]),
        "board": np.array([1e-6, 1e-3, 1e-3, 1e-3]),
        "photo": np.array([1e-6, 1e-6, 1e-6, 1e-3, 1e-3, 1e-3, 1e-6]),
    }
    assert {p.group for p in linear.parts} == set(sizes)
    for part in linear.parts:
        group = values[part.group]
        for column, size in enumerate(sizes[part.group]):
            moved = []
            for sign in (1.0, -1.0):
                steps = np.zeros((len(group), len(sizes[part.group])))
                steps[:, column] = sign * size
                new = step_photos(group, steps) if part.group == "photo" else group + steps
                moved.append(block.residual({**values, part.group: new}))
            numeric = (moved[0] - moved[1]) / (2.0 * size)
            scale = np.abs(numeric).max() + 1.0
            np.testing.assert_allclose(
                part.jacobian[:, :, column] / scale, numeric / scale, atol=1e-6
            )


def test_the_focal_factors_prior_pulls_each_photo_towards_no_change() -> None:
    _, values = problem()
    prior = FactorPrior(3, 0.001)
    linear = prior.linearise(values)
    np.testing.assert_allclose(linear.residual[:, 0], values["photo"][:, 12] / 0.001)
    (part,) = linear.parts
    np.testing.assert_array_equal(part.jacobian[:, 0], np.eye(7)[[6, 6, 6]] / 0.001)
    np.testing.assert_array_equal(prior.rank, [1, 1, 1])
