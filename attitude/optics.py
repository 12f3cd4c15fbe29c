"""Lens of a clip from what the sheet tells of the camera, and how well it is known; readout of its rows.

A pinhole picture of width W covers the horizontal angle a with f = W / (2 tan(a / 2)) pixels; a diagonal
angle does the same with the picture's diagonal. A "35 mm equivalent" focal length is meant by the diagonal
of a 36 x 24 mm frame (common practice).
"""

import math
from dataclasses import dataclass

from attitude.sheet import Camera, ClipSheet, SheetError
from horizon.clip import ClipFacts
from horizon.lens import Lens, LensError, lens_from_hfov, read_lens, scaled

__all__ = ["ASSUMED_HFOV_DEG", "KnownLens", "lens_of", "readout_s_of"]

ASSUMED_HFOV_DEG = 75.0
# Half of the assumed field of view's 95 % interval, +- 20 deg, as a share of the focal length:
# df/f = da / sin a.
ASSUMED_FOCAL_SD = math.radians(10.0) / math.sin(math.radians(ASSUMED_HFOV_DEG))
TOLD_FOCAL_SD = 0.02
CALIBRATED_FOCAL_SD = 0.004  # of a lens file that does not tell
# Pictures that the camera straightens itself are off by a few hundredths at the side, others by 5 to 15
# (common practice, from memory).
STATED_BEND_SD, CALIBRATED_BEND_SD = 0.05, 0.002
FULL_FRAME_DIAGONAL_MM = math.hypot(36.0, 24.0)
# Frame rates are means over the clip, and readouts are rounded.
LONGER_THAN_FRAME = 1.05


@dataclass(frozen=True)
class KnownLens:
    """A lens, ``focal_sd``, the standard uncertainty of its focal length as a share of it, and ``bend_sd``.

    bend_sd : of what it bends beyond that, at the picture's side, as a share (:mod:`horizon.bend`).
    """

    lens: Lens
    focal_sd: float
    bend_sd: float = STATED_BEND_SD


def lens_of(facts: ClipFacts, camera: Camera, clip: ClipSheet | None) -> KnownLens:
    """Lens for a clip of this size: the clip's own entry first, then the camera's, else 75 deg.

    Raises
    ------
    LensError
        The lens file does not fit the clip, or the stated angle is impossible.
    SheetError
        A focal length is stated without the width of the sensor.
    """
    width, height = facts.width_px, facts.height_px
    path = clip.lens if clip is not None and clip.lens else None
    hfov_deg = clip.hfov_deg if clip is not None and path is None else None
    if path is None and hfov_deg is None:
        path = camera.lens
    try:
        if path is not None:
            of_clip = clip is not None and clip.lens is not None
            lens = scaled(read_lens(path), width, height, None if of_clip else camera.crop)
            focal_sd = CALIBRATED_FOCAL_SD if lens.focal_sd is None else lens.focal_sd
            return KnownLens(lens, focal_sd, CALIBRATED_BEND_SD)
        if hfov_deg is None:
            hfov_deg = _camera_hfov_deg(camera, width, height)
        if hfov_deg is None:
            return KnownLens(lens_from_hfov(width, height, ASSUMED_HFOV_DEG), ASSUMED_FOCAL_SD)
        return KnownLens(lens_from_hfov(width, height, hfov_deg), TOLD_FOCAL_SD)
    except LensError as error:
        raise LensError(f"{facts.path.name}: {error}") from None


def readout_s_of(facts: ClipFacts, camera: Camera, clip: ClipSheet) -> float | None:
    """Readout of the stored picture, s of the clip's own time, less than 0 when its last row is read first.

    None when it is not told, or when the camera turned the pixels by a quarter: rows are then columns.

    Raises
    ------
    SheetError
        The readout is longer than a frame of the clip lasts.
    """
    if camera.readout_ms is None:
        return None
    # Slowed-down footage slows the readout down with everything else.
    readout_s = camera.readout_ms / 1000 / clip.time_scale
    if facts.fps > 0 and not readout_s <= LONGER_THAN_FRAME / facts.fps:
        frame_ms = 1000 * clip.time_scale / facts.fps
        raise SheetError(
            f"{facts.path.name}: readout_ms is {camera.readout_ms:g}, but a frame lasts {frame_ms:.3g} ms; "
            "state the time from the first to the last row of a frame, or leave it out"
        )
    return {0: readout_s, 180: -readout_s}.get(clip.picture_turned_deg)


def _camera_hfov_deg(camera: Camera, width_px: int, height_px: int) -> float | None:
    """Horizontal field of view, deg, or None when the sheet tells nothing of it; ``crop`` narrows it."""
    diagonal_px = math.hypot(width_px, height_px)
    if camera.hfov_deg is not None:
        focal_px = width_px / 2 / math.tan(math.radians(camera.hfov_deg) / 2)
    elif camera.diagonal_fov_deg is not None:
        focal_px = diagonal_px / 2 / math.tan(math.radians(camera.diagonal_fov_deg) / 2)
    elif camera.focal_mm is not None:
        if camera.sensor_width_mm is None:
            raise SheetError("[camera] focal_mm needs sensor_width_mm beside it; add it, or state hfov_deg")
        focal_px = camera.focal_mm / camera.sensor_width_mm * width_px
    elif camera.focal_35mm is not None:
        focal_px = camera.focal_35mm / FULL_FRAME_DIAGONAL_MM * diagonal_px
    else:
        return None
    return math.degrees(2 * math.atan(width_px / 2 / (focal_px * (camera.crop or 1.0))))
