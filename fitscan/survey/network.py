"""One shoot as one least-squares problem: which unknowns, which blocks, which gauge.

Measuring tags is left to `fitscan.detect`, the order of the steps to `build`.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from fitscan.adjust.held import solve_free
from fitscan.adjust.problem import Block, IntArray, Linear, LinearBlock, PriorBlock
from fitscan.adjust.solve import Options, Solution, solve
from fitscan.adjust.statistics import Covariance, Datum, covariance_of
from fitscan.geometry.rigid import Rigid
from fitscan.geometry.rotation import Array
from fitscan.lens.model import Lens
from fitscan.markers.kit import Kit
from fitscan.markers.layout import Layout
from fitscan.survey.priors import PhotoPrior, Priors
from fitscan.survey.rule_block import RuleBlock
from fitscan.survey.start import Placement
from fitscan.survey.state import State, pack_markers, pack_photos
from fitscan.survey.tag_block import HUBER, TagBlock, TagGeometry, inward

__all__ = ["Network", "SquareObservations", "corner_observations"]

_NEARLY, _WHOLLY = 1e-5, 1e-13
"""Share of the square sum below which a fall is not worth a step."""

_DAMPING = 1e-8
"""Start values are good: more damping only slows down what photos tie weakly."""


@dataclass(frozen=True)
class SquareObservations:
    """Observed squares of a shoot, flat and on cuffs together; see `TagBlock` for the numbers."""

    geometry: TagGeometry
    observed: Array
    whitening: Array
    px_per_mm: Array
    rank: IntArray

    def take(self, rows: npt.NDArray[np.bool_] | IntArray) -> SquareObservations:
        """Some of the squares."""
        return SquareObservations(
            self.geometry.take(rows),
            self.observed[rows],
            self.whitening[rows],
            self.px_per_mm[rows],
            self.rank[rows],
        )

    @property
    def kind(self) -> IntArray:
        """(n,) 0 of flat squares, 1 of those on cuffs."""
        return (self.geometry.cuff >= 0).astype(np.intp)

    def scaled_by(self, factors: npt.ArrayLike) -> SquareObservations:
        """The same with a factor (2,) for flat squares and one for those on cuffs."""
        each = np.asarray(factors, dtype=np.float64)[self.kind]
        return replace(self, whitening=self.whitening / each[:, None, None])

    def __len__(self) -> int:
        return len(self.geometry)


@dataclass(frozen=True)
class Network:
    """The unknowns and fixed facts of one shoot.

    Attributes:
        kit, layout: what is printed.
        photos: names, in the order of the state's rows.
        markers: ids, in the order of the state's rows.
        cuffs: first ids of the cuffs among them, in the order of the forms.
        lens, lens_covariance: prior of the lens, (9,) and (9, 9).
        priors: of the nuisances.
    """

    kit: Kit
    layout: Layout
    photos: tuple[str, ...]
    markers: tuple[int, ...]
    cuffs: tuple[int, ...]
    lens: Lens
    lens_covariance: Array
    priors: Priors

    @staticmethod
    def of(
        kit: Kit,
        photos: list[str],
        markers: list[int],
        lens: Lens,
        lens_covariance: Array,
        priors: Priors,
    ) -> Network:
        """Number the unknowns."""
        first = {c.first_id for c in kit.cuff}
        cuffs = tuple(m for m in markers if m in first)
        layout = Layout.of(kit)
        return Network(
            kit, layout, tuple(photos), tuple(markers), cuffs, lens, lens_covariance, priors
        )

    @cached_property
    def marker_row(self) -> dict[int, int]:
        """Row of each marker in the state."""
        return {m: i for i, m in enumerate(self.markers)}

    @cached_property
    def cuff_row(self) -> dict[int, int]:
        """Row of each cuff's form in the state."""
        return {m: i for i, m in enumerate(self.cuffs)}

    def geometry(self, tag_ids: list[int], photos: list[int]) -> TagGeometry:
        """Squares by tag id and photo row."""
        place = self._square_row
        rows = np.array([place[t] for t in tag_ids], dtype=np.intp)
        return replace(self.all_squares.take(rows), photo=np.array(photos, dtype=np.intp))

    @cached_property
    def all_squares(self) -> TagGeometry:
        """All squares of all markers, marker by marker, in the first photo."""
        ids = [t for m in self.markers for t in self.layout.markers[m]]
        first = [0] * len(ids)
        return TagGeometry.of(self.layout, ids, first, self.marker_row, self.cuff_row)

    @cached_property
    def _square_row(self) -> dict[int, int]:
        return {t: i for i, t in enumerate(self.all_squares.tag_id.tolist())}

    def start(self, placement: Placement, photo_rows: list[int]) -> State:
        """Start state from placed photos (their numbers in the placement's list) and markers."""
        printer = self.kit.printer
        scale = (printer.across, printer.along) if printer else (1.0, 1.0)
        return State(
            pack_photos([placement.photos[i] for i in photo_rows]),
            pack_markers([placement.markers[m] for m in self.markers]),
            np.zeros((len(self.cuffs), 3)),
            self.lens.values[None, :].copy(),
            np.array([scale]),
            np.zeros((1, 1)),
        )

    def grown(self, state: State, extra: dict[int, Rigid]) -> tuple[Network, State]:
        """Return the network and state with more markers, placed at world_from_marker."""
        if not extra:
            return self, state
        first = {c.first_id for c in self.kit.cuff}
        cuffs = tuple(m for m in extra if m in first)
        network = replace(self, markers=self.markers + tuple(extra), cuffs=self.cuffs + cuffs)
        return network, replace(
            state,
            marker=np.vstack([state.marker, pack_markers(list(extra.values()))]),
            form=np.vstack([state.form, np.zeros((len(cuffs), 3))]),
        )

    def rules(self) -> RuleBlock | None:
        """The rules whose two tags are both in the network."""
        row = self.marker_row
        known = [r for r in self.kit.rule if r.ids[0] in row and r.ids[1] in row]
        if not known:
            return None
        ends = np.array([[row[r.ids[0]], row[r.ids[1]]] for r in known], dtype=np.intp)
        length = np.array([r.length_mm for r in known])
        return RuleBlock(ends, length, np.array([r.u_mm for r in known]))

    def blocks(self, seen: SquareObservations, *, robust: float | None) -> list[Block]:
        """Observed squares (flat first, then on cuffs), then rules and priors."""
        out: list[Block] = []
        on_cuff = seen.geometry.cuff >= 0
        for name, rows in (("flat tags", ~on_cuff), ("cuff tags", on_cuff)):
            part = seen.take(rows)
            if len(part):
                fields = (part.geometry, part.observed, part.whitening, part.px_per_mm, part.rank)
                out.append(TagBlock(name, *fields, robust))
        rules = self.rules()
        if rules is not None:
            out.append(rules)
        return out + self._prior_blocks()

    def _prior_blocks(self) -> list[Block]:
        p = self.priors
        sigma = [p.focal_factor, p.edge_shift_px, p.principal_point_px, p.principal_point_px]
        printer = self.kit.printer
        mean = (printer.across, printer.along) if printer else (1.0, 1.0)
        scale_sigma = p.printer_measured if printer else p.printer
        together = np.array([p.together_radius_mm, p.together_pitch])
        out: list[Block] = [
            PhotoPrior(len(self.photos), np.array(sigma)),
            PriorBlock.correlated("lens", "lens", self.lens.values[None], self.lens_covariance),
            PriorBlock.independent("printer", "printer", np.array([mean]), np.array(scale_sigma)),
            PriorBlock.independent("ink", "ink", np.zeros((1, 1)), np.array(p.ink_mm)),
            PriorBlock.independent("split", "split", np.zeros((1, 1)), np.array(p.split_px)),
            PriorBlock.independent("wrap", "wrap", np.zeros((1, 2)), together),
        ]
        if self.cuffs:
            skew = np.array([p.skew, np.inf, np.inf])
            zero = np.zeros((len(self.cuffs), 3))
            out.append(PriorBlock.independent("cuff skew", "form", zero, skew))
            out += self._wrap_priors()
        return out

    def _wrap_priors(self) -> list[Block]:
        """What is known of the cuffs' radius and of the spread of their columns.

        The columns are spaced by the printer: pitch = across - 1 + together + own.
        """
        p, n = self.priors, len(self.cuffs)
        own, first = np.arange(n)[:, None], np.zeros((n, 1), dtype=np.intp)

        def factors(*values: float) -> Array:
            return np.tile(np.array(values), (n, 1, 1))

        radius = {
            "form": (own, factors(0.0, 1.0, 0.0)),
            "wrap": (first, factors(-1.0, 0.0)),
        }
        pitch = {
            "form": (own, factors(0.0, 0.0, 1.0)),
            "wrap": (first, factors(0.0, -1.0)),
            "printer": (first, factors(-1.0, 0.0)),
        }
        return [
            LinearBlock("cuff radius", np.zeros(n), np.full(n, p.radius_mm), radius),
            LinearBlock("cuff pitch", -np.ones(n), np.full(n, p.pitch), pitch),
        ]

    def solve(
        self,
        state: State,
        seen: SquareObservations,
        *,
        robust: float | None,
        steps: int = 40,
        nearly: bool = False,
        known: Mapping[str, Linear] | None = None,
    ) -> Solution:
        """Adjust everything once; `nearly` stops where a test can tell no difference any more.

        What is `known` are blocks, by name, linearised at this state with these squares.
        """
        promise = _NEARLY if nearly else _WHOLLY
        options = Options(steps=steps, damping=_DAMPING, promise=promise, eliminate="photo")
        return solve(state.groups(), self.blocks(seen, robust=robust), options, known)

    def at_rest(
        self, state: State, seen: SquareObservations, free: Mapping[str, IntArray]
    ) -> State:
        """Adjust some photos and markers, and hold all the rest.

        Args:
            state: start values; what is held stays there.
            seen: squares; those that show nothing free are not asked.
            free: rows of "photo" and of "marker", and of "form" for the cuffs among these.

        Raises:
            DataError: the squares leave something of it free.
        """
        g = seen.geometry
        asked = np.isin(g.photo, free["photo"]) | np.isin(g.marker, free["marker"])
        blocks = self.blocks(seen.take(asked), robust=HUBER)
        options = Options(damping=_DAMPING, promise=_NEARLY)
        return State.of(solve_free(state.groups(), blocks, free, options))

    def covariance(self, solution: Solution) -> Covariance:
        """Covariance of all but the photos, free network with inner constraints on the centres.

        Seven freedoms would be free without any scale; printed sizes (a prior) and rules take the
        scale, so six are left: turn and shift of everything.
        """
        order = solution.normal.order
        gauge = np.zeros((order.size, 6))
        constraint = np.zeros((order.size, 6))
        rows = order.columns("marker", np.arange(len(self.markers)))
        centres = solution.values["marker"][:, 9:12]
        centres = centres - centres.mean(axis=0)
        for axis in range(3):
            unit = np.eye(3)[axis]
            turn = np.cross(unit, centres)
            gauge[rows[:, :3].ravel(), axis] = np.tile(unit, len(rows))
            gauge[rows[:, 3:].ravel(), axis] = turn.ravel()
            gauge[rows[:, 3 + axis], 3 + axis] = 1.0
            constraint[rows[:, 3:].ravel(), axis] = turn.ravel()
            constraint[rows[:, 3 + axis], 3 + axis] = 1.0
        # The turn is about the centroid, not about the frame's origin: a centroid at rest.
        return covariance_of(solution, Datum(gauge, constraint))


def corner_observations(
    geometry: TagGeometry, corners_px: Array, sigma_px: float, px_per_mm: Array
) -> SquareObservations:
    """Observations from a corner detector: corners (n, 4, 2) that the edge shift has moved."""
    n = len(geometry)
    whitening = np.zeros((n, 9, 9))
    whitening[:, np.arange(8), np.arange(8)] = 1.0 / sigma_px
    whitening[:, :8, 8] = inward(corners_px).reshape(n, 8) / sigma_px
    observed = np.concatenate([corners_px.reshape(n, 8), np.zeros((n, 1))], axis=1)
    rank = np.full(n, 8, dtype=np.intp)
    return SquareObservations(geometry, observed, whitening, px_per_mm, rank)
