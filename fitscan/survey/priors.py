"""What is known before the photos speak: standard deviations of the nuisances.

Each can be switched off, see `Priors.without`; what they act on is in `state`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from fitscan.adjust.problem import IntArray, Linear, Part, Values
from fitscan.geometry.rotation import Array
from fitscan.survey.state import PHOTO

__all__ = ["NUISANCES", "PhotoPrior", "Priors"]

_OFF = 1e-4
"""Share of its sigma that a nuisance keeps when it is switched off: nothing, but regular."""

NUISANCES: dict[str, tuple[str, ...]] = {
    "focal factor": ("focal_factor",),
    "principal point": ("principal_point_px",),
    "edge shift": ("edge_shift_px",),
    "printer": ("printer", "printer_measured"),
    "ink": ("ink_mm",),
    "split": ("split_px",),
    "skew": ("skew",),
    "radius": ("radius_mm", "together_radius_mm"),
    "pitch": ("pitch", "together_pitch"),
}
"""Fields of `Priors` by the nuisance's name."""


@dataclass(frozen=True)
class Priors:
    """Standard deviations (one sigma) of the nuisances.

    Attributes:
        focal_factor: logarithm of a photo's focal factor. Autofocus and stabilisation breathe by
            about 0.1 %, a lens that focuses by moving by more (common practice, no source); the
            shoot itself then says how much, see `learnt`.
        principal_point_px: shift of a photo's principal point by stabilisation.
        edge_shift_px: of a photo's black edges.
        printer: scale across and along, when the kit does not say (an office printer is within
            0.5 %; common practice, no source).
        printer_measured: the same when the kit's [printer] says (0.1 mm over 150 mm).
        ink_mm: growth of black per edge.
        split_px: how far gamma, sharpening and blur together move all borders inwards or outwards
            beyond what the two polarities of a tag's borders tell (seen on rendered photos).
        skew: wrap of a cuff, rad.
        radius_mm: of a cuff's ink about the mean of all cuffs; together_radius_mm: of that mean
            about od/2 + paper. One batch of tube and one paper made them all, so that many cuffs
            know the scale no better than one.
        pitch: spread of a cuff's columns about the mean of all cuffs, 1; together_pitch: of that
            mean about the printer's scale across, which spaced the columns.
    """

    focal_factor: float = 0.002
    principal_point_px: float = 0.7
    edge_shift_px: float = 1.0
    printer: float = 0.005
    printer_measured: float = 0.0007
    ink_mm: float = 0.05
    split_px: float = 0.1
    skew: float = 0.01
    radius_mm: float = 0.06
    together_radius_mm: float = 0.15
    pitch: float = 0.001
    together_pitch: float = 0.003

    def without(self, *names: str) -> Priors:
        """The priors with some nuisances (keys of `NUISANCES`) switched off: held at zero."""
        held = {f: _OFF * getattr(self, f) for name in names for f in NUISANCES[name]}
        return replace(self, **held)

    def learnt(self, photo: Array, variance: Array) -> Priors:
        """Priors with the spread of the photos' nuisances that the shoot itself shows.

        One step of expectation-maximisation of a variance component: the mean of x^2 + var(x)
        over the photos (Dempster, Laird and Rubin, J. R. Stat. Soc. B 39(1), 1977; from memory).
        Where the photos say little, var(x) is the prior's and nothing changes.

        Args:
            photo: rows of the state.
            variance: (n, 10) variances of the photos' tangents.
        """
        focal = np.sqrt(np.mean(photo[:, 12] ** 2 + variance[:, 6]))
        centre = np.sqrt(np.mean(photo[:, 14:16] ** 2 + variance[:, 8:10]))
        return replace(
            self,
            focal_factor=float(np.clip(focal, 2e-4, 0.02)),
            principal_point_px=float(np.clip(centre, 0.05, 8.0)),
        )


@dataclass(frozen=True)
class PhotoPrior:
    """Prior of the four nuisances of every photo: zero with the given sigmas (4,)."""

    count: int
    sigma: Array
    name: str = "photo nuisances"
    robust: float | None = None

    @property
    def rank(self) -> IntArray:
        """Residuals each: those whose sigma is finite."""
        return np.full(self.count, np.isfinite(self.sigma).sum(), dtype=np.intp)

    def residual(self, values: Values) -> Array:
        """Whitened residuals (n, 4)."""
        return np.asarray(values["photo"][:, 12:16] / self.sigma)

    def linearise(self, values: Values) -> Linear:
        """Residuals and Jacobians."""
        jacobian = np.zeros((self.count, 4, PHOTO))
        jacobian[:, np.arange(4), 6 + np.arange(4)] = 1.0 / self.sigma
        return Linear(self.residual(values), (Part("photo", np.arange(self.count), jacobian),))
