"""Holds in a log of the accelerometer: where the board lay still, found by the log's own quiet noise.

Around every hold the board is placed, turned until its bubble is centred, let go, and taken away. The means
over half a second tell these apart: they stay put in a hold and nowhere else. A hold may drift slowly and may
be knocked for a moment; both are looked into later and must not cut it, so that each mean is compared with
those just before it, and a short excursion that comes back belongs to the hold.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from attitude.capture import NEAR_1_G

__all__ = ["SHORTEST_S", "at_rail", "shortest_hold_s", "spike_rows", "still_stretches"]

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

BLOCK_S, ROWS_PER_BLOCK = 0.5, 4  # a slow log has longer blocks
SHORTEST_S = 3.0
LONGEST_GAP_S = 10.0  # what is longer is a gap like any other
# Means of neighbouring blocks in a hold differ by noise, and by the sway of a hand: 1.75 mg is 0.1 deg.
NOISES, FLOOR_G, MOST_G = 4.0, 1.75e-3, 4e-3
QUIET_SHARE = 0.2  # of all neighbouring blocks: a log that is good for anything rests that long
SEED_BLOCKS, SEED_NOISES = 4, 1.3  # range of so many means, in tolerances
LOOKED_BACK, ROUNDS, FIRST_G, MEDIAN_TO_SD = 6, 3, 2.5e-3, 1.4826
# A knock is over in about a second, stays within some degrees, and comes back for at least so many blocks.
KNOCK_BLOCKS, KNOCK_G, BACK_BLOCKS = 3, 0.09, 3
SAME_G = 1.75e-3  # 0.1 deg
STRAYS_G = 5.5e-3  # farther than this from where it was surest is no drift of one hold
# Times the middle scatter of a hold at its ends, or of it in an adjusting beside it: somebody touches it.
FINGERS, LEAST_TOUCH_G = 1.7, 5e-4
SWAYS_MORE = 3.0  # times the sway of the hold that an adjusting leads to
# A single row so far out, in scatter of the rows around it, and at least this.
SPIKE_NOISES, SPIKE_G = 12.0, 0.05
RAIL_SHARE, RAIL_VALUES = 0.1, 12


@dataclass(frozen=True)
class _Blocks:
    """Means (m, 3), scatter (m,) and whether there is enough in it and it is near 1 g, per block of a log.

    edges : (m + 1,) first row of each. tolerance_g : of a mean against those before it, from the quiet noise.
    """

    mean_g: Array
    scatter_g: Array
    usable: Mask
    edges: NDArray[np.int_]
    tolerance_g: float
    length_s: float


def _block_s(period_s: float) -> float:
    return max(BLOCK_S, ROWS_PER_BLOCK * period_s)


def shortest_hold_s(period_s: float) -> float:
    """How long a rest must last to be found, s; a slow log needs longer. period_s : between readings."""
    return max(SHORTEST_S, SEED_BLOCKS * _block_s(period_s))


def _blocks(t_s: Array, readings_g: Array) -> _Blocks:
    steps = np.diff(t_s)
    period_s = float(np.median(steps[steps > 0])) if np.any(steps > 0) else BLOCK_S
    length_s = _block_s(period_s)
    block = np.floor((t_s - t_s[0]) / length_s + 1e-6).astype(int)
    count = np.bincount(block)
    edges = np.concatenate([[0], np.cumsum(count)])
    full = np.maximum(count, 1)[:, None]

    def means(values: Array) -> Array:
        return np.column_stack([np.bincount(block, weights=column) for column in values.T]) / full

    mean = means(readings_g)
    scatter = np.sqrt(means((readings_g - mean[block]) ** 2).mean(axis=1))
    enough = count >= 0.5 * length_s / period_s
    usable = enough & (np.abs(np.linalg.norm(mean, axis=1) - 1) < NEAR_1_G)
    moved = np.sqrt(np.mean(np.diff(mean, axis=0) ** 2, axis=1))[usable[1:] & usable[:-1]]
    # A low quantile of the rms of differences is about the noise of one mean.
    quiet = float(np.quantile(moved, QUIET_SHARE)) if moved.size else 0.0
    return _Blocks(mean, scatter, usable, edges, float(np.clip(NOISES * quiet, FLOOR_G, MOST_G)), length_s)


def _tolerance_g(blocks: _Blocks, start: int) -> float:
    """As the log's, or wider where fingers tremble throughout a hold."""
    window = slice(start, start + SEED_BLOCKS)
    rows = (blocks.edges[start + SEED_BLOCKS] - blocks.edges[start]) / SEED_BLOCKS
    local = float(np.median(blocks.scatter_g[window])) / np.sqrt(rows)
    return float(np.clip(NOISES * local, blocks.tolerance_g, MOST_G))


def _sway_g(blocks: _Blocks, first: int, last: int) -> float:
    """How much the means of one hold scatter about those before them: a hand sways, a table does not."""
    mean = blocks.mean_g[first : last + 1]
    before = np.lib.stride_tricks.sliding_window_view(mean, min(LOOKED_BACK, len(mean) - 1), axis=0)
    away = np.abs(mean[-len(before) + 1 :] - np.median(before, axis=2)[:-1])
    return MEDIAN_TO_SD * float(np.median(away))


def _grown(blocks: _Blocks, free: Mask, start: int, stop: int, way: int, tolerance_g: float) -> int:
    """Block up to which a hold reaches, forwards (way 1) or backwards (way -1), from a seed in it."""
    mean = blocks.mean_g
    seed = np.median(mean[start:stop], axis=0)
    held = list(range(start, stop))[::way]
    end, last = (len(mean), stop - 1) if way == 1 else (-1, start)

    def fits(block: int, level: Array) -> bool:
        inside = 0 <= block < len(mean)
        if not inside or not free[block] or not blocks.usable[block]:
            return False
        away = float(np.abs(mean[block] - level).max())
        return away <= tolerance_g and float(np.abs(mean[block] - seed).max()) <= STRAYS_G + tolerance_g

    while last + way != end:
        level = np.median(mean[held[-LOOKED_BACK:]], axis=0)
        if fits(last + way, level):
            last += way
            held.append(last)
            continue
        back = _after_knock(blocks, free, last, way, level, tolerance_g)
        after = [back + way * i for i in range(BACK_BLOCKS)]
        if back < 0 or not all(fits(block, level) for block in after):
            break
        if np.abs(mean[after].mean(axis=0) - level).max() > max(SAME_G, tolerance_g / 2):
            break
        held += after
        last = after[-1]
    return last


def _after_knock(blocks: _Blocks, free: Mask, last: int, way: int, level: Array, tolerance_g: float) -> int:
    """First block that is back where the hold was, -1 for none in time."""
    for i in range(1, KNOCK_BLOCKS + 2):
        block = last + way * i
        if not 0 <= block < len(free) or not free[block]:
            return -1
        away = float(np.abs(blocks.mean_g[block] - level).max())
        # A block that a gap left empty has no mean.
        if blocks.usable[block] and away <= max(SAME_G, tolerance_g) and i > 1:
            return block
        if blocks.edges[block + 1] > blocks.edges[block] and away > KNOCK_G:
            return -1
    return -1


def _let_go(blocks: _Blocks, first: int, last: int) -> tuple[int, int]:
    """First and last block less those at the ends in which somebody still touches the board."""
    usual = float(np.median(blocks.scatter_g[first : last + 1]))
    touched = blocks.scatter_g > max(FINGERS * usual, LEAST_TOUCH_G)
    while first < last and touched[first]:
        first += 1
    while first < last and touched[last]:
        last -= 1
    return first, last


def _adjusted(blocks: _Blocks, one: tuple[int, int], other: tuple[int, int]) -> bool:
    """Whether one is the adjusting right before or after the other: shorter, and not as still."""
    (first, last), (from_, to) = one, other
    apart = max(from_ - last, first - to) - 1
    if apart > KNOCK_BLOCKS or last - first >= to - from_:
        return False
    touched = np.median(blocks.scatter_g[first : last + 1]) > FINGERS * np.median(
        blocks.scatter_g[from_ : to + 1]
    )
    return bool(touched or _sway_g(blocks, first, last) > SWAYS_MORE * _sway_g(blocks, from_, to))


def _joined(blocks: _Blocks, found: list[tuple[int, int]]) -> list[tuple[int, int]]:
    """Holds in their order, those with no more than a knock between them and of one direction as one."""
    joined: list[tuple[int, int]] = []
    kept = [one for one in found if not any(_adjusted(blocks, one, other) for other in found)]
    for first, last in sorted(kept):
        if joined and first - joined[-1][1] - 1 <= KNOCK_BLOCKS:
            before = blocks.mean_g[max(joined[-1][0], joined[-1][1] - LOOKED_BACK + 1) : joined[-1][1] + 1]
            after = blocks.mean_g[first : min(last + 1, first + LOOKED_BACK)]
            between = blocks.mean_g[joined[-1][1] + 1 : first]
            level = np.median(before, axis=0)
            apart = float(np.abs(np.median(after, axis=0) - level).max())
            if apart <= SAME_G and np.abs(between - level).max(initial=0.0) <= KNOCK_G:
                joined[-1] = (joined[-1][0], last)
                continue
        joined.append((first, last))
    return joined


def still_stretches(t_s: Array, readings_g: Array) -> tuple[slice, ...]:
    """Rows of each hold, in their order.

    Parameters
    ----------
    t_s : (n,) that never fall. readings_g : (n, 3) finite.
    """
    if len(t_s) < 2:
        return ()
    t_s = np.concatenate([[0.0], np.cumsum(np.minimum(np.diff(t_s), LONGEST_GAP_S))])
    blocks = _blocks(t_s, readings_g)
    count = len(blocks.mean_g)
    fewest = max(int(np.ceil(SHORTEST_S / blocks.length_s)), SEED_BLOCKS)
    if count < fewest:
        return ()
    windows = np.lib.stride_tricks.sliding_window_view(blocks.mean_g, SEED_BLOCKS, axis=0)
    rough = np.ptp(windows, axis=2).max(axis=1)
    usable = np.asarray(np.lib.stride_tricks.sliding_window_view(blocks.usable, SEED_BLOCKS).all(axis=1))
    free: Mask = np.ones(count, bool)
    found: list[tuple[int, int]] = []
    for start in np.argsort(rough, kind="stable"):
        seed = slice(int(start), int(start) + SEED_BLOCKS)
        if rough[start] > SEED_NOISES * MOST_G:
            break
        if not usable[start] or not free[seed].all():
            continue
        tolerance_g = _tolerance_g(blocks, int(start))
        if rough[start] > SEED_NOISES * tolerance_g:
            continue
        # Wide at first, or the sway of a hand would not be seen; what does not belong drops out again.
        tolerance_g = max(tolerance_g, FIRST_G)
        for _ in range(ROUNDS):
            last = _grown(blocks, free, seed.start, seed.stop, 1, tolerance_g)
            first = _grown(blocks, free, seed.start, seed.stop, -1, tolerance_g)
            sway_g = _sway_g(blocks, first, last)
            tolerance_g = float(np.clip(NOISES * sway_g, blocks.tolerance_g, MOST_G))
        first, last = _let_go(blocks, first, last)
        if last - first + 1 >= fewest:
            free[first : last + 1] = False
            found.append((first, last))
    length_s = blocks.length_s
    times_s = [((first + 0.5) * length_s, (last + 0.5) * length_s) for first, last in _joined(blocks, found)]
    rows = [np.searchsorted(t_s, pair) for pair in times_s]
    return tuple(slice(int(start), int(stop)) for start, stop in rows)


def spike_rows(readings_g: Array) -> Mask:
    """Single rows (n,) far out on some axis while the rows before and after them agree.

    readings_g : (n, 3) finite.
    """
    found: Mask = np.zeros(len(readings_g), bool)
    if len(readings_g) < 5:
        return found
    before, here, after = readings_g[:-2], readings_g[1:-1], readings_g[2:]
    away = np.abs(here - (before + after) / 2)
    usual = np.median(np.abs(np.diff(readings_g, axis=0)), axis=0)
    apart = np.abs(after - before)
    far = (away > np.maximum(SPIKE_G, SPIKE_NOISES * usual)) & (away > 4 * apart)
    found[1:-1] = far.any(axis=1)
    return found


def at_rail(hold: Array, lowest: Array, highest: Array) -> tuple[int, float, int] | None:
    """Axis, value and number of readings where a hold sits at a limit that nothing in its file goes beyond.

    A limited axis repeats one value while the others scatter over many; coarse counts repeat on every axis.

    Parameters
    ----------
    hold : (n, 3) as logged. lowest, highest : (3,) of the whole file.
    """
    values = [len(np.unique(column)) for column in hold.T]
    for axis in range(3):
        if min(values[:axis] + values[axis + 1 :]) < RAIL_VALUES:
            continue
        for limit in (lowest[axis], highest[axis]):
            count = int(np.sum(hold[:, axis] == limit))
            if count >= max(5, RAIL_SHARE * len(hold)):
                return axis, float(limit), count
    return None
