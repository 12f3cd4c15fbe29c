"""The truth in the shape of a measured clip: what lays clips against logs without measuring them."""

import numpy as np
import pandas as pd

from attitude.simulate import truth_at
from horizon import TRACK_COLUMNS
from horizon.angles import wrap_deg
from horizon.clip import probe
from horizon.measure import ClipTrack

from .flights import fixed_seed, flown
from .footage import FPS

__all__ = ["true_tracks"]

ASSUMED_HFOV_DEG = 75.0


def true_tracks(clip, folder, shoot):
    """What measuring a take's files would give: the true camera, a little noise, a field of view assumed."""
    one = flown(clip.flight)
    guessed = shoot.camera.hfov_deg or ASSUMED_HFOV_DEG
    stretch = np.tan(np.radians(guessed / 2)) / np.tan(np.radians(one.hfov_deg / 2))
    ends = [*clip.from_s[1:], clip.to_s]
    for file, from_s, to_s in zip(clip.files, clip.from_s, ends, strict=True):
        rng = np.random.default_rng(fixed_seed("track", file))
        t_s = np.arange(round((to_s - from_s) * FPS)) / FPS
        true = truth_at(one.flight, from_s + t_s)
        n = len(t_s)
        track = pd.DataFrame(index=range(n), columns=TRACK_COLUMNS, dtype=float)
        track = track.assign(
            clip=file, frame=np.arange(n), t_s=t_s, quality=1.0, reason="", claims="roll and pitch"
        )
        turned_deg = 180.0 if clip.turned else 0.0
        track["roll_deg"] = wrap_deg(true["roll_deg"] + turned_deg + rng.normal(0, 0.05, n))
        pitch = np.tan(np.radians(true["pitch_deg"])) * stretch
        track["pitch_deg"] = np.degrees(np.arctan(pitch)) + rng.normal(0, 0.05, n)
        sd = [name for name in TRACK_COLUMNS if name.endswith("_sd_deg")]
        track[sd] = 0.05
        track["pitch_low_deg"], track["pitch_high_deg"] = track["pitch_deg"] - 0.1, track["pitch_deg"] + 0.1
        facts = probe(folder / file)
        pans = _true_pans(one, from_s, t_s, stretch, rng)
        yield ClipTrack(file, track, facts, n, "", "picture", 0.0, pans)


def _true_pans(one, from_s, t_s, stretch, rng):
    """Pan rates between looks two frames apart."""
    middle, span_s = t_s[1:-1], 2 / FPS
    yaw = [truth_at(one.flight, from_s + middle + side)["yaw_deg"] for side in (-span_s / 2, span_s / 2)]
    rate = wrap_deg(yaw[1] - yaw[0]) / span_s * stretch + rng.normal(0, 0.5, len(middle))
    return pd.DataFrame({"t_s": middle, "yaw_rate_dps": rate, "yaw_rate_sd_dps": 0.5})[::2].reset_index(
        drop=True
    )
