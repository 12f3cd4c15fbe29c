"""How well clocks are found from the motion: python -m tests.bench.clock --trials 60.

A camera moves in roll only, +-1 deg; a log at 25 Hz lags it by an unknown time and drifts as a sine of 1 deg
with a period of 150 s; both sides carry 0.02 deg of white noise. The footage is a table at the looking rate
of ``measure_clip``, or a drawn sea that is encoded, decoded and measured. All numbers are invented; the seeds
are fixed.
"""

import argparse
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from attitude.clock import ClockError, align
from attitude.log import AttitudeLog
from attitude.sheet import ClipSheet, Shoot
from horizon.clip import ClipFacts, probe
from horizon.coded import write_clip
from horizon.lens import lens_from_hfov
from horizon.looking import FEWEST_LOOKS, LOOKS_PER_S
from horizon.measure import ClipTrack, measure_clip
from horizon.synthetic import draw_planar, make_scene

NOISE_DEG = 0.02
DRIFT_DEG, DRIFT_PERIOD_S = 1.0, 150.0
LOG_HZ, LOG_S = 25.0, 90.0
FPS = 30.0
SIZE_PX, HFOV_DEG = (640, 360), 65.0
PAN_DEG = 15.0
# 1.3 bits a pixel, as 80 Mb/s at 1080p and 30 per second, and 0.03. An encoder that saves leaves small
# changes undrawn for a while: its picture lags behind the camera.
CAMERA_CRF, SMALL_CRF = 12, 22
SHOOT = Shoot(Path("shoot"), Path("shoot/shoot.toml"), "invented", (ClipSheet((Path("a.mp4"),)),))


@dataclass(frozen=True)
class Motion:
    """Sum of sines: periods (k,) in s, phases (k,) in rad, and the factor that makes the largest swing 1."""

    period_s: np.ndarray
    phase_rad: np.ndarray
    factor: float

    def __call__(self, t_s):
        angle = 2 * np.pi * np.asarray(t_s, float)[..., None] / self.period_s + self.phase_rad
        return self.factor * np.sin(angle).sum(axis=-1)


@dataclass(frozen=True)
class Found:
    """Errors and claimed sds of the clips that were placed, s, and how many were refused."""

    error_s: np.ndarray
    sd_s: np.ndarray
    refused: int

    @property
    def rms_s(self):
        return float(np.sqrt(np.mean(self.error_s**2)))

    @property
    def mean_sd_s(self):
        return float(np.sqrt(np.mean(self.sd_s**2)))

    @property
    def covered(self):
        return float(np.mean(np.abs(self.error_s) <= 1.96 * self.sd_s))


def random_motion(periods_s, rng) -> Motion:
    """Three sines with periods drawn evenly, the largest swing within the log 1."""
    period_s, phase_rad = rng.uniform(*periods_s, 3), rng.uniform(0, 2 * np.pi, 3)
    whole = Motion(period_s, phase_rad, 1.0)(np.arange(0.0, LOG_S, 0.02))
    return Motion(period_s, phase_rad, float(1 / np.abs(whole).max()))


def log_of(motion, *, moved, offset_s, rng) -> AttitudeLog:
    """The log of a camera that moves in one column, ``offset_s`` ahead of the motion's own time."""
    t_s = np.arange(0.0, LOG_S, 1 / LOG_HZ)
    table = pd.DataFrame({"t_s": t_s + offset_s, "roll_deg": 0.0, "pitch_deg": 1.0, "yaw_deg": 0.0})
    table[moved] += (PAN_DEG if moved == "yaw_deg" else 1.0) * motion(t_s)
    turns = rng.uniform() + t_s / DRIFT_PERIOD_S
    table["roll_deg"] += DRIFT_DEG * np.sin(2 * np.pi * turns)
    table[["roll_deg", "pitch_deg", "yaw_deg"]] += rng.normal(0, NOISE_DEG, (len(t_s), 3))
    return AttitudeLog("a.csv", "camera_sensor", table, 0.0, None, True, ())


def track_of(motion, *, from_s, clip_s, rng) -> ClipTrack:
    """Footage of a camera that moves in roll, as ``measure_clip`` looks at it."""
    rate = max(LOOKS_PER_S, FEWEST_LOOKS / clip_s)
    t_s = np.arange(0.0, clip_s, round(FPS / rate) / FPS)
    n = len(t_s)
    table = pd.DataFrame({"clip": "a.mp4", "frame": np.arange(n), "t_s": t_s, "quality": 0.9, "reason": ""})
    table["roll_deg"] = motion(from_s + t_s) + rng.normal(0, NOISE_DEG, n)
    table["pitch_deg"] = 1.0 + rng.normal(0, NOISE_DEG, n)
    table["roll_sd_deg"] = table["pitch_sd_deg"] = NOISE_DEG
    apart_s = 2 * (t_s[1] - t_s[0])
    pans = pd.DataFrame({"t_s": np.arange(apart_s / 2, clip_s - apart_s, apart_s)})
    pans["yaw_rate_sd_dps"] = 0.4 / apart_s
    pans["yaw_rate_dps"] = rng.normal(0, pans["yaw_rate_sd_dps"])
    facts = ClipFacts(Path("a.mp4"), 1920, 1080, clip_s, FPS, 0, "h264", None)
    return ClipTrack("a.mp4", table, facts, round(clip_s * FPS), "", "picture", 0.0, pans)


def filmed(motion, path, *, moved, from_s, clip_s, crf, rng) -> ClipTrack:
    """The same footage drawn, encoded, decoded and measured."""
    lens = lens_from_hfov(*SIZE_PX, HFOV_DEG)
    scene = make_scene("sea", rng=rng, height_m=10.0, visibility_km=80.0)

    def pictures():
        for t_s in np.arange(0.0, clip_s, 1 / FPS):
            swing = float(motion(from_s + t_s))
            roll_deg, yaw_deg = (0.0, PAN_DEG * swing) if moved == "yaw_deg" else (swing, 0.0)
            yield draw_planar(
                scene, lens, roll_deg=roll_deg, pitch_deg=1.0, yaw_deg=yaw_deg, t_s=float(t_s), rng=rng
            )

    write_clip(path, pictures(), FPS, crf=crf)
    return measure_clip(probe(path), lens)


def trials(count, periods_s, *, clip_s=30.0, moved="roll_deg", crf=None, first_seed=0) -> Found:
    """Place ``count`` clips, each of its own motion, offset and noise; ``crf``: drawn and encoded with it."""
    errors, sds, refused = [], [], 0
    for seed in range(first_seed, first_seed + count):
        rng = np.random.default_rng([2026, seed])
        motion = random_motion(periods_s, rng)
        from_s, offset_s = float(rng.uniform(5, LOG_S - clip_s - 5)), float(rng.uniform(-50, 200))
        log = log_of(motion, moved=moved, offset_s=offset_s, rng=rng)
        if crf is not None:
            with tempfile.TemporaryDirectory() as folder:
                path = Path(folder) / "a.mp4"
                track = filmed(motion, path, moved=moved, from_s=from_s, clip_s=clip_s, crf=crf, rng=rng)
        else:
            track = track_of(motion, from_s=from_s, clip_s=clip_s, rng=rng)
        try:
            (fit,) = align([track], [log], SHOOT)
        except ClockError:
            refused += 1
            continue
        errors.append(fit.offset_s - (offset_s + from_s))
        sds.append(fit.sd_s)
    return Found(np.array(errors), np.array(sds), refused)


def line(name, found: Found) -> str:
    placed = len(found.error_s)
    if not placed:
        return f"| {name} | 0 of {found.refused} | | | | |"
    cells = (
        f"{placed} of {placed + found.refused}",
        f"{1e3 * found.rms_s:.2f}",
        f"{1e3 * found.mean_sd_s:.2f}",
        f"{found.rms_s / found.mean_sd_s:.2f}",
        f"{100 * found.covered:.0f} %",
    )
    return f"| {name} | {' | '.join(cells)} |"


def main() -> None:
    """Print a table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--trials", type=int, default=60)
    parser.add_argument("--films", type=int, default=6)
    told = parser.parse_args()
    print("| clip | placed | rms error, ms | claimed sd, ms | ratio | within 1.96 sd |")
    print("|---|---|---|---|---|---|")
    for clip_s in (30.0, 10.0):
        for periods_s in ((2, 5), (8, 12), (0.7, 2)):
            name = f"{clip_s:g} s, roll, periods {periods_s[0]:g} to {periods_s[1]:g} s, tables"
            print(line(name, trials(told.trials, periods_s, clip_s=clip_s)), flush=True)
    for name, crf in (("a camera's rate", CAMERA_CRF), ("a download's rate", SMALL_CRF)):
        found = trials(told.films, (2, 5), crf=crf)
        print(line(f"30 s, roll, periods 2 to 5 s, video at {name}", found), flush=True)
    found = trials(told.films, (4, 8), moved="yaw_deg", crf=CAMERA_CRF)
    print(
        line(f"30 s, pan of +-{PAN_DEG:g} deg, periods 4 to 8 s, video at a camera's rate", found), flush=True
    )


if __name__ == "__main__":
    main()
