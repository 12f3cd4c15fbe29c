"""Make the demo's six-face capture: ``python demo_clips/make_faces.py [FOLDER]``.

Invented like the shoots: Pollock Steps calibrate Wagtail's sensor on the bench, between its two shoots. The
board is turned by hand from face to face, the bubble is centred, the face is held, the raw accelerometer is
logged all the time. The truth goes beside it.
"""

import argparse
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

Array = NDArray[np.float64]

RATE_HZ = 25.0
SEED = 20265
NOISE_MG = 1.2
BUBBLE_DEG = 0.2
TEMPERATURE_C = 24.0
ORDER = ("+z", "+x", "-z", "-x", "+y", "-y")
OFFSET_MG = (11.8, -23.4, 31.0)
OLD_OFFSET_MG = (9.6, -37.9, 26.5)
SCALE = (1.004, 0.994, 1.011)
CROSS = 0.001  # sd of what one axis reads of another

SHEET = """\
# Demo capture of horizon-drift. Crew, rig and numbers are invented.
file = "cube.csv"
rig = "Wagtail"
calibration = "April, on the bench"
date = 2026-04-24
sensor_axes = ["y", "-z", "-x"]  # board axes that point to camera right, down, forward
bubble = "{bubble} deg"             # how far off level a face may sit where the bubble looks centred
procedure = "offset_and_scale"

[words]                          # which side is up, as the crew says it
"+z" = "chip up, camera level"
"-z" = "pins up, camera upside down"

[old]                            # what the gimbal held when it filmed the first shoot
offset_mg = [{old}]
scale = [1.004, 0.994, 1.011]
"""


def up_of(face: str, tilt_deg: Array) -> Array:
    """Up along the board's axes with a face up, tilted towards its two other axes."""
    up, towards = np.zeros(3), np.zeros(3)
    axis = "xyz".index(face[1])
    up[axis] = 1.0 if face[0] == "+" else -1.0
    towards[[k for k in range(3) if k != axis]] = np.radians(tilt_deg)
    return np.asarray(Rotation.from_rotvec(np.cross(up, towards)).apply(up))


def turned(start: Array, stop: Array, rows: int, rng: np.random.Generator) -> Array:
    """From one pose to the next, (rows, 3)."""
    axis = np.cross(start, stop)
    if np.linalg.norm(axis) < 0.1:
        axis = np.cross(start, rng.normal(0, 1, 3))
    axis /= np.linalg.norm(axis)
    angle = np.arctan2(np.cross(start, stop) @ axis, start @ stop)
    share = (1 - np.cos(np.pi * np.arange(rows) / rows)) / 2
    return np.asarray(Rotation.from_rotvec(np.outer(share * angle, axis)).apply(start))


def make_capture(folder: Path, seed: int = SEED) -> None:
    """Write ``cube.csv``, ``faces.toml`` and ``truth.toml`` into ``folder``."""
    rng = np.random.default_rng(seed)
    matrix = np.diag(SCALE) + rng.normal(0, CROSS, (3, 3)) * (1 - np.eye(3))
    parts, shaken = [], []
    here = up_of("+z", rng.normal(0, 4, 2))
    for face in ORDER:
        tilt = rng.normal(0, BUBBLE_DEG, 2)
        up = up_of(face, tilt)
        moving, centring, held = (round(s * RATE_HZ) for s in (2.0, rng.uniform(3, 5), rng.uniform(10, 12)))
        parts.append(turned(here, up_of(face, tilt + rng.normal(0, 2, 2)), moving, rng))
        shaken.append(np.full(moving, 40.0))
        off = rng.normal(0, 2, 2)
        left = np.exp(-4 * np.arange(centring) / centring) - np.exp(-4)
        parts.append(np.array([up_of(face, tilt + off * one) for one in left]))
        shaken.append(np.full(centring, 5.0))
        parts.append(np.tile(up, (held, 1)))
        shaken.append(np.full(held, NOISE_MG))
        here = up
    ups, noise_mg = np.concatenate(parts), np.concatenate(shaken)
    read = (
        ups @ matrix.T + np.array(OFFSET_MG) / 1000 + rng.normal(0, 1, ups.shape) * noise_mg[:, None] / 1000
    )
    t_s = np.arange(len(ups)) / RATE_HZ
    table = pd.DataFrame(
        {"t_s": t_s.round(3), **dict(zip(("ax_g", "ay_g", "az_g"), read.T.round(4), strict=True))}
    )
    table["temp_c"] = (TEMPERATURE_C + 0.4 * t_s / t_s[-1]).round(1)
    folder.mkdir(parents=True, exist_ok=True)
    table.to_csv(folder / "cube.csv", index=False, lineterminator="\n")
    old = ", ".join(f"{one:.1f}" for one in OLD_OFFSET_MG)
    (folder / "faces.toml").write_text(SHEET.format(bubble=BUBBLE_DEG, old=old), encoding="utf-8")
    rows = ",\n    ".join(f"[{', '.join(f'{one:.5f}' for one in row)}]" for row in matrix)
    truth = (
        "# What was put into this invented capture: reading = matrix * up + offset, board axes.\n"
        f"offset_mg = [{', '.join(f'{one:.1f}' for one in OFFSET_MG)}]\n"
        f"matrix = [\n    {rows},\n]\n"
    )
    (folder / "truth.toml").write_text(truth, encoding="utf-8")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).parent / "six_faces")
    make_capture(parser.parse_args().folder)
