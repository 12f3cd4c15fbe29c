"""Boards seen through known lenses, ray by ray: what the calibration of a lens is tested on."""

from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from horizon.board import BoardView
from horizon.coded import with_colour_planes, write_clip
from horizon.lens import Lens, pixels, rays

COLUMNS, ROWS = 9, 6  # inner corners


@dataclass(frozen=True)
class Pose:
    """Board to camera: a point p of the board (squares, its middle at 0) lies at R p + t."""

    rot_cam_board: NDArray[np.float64]
    at_cam: NDArray[np.float64]


def board_points(columns=COLUMNS, rows=ROWS):
    """Inner corners (n, 3) in squares, the board's middle at 0."""
    x, y = np.meshgrid(np.arange(columns) - (columns - 1) / 2, np.arange(rows) - (rows - 1) / 2)
    return np.column_stack([x.ravel(), y.ravel(), np.zeros(x.size)])


def poses(lens, count, rng, *, tilt_deg=35.0, reach=0.75, near=1.0):
    """Places of a board that an operator would show: all over the picture, near and far, tilted every way."""
    found = []
    while len(found) < count:
        target = (rng.uniform(-reach, reach, 2) / 2 + 0.5) * [lens.width_px - 1, lens.height_px - 1]
        direction = rays(lens, [target])[0]
        turn = Rotation.from_euler("xyz", rng.uniform(-tilt_deg, tilt_deg, 3), degrees=True)
        facing, _ = Rotation.align_vectors([direction], [[0.0, 0.0, 1.0]])
        rot = (facing * turn).as_matrix()
        # The board covers about a third of the picture's width.
        width_rad = float(
            np.arccos(rays(lens, [[0, target[1]]])[0] @ rays(lens, [[lens.width_px - 1, target[1]]])[0])
        )
        distance = (COLUMNS + 1) / 2 / np.tan(min(width_rad, 2.0) * rng.uniform(0.12, 0.24)) / near
        pose = Pose(rot, direction * distance)
        seen = corners(lens, pose)
        inside = (seen > 8).all() and (seen < [lens.width_px - 9, lens.height_px - 9]).all()
        if inside and np.isfinite(seen).all():
            found.append(pose)
    return found


def corners(lens: Lens, pose: Pose):
    """Pixels (n, 2) of the inner corners."""
    return pixels(lens, board_points() @ pose.rot_cam_board.T + pose.at_cam)


def _on_board(pose: Pose, rays_cam):
    """Where rays meet the board's plane, in its own axes (n, 2); far away where they never do."""
    normal = pose.rot_cam_board[:, 2]
    with np.errstate(divide="ignore", invalid="ignore"):
        distance = (normal @ pose.at_cam) / (rays_cam @ normal)
    there = (rays_cam * distance[:, None] - pose.at_cam) @ pose.rot_cam_board[:, :2]
    there[~(distance > 0)] = 1e6
    return there


def draw_board(lens: Lens, pose: Pose, rays_cam, rng, *, blur_px=0.6, noise_sd=1.5):
    """Luma (height, width) of a board before a mottled wall; ``rays_cam`` of all its pixels, row by row."""
    on_board = _on_board(pose, rays_cam)
    shape = (lens.height_px, lens.width_px)
    u, v = (on_board[:, k].reshape(shape) for k in (0, 1))
    wave = np.ones(shape)
    for along, count in ((u, COLUMNS), (v, ROWS)):
        line = along + (count - 1) / 2
        slope = np.hypot(*np.gradient(line)) + 1e-9
        nearest = np.round(line)
        edge = np.clip((line - nearest) / slope, -0.5, 0.5) * 2
        wave = wave * edge * np.where(nearest % 2 == 0, 1, -1)
    grey = 128 + 92 * wave
    inside = (np.abs(u) < (COLUMNS + 1) / 2) & (np.abs(v) < (ROWS + 1) / 2)
    margin = (np.abs(u) < (COLUMNS + 2.5) / 2) & (np.abs(v) < (ROWS + 2.5) / 2)
    wall = cv2.resize(rng.normal(110, 20, (9, 16)), shape[::-1], interpolation=cv2.INTER_CUBIC)
    luma = np.where(inside, grey, np.where(margin, 215.0, wall))
    luma = cv2.GaussianBlur(luma, (0, 0), blur_px) + rng.normal(0, noise_sd, shape)
    return np.clip(np.round(luma), 0, 255).astype(np.uint8)


def pixel_rays(lens: Lens):
    """Rays of all pixels, row by row."""
    x, y = np.meshgrid(np.arange(lens.width_px, dtype=float), np.arange(lens.height_px, dtype=float))
    return rays(lens, np.column_stack([x.ravel(), y.ravel()]))


def view_of(lens: Lens, pose: Pose, rng, *, noise_px=0.06, edge_px=2.0):
    """The board's corners as a detector with such noise finds them, without drawing a picture."""
    seen = corners(lens, pose)
    return BoardView(0.0, COLUMNS, ROWS, seen + rng.normal(0, noise_px, seen.shape), edge_px)


def film_board(path: Path, lens: Lens, placed, rng):
    """A clip that shows the board in each pose for two frames, five frames a second."""
    rays_cam = pixel_rays(lens)
    drawn = (draw_board(lens, pose, rays_cam, rng) for pose in placed for _ in range(2))
    write_clip(path, map(with_colour_planes, drawn), 5, crf=16, key_every=2)


def draw_printed(lens: Lens, pose: Pose, rays_cam, printed, squares, rng, *, blur_px=0.6, noise_sd=1.5):
    """Luma of a print of ``squares`` (columns, rows) with a white margin before a mottled wall.

    printed : the whole print without its margin, a whole number of pixels to a square.
    """
    on_board = _on_board(pose, rays_cam)
    shape = (lens.height_px, lens.width_px)
    per_square = printed.shape[1] / squares[0]
    margin = round(0.75 * per_square)
    paper = cv2.copyMakeBorder(printed, *[margin] * 4, cv2.BORDER_CONSTANT, value=255)
    paper = np.uint8(36 + 184 * (paper / 255.0))
    # An edge between pixels lies half a pixel before the centre of the next.
    at = (on_board + np.array(squares) / 2) * per_square + margin - 0.5
    wall = cv2.resize(rng.normal(110, 20, (9, 16)), shape[::-1], interpolation=cv2.INTER_CUBIC)
    wall = np.uint8(np.clip(wall, 0, 255))
    x, y = (np.float32(np.clip(at[:, k], -1e4, 1e4)).reshape(shape) for k in (0, 1))
    # A picture twice as fine, made small again: each pixel is the mean of what it covers.
    wide = (2 * shape[1], 2 * shape[0])
    fine = [cv2.resize(one, wide, interpolation=cv2.INTER_LINEAR) for one in (x, y)]
    luma = cv2.remap(
        paper,
        *fine,
        cv2.INTER_LINEAR,
        dst=cv2.resize(wall, wide, interpolation=cv2.INTER_LINEAR),
        borderMode=cv2.BORDER_TRANSPARENT,
    )
    luma = cv2.resize(luma, shape[::-1], interpolation=cv2.INTER_AREA).astype(float)
    luma = cv2.GaussianBlur(luma, (0, 0), blur_px) + rng.normal(0, noise_sd, shape)
    return np.clip(np.round(luma), 0, 255).astype(np.uint8)
