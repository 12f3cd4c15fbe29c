"""Thumbnail to where a horizon may be: every roll over the full circle, every pitch, in ray space.

For a roll phi each pixel has exactly one pitch, ``theta = atan2(sin(phi) x + cos(phi) y, z)``, at which a
level line passes through it (from ``ray . up = 0``), whatever the lens. Adding up the brightness gradient
across the line, with its sign, per (phi, theta) cell therefore scores all pitches of a roll in one pass; a
real horizon keeps its sign along its length, texture cancels. Three pools are formed, because they fail on
different frames: gradients clipped (clear lines), gradients reduced to their direction (hazy lines), and
lines through random pairs of the sharpest transitions of single columns and rows (lines with gaps).

The attitude log is never consulted here: the log is what is being tested.
"""

from dataclasses import dataclass
from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

from .angles import angles_from_up
from .lens import Lens, rays, scaled

__all__ = ["Candidate", "candidates", "gradients", "picture_area"]

THUMBNAIL_PX = 256
ROLL_STEP_DEG = 1.5
# A line shorter than this share of the picture's short side is not a horizon one can measure roll on.
SHORTEST_LINE = 0.45
PER_POOL = 4
# Bars are no brighter, noise and the encoder's rounding included.
LIT_GREY = 28
CLIP_GREY = 10.0
# Lines through pairs of transitions: every so many columns, so many transitions of each, so many pairs.
COLUMN_STEP_PX, PER_COLUMN, PAIRS, PER_DIRECTION = 4, 2, 500, 2

Array = NDArray[np.float64]
Array32 = NDArray[np.float32]
Area = tuple[int, int, int, int]


@dataclass(frozen=True)
class Candidate:
    """A line that may be the horizon; ``roll_rad`` in [-pi/2, pi/2): which side is sky is open here."""

    roll_rad: float
    pitch_rad: float
    score: float


@dataclass(frozen=True)
class _Table:
    width_px: int
    height_px: int
    roll_rad: Array
    members: csr_array
    first_theta_rad: float
    step_rad: float
    count: Array
    rays: Array


@lru_cache(maxsize=4)
def _table(lens: Lens) -> _Table:
    shrink = THUMBNAIL_PX / max(lens.width_px, lens.height_px)
    width, height = round(lens.width_px * shrink), round(lens.height_px * shrink)
    small = scaled(lens, width, height)
    x, y = np.meshgrid(np.arange(width, dtype=float), np.arange(height, dtype=float))
    ray = rays(small, np.column_stack([x.ravel(), y.ravel()]))
    roll = np.radians(np.arange(-90.0, 90.0, ROLL_STEP_DEG))
    theta = np.arctan2(np.outer(np.sin(roll), ray[:, 0]) + np.outer(np.cos(roll), ray[:, 1]), ray[:, 2])
    step = small.pixel_rad
    first = float(theta.min())
    cell = ((theta - first) / step).astype(np.intp)
    cells = int(cell.max()) + 1
    # One row for each cell of each roll, with its pixels: all sums of a picture are one product.
    numbered = (cell + cells * np.arange(len(roll))[:, None]).ravel().astype(np.int32)
    pixel = np.tile(np.arange(cell.shape[1], dtype=np.int32), len(roll))
    ones = np.ones(len(pixel), np.float32)
    members = csr_array((ones, (numbered, pixel)), (cells * len(roll), cell.shape[1]))
    count = np.asarray(members.sum(axis=1, dtype=float)).reshape(len(roll), cells)
    return _Table(width, height, roll, members, first, step, count, ray.reshape(height, width, 3))


def gradients(picture: Array32) -> tuple[Array32, Array32]:
    """Grey levels per pixel to the right and downwards (Scharr's kernel)."""
    across = cv2.Scharr(picture, cv2.CV_32F, 1, 0, scale=1 / 32)
    down = cv2.Scharr(picture, cv2.CV_32F, 0, 1, scale=1 / 32)
    return np.asarray(across, np.float32), np.asarray(down, np.float32)


def picture_area(luma: NDArray[np.uint8]) -> Area:
    """Left, top, right, bottom (exclusive) of the picture inside black bars along its edges."""
    height, width = luma.shape
    outermost = (luma[0, ::8], luma[-1, ::8], luma[::8, 0], luma[::8, -1])
    if all(line.max() > LIT_GREY for line in outermost):
        return 0, 0, width, height
    rows = luma[:, ::8].max(axis=1)
    columns = luma[::8].max(axis=0)
    lit_rows, lit_columns = np.flatnonzero(rows > LIT_GREY), np.flatnonzero(columns > LIT_GREY)
    if len(lit_rows) < height // 3 or len(lit_columns) < width // 3:
        return 0, 0, width, height
    return int(lit_columns[0]), int(lit_rows[0]), int(lit_columns[-1]) + 1, int(lit_rows[-1]) + 1


def candidates(
    luma: NDArray[np.uint8], lens: Lens, covered: NDArray[np.uint8] | None = None
) -> list[Candidate]:
    """Lines that may be the horizon, best first; empty for a picture without any edge.

    ``covered`` (any size, of the same proportions): above 0 where something is burnt into the picture.
    """
    table = _table(lens)
    small = cv2.resize(luma, (table.width_px, table.height_px), interpolation=cv2.INTER_AREA)
    picture = cv2.GaussianBlur(small.astype(np.float32), (0, 0), 0.8)
    gx, gy = gradients(picture)
    # Bars are no part of the picture: their edges would outscore any horizon.
    left, top, right, bottom = picture_area(luma)
    shrink = table.width_px / luma.shape[1]
    inside = np.zeros(small.shape, bool)
    rows = slice(int(np.ceil(top * shrink)) + 2, int(bottom * shrink) - 2)
    inside[rows, int(np.ceil(left * shrink)) + 2 : int(right * shrink) - 2] = True
    if covered is not None:
        hidden = cv2.resize(covered, (table.width_px, table.height_px), interpolation=cv2.INTER_AREA)
        inside &= cv2.dilate(hidden, np.ones((5, 5), np.uint8)) == 0
    gx[~inside] = 0
    gy[~inside] = 0
    length = np.hypot(gx, gy)
    noise = float(np.median(length[inside])) if inside.any() else 1.0
    found: list[Candidate] = []
    clipped = np.minimum(1.0, CLIP_GREY / np.maximum(length, 1e-6))
    direction = 1.0 / (length + noise + 0.3)
    weighted = [(gradient * weight).ravel() for weight in (clipped, direction) for gradient in (gx, gy)]
    sums = np.asarray(table.members @ np.column_stack(weighted), np.float64)
    for along_x, along_y in (sums[:, :2].T, sums[:, 2:].T):
        found += _best_cells(table, along_x, along_y, luma.shape)
    found += _through_transitions(table.rays, gy, noise, table.step_rad)
    found += _through_transitions(table.rays.transpose(1, 0, 2), gx.T, noise, table.step_rad)
    return _without_twins(found, table.step_rad)


def _best_cells(table: _Table, along_x: Array, along_y: Array, shape: tuple[int, ...]) -> list[Candidate]:
    """The cells with the strongest gradient across them; ``along_x``, ``along_y``: of each the sums."""
    turned = np.stack([np.sin(table.roll_rad), np.cos(table.roll_rad)])[:, :, None]
    total = turned[0] * along_x.reshape(table.count.shape) + turned[1] * along_y.reshape(table.count.shape)
    # Three cells together: between two rolls of the grid a line crosses that many at its ends.
    kernel = np.ones((1, 3))
    total = cv2.filter2D(total, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    count = cv2.filter2D(table.count, -1, kernel, borderType=cv2.BORDER_CONSTANT)
    shortest = SHORTEST_LINE * THUMBNAIL_PX * min(shape) / max(shape) * 3
    score = np.where(count >= shortest, np.abs(total) / np.sqrt(np.maximum(count, 1)), 0)
    spread = float(np.sqrt(np.mean(score[score > 0] ** 2))) if (score > 0).any() else 0.0
    found = []
    for _ in range(PER_POOL):
        i, j = (int(k) for k in np.unravel_index(int(np.argmax(score)), score.shape))
        if spread == 0 or score[i, j] <= 0:
            break
        found.append(
            Candidate(
                float(table.roll_rad[i]),
                table.first_theta_rad + (j + 0.5) * table.step_rad,
                float(score[i, j]) / spread,
            )
        )
        _blank(score, i, j, table.first_theta_rad, table.step_rad)
    return found


def _through_transitions(ray: Array, across: Array32, noise: float, step_rad: float) -> list[Candidate]:
    """Lines through many of the sharpest transitions along columns, found over random pairs of them (RANSAC).

    ``ray`` (height, width, 3), ``across`` (height, width): gradient along the columns.
    """
    some = across[:, 1::COLUMN_STEP_PX]
    size = np.abs(some)
    peak = np.where(size >= cv2.dilate(size, np.ones((5, 1), np.uint8)), size, 0)
    rows = np.argsort(-peak, axis=0)[:PER_COLUMN]
    columns = np.broadcast_to(np.arange(some.shape[1]), rows.shape)
    sharp = peak[rows, columns] > 2 * noise + 0.5
    points = ray[:, 1::COLUMN_STEP_PX][rows[sharp], columns[sharp]]
    sign = np.sign(some[rows[sharp], columns[sharp]])
    if len(points) < 12:
        return []
    # The same pairs for the same picture: a result has to come out twice.
    first, second = np.random.default_rng(0).integers(0, len(points), (2, PAIRS))
    far = np.abs(columns[sharp][first] - columns[sharp][second]) > some.shape[1] / 5
    first, second = (pick[far & (sign[first] == sign[second])] for pick in (first, second))
    normal = np.cross(points[first], points[second])
    normal /= np.maximum(np.linalg.norm(normal, axis=1, keepdims=True), 1e-12)
    near = np.abs(normal @ points.T) < 1.2 * step_rad
    votes = (near & (sign[None] == sign[first][:, None])).sum(axis=1).astype(float)
    found: list[Candidate] = []
    for _ in range(PER_DIRECTION):
        if not len(votes) or votes.max() < 0.25 * some.shape[1]:
            break
        best = int(np.argmax(votes))
        up = normal[best] if normal[best][1] < 0 else -normal[best]
        roll, pitch = angles_from_up(up)
        found.append(Candidate(float(roll), float(pitch), float(votes[best]) / np.sqrt(some.shape[1])))
        votes[np.abs(normal @ up) > np.cos(6 * step_rad)] = 0
    return found


def _blank(score: Array, i: int, j: int, first: float, step: float) -> None:
    """Clear the cells of the line just taken and its near twins; rolls join at +-90 with pitch reversed."""
    rolls, cells = score.shape
    for di in range(-3, 4):
        row, mirrored = (i + di) % rolls, not 0 <= i + di < rolls
        middle = round((-(first + (j + 0.5) * step) - first) / step - 0.5) if mirrored else j
        reach = 6 + 2 * abs(di)
        score[row, max(0, middle - reach) : max(0, min(cells, middle + reach + 1))] = 0


def _without_twins(found: list[Candidate], step_rad: float) -> list[Candidate]:
    kept: list[Candidate] = []
    for one in sorted(found, key=lambda c: -c.score):
        twin = any(
            abs(one.roll_rad - other.roll_rad) < np.radians(2.5)
            and abs(one.pitch_rad - other.pitch_rad) < 4 * step_rad
            for other in kept
        )
        if not twin:
            kept.append(one)
    return kept
