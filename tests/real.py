"""Real panoramas and photographs of known level, where the folder with them is present.

The strips are equirectangular; a virtual camera rendered from one has an exactly known attitude relative to
the strip, and the strip's own level is known to the uncertainty its list states. Attribution of the strips
used here: Emil Persson (Humus), http://www.humus.name, CC-BY-3.0.
"""

import os
from pathlib import Path

import cv2
import numpy as np
import pytest

from horizon.angles import tangent_frame, up_from_angles
from horizon.lens import Lens, rays

FOLDER = Path(os.environ.get("HORIZON_DRIFT_REAL_DATA", Path(__file__).parents[2] / "shared" / "data"))
needs_real_data = pytest.mark.skipif(
    not (FOLDER / "panoramas").is_dir(),
    reason="the folder of real panoramas is absent; HORIZON_DRIFT_REAL_DATA names it",
)
TOP_BOTTOM_DEG = {"sea_rocky_bay.jpg": (39.978, -35.006)}


def strip(name: str) -> np.ndarray:
    """Grey equirectangular strip, yaw -180 at the left edge growing to the right."""
    picture = cv2.imread(str(FOLDER / "panoramas" / name), cv2.IMREAD_GRAYSCALE)
    assert picture is not None, name
    return np.hstack([picture[:, -64:], picture, picture[:, :64]])


def look(picture: np.ndarray, name: str, lens: Lens, *, roll_deg: float, pitch_deg: float, yaw_deg: float):
    """Luma of a virtual camera at this attitude in a strip; beyond the strip its last row goes on."""
    top, bottom = TOP_BOTTOM_DEG.get(name, (45.0, -45.0))
    width = picture.shape[1] - 128
    roll, pitch = np.radians([roll_deg, pitch_deg])
    e_roll, forward = tangent_frame(roll, pitch)
    x, y = np.meshgrid(np.arange(lens.width_px, dtype=float), np.arange(lens.height_px, dtype=float))
    ray = rays(lens, np.column_stack([x.ravel(), y.ravel()]))
    elevation = np.degrees(np.arcsin(np.clip(ray @ up_from_angles(roll, pitch), -1, 1)))
    azimuth = (np.degrees(np.arctan2(-(ray @ e_roll), ray @ forward)) + yaw_deg + 180) % 360
    column = (azimuth / 360 * width - 0.5 + 64).astype(np.float32).reshape(x.shape)
    row = ((top - elevation) / (top - bottom) * picture.shape[0] - 0.5).astype(np.float32).reshape(x.shape)
    return cv2.remap(picture, column, row, cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
