"""What the measurement makes of one case of the evaluation: a row per still, rows per clip."""

import tempfile
from pathlib import Path
from typing import Any

import cv2
import numpy as np

from attitude.optics import KnownLens
from attitude.sheet import Surface
from attitude.surroundings import declared_surroundings, visible_dip_rad
from horizon.angles import angles_from_up, up_from_angles, wrap_deg
from horizon.clip import probe
from horizon.coded import with_colour_planes, write_clip
from horizon.frame import measure_frame
from horizon.level import Surroundings, claim
from horizon.measure import measure_clip
from tests.bench.parts import SEEDS, case
from tests.bench.train import hfov_deg
from tests.bench.worlds import Still, clip_frames

WRONG_ROLL_DEG, WRONG_PITCH_HFOV = 1.0, 0.02
CLIP_S, CLIP_FPS = 10.0, 10.0


def still_row(part: str, source: str, number: int) -> dict[str, Any]:
    """Measured and true angles of one picture, deg; whichever half is sky, the reading nearer the truth."""
    cv2.setNumThreads(1)
    one = case(part, source, number)
    truth = one.truth
    dip_rad = 0.0 if truth is None else visible_dip_rad(declared(truth))
    fit = measure_frame(one.luma, one.lens, dip_rad=dip_rad)
    row: dict[str, Any] = {
        "name": one.name,
        "source": source,
        "number": number,
        "real": one.real,
        "positive": np.isfinite(one.roll_deg),
        "usable": True if truth is None else truth.usable,
        "hfov_deg": hfov_deg(one.lens),
        "reason": fit.reason,
        "likeness": fit.likeness,
        "wrong": False,
        "level_roll_sd_deg": one.level_sd_deg[0],
        "level_pitch_sd_deg": one.level_sd_deg[1],
    }
    if not fit.reason and row["positive"]:
        true_up = up_from_angles(*np.radians([one.roll_deg, one.pitch_deg]))
        up = fit.up_cam if fit.up_cam @ true_up > fit.up_flipped @ true_up else fit.up_flipped
        row["sky_right"] = bool(fit.up_cam @ true_up > 0)
        row |= _errors(
            up, fit.covariance, fit.width_rad, one.roll_deg, one.pitch_deg, truth, hfov_deg(one.lens)
        )
    return row


def _errors(
    up: np.ndarray,
    covariance: np.ndarray,
    width_rad: float,
    roll_deg: float,
    pitch_deg: float,
    truth: Still | None,
    across_deg: float,
) -> dict[str, Any]:
    roll, pitch = (float(angle) for angle in angles_from_up(up))
    said = claim(pitch, covariance, width_rad, surroundings(truth))
    line_sd = np.degrees(np.sqrt(np.diag(covariance)))
    seen = (roll_deg, pitch_deg) if truth is None else (truth.skyline_roll_deg, truth.skyline_pitch_deg)
    row = {
        "roll_error_deg": float(wrap_deg(np.degrees(roll) - roll_deg)),
        "pitch_error_deg": float(np.degrees(pitch) - pitch_deg),
        "skyline_roll_error_deg": float(wrap_deg(np.degrees(roll) - seen[0])),
        "skyline_pitch_error_deg": float(np.degrees(pitch) - seen[1]),
        "roll_sd_deg": float(np.degrees(said.roll_sd_rad)),
        "pitch_sd_deg": float(np.degrees(said.pitch_sd_rad)),
        "line_roll_sd_deg": float(line_sd[0]),
        "line_pitch_sd_deg": float(line_sd[1]),
        "pitch_held": bool(said.pitch_low_rad <= np.radians(pitch_deg) <= said.pitch_high_rad),
        "claims": said.claims,
    }
    row["wrong"] = _is_wrong(row, WRONG_PITCH_HFOV * across_deg)
    return row


def _is_wrong(row: dict[str, Any], pitch_limit_deg: float) -> bool:
    """Whether the line is another one than the visible horizon."""
    roll_deg, pitch_deg = row["skyline_roll_error_deg"], row["skyline_pitch_error_deg"]
    return bool(abs(roll_deg) > WRONG_ROLL_DEG or abs(pitch_deg) > pitch_limit_deg)


def declared(truth: Still) -> Surface:
    """What an operator would have stated in the sheet of a drawn scene."""
    shores = (truth.shore_m[0], truth.shore_m[1]) if truth.shore_m else None
    return Surface(truth.surface, truth.terrain_deg, truth.visibility_km, truth.height_m, shores)


def surroundings(truth: Still | None) -> Surroundings:
    """What follows from it; the lens is known exactly."""
    if truth is None:
        return Surroundings()
    return declared_surroundings(declared(truth), KnownLens(truth.lens, 0.0), 0.0)


def clip_rows(part: str, kind: str, number: int) -> list[dict[str, Any]]:
    """Rows of every look of one clip of 10 s."""
    cv2.setNumThreads(1)
    rng = np.random.default_rng([SEEDS[part], 7, sum(kind.encode()), number])
    frames: list[Still] = []

    def images():  # type: ignore[no-untyped-def]
        for _, drawn in clip_frames(kind, rng, seconds=CLIP_S, fps=CLIP_FPS):
            frames.append(drawn)
            yield with_colour_planes(drawn.luma)

    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / f"{kind}_{number}.mp4"
        write_clip(path, images(), CLIP_FPS, crf=int(rng.integers(18, 26)))
        found = measure_clip(
            probe(path),
            frames[0].lens,
            dip_rad=visible_dip_rad(declared(frames[0])),
            surroundings=surroundings(frames[0]),
        )
    rows = []
    across_deg = hfov_deg(frames[0].lens)
    for look in found.track.to_dict("records"):
        truth = frames[look["frame"]]
        row = {
            "clip": f"{kind} {number}", "kind": kind, "t_s": look["t_s"], "sky": found.sky,
            "usable": truth.usable, "reason": look["reason"], "wrong": False,
        }  # fmt: skip
        if not look["reason"]:
            up = up_from_angles(*np.radians([look["roll_deg"], look["pitch_deg"]]))
            true_up = up_from_angles(*np.radians([truth.skyline_roll_deg, truth.skyline_pitch_deg]))
            row["sky_right"] = bool(up @ true_up > 0)
            roll, pitch = np.degrees(angles_from_up(up if row["sky_right"] else -up))
            row["skyline_roll_error_deg"] = float(wrap_deg(roll - truth.skyline_roll_deg))
            row["skyline_pitch_error_deg"] = float(pitch - truth.skyline_pitch_deg)
            row["roll_error_deg"] = float(wrap_deg(roll - truth.roll_deg))
            row["roll_sd_deg"], row["shared_roll_sd_deg"] = look["roll_sd_deg"], look["shared_roll_sd_deg"]
            row["pitch_held"] = look["pitch_low_deg"] <= truth.pitch_deg <= look["pitch_high_deg"]
            dip_allowance_deg = 0.0 if row["sky_right"] else 2 * float(np.degrees(truth.dip_rad))
            row["wrong"] = _is_wrong(row, WRONG_PITCH_HFOV * across_deg + dip_allowance_deg)
        rows.append(row)
    return rows
