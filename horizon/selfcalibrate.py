"""Horizons at several heights in the picture to a lens, without a board.

The true horizon is straight in ray space, r . up = -sin(dip), at every height and tilt: a lens model with wrong
terms of distortion leaves it bent. How far a line moves in the picture while the camera pitches by an angle
that a log tells gives the focal length; only changes within a window of some seconds count, so that neither
the log's drift nor how the camera sits on its sensor enters, and the log's scale is taken to be right.

All horizons' up vectors and the lens are fitted together by least squares (self-calibration of a bundle, after
D. C. Brown, "Close-range camera calibration", 1971, with straight lines in place of points) with a soft loss
(scipy's ``soft_l1``). Points of one line hang together (waves, terrain, compression), so that a line counts
for twenty of them. Which terms are free is told by held-back horizons (:mod:`horizon.candidates`).
Uncertainties: the larger of the least-squares covariance and the jackknife over blocks of neighbouring
horizons (B. Efron, 1982), value by value; to the focal length's the log's scale is added.
"""

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares
from scipy.stats import t as students_t

from .angles import angles_from_up, tangent_frame
from .candidates import Candidate, Tried, field_of_view_deg, simplest_good
from .lens import Lens, rays

__all__ = ["FOOTAGE_CANDIDATES", "HOW_TO_TILT", "FootageError", "FootageLens", "SeenHorizon"]
__all__ += ["as_model", "lens_from_horizons", "rough_lens", "straight_points"]

Array = NDArray[np.float64]

FOOTAGE_CANDIDATES = (
    Candidate("pinhole", 0),
    Candidate("brown", 1),
    Candidate("brown", 2),
    Candidate("fisheye", 1),
    Candidate("fisheye", 2),
)
FEWEST_LINES = 12
FOLDS, BLOCKS = 4, 12
COUNTS_FOR = 20.0  # points that a line counts for
START_PX, LEAST_PX = 0.5, 0.1
START_PITCH_RAD, LEAST_PITCH_RAD = math.radians(0.1), math.radians(0.02)
# Where the axis meets the picture, as a share of its width; a camera turned sideways on its sensor, rad; and
# terms of distortion: sds before anything is seen.
CENTRE_SD, ROLLED_SD_RAD, TERM_SD = 0.008, math.radians(1.0), 0.5
LOG_SCALE_SD = 0.002
MOST_FOCAL_SD = 0.02  # what a stated field of view is taken to be good to: a measured one must be better
FAR_PX = 3.0  # off the line, where a held-back point counts no more
NUDGE_PX = 0.25
HOPELESS = 2.0
LEAST_SPREAD = 0.1  # of the field of view, from the lowest line to the highest
HOW_TO_TILT = (
    "film the open horizon for a minute while the camera tilts slowly up and down, so that the line wanders from "
    "a third of the picture above its middle to a third below, once level and once rolled by 15 deg"
)


class FootageError(ValueError):
    """Footage that gives no lens: what is wrong, and the shot to film."""


class _NoFitError(ValueError):
    """A candidate that these horizons do not fit."""


@dataclass(frozen=True)
class SeenHorizon:
    """One horizon. points_px : (n, 2), edge points on it. up_cam : (3,), roughly.

    pitch_rad : the log's, NaN where it has none; pitch_sd_rad : of it beside an unknown that all horizons of
    one ``window`` share.
    """

    points_px: Array
    up_cam: Array
    dip_rad: float = 0.0
    pitch_rad: float = math.nan
    pitch_sd_rad: float = START_PITCH_RAD
    window: int = 0


@dataclass(frozen=True)
class FootageLens:
    """A lens and how well it is known.

    sds : of fx_px, cx_px, cy_px, then of the free terms. half_width : factor from an sd to the 95 % interval.
    hfov_deg, hfov_sd_deg : across the stored width. rms_px : of all points across their lines, held_back_px
    : of lines held back. tried : all candidates that fitted, best first. residuals_px : (all points, 2), of
    ``points_px``. heights_deg : lowest and highest line, where it crosses the picture's middle column. logged :
    lines with a logged pitch whose window tells something.
    """

    lens: Lens
    candidate: Candidate
    sds: tuple[float, ...]
    half_width: float
    hfov_deg: float
    hfov_sd_deg: float
    rms_px: float
    held_back_px: float
    tried: tuple[Tried, ...]
    points_px: Array
    residuals_px: Array
    heights_deg: tuple[float, float]
    lines: int
    logged: int


@dataclass(frozen=True)
class _Bundle:
    """Horizons made ready. ``of``: line of each point. ``start``: lens whose field of view was told."""

    points: Array
    of: NDArray[np.intp]
    ups: Array
    sin_dips: Array
    pitches: Array
    pitch_sds: Array
    windows: NDArray[np.intp]
    weights: Array
    start: Lens
    focal_sd: float

    @property
    def lines(self) -> int:
        return len(self.ups)


@dataclass(frozen=True)
class _Fit:
    lens: Lens
    ups: Array
    values: Array
    covariance: Array
    x: Array


def lens_from_horizons(
    seen: Sequence[SeenHorizon],
    start: Lens,
    focal_sd: float,
    name: str,
    *,
    progress: Callable[[float], None] | None = None,
) -> FootageLens:
    """Lens of the picture in which these horizons lie, in order of time.

    start : lens for the field of view that was told, good to ``focal_sd``, sd as a share of the focal length.
    name : of the footage, for what is said of it. progress : is told the share that is done.

    Raises
    ------
    FootageError
        Too few horizons, no model fits, or they leave the focal length open.
    """
    if len(seen) < FEWEST_LINES:
        raise FootageError(
            f"{name}: {len(seen)} horizons at different heights and tilts, and {FEWEST_LINES} are needed; "
            f"{HOW_TO_TILT}"
        )
    bundle = _bundle(seen, start, focal_sd)
    try:
        fits, errors = _chosen(bundle, progress)
    except _NoFitError:
        raise FootageError(
            f"{name}: no lens model makes these lines straight; is it the open horizon? {HOW_TO_TILT}"
        ) from None
    chosen = simplest_good(errors)
    weighed, fit = _settled(bundle, chosen, fits[chosen])
    heights = np.degrees(_heights_rad(fit.lens, fit.ups))
    spread = float(np.ptp(heights)) / float(fit.values[-1])
    if spread < LEAST_SPREAD:
        raise FootageError(
            f"{name}: the horizon stays within {np.ptp(heights):.1f} deg of height, and {LEAST_SPREAD:g} of the field "
            f"of view is needed, {LEAST_SPREAD * fit.values[-1]:.0f} deg; {HOW_TO_TILT}"
        )
    sds, hfov_sd_deg = _uncertainty(weighed, chosen, fit)
    logged = int(np.isfinite(_of_window(weighed, weighed.pitches)).sum())
    if logged:
        sds[0] = math.hypot(sds[0], LOG_SCALE_SD * fit.lens.fx_px)
        hfov_sd_deg = math.hypot(
            hfov_sd_deg, LOG_SCALE_SD * math.degrees(math.sin(math.radians(fit.values[-1])))
        )
    share = sds[0] / fit.lens.fx_px
    if not share <= 1.02 * MOST_FOCAL_SD:
        why = "" if logged else " without the log's pitch"
        raise FootageError(
            f"{name}: {len(seen)} horizons{why} do not tell the focal length to {100 * MOST_FOCAL_SD:.0f} % (sd), "
            f"which a stated field of view is good to; {HOW_TO_TILT}"
        )
    left = _off_px(fit.lens, weighed, fit.ups)
    normals = _normals(fit.lens, weighed, fit.ups)
    return FootageLens(
        replace(fit.lens, focal_sd=float(share)),
        chosen,
        tuple(float(sd) for sd in sds),
        float(students_t.ppf(0.975, min(BLOCKS, bundle.lines) - 1)),
        float(fit.values[-1]),
        hfov_sd_deg,
        float(np.sqrt(np.mean(np.minimum(left**2, FAR_PX**2)))),
        math.sqrt(float(errors[chosen].mean())),
        tuple(
            sorted(
                (Tried(one, math.sqrt(float(e.mean()))) for one, e in errors.items()),
                key=lambda t: t.held_back_px,
            )
        ),
        weighed.points,
        left[:, None] * normals,
        (float(heights.min()), float(heights.max())),
        bundle.lines,
        logged,
    )


def rough_lens(seen: Sequence[SeenHorizon], start: Lens, focal_sd: float) -> Lens | None:
    """The lens that makes most of these lines straight, without its uncertainty; None where none does.

    Arguments as of :func:`lens_from_horizons`.
    """
    if len(seen) < FEWEST_LINES:
        return None
    with suppress(_NoFitError):
        fits, errors = _chosen(_bundle(seen, start, focal_sd), None)
        return fits[simplest_good(errors)].lens
    return None


def straight_points(seen: Sequence[SeenHorizon], lens: Lens, within_px: float) -> int:
    """How many points of these horizons lie within so much of straight lines through this lens."""
    if not seen:
        return 0
    bundle = _bundle(seen, lens, MOST_FOCAL_SD)
    if not _reaches(lens, bundle.points):
        return 0
    ups = _put_best(lens, bundle)
    return int(np.count_nonzero(np.abs(_off_px(lens, bundle, ups)) <= within_px))


def _chosen(
    bundle: _Bundle, progress: Callable[[float], None] | None
) -> tuple[dict[Candidate, _Fit], dict[Candidate, Array]]:
    """All candidates that fit, and the errors of lines held back of those that may be taken."""
    fits: dict[Candidate, _Fit] = {}
    for candidate in FOOTAGE_CANDIDATES:
        with suppress(_NoFitError):
            fewer = fits.get(replace(candidate, radial=candidate.radial - 1))
            fits[candidate] = _settled(bundle, candidate, fewer)[1]
    errors = _held_back(bundle, fits, progress) if fits else {}
    if not errors:
        raise _NoFitError
    return fits, errors


def as_model(lens: Lens, model: str) -> Lens:
    """A lens without distortion of this model that covers the same angle across the picture."""
    half_rad = math.radians(field_of_view_deg(lens)) / 2
    if model == "fisheye":
        f_px = lens.width_px / 2 / half_rad
    else:
        f_px = lens.width_px / 2 / math.tan(min(half_rad, math.radians(80)))
    terms = {"pinhole": 0, "brown": 5, "fisheye": 4}[model]
    middle = ((lens.width_px - 1) / 2, (lens.height_px - 1) / 2)
    return Lens(lens.width_px, lens.height_px, f_px, f_px, *middle, model, (0.0,) * terms)


def _bundle(seen: Sequence[SeenHorizon], start: Lens, focal_sd: float) -> _Bundle:
    points = np.vstack([one.points_px for one in seen])
    counts = np.array([len(one.points_px) for one in seen])
    of = np.repeat(np.arange(len(seen)), counts)
    return _Bundle(
        points,
        of,
        np.array([one.up_cam for one in seen]),
        np.sin([one.dip_rad for one in seen]),
        np.array([one.pitch_rad for one in seen]),
        np.array([one.pitch_sd_rad for one in seen]),
        np.unique([one.window for one in seen], return_inverse=True)[1],
        np.sqrt(np.minimum(COUNTS_FOR / counts, 1.0))[of] / START_PX,
        start,
        focal_sd,
    )


def _taken(bundle: _Bundle, lines: NDArray[np.intp]) -> _Bundle:
    """The bundle with some of its lines."""
    kept = np.isin(bundle.of, lines)
    place = np.full(bundle.lines, -1)
    place[lines] = np.arange(len(lines))
    return replace(
        bundle,
        points=bundle.points[kept],
        of=place[bundle.of[kept]],
        weights=bundle.weights[kept],
        ups=bundle.ups[lines],
        sin_dips=bundle.sin_dips[lines],
        pitches=bundle.pitches[lines],
        pitch_sds=bundle.pitch_sds[lines],
        windows=bundle.windows[lines],
    )


def _settled(bundle: _Bundle, candidate: Candidate, start: _Fit | None = None) -> tuple[_Bundle, _Fit]:
    """The candidate fitted, twice: the second time with the noise that the first one left."""
    fit = _fitted(bundle, candidate, start)
    off = np.abs(_off_px(fit.lens, bundle, fit.ups))
    noise_px = max(LEAST_PX, 1.4826 * float(np.median(off)))
    left = _of_window(bundle, bundle.pitches - angles_from_up(fit.ups)[1]) / bundle.pitch_sds
    known = np.isfinite(left)
    scatter = 1.4826 * float(np.median(np.abs(left[known]))) if known.sum() >= FEWEST_LINES / 2 else 1.0
    weighed = replace(
        bundle,
        weights=bundle.weights * (START_PX / noise_px),
        pitch_sds=np.maximum(bundle.pitch_sds * scatter, LEAST_PITCH_RAD),
    )
    return weighed, _fitted(weighed, candidate, fit)


def _fitted(bundle: _Bundle, candidate: Candidate, start: _Fit | None = None) -> _Fit:
    """The candidate's lens and the up vectors that fit best."""
    base = as_model(bundle.start, candidate.model)
    own = 4 + candidate.radial
    x0 = np.zeros(own)
    x0[0] = math.log(base.fx_px)
    ups = bundle.ups
    if start is not None:
        # One of fewer terms will do: the new ones begin at none.
        x0[: len(start.x)] = start.x
        ups = start.ups if len(start.ups) == len(ups) else ups
    e_roll, e_pitch = tangent_frame(*angles_from_up(ups))
    told_deg, told_sd_deg = _told_field(bundle)

    def parts(x: Array) -> tuple[Lens, Array]:
        turned = ups + x[own::2, None] * e_roll + x[own + 1 :: 2, None] * e_pitch
        return _lens_of(base, candidate, x), turned / np.linalg.norm(turned, axis=1, keepdims=True)

    def off(x: Array) -> Array:
        lens, turned = parts(x)
        if not _reaches(lens, bundle.points):
            # Not a step that the solver may take.
            return np.full(len(bundle.points) + np.count_nonzero(np.isfinite(bundle.pitches)) + own, np.nan)
        priors = np.concatenate(
            [
                [(field_of_view_deg(lens) - told_deg) / told_sd_deg],
                x[1:3] / (CENTRE_SD * base.width_px),
                [x[3] / ROLLED_SD_RAD],
                x[4:own] / TERM_SD,
            ]
        )
        return np.concatenate(
            [_off_px(lens, bundle, turned) * bundle.weights, _off_pitch(bundle, turned, x[3]), priors]
        )

    def slopes(x: Array) -> Array:
        at = off(x)
        out = np.zeros((len(at), len(x)))
        # A lens's steps are of the size of a thousandth of a pixel at the picture's side.
        steps = np.array([1e-6, 1e-3, 1e-3, 1e-6, *[1e-6] * candidate.radial])
        for k, step in enumerate(steps):
            moved = x.copy()
            moved[k] += step
            out[:, k] = (off(moved) - at) / step
            if not np.isfinite(out[:, k]).all():
                moved[k] -= 2 * step
                out[:, k] = (at - off(moved)) / step
        # Every up vector moves its own points only.
        n = len(bundle.points)
        logged = np.flatnonzero(np.isfinite(bundle.pitches))
        lens, turned = parts(x)
        ray, gradient = rays(lens, bundle.points), _gradient(lens, bundle, turned)[1]
        share = bundle.weights / np.linalg.norm(gradient, axis=1)
        for side, towards in enumerate((e_roll, e_pitch)):
            moves = np.einsum("ni,ni->n", ray, towards[bundle.of])
            out[np.arange(n), own + side + 2 * bundle.of] = moves * share
        out[n : n + len(logged), own + 1 :: 2] = _pitch_slopes(bundle, logged)
        return out

    with np.errstate(all="ignore"):
        try:
            found = least_squares(
                off,
                np.concatenate([x0, np.zeros(2 * len(ups))]),
                slopes,
                loss="soft_l1",
                x_scale="jac",
                ftol=1e-6,
                max_nfev=40,
            )
        except ValueError:
            raise _NoFitError from None
    lens, turned = parts(found.x)
    values = np.array([lens.fx_px, lens.cx_px, lens.cy_px, *found.x[4:own], field_of_view_deg(lens)])
    jacobian = np.asarray(found.jac, float)
    if not (np.isfinite(jacobian).all() and np.isfinite(found.fun).all()):
        raise _NoFitError
    covariance = np.linalg.pinv(jacobian.T @ jacobian)[:own, :own]
    return _Fit(lens, turned, values, covariance, found.x[:own])


def _lens_of(base: Lens, candidate: Candidate, x: Array) -> Lens:
    terms = [float(k) for k in x[4 : 4 + candidate.radial]] + [0.0] * (4 - candidate.radial)
    order = {"pinhole": (), "brown": (terms[0], terms[1], 0.0, 0.0, terms[2]), "fisheye": tuple(terms)}
    f_px = math.exp(min(max(float(x[0]), 0.0), 20.0))
    return replace(
        base,
        fx_px=f_px,
        fy_px=f_px,
        cx_px=base.cx_px + float(x[1]),
        cy_px=base.cy_px + float(x[2]),
        distortion=order[candidate.model],
    )


def _reaches(lens: Lens, points: Array) -> bool:
    """Whether the lens has a ray for all points: its polynomial may turn back before the outermost.

    In corners where no horizon came to, nothing is asked of it.
    """
    radius = float(np.hypot(*((points - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px]).T).max())
    far = np.linspace(0.0, 2.8 if lens.model == "fisheye" else 6.0, 400)
    if lens.model == "pinhole":
        return True
    order = (0, 1, 2, 3) if lens.model == "fisheye" else (0, 1, 4)
    bent = far * (1 + sum(lens.distortion[k] * far ** (2 * n + 2) for n, k in enumerate(order)))
    turned = np.flatnonzero(np.diff(bent) <= 0)
    return bool(bent[turned[0] if turned.size else -1] > 1.005 * radius)


def _told_field(bundle: _Bundle) -> tuple[float, float]:
    """Field of view that was told, and its sd, deg: d(angle) = sin(angle) df / f for a pinhole."""
    told_deg = field_of_view_deg(bundle.start)
    return told_deg, math.degrees(bundle.focal_sd * max(math.sin(math.radians(min(told_deg, 150.0))), 0.3))


def _off_px(lens: Lens, bundle: _Bundle, ups: Array) -> Array:
    """How far each point lies off its line, px across the line, towards the sky +."""
    at, gradient = _gradient(lens, bundle, ups)
    return np.asarray(at / np.linalg.norm(gradient, axis=1))


def _normals(lens: Lens, bundle: _Bundle, ups: Array) -> Array:
    """Unit vectors across the line in the picture, towards the sky, (n, 2)."""
    gradient = _gradient(lens, bundle, ups)[1]
    return np.asarray(gradient / np.linalg.norm(gradient, axis=1, keepdims=True))


def _gradient(lens: Lens, bundle: _Bundle, ups: Array) -> tuple[Array, Array]:
    """r . up + sin(dip) of each point, and how it grows along x and y, per px."""
    n = len(bundle.points)
    nudged = np.vstack([bundle.points + shift for shift in ([0, 0], [NUDGE_PX, 0], [0, NUDGE_PX])])
    above = np.einsum("kni,ni->kn", rays(lens, nudged).reshape(3, n, 3), ups[bundle.of])
    return above[0] + bundle.sin_dips[bundle.of], ((above[1:] - above[0]) / NUDGE_PX).T


def _of_window(bundle: _Bundle, pitches: Array) -> Array:
    """Pitches less the weighted mean of those of their window; NaN where the window has only one."""
    out = np.full(len(pitches), np.nan)
    for window in np.unique(bundle.windows):
        rows = np.flatnonzero((bundle.windows == window) & np.isfinite(pitches))
        if len(rows) > 1:
            weights = bundle.pitch_sds[rows] ** -2
            out[rows] = pitches[rows] - np.average(pitches[rows], weights=weights)
    return out


def _off_pitch(bundle: _Bundle, ups: Array, turned_rad: float) -> Array:
    """Logged less fitted pitch within the windows, in sds. turned_rad : of the camera, sideways on its sensor.

    Such a turn adds its share to the pitch as the camera rolls: sin(roll) times it.
    """
    logged = np.isfinite(bundle.pitches)
    roll, pitch = angles_from_up(ups)
    left = _of_window(bundle, np.where(logged, bundle.pitches - pitch - turned_rad * np.sin(roll), np.nan))
    return np.nan_to_num((left / bundle.pitch_sds)[logged])


def _pitch_slopes(bundle: _Bundle, logged: NDArray[np.intp]) -> Array:
    """How :func:`_off_pitch` changes with the pitch of each line, (logged, lines)."""
    out = np.zeros((len(logged), bundle.lines))
    for window in np.unique(bundle.windows[logged]):
        rows = np.flatnonzero(bundle.windows[logged] == window)
        lines = logged[rows]
        if len(lines) > 1:
            weights = bundle.pitch_sds[lines] ** -2
            share = np.eye(len(lines)) - weights / weights.sum()
            out[np.ix_(rows, lines)] = -share / bundle.pitch_sds[lines, None]
    return out


def _held_back(
    bundle: _Bundle, fits: dict[Candidate, _Fit], progress: Callable[[float], None] | None
) -> dict[Candidate, Array]:
    """Mean square across each line while it was held back, px^2, of the candidates that always fitted."""
    least = min(float(np.mean(_squares(fit.lens, bundle, fit.ups))) for fit in fits.values())
    folds = np.arange(bundle.lines) % FOLDS
    errors: dict[Candidate, Array] = {}
    for number, (candidate, fit) in enumerate(fits.items()):
        squares = np.empty(bundle.lines)
        with suppress(_NoFitError):
            if float(np.mean(_squares(fit.lens, bundle, fit.ups))) > HOPELESS**2 * least:
                raise _NoFitError
            for fold in range(FOLDS):
                held = np.flatnonzero(folds == fold)
                taught = _taken(bundle, np.flatnonzero(folds != fold))
                lens = _fitted(taught, candidate, fit).lens
                alone = _taken(bundle, held)
                squares[held] = _squares(lens, alone, _put_best(lens, alone))
            errors[candidate] = squares
        if progress is not None:
            progress((number + 1) / (len(fits) + 1))
    return errors


def _squares(lens: Lens, bundle: _Bundle, ups: Array) -> Array:
    """Mean square across each line, px^2; beyond ``FAR_PX`` a point counts as that far."""
    off = np.minimum(np.abs(_off_px(lens, bundle, ups)), FAR_PX)
    return np.asarray(np.bincount(bundle.of, off**2) / np.bincount(bundle.of))


def _put_best(lens: Lens, bundle: _Bundle) -> Array:
    """Up vectors that fit their points best through this lens, (lines, 3)."""
    ray = rays(lens, bundle.points)
    ups = []
    for k, up in enumerate(bundle.ups):
        own, now = ray[bundle.of == k], up
        for _ in range(6):
            e_roll, e_pitch = tangent_frame(*angles_from_up(now))
            off = own @ now + bundle.sin_dips[k]
            scale = max(1.4826 * float(np.median(np.abs(off))), 1e-9)
            weight = 1 / np.sqrt(1 + (off / scale) ** 2)
            design = own @ np.column_stack([e_roll, e_pitch])
            move = np.linalg.lstsq(design * weight[:, None], -off * weight, rcond=None)[0]
            now = now + move[0] * e_roll + move[1] * e_pitch
            now = now / np.linalg.norm(now)
        ups.append(now)
    return np.array(ups)


def _uncertainty(bundle: _Bundle, candidate: Candidate, fit: _Fit) -> tuple[Array, float]:
    """Sds of f, cx, cy and the free terms, and of the field of view, deg."""
    blocks = np.array_split(np.arange(bundle.lines), min(BLOCKS, bundle.lines))
    without = []
    for block in blocks:
        kept = np.setdiff1d(np.arange(bundle.lines), block)
        start = replace(fit, ups=fit.ups[kept])
        try:
            without.append(_fitted(_taken(bundle, kept), candidate, start).values)
        except _NoFitError:
            # A fit that hangs on one stretch of the footage is known to nothing.
            return np.full(len(fit.values) - 1, np.inf), math.inf
    left = np.array(without)
    jackknife = np.sqrt((len(left) - 1) * left.var(axis=0))
    own = np.sqrt(np.diag(fit.covariance))
    squares = np.concatenate([[own[0] * fit.lens.fx_px], own[1:3], own[4:]])
    return np.maximum(jackknife[:-1], squares), float(max(jackknife[-1], _field_sd_deg(candidate, fit)))


def _field_sd_deg(candidate: Candidate, fit: _Fit) -> float:
    """Sd of the field of view by the least-squares covariance."""
    base = fit.lens
    steps = np.array([1e-5, 1e-2, 1e-2, 1e-5, *[1e-5] * candidate.radial])
    plain = as_model(base, candidate.model)
    change = []
    for k, step in enumerate(steps):
        moved = fit.x.copy()
        moved[k] += step
        change.append((field_of_view_deg(_lens_of(plain, candidate, moved)) - fit.values[-1]) / step)
    g = np.array(change)
    return math.sqrt(max(float(g @ fit.covariance @ g), 0.0))


def _heights_rad(lens: Lens, ups: Array) -> Array:
    """Elevation of the lens axis over each line: how far below the picture's middle the line lies."""
    axis = rays(lens, [[(lens.width_px - 1) / 2, (lens.height_px - 1) / 2]])[0]
    return np.asarray(np.arcsin(np.clip(ups @ axis, -1, 1)))
