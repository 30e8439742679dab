"""What an adjustment would be worth with photos that were not taken: covariance without pixels.

Unknowns, blocks, priors, gauge and normal matrix are the survey's own (`network`); where a phone
could stand, what it would see from there and who wants to know is left to `fitscan.plan`.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.adjust.normal import Order, build_normal
from fitscan.adjust.problem import Block, IntArray, Linear
from fitscan.adjust.solve import Solution
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array
from fitscan.markers.layout import CORNERS
from fitscan.survey.gauge import told_blocks
from fitscan.survey.measure import own_errors
from fitscan.survey.network import Network, SquareObservations
from fitscan.survey.state import PHOTO, State, pack_markers, pack_photos
from fitscan.survey.survey import PhotoEntry, Survey
from fitscan.survey.tag_block import Prediction, TagBlock, TagGeometry, predict

__all__ = [
    "GUESSED_SIGMA",
    "LENS_SIGMA",
    "Foresight",
    "Information",
    "Sharpness",
    "foresee",
    "foresight_of",
    "information",
]

LENS_SIGMA = np.array([0.004, 1e-4, 2.0, 2.0, 0.003, 0.01, 0.01, 1e-4, 1e-4])
"""A calibrated lens in a later shoot, f relative: what the files of our own phones say."""

GUESSED_SIGMA = np.array([0.05, 1e-3, 40.0, 40.0, 0.1, 0.2, 0.2, 3e-3, 3e-3])
"""The same of a lens that only EXIF tells of, as in `fitscan.lens.match`."""


@dataclass(frozen=True)
class Sharpness:
    """How well squares of a shoot are measured, one standard deviation.

    What the edges of a square on the sample photos say of its corners grows as it is seen more
    steeply and hardly changes with its size; to it comes what squares err by as a whole. `flat` and
    `cuff` are what the adjustment finds it to be in truth, over that (`Quality.flat_factor`,
    `Quality.cuff_factor`).

    Attributes:
        flat, cuff: factors.
        flat_px, cuff_px: of a corner of a square seen head-on, before the factor.
        shift_px: of a square's own edge shift, before the factor.
    """

    flat: float = 1.0
    cuff: float = 1.15
    flat_px: float = 0.032
    cuff_px: float = 0.034
    shift_px: float = 0.15

    def whitening(self, corners_px: Array, facing: Array, on_cuff: bool) -> Array:
        """Whitening (n, 9, 9) of sharp squares.

        Args:
            corners_px: (n, 4, 2) where they would be.
            facing: (n,) cosine of how steeply they are seen.
            on_cuff: whether they are on cuffs.
        """
        n = len(facing)
        factor, px = (self.cuff, self.cuff_px) if on_cuff else (self.flat, self.flat_px)
        side = np.linalg.norm(corners_px - np.roll(corners_px, 1, axis=1), axis=2).mean(axis=1)
        own, common = own_errors(corners_px, side, np.ones(n))
        alone = px**2 / np.clip(facing, 0.1, 1.0) + own
        # The inverse square root of d I + c c^T is (I - s c c^T / |c|^2) / sqrt(d).
        square = (common**2).sum(axis=1)
        share = (1.0 - 1.0 / np.sqrt(1.0 + square / alone)) / np.maximum(square, 1e-300)
        out = np.zeros((n, 9, 9))
        out[:, :8, :8] = np.eye(8) - (share[:, None] * common)[:, :, None] * common[:, None, :]
        out[:, :8, :8] /= np.sqrt(alone)[:, None, None]
        out[:, 8, 8] = 1.0 / self.shift_px
        return out / factor


@dataclass(frozen=True)
class Information:
    """What one photo says of the kept parameters, its own unknowns taken out.

    Attributes:
        columns: (k,) places in the kept vector.
        matrix: (k, k) normal matrix there.
    """

    columns: IntArray
    matrix: Array


@dataclass(frozen=True)
class Foresight:
    """A network at given values with its covariance.

    Attributes:
        network, state: the unknowns.
        order: of the kept parameters.
        covariance: (K, K) of them, marginal, free network with inner constraints.
        sharpness: of the squares.
    """

    network: Network
    state: State
    order: Order
    covariance: Array
    sharpness: Sharpness

    def rows(self, markers: list[int]) -> IntArray:
        """Places (6 n,) of markers in the covariance, turn and centre of each."""
        row = self.network.marker_row
        index = np.array([row[m] for m in markers], dtype=np.intp)
        return self.order.columns("marker", index).reshape(-1)

    @property
    def of_markers(self) -> Array:
        """Covariance (6 n, 6 n) of all markers, in the network's order."""
        offset, count, k = self.order.kept["marker"]
        return self.covariance[offset : offset + count * k, offset : offset + count * k]

    def seen_from(self, functional: Array, more: Information) -> Array:
        """Covariance (r, r) of linear functions (r, K) with one more photo.

        A photo's information N enters by Woodbury's identity, S - S (I + N S)^-1 N S on the
        columns that it touches; exact for a free network too, because a photo whose pose is
        unknown says nothing of the gauge.
        """
        return self.seen_from_each(functional, [more])[0]

    def seen_from_each(self, functional: Array, others: Sequence[Information]) -> list[Array]:
        """The same with each of some photos, one at a time."""
        carried = functional @ self.covariance
        before = carried @ functional.T
        return [self._less(carried, before, more) for more in others]

    def _less(self, carried: Array, before: Array, more: Information) -> Array:
        inner = more.matrix @ self.covariance[more.columns[:, None], more.columns]
        inner[np.diag_indices_from(inner)] += 1.0
        there = carried[:, more.columns]
        return np.asarray(before - there @ np.linalg.solve(inner, more.matrix @ there.T))

    def grown(self, more: Information) -> Foresight:
        """The same after one more photo; the photo itself is not among the network's."""
        carried = self.covariance
        covariance = self._less(carried, carried, more)
        return replace(self, covariance=0.5 * (covariance + covariance.T))


def foresee(
    network: Network, state: State, squares: TagGeometry, sharpness: Sharpness
) -> Foresight:
    """Covariance of a network whose photos see given squares, all residuals zero.

    Raises:
        DataError: something is left free: a photo or a marker that nothing ties to the others.
    """
    shoot = _Shoot.of(network, state, squares, sharpness)
    return shoot.foresight(sharpness.flat, sharpness.cuff)


@dataclass(frozen=True)
class _Shoot:
    """A network's blocks, linearised once for any sharpness of its squares.

    Attributes:
        network, state: the unknowns.
        sharpness: with factors of one.
        blocks, linears: of squares that sharp.
    """

    network: Network
    state: State
    sharpness: Sharpness
    blocks: tuple[Block, ...]
    linears: tuple[Linear, ...]

    @staticmethod
    def of(network: Network, state: State, squares: TagGeometry, sharpness: Sharpness) -> _Shoot:
        values = {g.name: g.values for g in state.groups()}
        plain = replace(sharpness, flat=1.0, cuff=1.0)
        seen, predictions = _observed(squares, state, plain)
        blocks = network.blocks(seen, robust=None)
        known = iter(predictions)
        linears = tuple(
            b.linearised(next(known), values) if isinstance(b, TagBlock) else b.linearise(values)
            for b in blocks
        )
        return _Shoot(network, state, plain, tuple(blocks), linears)

    def foresight(self, flat: float, cuff: float) -> Foresight:
        """Its covariance when flat squares and those on cuffs scatter by factors more."""
        groups = self.state.groups()
        values = {g.name: g.values for g in groups}
        order = Order.of(groups, "photo")
        weights = tuple(
            np.full(len(x.residual), _weight(b, flat, cuff))
            for b, x in zip(self.blocks, self.linears, strict=True)
        )
        normal = build_normal(order, self.linears, weights)
        solution = Solution(
            tuple(groups), self.blocks, values, weights, self.linears, normal, 0.0, 0, True
        )
        try:
            covariance = self.network.covariance(solution).kept
        except DataError:
            raise DataError(
                "A photo shows too little to know where it was taken",
                "the survey's photos",
                "make the survey again",
            ) from None
        sharpness = replace(self.sharpness, flat=flat, cuff=cuff)
        return Foresight(self.network, self.state, order, covariance, sharpness)


def _weight(block: Block, flat: float, cuff: float) -> float:
    """What a block's observations count for when squares scatter by a factor more."""
    if not isinstance(block, TagBlock):
        return 1.0
    return (cuff if block.geometry.cuff[0] >= 0 else flat) ** -2


def _observed(
    squares: TagGeometry, state: State, sharpness: Sharpness
) -> tuple[SquareObservations, list[Prediction]]:
    """Squares as they would be measured, without noise; and their predictions, block by block."""
    n = len(squares)
    values = {g.name: g.values for g in state.groups()}
    observed, whitening, px_per_mm = np.zeros((n, 9)), np.zeros((n, 9, 9)), np.ones(n)
    predictions: list[Prediction] = []
    for on_cuff in (False, True):
        rows = np.flatnonzero((squares.cuff >= 0) == on_cuff)
        if len(rows) == 0:
            continue
        part = squares.take(rows)
        seen = predict(part, CORNERS * part.side_mm[:, None, None], values)
        predictions.append(seen)
        side = np.linalg.norm(seen.pixels - np.roll(seen.pixels, 1, axis=1), axis=2).mean(axis=1)
        px_per_mm[rows] = side / part.side_mm
        observed[rows, :8] = seen.pixels.reshape(-1, 8)
        shift = state.photo[part.photo, 13] - state.ink[0, 0] * px_per_mm[rows]
        observed[rows, 8] = shift
        whitening[rows] = sharpness.whitening(seen.pixels, seen.facing.mean(axis=1), on_cuff)
    rank = np.full(n, 9, dtype=np.intp)
    return SquareObservations(squares, observed, whitening, px_per_mm, rank), predictions


def information(
    foresight: Foresight, photos: Array, squares: TagGeometry
) -> list[Information | None]:
    """What each of some further photos says, all linearised at once.

    Args:
        foresight: the network that they would join.
        photos: (c, 16) rows of the state.
        squares: that they see; `photo` counts in these rows.

    Returns:
        per photo, or None when it sees too little to know where it was taken from.
    """
    state = replace(foresight.state, photo=photos)
    values = {g.name: g.values for g in state.groups()}
    seen, predictions = _observed(squares, state, foresight.sharpness)
    tags: list[tuple[IntArray, Array, IntArray]] = []
    blocks = foresight.network.blocks(seen, robust=None)
    squares_only = [b for b in blocks if isinstance(b, TagBlock)]
    for block, predicted in zip(squares_only, predictions, strict=True):
        linear = block.linearised(predicted, values)
        jacobian, places = _columns(foresight.order, linear)
        tags.append((block.geometry.photo, jacobian, places))
    p = foresight.network.priors
    sigma = np.array([p.focal_factor, p.edge_shift_px, *[p.principal_point_px] * 2])
    prior = np.diag(np.concatenate([np.zeros(6), 1.0 / sigma**2]))
    out: list[Information | None] = []
    for c in range(len(photos)):
        mine = [(jacobian[o == c], places[o == c]) for o, jacobian, places in tags]
        squares_seen = sum(len(places) for _, places in mine)
        out.append(_of_photo(mine, prior) if squares_seen >= 2 else None)
    return out


def _columns(order: Order, linear: Linear) -> tuple[Array, IntArray]:
    """Per square its Jacobian by its photo (first), then by its kept parameters; their places."""
    photo = next(p for p in linear.parts if p.group == "photo")
    kept = [p for p in linear.parts if p.group != "photo"]
    jacobian = linear.side_by_side([photo, *kept])[..., :-1]
    return jacobian, np.concatenate([order.columns(p.group, p.index) for p in kept], axis=1)


def _of_photo(squares: list[tuple[Array, IntArray]], prior: Array) -> Information | None:
    """Sum one photo's squares and take its own ten unknowns out."""
    kept = np.unique(np.concatenate([places.ravel() for _, places in squares]))
    total = np.zeros((PHOTO + len(kept), PHOTO + len(kept)))
    total[:PHOTO, :PHOTO] = prior
    for jacobian, places in squares:
        n, rows, _ = jacobian.shape
        whole = np.zeros((n, rows, len(total)))
        whole[:, :, :PHOTO] = jacobian[:, :, :PHOTO]
        at = PHOTO + np.searchsorted(kept, places)
        np.put_along_axis(whole, at[:, None, :], jacobian[:, :, PHOTO:], axis=2)
        flat = whole.reshape(n * rows, len(total))
        total += flat.T @ flat
    own, cross = total[:PHOTO, :PHOTO], total[:PHOTO, PHOTO:]
    if np.linalg.cond(own) > 1e14:
        return None
    reduced = total[PHOTO:, PHOTO:] - cross.T @ np.linalg.solve(own, cross)
    return Information(kept, 0.5 * (reduced + reduced.T))


# ---------------------------------------------------------------- from a survey's file


def foresight_of(survey: Survey) -> Foresight:
    """The adjustment of a survey, set up again from what its file keeps.

    A file keeps every pose, which squares each photo gave and how well flat and cuff squares were
    measured on the whole, but not each square's own covariance nor what was known of the lens:
    the covariance is near the survey's own, not equal to it.

    Raises:
        DataError: the survey's photos do not hang together.
    """
    used = [p for p in survey.photos if p.refused is None and p.cam_from_survey is not None]
    network, state = _network_of(survey, used)
    pairs = [
        (t, row)
        for row, p in enumerate(used)
        for t in p.tags
        if t in network.layout.tags and survey.has(network.layout.tags[t].marker_id)
    ]
    squares = network.geometry([t for t, _ in pairs], [row for _, row in pairs])
    q = survey.quality
    shoot = _Shoot.of(network, state, squares, Sharpness())
    flat, cuff = _ratios(survey, shoot.foresight(q.flat_factor, q.cuff_factor))
    return shoot.foresight(q.flat_factor * flat, q.cuff_factor * cuff)


def _ratios(survey: Survey, built: Foresight) -> tuple[float, float]:
    """How much better flat and cuff squares of this survey are known than the average shoot's.

    By each marker's place in the two directions in which it is known best: the third is the
    scale's, which the rules carry and not the squares.
    """
    cuffs = {c.first_id for c in survey.kit.cuff}
    centres = np.array([p.translation for p in survey.poses])
    best, rebuilt = (
        np.linalg.eigvalsh(told_blocks(c, centres)[:, 3:, 3:])[:, :2].sum(axis=1)
        for c in (survey.covariance, built.of_markers)
    )
    share = np.sqrt(best / np.maximum(rebuilt, 1e-12))
    ratio: dict[bool, list[float]] = {False: [], True: []}
    for marker, own in zip(survey.markers, share.tolist(), strict=True):
        ratio[marker in cuffs].append(own)
    flat, cuff = (float(np.median(ratio[k])) if ratio[k] else 1.0 for k in (False, True))
    return flat, cuff


def _network_of(survey: Survey, used: list[PhotoEntry]) -> tuple[Network, State]:
    from fitscan.survey.priors import Priors

    q = survey.quality
    photo = pack_photos([p.cam_from_survey for p in used if p.cam_from_survey is not None])
    photo[:, 12] = np.log([p.focal_factor for p in used])
    photo[:, 14:16] = [p.principal_point_px for p in used]
    focal = float(np.sqrt(np.mean(photo[:, 12] ** 2)))
    centre = float(np.sqrt(np.mean(photo[:, 14:16] ** 2)))
    priors = replace(
        Priors(),
        focal_factor=float(np.clip(focal, 4e-4, 0.02)),
        principal_point_px=float(np.clip(centre, 0.2, 8.0)),
    )
    calibrated = q.lens_source == "camera file"
    sigma = (LENS_SIGMA if calibrated else GUESSED_SIGMA).copy()
    sigma[0] *= survey.lens.values[0]
    network = Network.of(
        survey.kit, [p.name for p in used], list(survey.markers), survey.lens, np.diag(sigma**2),
        priors,
    )  # fmt: skip
    state = State(
        photo,
        pack_markers(list(survey.poses)),
        np.array([survey.forms[m] for m in network.cuffs]).reshape(-1, 3),
        survey.lens.values[None].copy(),
        np.array([q.printer]),
        np.array([[q.ink_mm]]),
    )
    return network, state
