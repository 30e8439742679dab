"""The calibration's parameters and residuals: board corners seen through a breathing lens.

Solving is left to `fitscan.adjust`, judging photos and corners to `calibrate`.

Groups: "lens" (1, 9), see `fitscan.lens.model`; "board" (1, 4), how the printed board differs
from its drawing: logarithm of its stretch along over across, and bow in mm (coefficients of u^2,
u v, v^2, with u and v running from -1 to 1 over the board); "photo" (n, 13): cam_from_board's
rotation row by row, translation in mm (of the board's middle), logarithm of the focal factor,
with the tangent (w, d, factor), see `fitscan.geometry.rigid`.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from fitscan.adjust.problem import IntArray, Linear, Part, Values
from fitscan.geometry.rotation import Array, exp, skew
from fitscan.lens.model import project, project_pixels

__all__ = ["BOARD_SIZE", "BoardBlock", "FactorPrior", "pack_photo", "step_photos"]

BOARD_SIZE = 4
"""Numbers that say how the printed board differs from its drawing."""


def pack_photo(rotation: Array, translation: Array) -> Array:
    """One row (13,) of the group "photo", its focal factor 1."""
    return np.concatenate([np.reshape(rotation, 9), np.reshape(translation, 3), [0.0]])


def step_photos(values: Array, steps: Array) -> Array:
    """Change photos (n, 13) by tangents (n, 7)."""
    out = values + np.concatenate([np.zeros((len(values), 9)), steps[:, 3:]], axis=1)
    out[:, :9] = (exp(steps[:, :3]) @ values[:, :9].reshape(-1, 3, 3)).reshape(-1, 9)
    return np.asarray(out)


@dataclass(frozen=True)
class BoardBlock:
    """Corners of the board in photos.

    Attributes:
        photo: (n,) which photo.
        object_mm: (n, 3) nominal places on the board.
        centre_mm, half_mm: (2,) the board's middle and half its size, for u and v.
        image_px: (n, 2) measured.
        sigma_px: standard deviation of each coordinate.
        robust: bound of the Huber weight, see `fitscan.adjust.problem.Block`.
    """

    photo: IntArray
    object_mm: Array
    centre_mm: Array
    half_mm: Array
    image_px: Array
    sigma_px: float
    robust: float | None
    name: str = field(default="corners", init=False)

    @property
    def rank(self) -> IntArray:
        """Two coordinates each."""
        return np.full(len(self.photo), 2, dtype=np.intp)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, 2)."""
        in_cam, _ = self._in_camera(values)
        factor = values["photo"][self.photo, 12]
        return (project_pixels(in_cam, values["lens"][0], factor) - self.image_px) / self.sigma_px

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians."""
        in_cam, by_board = self._in_camera(values)
        photos = values["photo"][self.photo]
        pixels, by_x, by_lens = project(in_cam, values["lens"][0], photos[:, 12])
        turned = in_cam - photos[:, 9:12]
        by_pose = np.concatenate(
            [by_x @ -skew(turned), by_x, by_lens[..., 9:]],
            axis=2,
        )
        first = np.zeros(len(self.photo), dtype=np.intp)
        return Linear(
            (pixels - self.image_px) / self.sigma_px,
            (
                Part("lens", first, by_lens[..., :9] / self.sigma_px),
                Part("board", first, by_x @ by_board / self.sigma_px),
                Part("photo", self.photo, by_pose / self.sigma_px),
            ),
        )

    def _in_camera(self, values: Values) -> tuple[Array, Array]:
        """Corners (n, 3) in their cameras, and their derivative (n, 3, 4) by the board."""
        stretch, *bow = values["board"][0]
        offset = self.object_mm[:, :2] - self.centre_mm
        u, v = (offset / self.half_mm).T
        shapes = np.stack([u * u, u * v, v * v], axis=1)
        along = np.exp(stretch) * offset[:, 1]
        x = np.column_stack([offset[:, 0], along, shapes @ np.array(bow)])
        photos = values["photo"][self.photo]
        rotation = photos[:, :9].reshape(-1, 3, 3)
        by_board = np.empty((len(x), 3, BOARD_SIZE))
        by_board[:, :, 0] = rotation[:, :, 1] * along[:, None]
        by_board[:, :, 1:] = rotation[:, :, 2, None] * shapes[:, None, :]
        return np.einsum("nij,nj->ni", rotation, x) + photos[:, 9:12], by_board


@dataclass(frozen=True)
class FactorPrior:
    """Each photo's focal factor is 1 within a standard deviation.

    Attributes:
        photos: how many.
        sigma: of the factor's logarithm.
    """

    photos: int
    sigma: float
    name: str = field(default="focal factors", init=False)
    robust: float | None = field(default=None, init=False)

    @property
    def rank(self) -> IntArray:
        """One each."""
        return np.ones(self.photos, dtype=np.intp)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, 1)."""
        return np.asarray(values["photo"][:, 12:] / self.sigma)

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians."""
        jacobian = np.zeros((self.photos, 1, 7))
        jacobian[:, 0, 6] = 1.0 / self.sigma
        index = np.arange(self.photos)
        return Linear(self.residual(values), (Part("photo", index, jacobian),))
