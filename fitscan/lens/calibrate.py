"""Measure a lens from photos of a board, and say which photos spoil it and which are missing.

Finding corners is left to `board`, the residuals to `board_block`, the file to `camera_file`.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from fitscan import __version__
from fitscan.adjust.problem import Group, PriorBlock
from fitscan.adjust.solve import Options, Solution, solve
from fitscan.adjust.statistics import Covariance, block_test, covariance_of
from fitscan.errors import DataError
from fitscan.geometry.rotation import Array
from fitscan.lens.board import Board, BoardCorners, detect_board
from fitscan.lens.board_block import (
    BOARD_SIZE,
    BoardBlock,
    FactorPrior,
    pack_photo,
    step_photos,
)
from fitscan.lens.camera_file import (
    CameraFile,
    CoverageEntry,
    IdentityEntry,
    LensEntry,
    PhotoEntry,
    now_utc,
)
from fitscan.lens.match import FILM_DIAGONAL_MM, main_camera
from fitscan.lens.model import Lens
from fitscan.photos.container import PhotoProblem
from fitscan.photos.identity import CameraIdentity
from fitscan.photos.read import read_photo

__all__ = [
    "BoardView",
    "CalibrationRefused",
    "CalibrationResult",
    "Coverage",
    "PhotoVerdict",
    "calibrate",
    "calibrate_views",
    "view_board",
]

FEWEST_PHOTOS = 6
BREATHING_SIGMA = 0.001
"""Relative standard deviation of a photo's own focal length: autofocus and stabilisation."""

STRETCH_SIGMA = 0.003
"""Of the printed board's scale along over across; the common scale moves the board away only."""

BOW_SIGMA_MM = 0.3
"""Of the board's bow over half its size: paper on a board is that flat (common practice)."""

# Weak knowledge that keeps a lens sane where the photos say little: aspect (pixels are square),
# principal point as a share of the width, k1, k2, k3, p1, p2. Common practice, no source.
_ASPECT_SIGMA, _CENTRE_SIGMA = 0.001, 0.05
_K_SIGMA = (0.5, 0.5, 0.5, 0.01, 0.01)

_HUBER = 2.0
_GROSS_SIGMAS = 5.0
_GROSS_SHARE = 0.2
_SPOILED = 2.5
_TILT_DEG = 15.0
_ZOOMED = 6.0 * BREATHING_SIGMA


@dataclass(frozen=True, eq=False)
class BoardView:
    """A photo of the board.

    Attributes:
        name: of the photo.
        sha256: of its file.
        identity: of the camera.
        corners: found in it.
    """

    name: str
    sha256: str
    identity: CameraIdentity
    corners: BoardCorners


@dataclass(frozen=True)
class PhotoVerdict:
    """What became of one photo.

    Attributes:
        name, sha256: of the file; the latter is empty when it could not be read.
        used: whether the lens rests on it.
        reason: why not, in words.
        corners: found in it.
        dropped: corners left out because they do not fit.
        rms_px: of the distances between measured and predicted corners that were kept.
        tilt_deg: between the board's normal and the camera's axis.
    """

    name: str
    sha256: str
    used: bool
    reason: str | None
    corners: int = 0
    dropped: int = 0
    rms_px: float | None = None
    tilt_deg: float | None = None


@dataclass(frozen=True, eq=False)
class Coverage:
    """Where in the frame corners were seen.

    Attributes:
        counts: (6, 8) corners in each cell of the frame, sensor's orientation.
        radius: largest distance from the frame's middle over half its diagonal.
    """

    counts: npt.NDArray[np.intp]
    radius: float

    @property
    def share(self) -> float:
        """Cells with at least one corner."""
        return float((self.counts > 0).mean())


@dataclass(frozen=True, eq=False)
class CalibrationResult:
    """A calibrated lens.

    Attributes:
        lens: the values.
        covariance: (9, 9), marginal over poses, focal factors and the board's form, scaled by
            the a posteriori variance factor.
        identity: of the camera.
        board: what was photographed.
        rms_px: of the distances between measured and predicted corners that were kept.
        sigma_px: standard deviation of a corner's coordinate, a posteriori.
        stretch: the printed board's scale along over across, less 1.
        bow_mm: (3,), see `board_block`.
        coverage: of the frame.
        verdicts: one per photo, in the order given.
        advice: sentences on what would make the lens better known.
        image_px, residual_px: (n, 2) kept corners and what is left of them, for plots.
        photo: (n,) index into `verdicts` of each kept corner.
    """

    lens: Lens
    covariance: Array
    identity: CameraIdentity
    board: Board
    rms_px: float
    sigma_px: float
    stretch: float
    bow_mm: Array
    coverage: Coverage
    verdicts: tuple[PhotoVerdict, ...]
    advice: tuple[str, ...]
    image_px: Array
    residual_px: Array
    photo: npt.NDArray[np.intp]

    def camera_file(self) -> CameraFile:
        """The result as a camera file."""
        return CameraFile(
            made_at=now_utc(),
            tool_version=__version__,
            identity=IdentityEntry.of(self.identity),
            board=self.board.text,
            lens=LensEntry.of(self.lens),
            covariance=tuple(tuple(map(float, row)) for row in self.covariance),
            rms_px=self.rms_px,
            coverage=CoverageEntry(share=self.coverage.share, radius=self.coverage.radius),
            photos=tuple(PhotoEntry(**vars(v)) for v in self.verdicts),
        )


class CalibrationRefused(DataError):  # noqa: N818  - the photos are at fault
    """The photos do not give a lens; `verdicts` says what became of each."""

    verdicts: tuple[PhotoVerdict, ...] = ()


def view_board(path: str | os.PathLike[str], board: Board) -> BoardView:
    """Read a photo and find the board in it.

    Raises:
        PhotoProblem: the photo cannot be used, or the board is not seen well enough in it.
    """
    photo = read_photo(path)
    corners = detect_board(photo.grey, board)
    if corners is None:
        raise PhotoProblem("The board is not found in it", photo.path, "show the whole board")
    rows = {int(n) // board.grid[0] for n in corners.number}
    columns = {int(n) % board.grid[0] for n in corners.number}
    if min(len(rows), len(columns)) < min(3, *board.grid) or len(corners.number) < 9:
        raise PhotoProblem(
            f"Only {len(corners.number)} corners of the board are seen in it",
            photo.path,
            "show more of the board",
        )
    return BoardView(photo.name, photo.sha256, photo.identity, corners)


def calibrate(
    paths: Iterable[str | os.PathLike[str]],
    board: Board,
    progress: Callable[[str], None] | None = None,
) -> CalibrationResult:
    """Measure a lens from photos of a board.

    Args:
        paths: photos.
        board: what was photographed.
        progress: called with each photo's name before it is read.

    Raises:
        CalibrationRefused: too few good photos, not tilted enough, or not filling the frame.
        InputError: a file does not exist.
    """
    views: list[BoardView | PhotoVerdict] = []
    seen: dict[str, str] = {}
    for path in paths:
        name = Path(path).name
        if progress is not None:
            progress(name)
        try:
            view = view_board(path, board)
        except PhotoProblem as problem:
            views.append(PhotoVerdict(name, "", False, _lower(problem.what)))
            continue
        if view.sha256 in seen:
            reason = f"it is a copy of {seen[view.sha256]}"
            views.append(PhotoVerdict(name, view.sha256, False, reason))
            continue
        seen[view.sha256] = name
        views.append(view)
    return calibrate_views(views, board)


def calibrate_views(views: Sequence[BoardView | PhotoVerdict], board: Board) -> CalibrationResult:
    """The same from corners found before; verdicts among the views pass through.

    Raises:
        CalibrationRefused: see `calibrate`.
    """
    verdicts = {i: v for i, v in enumerate(views) if isinstance(v, PhotoVerdict)}
    found = {i: v for i, v in enumerate(views) if isinstance(v, BoardView)}
    if found:
        numbers = list(found)
        main, foreign = main_camera([found[i].identity for i in numbers])
        identity = found[numbers[main]].identity
        for place, reason in foreign.items():
            i = numbers[place]
            verdicts[i] = _refusal(found.pop(i), reason)
    _need_photos(found, verdicts)
    judge = _Judge(found, identity, board)
    fit = judge.run()
    verdicts.update(judge.verdicts(fit))
    listed = tuple(verdicts[i] for i in sorted(verdicts))
    return _result(judge, fit, listed)


@dataclass(frozen=True, eq=False)
class _Fit:
    """An adjustment over the photos still in use.

    Attributes:
        photos: their indices among the views.
        owner: (n,) place in `photos` of each kept corner; object_mm, image_px: of the corner.
        residual_px: (n, 2).
        solution, covariance: of the adjustment.
        sigma_px: a posteriori.
    """

    photos: tuple[int, ...]
    owner: npt.NDArray[np.intp]
    image_px: Array
    residual_px: Array
    solution: Solution
    covariance: Covariance
    sigma_px: float

    def rms(self, place: int, *, robust: bool) -> float:
        """Of a photo's distances; robust: the value that belongs to their median.

        For normal errors the square of a distance over 2 sigma^2 is exponential, with median
        ln 2 and mean 1.
        """
        square = (self.residual_px[self.owner == place] ** 2).sum(axis=1)
        return float(np.sqrt(np.median(square) / np.log(2.0) if robust else square.mean()))

    def rotation(self, place: int) -> Array:
        """cam_from_board (3, 3) of a photo."""
        return np.asarray(self.solution.values["photo"][place, :9].reshape(3, 3))

    def tilt_deg(self, place: int) -> float:
        """Between a photo's axis and the board's normal."""
        return float(np.degrees(np.arccos(np.clip(abs(self.rotation(place)[2, 2]), 0.0, 1.0))))


class _Judge:
    """Solves, leaves out what does not fit, worst first, and solves again."""

    def __init__(self, views: dict[int, BoardView], identity: CameraIdentity, board: Board) -> None:
        self.identity, self.board = identity, board
        self.views = dict(views)
        self.keep = {i: np.ones(len(v.corners.number), dtype=bool) for i, v in views.items()}
        self.out: dict[int, PhotoVerdict] = {}
        half = 0.5 * board.square_mm * (np.array(board.grid) - 1.0)
        self.half_mm = half
        self.centre_mm = board.points_mm[0, :2] + half
        self.values = self._start()

    def run(self) -> _Fit:
        """Fit until nothing is left out any more."""
        sigma = 0.3
        while True:
            fit = self._fit(sigma)
            sigma = fit.sigma_px
            if not self._leave_out(fit):
                return fit
            _need_photos(self.views, self.out)

    def verdicts(self, fit: _Fit) -> dict[int, PhotoVerdict]:
        """On every view."""
        out = dict(self.out)
        for place, i in enumerate(fit.photos):
            view, keep = self.views[i], self.keep[i]
            out[i] = PhotoVerdict(
                view.name,
                view.sha256,
                True,
                None,
                len(keep),
                int((~keep).sum()),
                fit.rms(place, robust=False),
                fit.tilt_deg(place),
            )
        return out

    def _start(self) -> dict[str, Array]:
        """Start values: OpenCV's own calibration without the finer distortion."""
        import cv2

        width, height = self.identity.width_px, self.identity.height_px
        f = float(max(width, height))
        if self.identity.focal_35mm is not None:
            f = self.identity.focal_35mm * float(np.hypot(width, height)) / FILM_DIAGONAL_MM
        camera = np.array([[f, 0, 0.5 * (width - 1)], [0, f, 0.5 * (height - 1)], [0, 0, 1.0]])
        flags = cv2.CALIB_ZERO_TANGENT_DIST | cv2.CALIB_FIX_K2 | cv2.CALIB_FIX_K3
        flags |= cv2.CALIB_FIX_ASPECT_RATIO | cv2.CALIB_FIX_PRINCIPAL_POINT
        if self.identity.focal_35mm is not None:
            flags |= cv2.CALIB_USE_INTRINSIC_GUESS
        objects = [v.corners.object_mm.astype(np.float32) for v in self.views.values()]
        images = [v.corners.image_px.astype(np.float32) for v in self.views.values()]
        try:
            _, camera, k, turns, shifts = cv2.calibrateCamera(
                objects, images, (width, height), camera, np.zeros(5), flags=flags
            )
        except cv2.error:
            raise _flat_photos(()) from None
        rows = []
        for turn, shift in zip(turns, shifts, strict=True):
            rotation = np.asarray(cv2.Rodrigues(turn)[0], dtype=np.float64)
            rows.append(pack_photo(rotation, np.ravel(shift) + rotation[:, :2] @ self.centre_mm))
        f, k1 = float(camera[0, 0]), float(np.ravel(k)[0])
        lens = np.array([f, 1.0, camera[0, 2], camera[1, 2], k1, 0.0, 0.0, 0.0, 0.0])
        if not (np.all(np.isfinite(lens)) and 0.1 * width < f < 50.0 * width):
            raise _flat_photos(())
        return {"lens": lens[None], "board": np.zeros((1, BOARD_SIZE)), "photo": np.array(rows)}

    def _fit(self, sigma: float) -> _Fit:
        """Solve, and scale the corners' standard deviation until it explains the residuals."""
        photos = tuple(self.views)
        kept = [np.flatnonzero(self.keep[i]) for i in photos]
        corners = [self.views[i].corners for i in photos]
        owner = np.repeat(np.arange(len(photos)), [len(k) for k in kept])
        image = np.concatenate([c.image_px[k] for c, k in zip(corners, kept, strict=True)])
        nominal = np.concatenate([c.object_mm[k] for c, k in zip(corners, kept, strict=True)])
        for _ in range(8):
            block = BoardBlock(owner, nominal, self.centre_mm, self.half_mm, image, sigma, _HUBER)
            try:
                solution = solve(self._groups(), (block, *self._priors()), _OPTIONS)
                covariance = covariance_of(solution)
            except DataError:
                raise _flat_photos(()) from None
            self.values = dict(solution.values)
            redundancy = float(block_test(covariance, 0).redundancy.sum())
            square = float((solution.weights[0] * (solution.linears[0].residual ** 2).sum(1)).sum())
            # A floor, so that a simulation without noise ends too.
            fresh = max(sigma * float(np.sqrt(square / max(redundancy, 1.0))), 1e-4)
            settled = abs(fresh / sigma - 1.0) < 0.01
            residual = solution.linears[0].residual * sigma
            if settled:
                break
            sigma = fresh
        return _Fit(photos, owner, image, residual, solution, covariance, sigma)

    def _groups(self) -> tuple[Group, ...]:
        v = self.values
        return (
            Group("lens", v["lens"], 9),
            Group("board", v["board"], BOARD_SIZE),
            Group("photo", v["photo"], 7, step_photos),
        )

    def _priors(self) -> tuple[PriorBlock, PriorBlock, FactorPrior]:
        width, height = self.identity.width_px, self.identity.height_px
        centre = _CENTRE_SIGMA * max(width, height)
        mean = np.array([[0.0, 1.0, 0.5 * (width - 1), 0.5 * (height - 1), *[0.0] * 5]])
        sigma = np.array([np.inf, _ASPECT_SIGMA, centre, centre, *_K_SIGMA])
        board = np.array([STRETCH_SIGMA, *[BOW_SIGMA_MM] * (BOARD_SIZE - 1)])
        return (
            PriorBlock.independent("lens", "lens", mean, sigma),
            PriorBlock.independent("board", "board", np.zeros((1, BOARD_SIZE)), board),
            FactorPrior(len(self.views), BREATHING_SIGMA),
        )

    def _leave_out(self, fit: _Fit) -> bool:
        """Leave out the worst photo, or else single corners; False when all is well."""
        statistic = block_test(fit.covariance, 0).statistic
        gross = statistic > _GROSS_SIGMAS**2
        reasons: dict[int, tuple[float, str]] = {}
        rms = np.array([fit.rms(p, robust=True) for p in range(len(fit.photos))])
        for place in range(len(fit.photos)):
            usual = max(float(np.median(np.delete(rms, place))), 0.02)
            bad = float(gross[fit.owner == place].mean())
            factor = float(fit.solution.values["photo"][place, 12])
            if rms[place] > _SPOILED * usual or bad > _GROSS_SHARE:
                reasons[place] = (
                    rms[place] / usual,
                    f"it does not fit the others: its corners miss by {rms[place]:.2g} px, "
                    f"theirs by {usual:.2g} px (blurred, moving, or the board bent)",
                )
            elif abs(factor) > _ZOOMED:
                reasons[place] = (
                    abs(factor) / _ZOOMED,
                    f"its focal length differs from the others' by {100 * factor:+.1f} % "
                    "(zoomed, or focused much nearer or farther)",
                )
        if reasons:
            worst = max(reasons, key=lambda p: reasons[p][0])
            self._drop_photo(fit.photos[worst], worst, reasons[worst][1])
            return True
        for place in np.unique(fit.owner[gross]):
            keep = self.keep[fit.photos[place]]
            keep[np.flatnonzero(keep)[gross[fit.owner == place]]] = False
        return bool(gross.any())

    def _drop_photo(self, index: int, place: int, reason: str) -> None:
        self.out[index] = _refusal(self.views.pop(index), reason)
        self.values["photo"] = np.delete(self.values["photo"], place, axis=0)


_OPTIONS = Options(eliminate="photo")


def _result(judge: _Judge, fit: _Fit, verdicts: tuple[PhotoVerdict, ...]) -> CalibrationResult:
    identity = judge.identity
    values = fit.solution.values
    lens = Lens(values["lens"][0].copy(), identity.width_px, identity.height_px)
    covariance = fit.covariance.of("lens")
    coverage = _coverage(fit.image_px, identity)
    tilts = [fit.tilt_deg(p) for p in range(len(fit.photos))]
    tilted = sum(t >= _TILT_DEG for t in tilts)
    if tilted < 3 or np.sqrt(covariance[0, 0]) > 0.01 * lens.values[0]:
        raise _flat_photos(verdicts)
    if coverage.radius < 0.5 or coverage.share < 0.25:
        raise _refused(
            f"The board was seen in {100 * coverage.share:.0f} % of the frame and reached only "
            f"{100 * coverage.radius:.0f} % of the way into its corners",
            "add photos in which it reaches into each corner of the frame",
            verdicts,
        )
    return CalibrationResult(
        lens,
        covariance,
        identity,
        judge.board,
        float(np.sqrt((fit.residual_px**2).sum(axis=1).mean())),
        fit.sigma_px,
        float(np.expm1(values["board"][0, 0])),
        values["board"][0, 1:].copy(),
        coverage,
        verdicts,
        _advice(fit, coverage),
        fit.image_px,
        fit.residual_px,
        np.array(fit.photos, dtype=np.intp)[fit.owner],
    )


def _coverage(image_px: Array, identity: CameraIdentity) -> Coverage:
    width, height = identity.width_px, identity.height_px
    cells = np.floor((image_px + 0.5) / [width, height] * [8, 6]).astype(int)
    counts = np.zeros((6, 8), dtype=np.intp)
    np.add.at(counts, (np.clip(cells[:, 1], 0, 5), np.clip(cells[:, 0], 0, 7)), 1)
    away = image_px - [0.5 * (width - 1), 0.5 * (height - 1)]
    radius = float(np.linalg.norm(away, axis=1).max() / (0.5 * np.hypot(width, height)))
    return Coverage(counts, min(radius, 1.0))


def _advice(fit: _Fit, coverage: Coverage) -> tuple[str, ...]:
    """What would make the lens better known, though it is good enough to go on."""
    out = []
    empty = [
        name
        for name, corner in (
            ("upper left", coverage.counts[:2, :2]),
            ("upper right", coverage.counts[:2, -2:]),
            ("lower left", coverage.counts[-2:, :2]),
            ("lower right", coverage.counts[-2:, -2:]),
        )
        if not corner.any()
    ]
    if empty:
        out.append(
            f"No photo shows the board in the {' and '.join(empty)} of the frame "
            "(phone held across): add one for each."
        )
    rolls = [
        np.arctan2(fit.rotation(p)[1, 0], fit.rotation(p)[0, 0]) for p in range(len(fit.photos))
    ]
    # Quarter turns apart, directions doubled point in opposite directions.
    doubled = np.exp(2j * np.array(rolls))
    if abs(doubled.mean()) > 0.9:
        out.append(
            "The board always stands the same way up in the frame: turn the phone by 90 degrees "
            "for some photos, so that the print's stretch is not taken for the lens's."
        )
    return tuple(out)


def _need_photos(views: dict[int, BoardView], out: dict[int, PhotoVerdict]) -> None:
    if len(views) >= FEWEST_PHOTOS:
        return
    verdicts = tuple(out[i] for i in sorted(out))
    todo = "take 12 or more sharp photos of the flat board, tilted and filling the frame"
    if not views:
        what = f"No photo shows the board well, and {FEWEST_PHOTOS} are needed"
        todo = f"compare --board with the words on the board's sheet, and {todo}"
        raise _refused(what, todo, verdicts)
    total = len(views) + len(out)
    what = f"Only {len(views)} of {total} photos show the board well"
    raise _refused(f"{what}, and {FEWEST_PHOTOS} are needed", todo, verdicts)


def _flat_photos(verdicts: tuple[PhotoVerdict, ...]) -> CalibrationRefused:
    return _refused(
        "The board is seen too squarely to tell the focal length from the distance",
        "add photos with the board tilted by 30 to 45 degrees: left, right, away and towards you",
        verdicts,
    )


def _refused(what: str, todo: str, verdicts: tuple[PhotoVerdict, ...]) -> CalibrationRefused:
    bad = [f"{v.name}: {v.reason}" for v in verdicts if not v.used]
    where = "; ".join(bad[:3]) + (f"; and {len(bad) - 3} more" if len(bad) > 3 else "")
    error = CalibrationRefused(what, where or "photos of the board", todo)
    error.verdicts = verdicts
    return error


def _refusal(view: BoardView, reason: str) -> PhotoVerdict:
    return PhotoVerdict(view.name, view.sha256, False, reason, len(view.corners.number))


def _lower(text: str) -> str:
    return text[:1].lower() + text[1:]
