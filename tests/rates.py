"""How often the inference is right on simulated shoots: python -m tests.rates --seeds 20.

Three worlds (a: sensor offset of 0.9 deg, b: of 0.15 deg, c: camera 0.8 deg out of square), each with other
errors of healthy size drawn anew. The camera's true attitude plus noise stands for the measured horizon, so
that hundreds of shoots run in minutes and only the inference is judged.
"""

import argparse
from dataclasses import dataclass
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from attitude.clock import ClockFit
from attitude.infer import MG_PER_DEG, Witnesses, infer, solution_of
from attitude.log import AttitudeLog
from attitude.plans import hover, pan, upside_down
from attitude.residuals import residuals
from attitude.sheet import Camera, ClipSheet, LogSheet, Shoot, Surface
from attitude.simulate import Rig, SensorErrors, fly, log_time_s, truth_at
from attitude.verdict import judge
from horizon.angles import wrap_deg
from horizon.level import PITCH_TOO

HEALTHY_SD_DEG = 0.05
RAW = ("accel", "gyro", "temperature")  # beginnings of columns that most logs lack
PLAN = (*hover(20.0), *pan(6.0, 360.0), *upside_down(20.0), *hover(20.0))
WORLDS = {
    "a": ({"offset_deg": 0.9}, "recalibrate"),
    "b": ({"offset_deg": 0.15}, "leave"),
    "c": ({"mounting_deg": 0.8}, "square_up"),
}


@dataclass(frozen=True)
class Truth:
    """Degrees; offset sideways, vertical, along the lens; mounting (gyro term included) roll, pitch, yaw."""

    offset_deg: tuple[float, ...]
    mounting_deg: tuple[float, ...]
    time_constant_s: float

    @property
    def lean_deg(self):
        return self.offset_deg[0] + self.mounting_deg[0]

    @property
    def pitch_offset_deg(self):
        return self.mounting_deg[1] - self.offset_deg[2]


@dataclass(frozen=True)
class World:
    shoot: Shoot
    logs: tuple[AttitudeLog, ...]
    tracks: tuple[SimpleNamespace, ...]
    clocks: tuple[ClockFit, ...]
    truth: Truth

    def residuals(self):
        return residuals(self.tracks, self.logs, self.clocks, self.shoot)

    def infer(self):
        witnesses = Witnesses(self.residuals(), self.logs, self.tracks, self.clocks)
        return infer(witnesses, self.shoot, solution_of(witnesses, self.shoot))


def drawn_rig(rng, *, offset_deg=None, mounting_deg=None):
    """A rig of healthy errors, with one of them set, and its truth.

    mounting_deg : roll of all that leans like a turned camera, the gyro's bias included.
    """
    offset = rng.normal(0, HEALTHY_SD_DEG, 3)
    mounting = rng.normal(0, HEALTHY_SD_DEG, 3)
    offset[0] = offset[0] if offset_deg is None else offset_deg
    tau_s = rng.uniform(3.0, 8.0)
    gyro_dps = rng.normal(0, HEALTHY_SD_DEG, 3) / tau_s
    if mounting_deg is not None:
        mounting[0] = mounting_deg + tau_s * gyro_dps[2]
    errors = SensorErrors(offset_mg=tuple(offset * MG_PER_DEG), gyro_bias_dps=tuple(gyro_dps))
    rig = Rig(errors=errors, mounting_deg=tuple(mounting), time_constant_s=tau_s)
    # A bias about right, down, forward looks like the camera turned by -tau times it in pitch, yaw, roll.
    seat = mounting - tau_s * gyro_dps[[2, 0, 1]]
    return rig, Truth(tuple(offset), tuple(seat), tau_s)


def noise_deg(rng, n, fps, white_deg, slow_deg, slow_s):
    """White noise plus a first-order autoregression of correlation time ``slow_s``."""
    keep = np.exp(-1 / fps / slow_s)
    steps = rng.normal(0, slow_deg * np.sqrt(1 - keep**2), n)
    slow = np.empty(n)
    value = rng.normal(0, slow_deg)
    for i in range(n):
        value = keep * value + steps[i]
        slow[i] = value
    return slow + rng.normal(0, white_deg, n)


def line_error(rng, sd_deg):
    """Function of the heading, rad: an error of the line that belongs to it, smooth over 30 deg, deg."""
    k = np.arange(9)
    size = np.exp(-((k * np.radians(30.0)) ** 2) / 4)
    size *= sd_deg / np.sqrt(np.sum(size**2))
    ahead, beside = size * rng.normal(size=(2, len(k)))

    def error_deg(heading_rad):
        return np.cos(np.outer(heading_rad, k)) @ ahead + np.sin(np.outer(heading_rad, k)) @ beside

    return error_deg


def with_uncertainty(track, *, sd_deg, shared_sd_deg=0.003):
    """A track with roll and pitch, completed by what the measuring says of their uncertainty."""
    track = track.assign(roll_sd_deg=sd_deg, pitch_sd_deg=sd_deg, line_roll_sd_deg=sd_deg)
    track["line_pitch_sd_deg"] = sd_deg
    track["shared_roll_sd_deg"] = track["shared_pitch_sd_deg"] = shared_sd_deg
    track["pitch_low_deg"] = track["pitch_deg"] - 1.96 * sd_deg
    track["pitch_high_deg"] = track["pitch_deg"] + 1.96 * sd_deg
    return track.assign(claims=PITCH_TOO)


def film(rig, plan, rng, truth, *, powered_on_s=None, **filming):
    """Fly one plan and film it; see :func:`film_flights`."""
    return film_flights([(rig, plan, powered_on_s)], rng, truth, **filming)


def film_flights(
    flights,
    rng,
    truth,
    *,
    surface="sea",
    skyline_deg=(0.0, 0.0),
    fps=10.0,
    noise=(0.02, 0.03, 1.0),
    drift=(0.0, 10.0),
    flex_deg=0.0,
    shared_sd_deg=0.003,
    sheet=None,
    flying=None,
    without=RAW,
    told=True,
    outliers=0.0,
):
    """Fly plans, a log each, and film every shot of them but the ordinary ones.

    flights : rig, plan, log time of power-on or None. skyline_deg : how far the skyline's normal leans north
    and east, or a function of the heading, rad, to its height and slope, deg. noise : white, slow, deg, and
    the correlation time of the slow, s; drift : a slower one, deg and s. flex_deg : lean of the sagging
    camera upright, which changes sign upside down. shared_sd_deg : error of the measured line that frames of
    one heading have in common.
    sheet : entries of the shoot to replace. flying : further arguments of ``fly``. without : beginnings of
    columns that are not logged. told : whether the sheet names the shots. outliers : share of frames in which
    something else was taken for the horizon.
    """
    roll_error_deg, pitch_error_deg = (line_error(one, shared_sd_deg) for one in rng.spawn(2))
    white_deg, slow_deg, slow_s = noise
    tracks, clips, clocks, logs, sheets = [], [], [], [], []
    for count, (rig, plan, powered_on_s) in enumerate(flights):
        flight = fly(rig, plan, rng=rng, clock_offset_s=100.0, clock_ppm=20.0, **(flying or {}))
        log_name = f"log{count or ''}.csv"
        for number, run in enumerate(flight.shots.itertuples()):
            if run.shot == "ordinary":
                continue
            t_s = np.arange(run.from_s, run.to_s, 1 / fps)
            true = truth_at(flight, t_s)
            heading = np.deg2rad(true["yaw_deg"].to_numpy())
            roll = true["roll_deg"] + noise_deg(rng, len(t_s), fps, white_deg, slow_deg, slow_s)
            pitch = true["pitch_deg"] + noise_deg(rng, len(t_s), fps, white_deg, slow_deg, slow_s)
            roll += noise_deg(rng, len(t_s), fps, 0.0, *drift)
            pitch += noise_deg(rng, len(t_s), fps, 0.0, *drift)
            roll += flex_deg * np.cos(np.deg2rad(true["roll_deg"]))
            if callable(skyline_deg):
                height_deg, slope_deg = skyline_deg(heading)
                roll += slope_deg
                pitch -= height_deg
            else:
                # A skyline whose normal leans north, east lowers what is read relative to it.
                north, east = skyline_deg
                roll -= -np.sin(heading) * north + np.cos(heading) * east
                pitch += np.cos(heading) * north + np.sin(heading) * east
            roll += roll_error_deg(heading)
            pitch += pitch_error_deg(heading)
            off = rng.random(len(t_s)) < outliers
            roll[off] += rng.normal(0, 3.0, np.count_nonzero(off))
            name = f"{count}_{number}_{run.shot}.mp4" if count else f"{number}_{run.shot}.mp4"
            track = pd.DataFrame({"frame": np.arange(len(t_s)), "t_s": t_s - run.from_s})
            track["clip"], track["quality"], track["reason"] = name, 0.9, ""
            track["roll_deg"], track["pitch_deg"] = wrap_deg(roll), pitch
            own_sd_deg = float(np.hypot(white_deg, slow_deg))
            track = with_uncertainty(
                track, sd_deg=float(np.hypot(own_sd_deg, shared_sd_deg)), shared_sd_deg=shared_sd_deg
            )
            tracks.append(
                SimpleNamespace(
                    clip=name,
                    track=track,
                    frames_read=len(t_s),
                    damage="",
                    sky="picture",
                    dip_rad=0.003,
                    yaw_rate=pd.DataFrame(),
                    reference="horizon",
                )
            )
            clips.append(ClipSheet(files=(Path(name),), shot=run.shot if told else "ordinary"))
            clocks.append(ClockFit(name, log_name, log_time_s(flight, run.from_s), 0.005, "given", count))
        rounding_deg = (flying or {}).get("rounding_deg", 0.0)
        gone = [column for column in flight.log if column.startswith(tuple(without))] if without else []
        table = flight.log.drop(columns=gone)
        logs.append(AttitudeLog(log_name, "camera_sensor", table, rounding_deg, powered_on_s, True, ()))
        sheets.append(LogSheet(file=Path(log_name), attitude_of="camera_sensor"))
    terrain_deg = {"sea": 0.0, "plain": 0.1, "hills": 0.6, "unknown": 0.3}[surface]
    shoot = Shoot(
        folder=Path(),
        path=Path("shoot.toml"),
        title="simulated",
        clips=tuple(clips),
        rig="test rig",
        horizon=Surface(surface=surface, terrain_deg=terrain_deg, height_m=30.0),
        camera=Camera(hfov_deg=70.0),
        logs=tuple(sheets),
    )
    for key, value in (sheet or {}).items():
        object.__setattr__(shoot, key, value)
    return World(shoot, tuple(logs), tuple(tracks), tuple(clocks), truth)


def world(seed, *, plan=PLAN, offset_deg=None, mounting_deg=None, **filming):
    """A drawn rig, flown and filmed."""
    rng = np.random.default_rng(seed)
    rig, truth = drawn_rig(rng, offset_deg=offset_deg, mounting_deg=mounting_deg)
    return film(rig, plan, rng, truth, **filming)


def run(seeds, plan=PLAN, **filming):
    """One line per world."""
    for name, (errors, right) in WORLDS.items():
        rows, actions = [], []
        for seed in range(seeds):
            one = world(seed, plan=plan, **errors, **filming)
            causes = one.infer()
            verdict = judge(causes, one.shoot)
            actions.append(verdict.action)
            true = one.truth
            rows.append(
                [
                    (causes.lean, true.lean_deg),
                    (causes.offset_mg["sideways"], true.offset_deg[0] * MG_PER_DEG),
                    (causes.mounting_deg["roll"], true.mounting_deg[0]),
                    (causes.pitch_offset, true.pitch_offset_deg),
                ]
            )
        others = {a: actions.count(a) for a in set(actions) - {right}}
        print(f"({name}) {right}: {actions.count(right)} of {seeds}", others or "")
        for k, what in enumerate(["lean deg", "offset mg", "mounting deg", "pitch deg"]):
            error = np.array([estimate.value - true for estimate, true in (row[k] for row in rows)])
            half = np.array([row[k][0].half_width for row in rows])
            sd = np.array([row[k][0].sd for row in rows])
            rms, rms_sd = np.sqrt(np.mean(error**2)), np.sqrt(np.mean((error / sd) ** 2))
            print(f"    {what:13s} worst error {np.abs(error).max():.3f}  rms {rms:.3f}", end="  ")
            print(f"half-width {half.mean():.3f} (most {half.max():.3f})", end="  ")
            print(f"covered {np.mean(np.abs(error) <= half):.2f}  rms error/sd {rms_sd:.2f}")


if __name__ == "__main__":
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    run(parser.parse_args().seeds)
