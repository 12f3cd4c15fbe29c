"""Views of a board to a lens: the model and its terms by held-back views, uncertainties by left-out views.

Each candidate (pinhole; Brown with 1 to 3 radial terms, tangential ones or not; fisheye with 1, 2 or 4 terms)
is fitted by OpenCV (after Z. Zhang, "A flexible new technique for camera calibration", 2000) to all but a
group of views and judged on that group, where only the board's place is fitted (:mod:`horizon.candidates`).
Uncertainties are of the jackknife: the chosen candidate without each view in turn (B. Efron, "The jackknife,
the bootstrap and other resampling plans", 1982), which also counts what all corners of a view have in common,
as a bent board or a blurred frame, and what a covariance of single corners leaves out.
"""

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from .board import HOW_TO_MOVE, LEAST_VIEWS, BoardError, BoardView
from .candidates import Candidate, Tried, field_of_view_deg, simplest_good, whole
from .lens import Lens, pixels, rays

__all__ = ["CANDIDATES", "Calibration", "Seen", "calibrate"]

Array = NDArray[np.float64]

GROUPS = 6
STEPS = 12  # three or four are needed
HOPELESS = 2.0  # error on the views that a candidate was fitted to, as a multiple of the best one's
STOP = (cv2.TERM_CRITERIA_EPS | cv2.TERM_CRITERIA_MAX_ITER, 60, 1e-8)
WRONG_VIEW = 3.0  # of a view's error, as a multiple of the median: a grid that is not the board's
TILTED_DEG, LEAST_TILTED = 10.0, 3
MOST_FOCAL_SD = 0.02  # what a stated field of view is taken to be good to: a calibration must be better
# OpenCV 5 gives the flags of both models one home.
FLAGS = cv2.fisheye if hasattr(cv2.fisheye, "CALIB_FIX_SKEW") else cv2


class _NoFitError(ValueError):
    """A candidate that these views do not fit."""


CANDIDATES = (
    Candidate("pinhole", 0),
    Candidate("brown", 1),
    Candidate("brown", 2),
    Candidate("brown", 3),
    Candidate("brown", 1, tangential=True),
    Candidate("brown", 2, tangential=True),
    Candidate("brown", 3, tangential=True),
    Candidate("fisheye", 1),
    Candidate("fisheye", 2),
    Candidate("fisheye", 4),
)


@dataclass(frozen=True)
class Seen:
    """One view through the chosen lens.

    residuals_px : seen minus computed, (n, 2). tilt_deg : of the board against the line of sight to its
    middle, 0 when seen square on.
    """

    view: BoardView
    residuals_px: Array
    tilt_deg: float


@dataclass(frozen=True)
class Calibration:
    """A lens and how well it is known.

    candidate : model and terms chosen. hfov_deg, hfov_sd_deg : across the stored width. sds : of fx_px,
    fy_px, cx_px, cy_px, then of the distortion. held_back_px, fitted_px : rms over corners, of views held
    back and of all. tried : all candidates that fitted, best first. wrong : views left out as no fit of the
    board.
    """

    lens: Lens
    candidate: Candidate
    hfov_deg: float
    hfov_sd_deg: float
    sds: tuple[float, ...]
    held_back_px: float
    fitted_px: float
    tried: tuple[Tried, ...]
    seen: tuple[Seen, ...]
    wrong: int


def calibrate(
    views: Sequence[BoardView],
    size_px: tuple[int, int],
    name: str,
    *,
    progress: Callable[[float], None] | None = None,
) -> Calibration:
    """Lens of a picture of ``size_px`` (width, height) from views that differ, most different ones first.

    name : of the clip, for what is said of it. progress : is told the share that is done.

    Raises
    ------
    BoardError
        No model fits, or the views leave the focal length open: too few, or tilted too little.
    """
    kept = _without_wrong(views, size_px, name)
    _refuse_untilted(kept, size_px, name)
    errors = _held_back(kept, size_px, progress)
    if not errors:
        raise BoardError(f"{name}: no lens model fits the board's corners; is it flat? {HOW_TO_MOVE}")
    chosen = simplest_good(errors)
    corners = np.array([len(one.corners_px) for one in kept])
    tried = [Tried(one, _rms(squares, corners)) for one, squares in errors.items()]
    lens = _fitted(kept, size_px, chosen)
    values, spread = _jackknife(kept, size_px, chosen, lens)
    seen = tuple(_seen(lens, one) for one in kept)
    focal_sd = float(max(spread[0] / values[0], spread[1] / values[1]))
    if not focal_sd <= MOST_FOCAL_SD:
        raise BoardError(
            f"{name}: the {len(kept)} views do not tell the focal length to {100 * MOST_FOCAL_SD:.0f} % "
            f"(sd); {HOW_TO_MOVE}"
        )
    return Calibration(
        replace(lens, focal_sd=focal_sd),
        chosen,
        field_of_view_deg(lens),
        float(spread[-1]),
        tuple(float(sd) for sd in spread[:-1]),
        _rms(errors[chosen], corners),
        math.sqrt(float(np.mean(np.sum(np.vstack([one.residuals_px for one in seen]) ** 2, axis=1)))),
        tuple(sorted(tried, key=lambda one: one.held_back_px)),
        seen,
        len(views) - len(kept),
    )


def _rms(mean_squares: Array, corners: NDArray[np.int64]) -> float:
    return math.sqrt(float(np.average(mean_squares, weights=corners)))


def _without_wrong(views: Sequence[BoardView], size_px: tuple[int, int], name: str) -> list[BoardView]:
    """The views without those that no rich model fits: grids that were not on the board."""
    kept = list(views)
    for _ in range(3):
        best: Array | None = None
        for candidate in (CANDIDATES[6], CANDIDATES[-1]):
            try:
                lens = _fitted(kept, size_px, candidate)
            except _NoFitError:
                continue
            squares = _mean_squares(lens, kept)
            if best is None or np.median(squares) < np.median(best):
                best = squares
        if best is None:
            return kept
        right = np.sqrt(best) <= WRONG_VIEW * math.sqrt(float(np.median(best)))
        if right.all():
            return kept
        kept = [one for one, good in zip(kept, right, strict=True) if good]
        if len(kept) < LEAST_VIEWS:
            raise BoardError(
                f"{name}: only {len(kept)} views of the board agree with one another, and {LEAST_VIEWS} are "
                f"needed; use a flat board, and {HOW_TO_MOVE}"
            )
    return kept


def _refuse_untilted(views: Sequence[BoardView], size_px: tuple[int, int], name: str) -> None:
    """Boards seen square on fit any focal length: size and distance stand for each other."""
    for candidate in (CANDIDATES[6], CANDIDATES[-1], CANDIDATES[1]):
        try:
            lens = _fitted(views, size_px, candidate)
        except _NoFitError:
            continue
        tilted = sum(_seen(lens, one).tilt_deg >= TILTED_DEG for one in views)
        if tilted < LEAST_TILTED:
            raise BoardError(
                f"{name}: the board is tilted by {TILTED_DEG:.0f} deg or more in {tilted} of {len(views)} "
                f"views, too few to tell the focal length; {HOW_TO_MOVE}"
            )
        return


def _held_back(
    views: Sequence[BoardView], size_px: tuple[int, int], progress: Callable[[float], None] | None
) -> dict[Candidate, Array]:
    """Mean square error, px^2, of each view while it was held back, of the candidates that always fitted.

    A candidate that is hopeless on the views it was fitted to is not tried on others.
    """
    starts = {}
    for candidate in CANDIDATES:
        with suppress(_NoFitError):
            lens = _fitted(views, size_px, candidate)
            starts[candidate] = lens, float(_mean_squares(lens, views).mean())
    least = min((square for _, square in starts.values()), default=0.0)
    groups = np.arange(len(views)) % GROUPS
    errors = {}
    for number, (candidate, (start, square)) in enumerate(starts.items()):
        squares = np.empty(len(views))
        with suppress(_NoFitError):
            if square > HOPELESS**2 * least:
                raise _NoFitError
            for group in range(GROUPS):
                taught = [one for one, g in zip(views, groups, strict=True) if g != group]
                held = [one for one, g in zip(views, groups, strict=True) if g == group]
                squares[groups == group] = _mean_squares(_fitted(taught, size_px, candidate, start), held)
            errors[candidate] = squares
        if progress is not None:
            progress((number + 1) / (len(starts) + 1))
    return errors


def _jackknife(
    views: Sequence[BoardView], size_px: tuple[int, int], candidate: Candidate, lens: Lens
) -> tuple[Array, Array]:
    """Values of the lens and their standard uncertainties; the field of view stands last."""
    without = []
    for k in range(len(views)):
        try:
            without.append(_values(_fitted([*views[:k], *views[k + 1 :]], size_px, candidate, lens)))
        except _NoFitError:
            # A fit that hangs on one view is known to nothing.
            return _values(lens), np.full(len(_values(lens)), np.inf)
    left = np.array(without)
    return _values(lens), np.sqrt((len(left) - 1) * left.var(axis=0))


def _values(lens: Lens) -> Array:
    return np.array(
        [lens.fx_px, lens.fy_px, lens.cx_px, lens.cy_px, *lens.distortion, field_of_view_deg(lens)]
    )


def _fitted(
    views: Sequence[BoardView], size_px: tuple[int, int], candidate: Candidate, start: Lens | None = None
) -> Lens:
    """The candidate's lens that fits the views best. start : a lens near it, which saves time."""
    try:
        if candidate.model == "fisheye":
            lens = _fisheye(views, size_px, candidate, start)
        else:
            lens = _brown(views, size_px, candidate, start)
    except (cv2.error, ValueError):
        raise _NoFitError from None
    if not whole(lens):
        raise _NoFitError
    return lens


def _brown(
    views: Sequence[BoardView], size_px: tuple[int, int], candidate: Candidate, start: Lens | None
) -> Lens:
    points, corners = ([np.float32(x) for x in part] for part in _parts(views))
    flags = 0 if candidate.tangential else cv2.CALIB_ZERO_TANGENT_DIST
    for k, flag in enumerate((cv2.CALIB_FIX_K1, cv2.CALIB_FIX_K2, cv2.CALIB_FIX_K3)):
        flags |= flag if k >= candidate.radial else 0
    matrix, distortion = np.eye(3), np.zeros(5)
    if start is not None:
        flags |= cv2.CALIB_USE_INTRINSIC_GUESS
        matrix, distortion = start.matrix, np.array([*start.distortion, *([0.0] * 5)])[:5]
    _, matrix, distortion, _, _ = cv2.calibrateCamera(
        points, corners, size_px, matrix, distortion, flags=flags, criteria=STOP
    )
    free = tuple(float(k) for k in np.ravel(distortion)[:5])
    return _lens(size_px, matrix, candidate, () if candidate.model == "pinhole" else free)


def _fisheye(
    views: Sequence[BoardView], size_px: tuple[int, int], candidate: Candidate, start: Lens | None
) -> Lens:
    points, corners = ([x[None] for x in part] for part in _parts(views))
    flags = FLAGS.CALIB_FIX_SKEW | FLAGS.CALIB_RECOMPUTE_EXTRINSIC
    for k, flag in enumerate(
        (FLAGS.CALIB_FIX_K1, FLAGS.CALIB_FIX_K2, FLAGS.CALIB_FIX_K3, FLAGS.CALIB_FIX_K4)
    ):
        flags |= flag if k >= candidate.radial else 0
    matrix, distortion = np.eye(3), np.zeros(4)
    if start is not None:
        flags |= FLAGS.CALIB_USE_INTRINSIC_GUESS
        matrix, distortion = start.matrix, np.array(start.distortion)
    _, matrix, distortion, _, _ = cv2.fisheye.calibrate(
        points, corners, size_px, matrix, distortion, flags=flags, criteria=STOP
    )
    return _lens(size_px, matrix, candidate, tuple(float(k) for k in np.ravel(distortion)))


def _parts(views: Sequence[BoardView]) -> tuple[list[Array], list[Array]]:
    return [one.points for one in views], [one.corners_px for one in views]


def _lens(
    size_px: tuple[int, int], matrix: Array, candidate: Candidate, distortion: tuple[float, ...]
) -> Lens:
    fx, fy, cx, cy = (float(matrix[k]) for k in ((0, 0), (1, 1), (0, 2), (1, 2)))
    return Lens(*size_px, fx, fy, cx, cy, candidate.model, distortion)


def _mean_squares(lens: Lens, views: Sequence[BoardView]) -> Array:
    """Mean over each view's corners of the squared distance on the picture, px^2, the board put best."""
    return np.array([np.mean(np.sum(_seen(lens, one).residuals_px ** 2, axis=1)) for one in views])


def _seen(lens: Lens, view: BoardView) -> Seen:
    """The board put where its corners fit best through this lens."""
    points, ray = view.points, rays(lens, view.corners_px)
    ahead = ray[:, 2] > 0.1
    if np.count_nonzero(ahead) < 6:
        raise _NoFitError
    flat = ray[ahead, :2] / ray[ahead, 2:]
    found, turn, place = cv2.solvePnP(
        points[ahead], np.ascontiguousarray(flat), np.eye(3), None, flags=cv2.SOLVEPNP_IPPE
    )
    if not found:
        raise _NoFitError

    pose, residuals_px = _put_best(lens, view, np.concatenate([turn.ravel(), place.ravel()]))
    rotation = Rotation.from_rotvec(pose[:3])
    middle = rotation.apply(points.mean(axis=0)) + pose[3:]
    square_on = abs(float(rotation.apply([0.0, 0.0, 1.0]) @ middle)) / float(np.linalg.norm(middle))
    return Seen(view, residuals_px, math.degrees(math.acos(min(1.0, square_on))))


def _put_best(lens: Lens, view: BoardView, pose: Array) -> tuple[Array, Array]:
    """Gauss and Newton's steps to the best pose (rotation vector and place); with residuals (n, 2), px."""
    step = 1e-6
    tried = np.vstack([np.zeros(6), step * np.eye(6)])
    for _ in range(STEPS):
        turns = Rotation.from_rotvec((pose + tried)[:, :3]).as_matrix()
        at_cam = view.points @ turns.transpose(0, 2, 1) + (pose + tried)[:, None, 3:]
        # Beyond what the lens can see a corner is off by the picture's width.
        off = view.corners_px - pixels(lens, at_cam).reshape(7, -1, 2)
        off = np.nan_to_num(off, nan=float(lens.width_px)).reshape(7, -1)
        move = np.linalg.lstsq((off[1:] - off[0]).T / step, -off[0], rcond=None)[0]
        if not np.isfinite(move).all() or np.abs(move).max() < 1e-7:
            break
        pose = pose + move
    return pose, np.asarray(off[0].reshape(-1, 2))
