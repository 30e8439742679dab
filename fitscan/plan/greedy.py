"""Before the shoot: photos chosen one after another by how much each makes the wanted U smaller.

What stands where and where one can stand comes from `project`, words from `words`; the numbers
that are told come from the survey's own network over the chosen photos, not from the choosing.
"""

from __future__ import annotations

import heapq
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from fitscan.adjust.normal import Order, build_normal
from fitscan.errors import DataError, InputError
from fitscan.fit.verdict import COVERAGE
from fitscan.geometry.rotation import Array
from fitscan.plan.project import Project, spots_of
from fitscan.plan.sight import seen_squares
from fitscan.plan.spots import Spot, photo_rows
from fitscan.plan.wish import Functional, Wish, functional_of, marker_name
from fitscan.plan.words import way_words
from fitscan.survey.foresee import Foresight, Information, foresee, information
from fitscan.survey.network import SquareObservations
from fitscan.survey.restrict import restrict
from fitscan.survey.tag_block import TagGeometry

__all__ = ["Place", "Plan", "Planned", "Tell", "plan_shoot"]

Tell = Callable[[str, int, int], None]

_ROUGH_TURN, _ROUGH_MM = 0.5, 300.0
"""How well a rough list knows markers: nothing that photos would not say better at once."""

_MOST_OFFERS = 600
_AT_ONCE = 150
_FEWEST = 8
"""Photos of any shoot, however good the first ones are: they also have to control each other."""

_FLAT_AFTER, _FLAT = 4, 0.03
"""When so many photos have lowered U by less than this share, more of them will not."""

_SIGHTS = 3
_REST = 0.1
"""What the other markers' U counts beside the wanted one's: without it photos would not hang
together."""


@dataclass(frozen=True)
class Place:
    """A photo of a plan.

    Attributes:
        number: in the order of a walk.
        rank: in the order of help, 1 first.
        spot: in the stage's frame.
        where: from where, seen from the middle of everything, in words.
        distance_mm: to the nearest wanted marker that it shows, or to the picture's middle.
        height_mm: of the phone above the ground, or above the lowest marker when nobody said
            where the ground is.
        markers: ids that it shows.
    """

    number: int
    rank: int
    spot: Spot
    where: str
    distance_mm: float
    height_mm: float
    markers: tuple[int, ...]


@dataclass(frozen=True)
class Planned:
    """A wish with what the plan gives it.

    Attributes:
        wish: with the U that is wanted.
        expanded_mm: U (k = 2) with all photos of the plan.
        scale_aside_mm: the same if the scale were known exactly.
        steps: (photos, U mm) along the order of help, from where it can be told on.
    """

    wish: Wish
    expanded_mm: float
    scale_aside_mm: float
    steps: tuple[tuple[int, float], ...]

    @property
    def reached(self) -> bool:
        """Whether U is as small as wanted."""
        return self.wish.wanted_mm is None or self.expanded_mm <= self.wish.wanted_mm


@dataclass(frozen=True)
class Plan:
    """Photos to take.

    Attributes:
        project: what it was made from.
        places: by number.
        planned: the wishes.
        scale_u: relative standard uncertainty of all lengths in such a shoot.
        left_out: markers with a place that the photos would show too seldom.
        sentences: what to say.
    """

    project: Project
    places: tuple[Place, ...]
    planned: tuple[Planned, ...]
    scale_u: float
    left_out: tuple[int, ...]
    sentences: tuple[str, ...]

    @property
    def reached(self) -> bool:
        """Whether every U is as small as wanted."""
        return all(p.reached for p in self.planned)


_Told = list[tuple[float, float]]
"""U of each wish, with the scale and without."""


@dataclass(frozen=True)
class _Offers:
    """Photos that could be taken, linearised once."""

    spots: list[Spot]
    information: list[Information]
    squares: list[TagGeometry]


def plan_shoot(
    project: Project, wishes: Sequence[Wish], *, most: int = 40, tell: Tell | None = None
) -> Plan:
    """Choose photos until every wish has its U.

    Args:
        project: what stands where.
        wishes: with the U that is wanted.
        most: photos at most.
        tell: progress.

    Raises:
        InputError: a wish names what is not there; the kit has no rule with two places.
        DataError: no place shows a wanted marker, or all photos together do not hang together.
    """
    say = tell or (lambda sentence, done, total: None)
    kit, poses = project.stage.kit, project.stage.poses
    _need_a_rule(project)
    whats = [
        functional_of(w, kit, poses, "--tube" if w.tube is not None else "--marker") for w in wishes
    ]
    wanted = sorted({m for what in whats for m in what.about})
    blank = _blank(project)
    offers = _offers(project, blank, wanted, say)
    _need_sights(project, offers, wanted)
    chosen, steps = _choose(project, blank, offers, wishes, whats, most, say)
    return _plan(project, offers, chosen, steps, wishes, whats)


# ---------------------------------------------------------------- what cannot be had


def _need_a_rule(project: Project) -> None:
    kit, poses = project.stage.kit, project.stage.poses
    todo = "lay two tags a measured distance apart into the scene, enter them as a [[rule]]"
    if not kit.rule:
        raise InputError(
            "The kit has no rule, so no photo gives lengths their scale: printed sizes are only "
            "good to 0.5 to 1 percent",
            "kit",
            f"{todo}, and plan again",
        )
    if not any(set(r.ids) <= set(poses) for r in kit.rule):
        ids = " and ".join(str(i) for i in kit.rule[0].ids)
        raise InputError(
            "None of the kit's rules has a place, so no photo gives lengths their scale",
            "places",
            f"say where the rule's tags {ids} are",
        )


def _need_sights(project: Project, offers: _Offers, wanted: list[int]) -> None:
    count = dict.fromkeys(wanted, 0)
    row = project.network.marker_row
    for squares in offers.squares:
        seen = set(squares.marker.tolist())
        for m in wanted:
            count[m] += row[m] in seen
    blind = [m for m in wanted if count[m] < _SIGHTS]
    if blind:
        name = marker_name(project.stage.kit, blind[0])
        more = f" (and {len(blind) - 1} more)" if len(blind) > 1 else ""
        raise DataError(
            f"No place where a phone can be held shows {name}{more}: it is hidden, turned away or "
            "too small from everywhere",
            "plan",
            "move it or turn it, take away what is in front, or print it larger",
        )


# ---------------------------------------------------------------- choosing


def _blank(project: Project) -> Foresight:
    """The network before any photo: priors, rules, and the rough list."""
    network = project.network
    groups = [g for g in project.state.groups() if g.name != "photo"]
    none = network.geometry([], [])
    empty = SquareObservations(
        none, np.zeros((0, 9)), np.zeros((0, 9, 9)), np.zeros(0), np.zeros(0, dtype=np.intp)
    )
    blocks = [b for b in network.blocks(empty, robust=None) if b.name != "photo nuisances"]
    values = {g.name: g.values for g in groups}
    linears = [b.linearise(values) for b in blocks]
    order = Order.of(groups, None)
    matrix = build_normal(order, linears, [np.ones(len(x.residual)) for x in linears]).kept.copy()
    rough = np.tile(np.r_[np.full(3, _ROUGH_TURN), np.full(3, _ROUGH_MM)], len(network.markers))
    at = order.columns("marker", np.arange(len(network.markers))).reshape(-1)
    matrix[at, at] += 1.0 / rough**2
    inverse = np.asarray(np.linalg.inv(matrix), dtype=np.float64)
    return Foresight(network, project.state, order, inverse, project.sharpness)


def _offers(project: Project, blank: Foresight, wanted: list[int], say: Tell) -> _Offers:
    """Photos from every place, thinned out evenly among those that show something."""
    network, state, stage = project.network, project.state, project.stage
    centres = stage.centres
    mine = np.array([stage.poses[m].translation for m in wanted])
    aims = np.concatenate([_clusters(mine, 4), _clusters(centres, 6), centres.mean(axis=0)[None]])
    spots = spots_of(project, aims)
    out = _Offers([], [], [])
    found: list[tuple[Spot, TagGeometry, bool]] = []
    rows = {network.marker_row[m] for m in wanted}
    for start in range(0, len(spots), _AT_ONCE):
        say("Looking from every place", start, len(spots))
        batch = spots[start : start + _AT_ONCE]
        squares = seen_squares(stage, network, state, photo_rows(batch))
        for c, spot in enumerate(batch):
            own = squares.take(squares.photo == c)
            seen = set(own.marker.tolist())
            if len(seen) >= 4:
                found.append((spot, own, bool(seen & rows)))
    say("Looking from every place", len(spots), len(spots))
    keep = [i for i, f in enumerate(found) if f[2]] or list(range(len(found)))
    rest = [i for i, f in enumerate(found) if not f[2]]
    keep = _thinned(keep, _MOST_OFFERS - 100) + _thinned(rest, 100)
    for start in range(0, len(keep), _AT_ONCE):
        part = [found[i] for i in keep[start : start + _AT_ONCE]]
        joined = [replace(f[1], photo=np.full(len(f[1]), c)) for c, f in enumerate(part)]
        infos = information(blank, photo_rows([f[0] for f in part]), _together(joined))
        for f, info in zip(part, infos, strict=True):
            if info is not None:
                out.spots.append(f[0])
                out.squares.append(f[1])
                out.information.append(info)
    if not out.spots:
        raise DataError(
            "No place where a phone can be held shows four markers at once",
            "plan",
            "check the list of places: the axes, the ground, and which way the markers face",
        )
    return out


def _thinned(rows: list[int], most: int) -> list[int]:
    if len(rows) <= most:
        return rows
    return [rows[i] for i in np.linspace(0, len(rows) - 1, most).round().astype(int)]


def _clusters(points: Array, count: int) -> Array:
    """A few points that stand for many: far from each other, each in its neighbours' middle."""
    chosen = [points.mean(axis=0)]
    for _ in range(min(count, len(points)) - 1):
        away = np.min([np.linalg.norm(points - c, axis=1) for c in chosen], axis=0)
        chosen.append(points[int(np.argmax(away))])
    centres = np.array(chosen)
    nearest = np.argmin(np.linalg.norm(points[:, None] - centres[None], axis=2), axis=1)
    return np.array([points[nearest == i].mean(axis=0) for i in np.unique(nearest)])


def _together(parts: list[TagGeometry]) -> TagGeometry:
    names = TagGeometry.__dataclass_fields__
    return TagGeometry(*(np.concatenate([getattr(p, n) for p in parts]) for n in names))


def _choose(
    project: Project,
    blank: Foresight,
    offers: _Offers,
    wishes: Sequence[Wish],
    whats: Sequence[Functional],
    most: int,
    say: Tell,
) -> tuple[list[int], list[_Told | None]]:
    """Offers in the order of help until every wish has its U, and what they give step by step."""
    now, chosen = blank, list[int]()
    rows = np.concatenate([w.rows(blank) for w in whats])
    every = _every_centre(blank)
    gains = [(-np.inf, i) for i in range(len(offers.spots))]
    heapq.heapify(gains)
    stale = dict.fromkeys(range(len(offers.spots)), -1)
    wanted = np.array([0.0 if w.wanted_mm is None else w.wanted_mm for w in wishes])
    steps: list[_Told | None] = []
    while len(chosen) < most and gains:
        say("Choosing photos", len(chosen), most)
        base = _score(whats, rows, every, now)
        # A gain only falls as photos are added, nearly always: look again at the best few.
        while stale[gains[0][1]] != len(chosen):
            _, i = heapq.heappop(gains)
            stale[i] = len(chosen)
            gain = base - _score(whats, rows, every, now, offers.information[i])
            heapq.heappush(gains, (-gain, i))
        _, best = heapq.heappop(gains)
        chosen.append(best)
        now = now.grown(offers.information[best])
        told = _told(project, offers, chosen, wishes) if len(chosen) >= 3 else None
        steps.append(told)
        if len(chosen) >= _FEWEST and _enough(steps, wanted):
            break
    say("Choosing photos", most, most)
    return chosen, steps


def _enough(steps: list[_Told | None], wanted: Array) -> bool:
    """Whether every U is as small as wanted, or none falls any more."""
    told = steps[-1]
    if told is None:
        return False
    last = np.array([u for u, _ in told])
    earlier = steps[-1 - _FLAT_AFTER] if len(steps) > _FLAT_AFTER else None
    flat = earlier is not None and bool(
        np.all(last > (1.0 - _FLAT) * np.array([u for u, _ in earlier]))
    )
    return flat or bool(np.all(last <= wanted))


def _every_centre(foresight: Foresight) -> Array:
    """Every marker's centre as rows (3 n, K)."""
    at = foresight.order.columns("marker", np.arange(len(foresight.network.markers)))[:, 3:]
    out = np.zeros((at.size, foresight.order.size))
    out[np.arange(at.size), at.reshape(-1)] = 1.0
    return out


def _score(
    whats: Sequence[Functional],
    rows: Array,
    every: Array,
    now: Foresight,
    more: Information | None = None,
) -> float:
    """Logarithm of the wanted U, with a tenth of that of all markers."""
    both = np.concatenate([rows, every])
    covariance = both @ now.covariance @ both.T if more is None else now.seen_from(both, more)
    total, start = 0.0, 0
    for what in whats:
        end = start + len(what.jacobian)
        total += np.log(max(what.expanded(covariance[start:end, start:end]), 1e-9))
        start = end
    rest = np.clip(np.diag(covariance)[start:], 1e-12, None)
    return total / len(whats) + _REST * 0.5 * float(np.log(rest).mean()) * len(whats)


# ---------------------------------------------------------------- telling


def _network_of(project: Project, offers: _Offers, chosen: list[int]) -> Foresight | None:
    """The survey's network over chosen photos; None while they do not hang together."""
    network = replace(project.network, photos=tuple(f"photo {i}" for i in range(len(chosen))))
    state = replace(project.state, photo=photo_rows([offers.spots[i] for i in chosen]))
    parts = [
        replace(offers.squares[i], photo=np.full(len(offers.squares[i]), row))
        for row, i in enumerate(chosen)
    ]
    squares = _together(parts)
    n = len(squares)
    given = SquareObservations(
        squares, np.zeros((n, 9)), np.zeros((n, 9, 9)), np.ones(n), np.full(n, 9, dtype=np.intp)
    )
    try:
        part = restrict(network, state, given, np.ones(n, dtype=bool))
        return foresee(part.network, part.state, part.seen.geometry, project.sharpness)
    except DataError:
        return None


def _told(
    project: Project, offers: _Offers, chosen: list[int], wishes: Sequence[Wish]
) -> _Told | None:
    """U of each wish over chosen photos; None while a wanted marker is seen too seldom.

    A wish is told against those markers of its part that these photos tie together.
    """
    foresight = _network_of(project, offers, chosen)
    if foresight is None:
        return None
    kit = project.stage.kit
    poses = {m: project.stage.poses[m] for m in foresight.network.markers}
    out = []
    for wish in wishes:
        try:
            what = functional_of(wish, kit, poses, "plan")
        except InputError:
            return None
        if not _seen_enough(project, offers, chosen, wish):
            return None
        both = []
        for scale in (True, False):
            rows = what.rows(foresight, scale=scale)
            both.append(what.expanded(rows @ foresight.covariance @ rows.T))
        out.append((both[0], both[1]))
    return out


def _seen_enough(project: Project, offers: _Offers, chosen: list[int], wish: Wish) -> bool:
    """Whether every wanted marker is seen three times, so that photos control each other."""
    row = project.network.marker_row
    seen = [set(offers.squares[i].marker.tolist()) for i in chosen]
    about = functional_of(wish, project.stage.kit, project.stage.poses, "plan").about
    return all(sum(row[m] in s for s in seen) >= _SIGHTS for m in about)


def _plan(
    project: Project,
    offers: _Offers,
    chosen: list[int],
    steps: list[_Told | None],
    wishes: Sequence[Wish],
    whats: Sequence[Functional],
) -> Plan:
    foresight = _network_of(project, offers, chosen)
    last = steps[-1]
    if last is None or foresight is None:
        raise DataError(
            f"Even {len(chosen)} photos do not tie what is wanted to the rest",
            "plan",
            "stick more markers between the groups, so that photos share at least four of them",
        )
    planned = tuple(
        Planned(w, *last[i], tuple((n, told[i][0]) for n, told in enumerate(steps, 1) if told))
        for i, w in enumerate(wishes)
    )  # fmt: skip
    gone = tuple(m for m in project.network.markers if m not in foresight.network.markers)
    scale = _scale_u(foresight)
    places = _places(project, offers, chosen, whats)
    sentences = _sentences(project, planned, len(chosen), scale, gone)
    return Plan(project, places, planned, scale, gone, sentences)


def _scale_u(foresight: Foresight) -> float:
    """Relative standard uncertainty of all lengths, as a survey tells it of itself."""
    centres = foresight.state.marker[:, 9:12]
    away = (centres - centres.mean(axis=0)).reshape(-1)
    at = foresight.order.columns("marker", np.arange(len(centres)))[:, 3:].reshape(-1)
    own = foresight.covariance[np.ix_(at, at)]
    return float(np.sqrt(away @ own @ away) / (away @ away))


def _places(
    project: Project, offers: _Offers, chosen: list[int], whats: Sequence[Functional]
) -> tuple[Place, ...]:
    """Chosen photos in the order of a walk round the middle."""
    stage, network = project.stage, project.network
    middle = stage.centres.mean(axis=0)
    about = {m for what in whats for m in what.about}
    turn = project.axes.car_from_survey
    floor = project.ground_mm
    if floor is None:
        floor = float(turn.apply(stage.centres)[:, 2].min())
    way = {i: np.arctan2(*(offers.spots[i].eye - middle)[[1, 0]]) % (2.0 * np.pi) for i in chosen}
    walk = sorted(chosen, key=lambda i: (way[i], offers.spots[i].eye[2]))
    out = []
    for number, i in enumerate(walk, 1):
        spot = offers.spots[i]
        shown = tuple(sorted({network.markers[m] for m in offers.squares[i].marker}))
        mine = [m for m in shown if m in about]
        ends = np.array([stage.poses[m].translation for m in mine] or [spot.aim])
        out.append(
            Place(
                number, chosen.index(i) + 1, spot, _where(project, spot.eye),
                float(np.linalg.norm(ends - spot.eye, axis=1).min()),
                float(turn.apply(spot.eye)[2] - floor), shown,
            )
        )  # fmt: skip
    return tuple(out)


def _where(project: Project, eye: Array) -> str:
    """Inside or outside, and on which side of the middle of everything."""
    centres = project.stage.centres
    low, high = centres.min(axis=0), centres.max(axis=0)
    inside = bool(np.all((eye > low - 50.0) & (eye < high + 50.0)))
    way = eye - centres.mean(axis=0)
    return f"{'inside' if inside else 'outside'}, {way_words(way, project.axes)}"


def _sentences(
    project: Project,
    planned: tuple[Planned, ...],
    count: int,
    scale_u: float,
    gone: tuple[int, ...],
) -> tuple[str, ...]:
    out = []
    for p in planned:
        got = f"{count} photos give {p.wish.words} with U {p.expanded_mm:.2f} mm"
        if p.wish.wanted_mm is None:
            out.append(got)
        elif p.reached:
            out.append(f"{got}; wanted: {p.wish.wanted_mm:.2f} mm")
        else:
            out.append(f"{got}, and {p.wish.wanted_mm:.2f} mm cannot be had here{_why(p, scale_u)}")
    if gone:
        names = ", ".join(marker_name(project.stage.kit, m) for m in gone[:3])
        more = f" and {len(gone) - 3} more" if len(gone) > 3 else ""
        out.append(f"Not needed for this, and seen too seldom to be measured: {names}{more}")
    return tuple(out)


def _why(p: Planned, scale_u: float) -> str:
    """What holds U up: the scale, or the photos."""
    assert p.wish.wanted_mm is not None
    if p.scale_aside_mm <= p.wish.wanted_mm:
        return (
            f": the scale alone is only known to {100.0 * COVERAGE * scale_u:.3f} %; take a longer "
            "rule, or read it with a smaller u"
        )
    return ": more photos help little from here; print larger cuffs, or put them farther apart"
