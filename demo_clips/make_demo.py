"""Make the three demo shoots: ``python demo_clips/make_demo.py [FOLDER]``.

Everything in them is invented: the Pollock Steps film crew, their hand-built hand-held rigs "Wagtail" and
"Turnstone", the harbour wall they film from. A simulated sensor with known errors levels a simulated camera
(attitude.simulate), the sea it looks at is drawn (horizon.synthetic) and encoded; the truth goes beside it.

    1_after_careless_calibration   Wagtail leans by the sensor's offset
    2_after_careful_calibration    the same rig, calibrated with care
    3_camera_out_of_square         Turnstone: healthy sensor, camera turned in its seat
"""

import argparse
import datetime as dt
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.dip import dip_rad
from attitude.plans import Plan, Stage, hover, pan, upside_down, wiggle
from attitude.simulate import Flight, Rig, SensorErrors, fly, log_time_s, truth_at
from horizon.coded import write_clip
from horizon.lens import Lens, lens_from_hfov
from horizon.synthetic import Scene, draw_planar, make_scene

MG_PER_DEG = 1000 * np.pi / 180
FPS = 10
SIZE_PX = (960, 540)
HEIGHT_M = 9.0
SEED = 20260

SHEET_HEAD = """\
# Demo shoot of horizon-drift. Crew, rig, place and numbers are invented.
title = "{title}"
date = {date}
rig = "{rig}"
rig_kind = "handheld"
calibration = "{calibration}"
method = "{method}"
tolerance_deg = 0.5

[horizon]
surface = "sea"               # open sea from a harbour wall: the skyline is level by physics
height_m = {height_m}

[camera]
hfov_deg = {hfov_deg}
"""

LOG_PLAIN = """
[[log]]                       # columns t_s, roll_deg, pitch_deg, yaw_deg need no mapping
file = "attitude.csv"
attitude_of = "camera_sensor"
"""

LOG_MAPPED = """
[[log]]
file = "attitude.csv"
attitude_of = "camera_sensor"
time = "time_ms"
time_unit = "ms"
roll = "r"
pitch = "p"
yaw = "y"
angle_unit = "rad"
pitch_positive = "down"       # this board counts lens down as positive
"""


@dataclass(frozen=True)
class Take:
    """One clip: what is done in it, and whether the sheet states its start on the log's clock."""

    file: str
    shot: str
    plan: Plan
    start_told: bool = False


@dataclass(frozen=True)
class Story:
    """One shoot: the rig's errors, the takes, and how the log is written."""

    folder: str
    title: str
    date: dt.date
    rig: str
    calibration: str
    method: str
    action: str
    offset_deg: float
    mounting_deg: float
    takes: tuple[Take, ...]
    log_sheet: str
    log_table: Callable[[pd.DataFrame], pd.DataFrame]


def plain_log(log: pd.DataFrame) -> pd.DataFrame:
    """Degrees, as the contract names them."""
    return log[["t_s", "roll_deg", "pitch_deg", "yaw_deg"]].round(
        {"t_s": 3} | dict.fromkeys(log.columns[1:4], 3)
    )


def radian_log(log: pd.DataFrame) -> pd.DataFrame:
    """Milliseconds and radians, lens down positive."""
    return pd.DataFrame(
        {
            "time_ms": (log["t_s"] * 1000).round(1),
            "r": np.radians(log["roll_deg"]).round(6),
            "p": -np.radians(log["pitch_deg"]).round(6),
            "y": np.radians(log["yaw_deg"]).round(6),
        }
    )


WALK = (Stage("ordinary", 6.0, yaw_rate_dps=4.0), Stage("ordinary", 4.0))
IN_PARTS = (
    Take("wall_start.mp4", "hover", (*wiggle(), *hover(24.0))),
    Take("wall_pan.mp4", "pan", (*hover(2.0, shot="pan"), *pan(6.0, 360.0), *hover(2.0, shot="pan")), True),
    Take(
        "wall_turned_over.mp4",
        "upside_down",
        (*hover(12.0, shot="upside_down"), *upside_down(30.0)[:1]),
        True,
    ),
)
IN_ONE_TAKE = (
    Take("one_take.mp4", "ordinary", (*wiggle(), *hover(24.0), *pan(6.0, 360.0), *upside_down(30.0)[:1])),
)
STORIES = (
    Story(
        "1_after_careless_calibration",
        "Harbour wall, after a hurried calibration",
        dt.date(2026, 4, 18),
        "Wagtail",
        "April, in the van",
        "hand held against the bubble cube, in a hurry",
        "recalibrate",
        0.90,
        0.03,
        IN_PARTS,
        LOG_PLAIN,
        plain_log,
    ),
    Story(
        "2_after_careful_calibration",
        "Harbour wall, after a careful calibration",
        dt.date(2026, 4, 25),
        "Wagtail",
        "April, on the bench",
        "clamped, bubble cube read twice per face",
        "leave",
        0.15,
        0.03,
        IN_ONE_TAKE,
        LOG_PLAIN,
        plain_log,
    ),
    Story(
        "3_camera_out_of_square",
        "Harbour wall, camera seat suspected",
        dt.date(2026, 5, 2),
        "Turnstone",
        "March, on the bench",
        "clamped, bubble cube read twice per face",
        "square_up",
        0.04,
        0.80,
        IN_PARTS,
        LOG_MAPPED,
        radian_log,
    ),
)


def make_shoot(
    story: Story, folder: Path, seed: int, *, size_px: tuple[int, int] = SIZE_PX, fps: float = FPS
) -> None:
    """Simulate, draw, encode and write one shoot into ``folder``."""
    rng = np.random.default_rng(seed)
    rig = _rig(story, rng)
    plan: Plan = tuple(stage for take in story.takes for stage in (*take.plan, *WALK))
    offset_s = float(rng.uniform(40, 300))
    flight = fly(rig, plan, rng=rng, clock_offset_s=offset_s, clock_ppm=float(rng.uniform(-30, 30)))
    lens = lens_from_hfov(*size_px, 70.0)
    scene = make_scene(
        "sea",
        rng=rng,
        height_m=HEIGHT_M,
        dip_rad=dip_rad(HEIGHT_M),
        visibility_km=float(rng.uniform(30, 70)),
        objects=3,
        clouds=float(rng.uniform(0.3, 0.7)),
        noise_sd=1.2,
    )
    folder.mkdir(parents=True, exist_ok=True)
    sheet = SHEET_HEAD.format(
        title=story.title,
        date=story.date.isoformat(),
        rig=story.rig,
        calibration=story.calibration,
        method=story.method,
        height_m=HEIGHT_M,
        hfov_deg=70.0,
    )
    sheet += story.log_sheet
    start_s = 0.0
    for take in story.takes:
        length_s = sum(stage.duration_s for stage in take.plan)
        times_s = start_s + np.arange(round(length_s * fps)) / fps
        write_clip(folder / take.file, _pictures(scene, lens, flight, times_s, rng), fps, crf=27)
        sheet += f'\n[[clip]]\nfile = "{take.file}"\nshot = "{take.shot}"\n'
        if take.start_told:
            sheet += f"log_start_s = {log_time_s(flight, start_s):.2f}\n"
        start_s += length_s + sum(stage.duration_s for stage in WALK)
    story.log_table(flight.log).to_csv(folder / "attitude.csv", index=False, lineterminator="\n")
    (folder / "shoot.toml").write_text(sheet, encoding="utf-8")
    (folder / "truth.toml").write_text(_truth(story, rig, offset_s), encoding="utf-8")


def _rig(story: Story, rng: np.random.Generator) -> Rig:
    """The story's error among small healthy ones."""
    offset_deg = np.array([story.offset_deg, *rng.normal(0, 0.05, 2)])
    mounting_deg = np.array([story.mounting_deg, *rng.normal(0, 0.05, 2)])
    errors = SensorErrors(offset_mg=(*(offset_deg * MG_PER_DEG),), gyro_bias_dps=(*rng.normal(0, 0.004, 3),))
    return Rig(errors=errors, mounting_deg=(*mounting_deg,), time_constant_s=float(rng.uniform(3, 5)))


def _pictures(
    scene: Scene, lens: Lens, flight: Flight, times_s: NDArray[np.float64], rng: np.random.Generator
) -> Iterator[NDArray[np.uint8]]:
    for row in truth_at(flight, times_s).itertuples():
        yield draw_planar(
            scene,
            lens,
            roll_deg=float(row.roll_deg),
            pitch_deg=float(row.pitch_deg),
            yaw_deg=float(row.yaw_deg),
            t_s=float(row.t_s),
            rng=rng,
        )


def _truth(story: Story, rig: Rig, offset_s: float) -> str:
    # A bias of the gyro about the lens axis leans the camera like a turned seat: -tau times the bias.
    turned_deg = rig.mounting_deg[0] - rig.time_constant_s * rig.errors.gyro_bias_dps[2]
    sideways_mg = rig.errors.offset_mg[0]
    return (
        "# What was put into this invented shoot; signs as in the README.\n"
        f'action = "{story.action}"\n'
        f"lean_deg = {sideways_mg / MG_PER_DEG + turned_deg:.4f}\n"
        f"sideways_offset_mg = {sideways_mg:.4f}\n"
        f"mounting_roll_deg = {turned_deg:.4f}\n"
        f"filter_time_constant_s = {rig.time_constant_s:.3f}\n"
        f"clock_offset_s = {offset_s:.4f}\n"
    )


def main() -> None:
    """Write the three shoots."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("folder", nargs="?", type=Path, default=Path(__file__).resolve().parent)
    folder = parser.parse_args().folder
    for number, story in enumerate(STORIES):
        make_shoot(story, folder / story.folder, SEED + number)


if __name__ == "__main__":
    main()
