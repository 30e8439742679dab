"""Cuffs of one straight that contradict each other: off the common line, or askew to it.

What to do about them is left to `fitscan.fit`.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fitscan.adjust.chi_squared import chi2_isf
from fitscan.geometry.line import two_normals
from fitscan.geometry.rotation import Array
from fitscan.shape.axis_rule import AxisRule
from fitscan.shape.propagate import MarkerInput, Poses, propagate
from fitscan.survey.survey import Survey

__all__ = ["ALPHA", "Contradiction", "contradictions"]

ALPHA = 0.001
"""False alarm rate of each test (that of Baarda's w-test, 3.29)."""


_LEAST_ASKEW = np.radians(0.5)
"""Paper wrapped askew by half a millimetre tilts a cuff by a quarter degree: that is no mistake."""


@dataclass(frozen=True)
class Contradiction:
    """What is wrong on one straight.

    Attributes:
        tube, straight: which.
        cuffs: first ids of those under suspicion.
        off_mm: largest distance of a cuff's centre from the common line; 0 when askew.
        askew_deg: largest angle of a cuff's own direction to it; 0 when off.
        statistic, critical: of the chi-squared test.
    """

    tube: str
    straight: int
    cuffs: tuple[int, ...]
    off_mm: float
    askew_deg: float
    statistic: float
    critical: float

    @property
    def sentence(self) -> str:
        """In the fitter's words."""
        listed = ", ".join(str(c) for c in self.cuffs)
        where = f"on straight {self.straight} of the {self.tube}"
        if self.askew_deg:
            return (
                f"Cuff {listed} {where} is {self.askew_deg:.2f} deg askew to the line through the "
                "centres: check its straight number in the kit and how it is wrapped"
            )
        which = f"Cuff {listed}" if len(self.cuffs) == 1 else f"One of the cuffs {listed}"
        return (
            f"{which} {where} does not lie on one line with the rest, {self.off_mm:.2f} mm off: it "
            "slipped, or the tube is not straight there"
        )


def contradictions(survey: Survey, rule: AxisRule) -> list[Contradiction]:
    """Tests of a straight's cuffs; empty when they agree, or there is nothing to compare."""
    out = []
    if len(rule.cuffs) > 2:
        out += _off_line(survey, rule)
    if len(rule.cuffs) > 1 and not out:
        out += _askew(survey, rule)
    return out


def _off_line(survey: Survey, rule: AxisRule) -> list[Contradiction]:
    """Global test of the centres' distances from their line; 2 n - 4 degrees of freedom."""
    normals = two_normals(rule.straight.axis.direction)

    def residuals(poses: list[Poses]) -> Array:
        axis = rule.axis(poses[0])
        centres = np.array([poses[0][c].translation for c in rule.cuffs])
        return np.asarray(((centres - axis.foot(centres)) @ normals.T).reshape(-1))

    value, covariance = propagate(residuals, [MarkerInput(survey, rule.cuffs)])
    freedom = len(value) - 4
    values, vectors = np.linalg.eigh(covariance)
    kept = vectors[:, -freedom:] / np.sqrt(np.maximum(values[-freedom:], 1e-12))
    statistic = float(np.sum((kept.T @ value) ** 2))
    critical = float(chi2_isf(ALPHA, freedom))
    if statistic <= critical:
        return []
    away = value.reshape(-1, 2)
    weight = kept @ kept.T
    # Baarda's test quantity for two wrong numbers of one cuff, w = (W r)' (W_cc)^-1 (W r).
    pull = (weight @ value).reshape(-1, 2)
    blocks = [weight[2 * i : 2 * i + 2, 2 * i : 2 * i + 2] for i in range(len(away))]
    tests = [
        float(p @ np.linalg.lstsq(b, p, rcond=1e-9)[0]) for p, b in zip(pull, blocks, strict=True)
    ]
    # With three cuffs any of them may be the one: two freedoms cannot tell.
    suspects = rule.cuffs if len(rule.cuffs) == 3 else (rule.cuffs[int(np.argmax(tests))],)
    row = int(np.argmax(tests))
    far = np.linalg.norm(away, axis=1)
    off = float(far.max() if len(rule.cuffs) == 3 else far[row])
    straight = rule.straight
    return [Contradiction(straight.tube, straight.number, suspects, off, 0.0, statistic, critical)]


def _askew(survey: Survey, rule: AxisRule) -> list[Contradiction]:
    """Each cuff's own direction against the line through the centres; two freedoms each."""
    normals = two_normals(rule.straight.axis.direction)
    # One test per cuff: a false alarm of any of them stays at ALPHA (Bonferroni).
    critical = float(chi2_isf(ALPHA / len(rule.cuffs), 2))
    out = []
    for cuff in rule.cuffs:

        def tilt(poses: list[Poses], cuff: int = cuff) -> Array:
            own = poses[0][cuff].rotation[:, 2]
            line = rule.axis(poses[0]).direction
            return np.asarray(normals @ (own * np.sign(own @ line) - line))

        value, covariance = propagate(tilt, [MarkerInput(survey, rule.cuffs)])
        statistic = float(value @ np.linalg.solve(covariance, value))
        tilt_rad = float(np.arcsin(min(float(np.linalg.norm(value)), 1.0)))
        if statistic > critical and tilt_rad > _LEAST_ASKEW:
            size = float(np.degrees(tilt_rad))
            s = rule.straight
            out.append(Contradiction(s.tube, s.number, (cuff,), 0.0, size, statistic, critical))
    return out
