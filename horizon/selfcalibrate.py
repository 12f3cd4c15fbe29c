"""Horizons at several heights in the picture to a lens, without a board.

The true horizon is straight in ray space, r . up = -sin(dip), at every height and tilt: a lens model with
wrong terms of distortion leaves it bent. How far a line moves in the picture while the camera pitches by an
angle that a log tells gives the focal length; only changes within a window of some seconds count, so that
neither the log's drift nor how the camera sits on its sensor enters; the log's scale is taken to be right.

Lens and lines are fitted together (:mod:`horizon.bundle`). Which terms are free is told by held-back horizons
(:mod:`horizon.candidates`). Uncertainties: the larger of the least-squares covariance and the jackknife over
blocks of neighbouring horizons (B. Efron, "The jackknife, the bootstrap and other resampling plans", 1982),
value by value; to the focal length's the log's scale is added.
"""

import math
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from .bundle import (
    FAR_PX,
    Bundle,
    BundleFit,
    NoFitError,
    SeenHorizon,
    as_model,
    bundle_of,
    candidate_lens,
    fitted,
    normals_px,
    off_px,
    put_best,
    reaches,
    settled,
    squares_px2,
    taken,
    told_field,
    within_windows,
)
from .candidates import Candidate, Tried, field_of_view_deg, simplest_good, whole
from .lens import Lens, rays

__all__ = ["FOOTAGE_CANDIDATES", "HOW_TO_TILT", "FootageError", "FootageLens"]
__all__ += ["lens_from_horizons", "rough_lens", "straight_points"]

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
LOG_SCALE_SD = 0.002
MOST_FOCAL_SD = 0.02  # what a stated field of view is taken to be good to: a measured one must be better
HOPELESS = 2.0
MOST_ERROR = 0.001  # of the picture's width
LEAST_SPREAD = 0.1  # of the field of view, from the lowest line to the highest
HOW_TO_TILT = (
    "film the open horizon for a minute while the camera tilts slowly up and down, so that the line wanders "
    "from a third of the picture above its middle to a third below, once level and once rolled by 15 deg"
)


class FootageError(ValueError):
    """Footage that gives no lens: what is wrong, and the shot to film."""


@dataclass(frozen=True)
class FootageLens:
    """A lens and how well it is known.

    sds : of fx_px, cx_px, cy_px, then of the free terms. half_width : factor from an sd to the 95 % interval.
    hfov_deg, hfov_sd_deg : across the stored width. rms_px : of all points across their lines; held_back_px :
    of lines held back. tried : all candidates that fitted, best first. residuals_px : of ``points_px``, both
    (n, 2). heights_deg : how far the lens points above the lowest and the highest line. lines : how many.
    logged : those with a logged pitch whose window tells something.
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
    bundle = bundle_of(seen, start, focal_sd)
    try:
        fits, errors = _chosen(bundle, progress)
        chosen = simplest_good(errors)
        weighed, fit = settled(bundle, chosen, fits[chosen])
        sds, hfov_sd_deg = _uncertainty(weighed, chosen, fit)
    except NoFitError:
        raise FootageError(
            f"{name}: no lens model makes these lines straight; is it the open horizon? {HOW_TO_TILT}"
        ) from None
    heights = np.degrees(_heights_rad(fit.lens, fit.ups))
    spread = float(np.ptp(heights)) / float(fit.values[-1])
    if spread < LEAST_SPREAD:
        raise FootageError(
            f"{name}: the horizon stays within {np.ptp(heights):.1f} deg of height, and a tenth of the field "
            f"of view is needed, {LEAST_SPREAD * fit.values[-1]:.0f} deg; {HOW_TO_TILT}"
        )
    logged = int(np.isfinite(within_windows(weighed, weighed.pitches)).sum())
    if logged:
        sds[0] = math.hypot(sds[0], LOG_SCALE_SD * fit.lens.fx_px)
        longer = replace(fit.lens, fx_px=fit.lens.fx_px * (1 + LOG_SCALE_SD))
        hfov_sd_deg = math.hypot(hfov_sd_deg, field_of_view_deg(longer) - float(fit.values[-1]))
    elif np.isfinite(sds).all():
        # Straight lines alone leave the stated angle at least as well known as it was.
        sds[0] = min(sds[0], focal_sd * fit.lens.fx_px)
        hfov_sd_deg = min(hfov_sd_deg, told_field(bundle)[1])
    share = sds[0] / fit.lens.fx_px
    if not (share <= 1.02 * MOST_FOCAL_SD and np.isfinite(sds).all()):
        if not logged and focal_sd > MOST_FOCAL_SD:
            raise FootageError(
                f"{name}: lines alone do not tell the focal length; add the log of the camera's own sensor, "
                "or state the field of view, hfov_deg under [camera]"
            )
        why = "" if logged else " without the log's pitch"
        raise FootageError(
            f"{name}: {len(seen)} horizons{why} do not tell the focal length to {100 * MOST_FOCAL_SD:.0f} % "
            f"(sd), which a stated field of view is good to; {HOW_TO_TILT}"
        )
    held_back_px = math.sqrt(float(errors[chosen].mean()))
    if held_back_px > max(1.0, MOST_ERROR * fit.lens.width_px):
        raise FootageError(
            f"{name}: through the best lens the lines stay {held_back_px:.1f} px uneven: not the open "
            f"horizon of a sea or a plain; {HOW_TO_TILT}"
        )
    tried = [Tried(one, math.sqrt(float(square.mean()))) for one, square in errors.items()]
    left = off_px(fit.lens, weighed, fit.ups)
    normals = normals_px(fit.lens, weighed, fit.ups)
    return FootageLens(
        replace(fit.lens, focal_sd=float(share)),
        chosen,
        tuple(float(sd) for sd in sds),
        float(stdtrit(min(BLOCKS, bundle.lines) - 1, 0.975)),
        float(fit.values[-1]),
        hfov_sd_deg,
        float(np.sqrt(np.mean(np.minimum(left**2, FAR_PX**2)))),
        held_back_px,
        tuple(sorted(tried, key=lambda one: one.held_back_px)),
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
    with suppress(NoFitError):
        fits, errors = _chosen(bundle_of(seen, start, focal_sd), None)
        return fits[simplest_good(errors)].lens
    return None


def straight_points(seen: Sequence[SeenHorizon], lens: Lens, within_px: float) -> int:
    """How many points of these horizons lie within so much of straight lines through this lens."""
    if not seen:
        return 0
    bundle = bundle_of(seen, lens, MOST_FOCAL_SD)
    if not reaches(lens, bundle.points):
        return 0
    ups = put_best(lens, bundle)
    return int(np.count_nonzero(np.abs(off_px(lens, bundle, ups)) <= within_px))


def _chosen(
    bundle: Bundle, progress: Callable[[float], None] | None
) -> tuple[dict[Candidate, BundleFit], dict[Candidate, Array]]:
    """All candidates that fit, and the errors of lines held back of those that may be taken."""
    fits: dict[Candidate, BundleFit] = {}
    for candidate in FOOTAGE_CANDIDATES:
        with suppress(NoFitError):
            fewer = fits.get(replace(candidate, radial=candidate.radial - 1))
            fit = settled(bundle, candidate, fewer)[1]
            if whole(fit.lens):
                fits[candidate] = fit
    errors = _held_back(bundle, fits, progress) if fits else {}
    if not errors:
        raise NoFitError
    return fits, errors


def _held_back(
    bundle: Bundle, fits: dict[Candidate, BundleFit], progress: Callable[[float], None] | None
) -> dict[Candidate, Array]:
    """Mean square across each line while it was held back, px^2, of the candidates that always fitted."""
    least = min(float(np.mean(squares_px2(fit.lens, bundle, fit.ups))) for fit in fits.values())
    folds = np.arange(bundle.lines) % FOLDS
    errors: dict[Candidate, Array] = {}
    for number, (candidate, fit) in enumerate(fits.items()):
        squares = np.empty(bundle.lines)
        with suppress(NoFitError):
            if float(np.mean(squares_px2(fit.lens, bundle, fit.ups))) > HOPELESS**2 * least:
                raise NoFitError
            for fold in range(FOLDS):
                held = np.flatnonzero(folds == fold)
                taught = taken(bundle, np.flatnonzero(folds != fold))
                lens = fitted(taught, candidate, fit).lens
                alone = taken(bundle, held)
                squares[held] = squares_px2(lens, alone, put_best(lens, alone))
            errors[candidate] = squares
        if progress is not None:
            progress((number + 1) / (len(fits) + 1))
    return errors


def _uncertainty(bundle: Bundle, candidate: Candidate, fit: BundleFit) -> tuple[Array, float]:
    """Sds of f, cx, cy and the free terms, and of the field of view, deg."""
    blocks = np.array_split(np.arange(bundle.lines), min(BLOCKS, bundle.lines))
    without = []
    for block in blocks:
        kept = np.setdiff1d(np.arange(bundle.lines), block)
        start = replace(fit, ups=fit.ups[kept])
        try:
            without.append(fitted(taken(bundle, kept), candidate, start).values)
        except NoFitError:
            # A fit that hangs on one stretch of the footage is known to nothing.
            return np.full(len(fit.values) - 1, np.inf), math.inf
    left = np.array(without)
    jackknife = np.sqrt((len(left) - 1) * left.var(axis=0))
    own = np.sqrt(np.diag(fit.covariance))
    squares = np.concatenate([[own[0] * fit.lens.fx_px], own[1:3], own[4:]])
    return np.maximum(jackknife[:-1], squares), float(max(jackknife[-1], _field_sd_deg(candidate, fit)))


def _field_sd_deg(candidate: Candidate, fit: BundleFit) -> float:
    """Sd of the field of view by the least-squares covariance."""
    base = fit.lens
    steps = np.array([1e-5, 1e-2, 1e-2, 1e-5, *[1e-5] * candidate.radial])
    plain = as_model(base, candidate.model)
    change = []
    for k, step in enumerate(steps):
        moved = fit.x.copy()
        moved[k] += step
        change.append((field_of_view_deg(candidate_lens(plain, candidate, moved)) - fit.values[-1]) / step)
    g = np.array(change)
    return math.sqrt(max(float(g @ fit.covariance @ g), 0.0))


def _heights_rad(lens: Lens, ups: Array) -> Array:
    """Elevation of the lens axis over each line: how far below the picture's middle the line lies."""
    axis = rays(lens, [[(lens.width_px - 1) / 2, (lens.height_px - 1) / 2]])[0]
    return np.asarray(np.arcsin(np.clip(ups @ axis, -1, 1)))
