"""Drawn frames for the tests: scenes over the full circle of roll, noise added, through H.264."""

from pathlib import Path

import numpy as np

from horizon.angles import angles_from_up, wrap_deg
from horizon.clip import read_frames
from horizon.coded import with_colour_planes, write_clip
from horizon.frame import measure_frame
from horizon.lens import Lens, lens_from_hfov
from horizon.synthetic import draw_frame, make_scene


def drawn_frames(path: Path, *, count: int, seed: int, kinds, lens: Lens, pitch_deg: float = 12.0):
    """Encode ``count`` unrelated frames as key frames; yields (kind, roll_deg, pitch_deg, decoded luma)."""
    rng = np.random.default_rng(seed)
    truth, images = [], []
    for k in range(count):
        kind = kinds[k % len(kinds)]
        scene = make_scene(
            kind,
            rng=rng,
            height_m=float(np.exp(rng.uniform(np.log(3), np.log(90)))),
            objects=int(rng.integers(0, 10)),
            visibility_km=float(rng.choice([30, 60, 100])),
            noise_sd=float(rng.uniform(1, 4)),
        )
        roll_deg, pitch = float(rng.uniform(-180, 180)), float(rng.uniform(-pitch_deg, pitch_deg))
        truth.append((kind, roll_deg, pitch))
        images.append(
            with_colour_planes(
                draw_frame(
                    scene,
                    lens,
                    roll_deg=roll_deg,
                    pitch_deg=pitch,
                    yaw_deg=float(rng.uniform(-180, 180)),
                    rng=rng,
                )
            )
        )
    write_clip(path, images, 5, crf=22, key_every=1)
    for (kind, roll_deg, pitch), frame in zip(truth, read_frames(path), strict=True):
        yield kind, roll_deg, pitch, frame.luma


def measured(path: Path, *, count: int, seed: int, kinds=("sea", "plain"), hfov_deg=70.0, size=(1920, 1080)):
    """Rows of (kind, roll error, pitch error, roll sd, pitch sd, reason) in deg, one per drawn frame."""
    lens = lens_from_hfov(*size, hfov_deg)
    rows = []
    for kind, roll_deg, pitch_deg, luma in drawn_frames(path, count=count, seed=seed, kinds=kinds, lens=lens):
        fit = measure_frame(luma, lens)
        roll, pitch = np.degrees(angles_from_up(fit.up_cam))
        sd = np.degrees(np.sqrt(np.diag(fit.covariance)))
        rows.append(
            (kind, float(wrap_deg(roll - roll_deg)), float(pitch - pitch_deg), sd[0], sd[1], fit.reason)
        )
    return rows
