"""Profiles across a predicted horizon to sub-pixel edge points.

The predicted curve is followed through the lens; at every pixel along it (at 4K, at every second one) the
picture is sampled across (positive towards the sky side), and neighbouring profiles are averaged in groups.
Each averaged profile is fitted by a blurred step with its own slope on either side,

    y(t) = a + b Phi((t - t0) / s) + c min(t - t0, 0) + d max(t - t0, 0) [+ e tail((t - t0) / w)],

where the tail is a one-sided exponential: haze fades the surface towards the horizon, and a plain gradient
peak is pulled down by it. For a given (t0, shape) the rest is linear with the same sampling for every group,
so all groups are tried against all (t0, shape) by one matrix product: an exhaustive search, hence no local
minima; t0 is then refined by a parabola.

A thin line (a string, a laser's line) has a bank of its own, in which the step gives way to the line,

    h [Phi((t - t0 + w / 2) / s) - Phi((t - t0 - w / 2) / s)],

and the slope on the far side to one slope throughout. Its widths w go beyond what passes for thin, so that a
bar is seen to be one.
"""

from dataclasses import dataclass, field, replace
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from .angles import directions
from .lens import Lens, pixels, rays

__all__ = ["Edges", "find_edges", "seen_from_below"]

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]

SHAPE_GROUPS = 32
STEP_PX = 0.25
NEAR_END_PX = 3.0
# In a group of so many profiles and more, every second one is sampled: neighbours show much the same noise.
ENOUGH = 16
# Along the curve, so far apart it is put through the lens.
NODES_PX = 8
# Close blurs, and no short tail: it would take up the skew of resampling, and a sharp edge with it.
BLURS_PX = (0.6, 0.75, 0.9, 1.1, 1.4, 2.2, 3.5)
TAILS_PX = (3.0, 6.0, 12.0)
# Shapes for the narrow windows of the reduced picture: what the verifier was trained on.
NARROW_PX, NARROW_BLURS_PX, NARROW_TAILS_PX = 12, (0.6, 0.9, 1.4, 2.2, 3.5), (1.5, 3.0, 6.0, 12.0)
TAIL_BLUR_PX = 0.9
# Width and blurs of thin lines, px; a line narrower than its blur looks the same at any width.
THIN_PX = (
    (1.0, (0.6, 0.8, 1.0, 1.3, 1.7, 2.2, 2.8, 3.5)),
    (2.5, (0.6, 0.9, 1.3)),
    (4.0, (0.6, 0.9, 1.4, 2.0)),
    (6.0, (0.7, 1.2, 2.0, 3.0)),
    (8.0, (0.7, 1.2, 2.0, 3.0)),
    (11.0, (0.7, 1.6)),
    (15.0, (0.7, 1.6)),
)
# So many blurs off its border a line has faded; so many samples behind that are its side.
FADED_BLURS, SIDE_PX = 2.0, 4
# A profile whose noise is nil (drawn pictures) still has the encoder's rounding.
LEAST_NOISE_GREY = 0.4


@dataclass(frozen=True)
class Edges:
    """Edge points along a predicted horizon, one per group of profiles.

    ``rays`` (n, 3); ``along_px`` and ``across_px`` (n,): place along the curve and found offset towards the
    sky side; ``sd_px``; ``step_grey``: sky side minus surface side at the edge; ``gradient_grey_px``;
    ``gain``: how much better the step explains the profile than a straight slope (F ratio);
    ``length_px``: visible length of the predicted curve; ``seen``: groups looked at (n of them gave a point);
    ``softness_px``: blur and fading of the edge shape that suits the whole line, ``shape`` its number. Of a
    thin line ``step_grey`` is the line minus the mean of its sides, ``unlike_grey`` (n,) how far the sides
    are apart, and ``thin_px`` the width that suits it (0: not looked at as a thin line).
    """

    rays: Array
    along_px: Array
    across_px: Array
    sd_px: Array
    step_grey: Array
    gradient_grey_px: Array
    gain: Array
    length_px: float
    seen: int
    softness_px: float
    shape: int
    unlike_grey: Array = field(default_factory=lambda: np.empty(0))
    thin_px: float = 0.0


@dataclass(frozen=True)
class _Shape:
    """One edge shape: rows of ``project`` (columns * places, samples) span it at each place."""

    project: Array32
    columns: int
    blur_px: float
    tail_px: float
    thin_px: float = 0.0


@dataclass(frozen=True)
class _Bank:
    """All shapes; ``together``: rows of those with equally many columns, and their numbers."""

    offsets_px: Array
    t0_px: Array
    shapes: tuple[_Shape, ...]
    together: tuple[tuple[Array32, NDArray[np.intp]], ...]
    straight: Array


@lru_cache(maxsize=8)
def _bank(half_px: int) -> _Bank:
    t, t0 = _samples(half_px)
    narrow = half_px <= NARROW_PX
    blurs, tails = (NARROW_BLURS_PX, NARROW_TAILS_PX) if narrow else (BLURS_PX, TAILS_PX)
    shapes = [_shape(t, t0, blur, 0.0) for blur in blurs]
    shapes += [
        _shape(t, t0, TAIL_BLUR_PX, side * tail) for tail in tails if tail < half_px for side in (1, -1)
    ]
    return _gathered(t, t0, shapes)


@lru_cache(maxsize=4)
def _thin_bank(half_px: int) -> _Bank:
    t, t0 = _samples(half_px)
    return _gathered(t, t0, [_thin_shape(t, t0, width, blur) for width, blurs in THIN_PX for blur in blurs])


def _samples(half_px: int) -> tuple[Array, Array]:
    """Offsets of a profile's samples, and the places at which an edge is tried."""
    t = np.arange(-half_px, half_px + 1.0)
    return t, np.arange(-half_px + NEAR_END_PX, half_px - NEAR_END_PX + STEP_PX / 2, STEP_PX)


def _gathered(t: Array, t0: Array, shapes: list[_Shape]) -> _Bank:
    together = []
    for columns in sorted({shape.columns for shape in shapes}):
        numbers = np.array([k for k, shape in enumerate(shapes) if shape.columns == columns])
        rows = np.stack([shapes[k].project.reshape(columns, len(t0), len(t)) for k in numbers], axis=1)
        together.append((rows.reshape(-1, len(t)), numbers))
    straight, _ = np.linalg.qr(np.column_stack([np.ones_like(t), t]))
    return _Bank(t, t0, tuple(shapes), tuple(together), straight)


def _thin_shape(t: Array, t0: Array, width: float, blur: float) -> _Shape:
    d = t - t0[:, None]
    line = ndtr((d + width / 2) / blur) - ndtr((d - width / 2) / blur)
    columns = [line, np.ones_like(d), d, np.minimum(d, 0)]
    return _Shape(_spanned(columns), len(columns), blur, 0.0, width)


def _shape(t: Array, t0: Array, blur: float, tail: float) -> _Shape:
    d = t - t0[:, None]
    columns = [ndtr(d / blur), np.ones_like(d), np.minimum(d, 0), np.maximum(d, 0)]
    if tail:
        columns.append(_blurred_tail(np.sign(tail) * d, abs(tail), blur))
    return _Shape(_spanned(columns), len(columns), blur, tail)


def _spanned(columns: list[Array]) -> Array32:
    """What columns (places, samples) span at each place, as rows by column, then by place.

    What is summed over columns then lies one under the other.
    """
    spans = np.linalg.qr(np.stack(columns, axis=-1))[0]
    return np.asarray(np.moveaxis(spans, -1, 0).reshape(-1, spans.shape[1]), np.float32)


def _blurred_tail(d: Array, tail: float, blur: float) -> Array:
    """exp(d / tail) for d < 0, else 0, blurred by a Gaussian: the fading of the surface towards the line."""
    exponent = np.minimum(d / tail + blur**2 / (2 * tail**2), 40)
    return np.asarray(np.exp(exponent) * ndtr(-(d / blur + blur / tail)))


def find_edges(
    luma: NDArray[np.uint8],
    lens: Lens,
    up_cam: Array,
    *,
    dip_rad: float,
    half_px: int,
    group_px: int,
    area: tuple[int, int, int, int],
    covered: NDArray[np.uint8] | None = None,
    thin: bool = False,
    every: int = 1,
    shape: int | None = None,
) -> Edges:
    """Edge points within ``half_px`` of the horizon that ``up_cam`` predicts, one per ``group_px`` along it.

    ``luma``: picture (height, width) of the lens's size. ``area``: left, top, right, bottom of the picture
    inside black bars. ``covered`` (any size, of the same proportions): above 0 where something burnt into
    the picture hides the scene; groups that touch it give no point. ``thin``: look for a thin line, darker or
    brighter than both its sides, in place of a step. ``every``: of so many groups one is looked at.
    ``shape``: number of the edge shape, where a moment ago's is known to suit the line.
    """
    apart_px = 2 if group_px >= ENOUGH else 1
    start, normal, length_px = _path(lens, up_cam, dip_rad, half_px, area, apart_px)
    of_each = group_px // apart_px
    groups = len(start) // of_each
    if groups < 4 * every:
        return _nothing(length_px)
    middle = np.arange(groups) * of_each + of_each // 2
    middle = middle[every // 2 :: every]
    at_middle, groups = (start[middle], normal[middle]), len(middle)
    looked_at = (middle[:, None] + np.arange(of_each) - of_each // 2).ravel()
    start, normal = start[looked_at], normal[looked_at]
    bank = _thin_bank(half_px) if thin else _bank(half_px)
    t = bank.offsets_px.astype(np.float32)[:, None]
    map_x, map_y = (t * normal[:, axis].astype(np.float32) for axis in (0, 1))
    map_x += start[:, 0].astype(np.float32)
    map_y += start[:, 1].astype(np.float32)
    strip = cv2.remap(luma, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
    # A product sums them exactly, whole numbers that they are, and in a fraction of the time.
    summed = strip.astype(np.float32).reshape(-1, of_each) @ np.ones(of_each, np.float32)
    profile = summed.reshape(len(t), groups).astype(np.float64) / of_each
    across, sd, step, gradient, gain, number = _fit_profiles(bank, profile, shape)
    suits = bank.shapes[number]
    unlike = np.empty(groups)
    if thin:
        step, unlike, gradient = _thin_looks(bank, suits, profile, across)
    if covered is not None:
        across[_hidden(covered, luma.shape[1], start, normal, half_px, groups)] = np.nan
    found = np.isfinite(across)
    points = at_middle[0] + np.where(found, across, 0)[:, None] * at_middle[1]
    return Edges(
        rays(lens, points[found]),
        (apart_px * middle[found]).astype(float),
        across[found],
        sd[found],
        step[found],
        gradient[found],
        gain[found],
        length_px,
        groups,
        abs(suits.tail_px) + suits.blur_px,
        number,
        unlike[found],
        suits.thin_px,
    )


def _hidden(
    covered: NDArray[np.uint8], width_px: int, start: Array, normal: Array, half_px: int, groups: int
) -> NDArray[np.bool_]:
    """Groups of profiles that run through what is burnt into the picture, up to half of their reach."""
    shrink = covered.shape[1] / width_px
    hidden = np.zeros(len(start), bool)
    for reach in np.linspace(-half_px / 2, half_px / 2, 5):
        place = ((start + reach * normal + 0.5) * shrink).astype(int)
        x, y = np.clip(place, 0, np.array(covered.shape[::-1]) - 1).T
        hidden |= covered[y, x] > 0
    return np.asarray(hidden.reshape(groups, -1).any(axis=1))


def _nothing(length_px: float) -> Edges:
    none = np.empty(0)
    return Edges(np.empty((0, 3)), none, none, none, none, none, none, length_px, 0, 0.0, 0)


def _path(
    lens: Lens, up_cam: Array, dip_rad: float, half_px: int, area: tuple[int, int, int, int], apart_px: int
) -> tuple[Array, Array, float]:
    """Places so far apart along the predicted line, unit normals towards the sky, and its visible length."""
    azimuth = np.radians(np.linspace(-110, 110, 881))
    left, top, right, bottom = area
    margin = min(half_px, 4)
    coarse = pixels(lens, directions(up_cam, azimuth, -dip_rad))
    inside = (
        (coarse[:, 0] >= left + margin)
        & (coarse[:, 0] <= right - 1 - margin)
        & (coarse[:, 1] >= top + margin)
        & (coarse[:, 1] <= bottom - 1 - margin)
    )
    inside &= np.isfinite(coarse).all(axis=1)
    if inside.sum() < 3:
        return np.empty((0, 2)), np.empty((0, 2)), 0.0
    # A strongly bent curve may leave the picture and come back: only its longest run is followed.
    edges = np.flatnonzero(np.diff(np.concatenate([[False], inside, [False]]).astype(int)))
    runs = edges.reshape(-1, 2)
    first, last = runs[np.argmax(runs[:, 1] - runs[:, 0])]
    if last - first < 3:
        return np.empty((0, 2)), np.empty((0, 2)), 0.0
    walked = np.concatenate([[0], np.cumsum(np.hypot(*np.diff(coarse[first:last], axis=0).T))])
    length_px = float(walked[-1])
    # Points are laid off from the very path that was sampled: that it is straight between nodes moves none.
    places = np.arange(0, length_px, apart_px)
    nodes = np.linspace(0, places[-1], 2 + int(length_px) // NODES_PX)
    angle = np.interp(nodes, walked, azimuth[first:last])
    at_nodes = pixels(lens, directions(up_cam, angle, -dip_rad))
    raised = pixels(lens, directions(up_cam, angle, lens.pixel_rad - dip_rad)) - at_nodes
    normals = raised / np.linalg.norm(raised, axis=1, keepdims=True)
    columns = (at_nodes[:, 0], at_nodes[:, 1], normals[:, 0], normals[:, 1])
    x, y, normal_x, normal_y = (np.interp(places, nodes, column) for column in columns)
    return np.column_stack([x, y]), np.column_stack([normal_x, normal_y]), length_px


def _fit_profiles(
    bank: _Bank, profile: Array, known: int | None
) -> tuple[Array, Array, Array, Array, Array, int]:
    """Edge offset, its sd, step height, gradient and F ratio of profiles (samples, groups), and the shape.

    ``known``: that shape, where it need not be chosen.
    """
    samples, groups = profile.shape
    centred = profile - profile.mean(axis=0)
    energy = (centred**2).sum(axis=0)
    straight_sse = energy - ((bank.straight.T @ centred) ** 2).sum(axis=0)
    # One shape for the whole line: a single profile is too short to tell haze from defocus.
    number = _suiting(bank, centred[:, :: max(1, groups // SHAPE_GROUPS)]) if known is None else known
    shape = bank.shapes[number]
    at_shape = np.maximum(energy - _explained(shape.project, shape.columns, centred), 0)
    column, places = np.arange(groups), len(bank.t0_px)
    place, inner, (before, here, after) = _lowest(at_shape)
    bend = before - 2 * here + after
    shift = np.where(bend > 0, 0.5 * (before - after) / np.where(bend > 0, bend, 1), 0)
    across = bank.t0_px[inner] + np.clip(shift, -1, 1) * STEP_PX
    noise2 = np.maximum(here / (samples - 6), LEAST_NOISE_GREY**2)
    sd = np.sqrt(2 * noise2 * STEP_PX**2 / np.maximum(bend, 1e-9))
    # The steepest rise within the window: also what a fading surface adds to the step counts as contrast.
    smooth = (profile[2:] - profile[:-2]) / 2
    rows = np.clip(np.round(across + bank.offsets_px[-1]).astype(int) - 1, 1, samples - 4)
    gradient = np.max(np.abs([smooth[rows + k, column] for k in (-1, 0, 1)]), axis=0)
    step = profile[np.minimum(rows + 4, samples - 1), column] - profile[np.maximum(rows - 2, 0), column]
    gain = (straight_sse - here) / 4 / noise2
    # A minimum at either end of the window is no edge: the profile only bends there.
    lost = (place == 0) | (place == places - 1) | (bend <= 0)
    across[lost] = np.nan
    return across, sd, step, gradient, gain, number


def _suiting(bank: _Bank, some: Array) -> int:
    """Number of the shape that suits some centred profiles (samples, n) best."""
    samples = len(some)
    energy = (some**2).sum(axis=0)
    cost = np.empty(len(bank.shapes))
    for project, numbers in bank.together:
        columns = bank.shapes[numbers[0]].columns
        explained = _explained(project, columns, some).reshape(len(numbers), -1, some.shape[1])
        best = np.log(_least(energy - explained) + samples * LEAST_NOISE_GREY**2).mean(axis=1)
        cost[numbers] = best + columns * np.log(samples) / samples
    return int(np.argmin(cost))


def _thin_looks(bank: _Bank, shape: _Shape, profile: Array, across: Array) -> tuple[Array, Array, Array]:
    """Contrast of a thin line with its sides, how far these are apart, and the steepest rise, of profiles."""
    samples, groups = profile.shape
    column = np.arange(groups)
    middle = np.round(np.where(np.isfinite(across), across, 0) + bank.offsets_px[-1]).astype(int)
    within = int(max(shape.thin_px - 1, 0) / 2)
    outside = int(np.ceil(shape.thin_px / 2 + FADED_BLURS * shape.blur_px))

    def mean(offsets: list[int]) -> Array:
        rows = np.clip(middle + np.array(offsets)[:, None], 0, samples - 1)
        return np.asarray(profile[rows, column].mean(axis=0))

    line = mean(list(range(-within, within + 1)))
    before = mean([-outside - k for k in range(SIDE_PX)])
    after = mean([outside + k for k in range(SIDE_PX)])
    rise = np.abs(profile[2:] - profile[:-2]) / 2
    near = np.arange(-within - 2, within + 3)[:, None]
    gradient = rise[np.clip(middle - 1 + near, 0, samples - 3), column].max(axis=0)
    return line - (before + after) / 2, after - before, np.asarray(gradient)


def _least(sse: Array) -> Array:
    """Least sum of squares of each column (..., places, groups), between the places too: by a parabola.

    Without it a shape with more freedom would win by making up for the places' spacing.
    """
    _, _, (before, here, after) = _lowest(sse)
    bend = before - 2 * here + after
    gained = np.where(bend > 0, (before - after) ** 2 / (8 * np.where(bend > 0, bend, 1)), 0)
    return np.asarray(np.maximum(np.minimum(here - gained, sse.min(axis=-2)), 0))


def _lowest(sse: Array) -> tuple[NDArray[np.intp], NDArray[np.intp], tuple[Array, Array, Array]]:
    """Place of each column's minimum, the same kept off either end, and the values around that one."""
    place = np.argmin(sse, axis=-2)
    inner = np.clip(place, 1, sse.shape[-2] - 2)
    around = [np.take_along_axis(sse, (inner + k)[..., None, :], axis=-2)[..., 0, :] for k in (-1, 0, 1)]
    return place, inner, (around[0], around[1], around[2])


def _explained(project: Array32, columns: int, profile: Array) -> Array:
    """Sum of squares that shapes explain, (places, groups), of centred profiles (samples, groups)."""
    part = project @ profile.astype(np.float32)
    np.square(part, out=part)
    return np.asarray(part.reshape(columns, -1, profile.shape[1]).sum(axis=0), np.float64)


def seen_from_below(edges: Edges) -> Edges:
    """The same edge points for the other reading, in which the two sides of the line change places."""
    return replace(edges, across_px=-edges.across_px, step_grey=-edges.step_grey)
