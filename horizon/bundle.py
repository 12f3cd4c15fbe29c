"""Many horizons and one lens fitted together: lines straight in ray space, pitches as far apart as logged.

Least squares over the lens's numbers and every line's up vector (self-calibration of a bundle, after D. C.
Brown, "Close-range camera calibration", 1971, with straight lines in place of points), with a soft loss
(scipy's ``soft_l1``). What is left of a point is its distance across its line in the picture, px. Points of
one line hang together (waves, terrain, compression), so that a line counts for twenty of them.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from .angles import angles_from_up, tangent_frame
from .candidates import Candidate, field_of_view_deg
from .lens import Lens, rays

__all__ = ["FAR_PX", "Bundle", "BundleFit", "NoFitError", "SeenHorizon", "as_model", "bundle_of"]
__all__ += ["candidate_lens", "fitted", "normals_px", "off_px", "put_best", "reaches", "settled"]
__all__ += ["squares_px2", "taken", "told_field", "within_windows"]

Array = NDArray[np.float64]

COUNTS_FOR = 20.0  # points that a line counts for
START_PX, LEAST_PX = 0.5, 0.1
START_PITCH_RAD, LEAST_PITCH_RAD = math.radians(0.1), math.radians(0.02)
FEWEST_PITCHES = 6  # that tell how far the log's scatter
# Where the axis meets the picture, as a share of its width; a camera turned sideways on its sensor, rad; and
# terms of distortion: sds before anything is seen.
CENTRE_SD, ROLLED_SD_RAD, TERM_SD = 0.008, math.radians(1.0), 0.5
FAR_PX = 3.0  # off the line, where a point counts no more
NUDGE_PX = 0.25


class NoFitError(Exception):
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
class Bundle:
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
        """How many lines there are."""
        return len(self.ups)


@dataclass(frozen=True)
class BundleFit:
    """A candidate's lens and up vectors (lines, 3).

    values : fx_px, cx_px, cy_px, the free terms, field of view in deg. covariance : of the first numbers of
    ``x``, the solver's own: log focal length, principal point off the middle, sideways turn, free terms.
    """

    lens: Lens
    ups: Array
    values: Array
    covariance: Array
    x: Array


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


def bundle_of(seen: Sequence[SeenHorizon], start: Lens, focal_sd: float) -> Bundle:
    """Horizons made ready; ``start``: lens whose field of view was told, good to ``focal_sd`` (share)."""
    points = np.vstack([one.points_px for one in seen])
    counts = np.array([len(one.points_px) for one in seen])
    of = np.repeat(np.arange(len(seen)), counts)
    return Bundle(
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


def taken(bundle: Bundle, lines: NDArray[np.intp]) -> Bundle:
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


def settled(bundle: Bundle, candidate: Candidate, start: BundleFit | None = None) -> tuple[Bundle, BundleFit]:
    """The candidate fitted, twice: the second time with the noise that the first one left."""
    fit = fitted(bundle, candidate, start)
    off = np.abs(off_px(fit.lens, bundle, fit.ups))
    noise_px = max(LEAST_PX, 1.4826 * float(np.median(off)))
    left = _off_pitch(bundle, fit.ups, float(fit.x[3]))
    left = left[left != 0.0]
    scatter = 1.4826 * float(np.median(np.abs(left))) if len(left) >= FEWEST_PITCHES else 1.0
    weighed = replace(
        bundle,
        weights=bundle.weights * (START_PX / noise_px),
        pitch_sds=np.maximum(bundle.pitch_sds * scatter, LEAST_PITCH_RAD),
    )
    return weighed, fitted(weighed, candidate, fit)


def fitted(bundle: Bundle, candidate: Candidate, start: BundleFit | None = None) -> BundleFit:
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
    told_deg, told_sd_deg = told_field(bundle)

    def parts(x: Array) -> tuple[Lens, Array]:
        turned = ups + x[own::2, None] * e_roll + x[own + 1 :: 2, None] * e_pitch
        return candidate_lens(base, candidate, x), turned / np.linalg.norm(turned, axis=1, keepdims=True)

    def off(x: Array) -> Array:
        lens, turned = parts(x)
        if not reaches(lens, bundle.points):
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
            [off_px(lens, bundle, turned) * bundle.weights, _off_pitch(bundle, turned, x[3]), priors]
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
            raise NoFitError from None
    lens, turned = parts(found.x)
    values = np.array([lens.fx_px, lens.cx_px, lens.cy_px, *found.x[4:own], field_of_view_deg(lens)])
    jacobian = np.asarray(found.jac, float)
    if not (np.isfinite(jacobian).all() and np.isfinite(found.fun).all()):
        raise NoFitError
    covariance = np.linalg.pinv(jacobian.T @ jacobian)[:own, :own]
    return BundleFit(lens, turned, values, covariance, found.x[:own])


def candidate_lens(base: Lens, candidate: Candidate, x: Array) -> Lens:
    """Lens of the solver's numbers; ``base`` without distortion and with the axis in the middle."""
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


def reaches(lens: Lens, points: Array) -> bool:
    """Whether the lens has a ray for all points: its polynomial may turn back before the outermost.

    In corners where no horizon came to, nothing is asked of it.
    """
    radius = float(np.hypot(*((points - [lens.cx_px, lens.cy_px]) / [lens.fx_px, lens.fy_px]).T).max())
    far = np.linspace(0.0, 2.8 if lens.model == "fisheye" else 6.0, 400)
    if lens.model == "pinhole":
        return True
    order = (0, 1, 2, 3) if lens.model == "fisheye" else (0, 1, 4)
    terms = (*lens.distortion, 0.0)  # the third radial term of a brown lens may be left out
    bent = far * (1 + sum(terms[k] * far ** (2 * n + 2) for n, k in enumerate(order)))
    turned = np.flatnonzero(np.diff(bent) <= 0)
    return bool(bent[turned[0] if turned.size else -1] > 1.005 * radius)


def told_field(bundle: Bundle) -> tuple[float, float]:
    """Field of view that was told, and its sd, deg: d(angle) = sin(angle) df / f for a pinhole."""
    told_deg = field_of_view_deg(bundle.start)
    return told_deg, math.degrees(bundle.focal_sd * max(math.sin(math.radians(min(told_deg, 150.0))), 0.3))


def off_px(lens: Lens, bundle: Bundle, ups: Array) -> Array:
    """How far each point lies off its line, px across the line, towards the sky +."""
    at, gradient = _gradient(lens, bundle, ups)
    return np.asarray(at / np.linalg.norm(gradient, axis=1))


def normals_px(lens: Lens, bundle: Bundle, ups: Array) -> Array:
    """Unit vectors across the line in the picture, towards the sky, (n, 2)."""
    gradient = _gradient(lens, bundle, ups)[1]
    return np.asarray(gradient / np.linalg.norm(gradient, axis=1, keepdims=True))


def _gradient(lens: Lens, bundle: Bundle, ups: Array) -> tuple[Array, Array]:
    """Sine of the height above its line of each point, and how it grows along x and y, per px."""
    n = len(bundle.points)
    nudged = np.vstack([bundle.points + shift for shift in ([0, 0], [NUDGE_PX, 0], [0, NUDGE_PX])])
    above = np.einsum("kni,ni->kn", rays(lens, nudged).reshape(3, n, 3), ups[bundle.of])
    return above[0] + bundle.sin_dips[bundle.of], ((above[1:] - above[0]) / NUDGE_PX).T


def within_windows(bundle: Bundle, pitches: Array) -> Array:
    """Pitches less the weighted mean of those of their window; NaN where the window has only one."""
    out = np.full(len(pitches), np.nan)
    for window in np.unique(bundle.windows):
        rows = np.flatnonzero((bundle.windows == window) & np.isfinite(pitches))
        if len(rows) > 1:
            weights = bundle.pitch_sds[rows] ** -2
            out[rows] = pitches[rows] - np.average(pitches[rows], weights=weights)
    return out


def _off_pitch(bundle: Bundle, ups: Array, turned_rad: float) -> Array:
    """Logged less fitted pitch within the windows, in sds.

    turned_rad : of the camera, sideways on its sensor. It adds its share to the pitch as the camera rolls,
    sin(roll) times it.
    """
    logged = np.isfinite(bundle.pitches)
    roll, pitch = angles_from_up(ups)
    left = within_windows(
        bundle, np.where(logged, bundle.pitches - pitch - turned_rad * np.sin(roll), np.nan)
    )
    return np.nan_to_num((left / bundle.pitch_sds)[logged])


def _pitch_slopes(bundle: Bundle, logged: NDArray[np.intp]) -> Array:
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


def squares_px2(lens: Lens, bundle: Bundle, ups: Array) -> Array:
    """Mean square across each line, px^2; beyond ``FAR_PX`` a point counts as that far."""
    off = np.minimum(np.abs(off_px(lens, bundle, ups)), FAR_PX)
    return np.asarray(np.bincount(bundle.of, off**2) / np.bincount(bundle.of))


def put_best(lens: Lens, bundle: Bundle) -> Array:
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
