"""What was flown, and what every body on board did: the truth behind the logs and the footage.

A flight is a row of stages, some of them filmed (takes). The camera and its sensor come from
:mod:`attitude.simulate`; the other bodies that people log by mistake are made here from the same flight:

airframe       banks into its turns by atan(v w / g), and never quite rests
gimbal_frame   the sensor's attitude, seen from a bracket that sits a little askew
joints         camera against airframe, as motors count it: pan, then roll, then tilt
commanded      the stages' goals, in steps and without noise

All angles here are roll right side down +, pitch lens (or nose) up +, yaw right +, in degrees, yaw unwrapped.
"""

import zlib
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
import pandas as pd
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from attitude.plans import STEP_HZ, Plan, Stage, hover, pan, planned, tilt
from attitude.simulate import Flight, Rig, SensorErrors, fly

__all__ = ["FLIGHTS", "Flown", "body_angles_deg", "fixed_seed", "flown", "sensor_rows", "takes_of"]

MG_PER_DEG = 1000 * np.pi / 180
FREE_FALL_MPS2 = 9.80665
ANGLES = ["roll_deg", "pitch_deg", "yaw_deg"]


def fixed_seed(*words):
    """A seed that is the same in every process, unlike hash()."""
    return zlib.crc32("|".join(map(str, words)).encode())


@dataclass(frozen=True)
class Flown:
    """takes : name -> (from_s, to_s) in flight time. goals : what was commanded, one row per step."""

    name: str
    plan: Plan
    flight: Flight
    takes: dict[str, tuple[float, float]]
    hfov_deg: float
    wobble_deg: np.ndarray

    @property
    def length_s(self):
        return float(self.flight.truth["t_s"].iloc[-1])


def stick_test(rng, *, hurry=1.0):
    """Three quick tilts of about 10 deg and pans of about 30 deg each way; no hand does it twice alike.

    hurry : what the pauses are shortened to.
    """
    stages = []
    for _ in range(3):
        stages += [Stage("wiggle", rng.uniform(0.7, 0.9), pitch_deg=rng.uniform(9, 11), transition_s=0.6)]
        stages += [Stage("wiggle", hurry * rng.uniform(0.8, 1.5), transition_s=0.45)]
    for way in (1.0, -1.0):
        rate = way * rng.uniform(27, 33)
        stages += [Stage("wiggle", 1.0, yaw_rate_dps=rate, transition_s=0.4)]
        stages += [Stage("wiggle", hurry * rng.uniform(1.0, 1.6), transition_s=0.4)]
    return tuple(stages)


def hand_roll(rng, first_deg=12.0):
    """Rolled by hand to one side, farther than to the other, and back."""
    over = Stage("ordinary", 2.0, roll_deg=first_deg, transition_s=1.2)
    other = Stage("ordinary", rng.uniform(1.8, 2.4), roll_deg=-0.6 * first_deg, transition_s=1.4)
    return (over, other, Stage("ordinary", 1.5, transition_s=1.2))


def walk(rng, duration_s):
    """Not filmed: the camera looks about."""
    stages, left_s = [], duration_s
    while left_s > 4:
        step_s = float(rng.uniform(2, 4))
        pitch, rate = rng.uniform(-5, 5), rng.uniform(-14, 14)
        stages.append(Stage("ordinary", step_s, pitch_deg=pitch, yaw_rate_dps=rate, transition_s=1.5))
        left_s -= step_s
    return (*stages, Stage("ordinary", left_s, transition_s=1.5))


def _quay(rng):
    """By hand from a quay: a roll by hand, a still hold, a shot upside down."""
    over = Stage("upside_down", 9.0, roll_deg=180.0, transition_s=3.0)
    yield "", walk(rng, 14.0)
    yield "arrival", (*stick_test(rng), *hover(2.0), *hand_roll(rng), *hover(2.0))
    yield "", walk(rng, 11.0)
    yield "still", hover(13.0)
    yield "", walk(rng, 9.0)
    yield "over", (*hover(2.0), over, Stage("ordinary", 3.0, transition_s=3.0), *hover(2.0))
    yield "", walk(rng, 8.0)


# Takes that begin later in another: recording was started when the camera already hung upside down.
BEGUN_LATE = {("quay", "return"): ("over", 6.0)}


def _jetty(rng):
    """A drone that holds: it never rolls."""
    yield "", walk(rng, 22.0)
    yield "sweep", (*stick_test(rng), *hover(2.0), *pan(10.0, 50.0), *hover(2.0))
    yield "", walk(rng, 9.0)
    yield "nod", (*hover(1.0), *tilt(9.0, period_s=8.0), *hover(2.0))
    yield "", walk(rng, 12.0)


def _crossing(rng):
    """One long take, with the stick test at both ends."""
    yield "", walk(rng, 10.0)
    there = (*stick_test(rng), *hover(3.0), *hand_roll(rng, -11.0), *pan(12.0, 96.0), *hover(4.0))
    back = (*tilt(8.0, period_s=8.0), *pan(-12.0, 60.0), *stick_test(rng), *hover(1.0))
    yield "crossing", (*there, *back)
    yield "", walk(rng, 10.0)


def _circles(rng):
    """A drone that flies a circle each way, the camera level."""
    yield "", hover(12.0)
    motion = {"speed_mps": 8.0, "transition_s": 4.0}
    right = Stage("turns", 9.0, yaw_rate_dps=20.0, course_rate_dps=20.0, **motion)
    left = Stage("turns", 9.0, yaw_rate_dps=-20.0, course_rate_dps=-20.0, **motion)
    straight, stop = Stage("turns", 1.0, **motion), Stage("ordinary", 4.5, transition_s=4.0)
    yield "circles", (*stick_test(rng), right, straight, left, stop)
    yield "", walk(rng, 10.0)


def _reach(rng):
    """Tilted down and rolled at once, which is where the order of the angles shows."""
    yield "", walk(rng, 12.0)
    steps = [(24.0, -20.0, 3.5), (-24.0, -20.0, 4.0), (0.0, 0.0, 3.0)]
    leaning = [Stage("ordinary", s, roll_deg=roll, pitch_deg=p, transition_s=1.8) for roll, p, s in steps]
    yield "reach", (*stick_test(rng), *leaning)
    yield "", walk(rng, 9.0)


def _hold(rng):
    """Nothing but a hold, before, while and after it is filmed."""
    yield "", hover(float(rng.uniform(11, 13)))
    yield "hold", hover(11.0)
    yield "", hover(9.0)


def _glance(rng):
    """The shortest shoot that tells all: tilts, pans and a roll by hand without a pause."""
    yield "", walk(rng, 9.0)
    over, other, back = (replace(stage, duration_s=1.3) for stage in hand_roll(rng, 10.0))
    yield "glance", (*stick_test(rng, hurry=0.6), over, other, back)
    yield "", walk(rng, 7.0)


@dataclass(frozen=True)
class _Recipe:
    pieces: object
    hfov_deg: float = 70.0
    hold_deg: tuple[float, float] = (0.0, 0.0)
    leak: float = 1.0


FLIGHTS = {
    "quay": _Recipe(_quay),
    "jetty": _Recipe(_jetty, hold_deg=(0.7, 0.0)),
    "crossing": _Recipe(_crossing),
    "circles": _Recipe(_circles, leak=0.03),
    "reach": _Recipe(_reach, hfov_deg=90.0),
    "hold": _Recipe(_hold),
    "glance": _Recipe(_glance),
}


@lru_cache(maxsize=len(FLIGHTS))
def flown(name):
    """One of ``FLIGHTS``, simulated."""
    recipe, rng = FLIGHTS[name], np.random.default_rng(fixed_seed("flight", name))
    stages, takes, now_s = [], {}, 0.0
    for take, plan in recipe.pieces(rng):
        # The simulation counts whole steps: so do the takes.
        length_s = sum(round(stage.duration_s * STEP_HZ) for stage in plan) / STEP_HZ
        if take:
            takes[take] = (now_s, now_s + length_s)
        stages += plan
        now_s += length_s
    for (flight, take), (whole, late_s) in BEGUN_LATE.items():
        if flight == name:
            takes[take] = (takes[whole][0] + late_s, takes[whole][1])
    errors = SensorErrors(
        offset_mg=(*(rng.normal(0, 0.4, 3) * MG_PER_DEG),), gyro_bias_dps=(*rng.normal(0, 0.02, 3),)
    )
    rig = Rig(
        errors=errors, mounting_deg=(*rng.normal(0, 0.3, 3),), hold_deg=recipe.hold_deg, leak=recipe.leak
    )
    flight = fly(rig, tuple(stages), rng=rng, log_rate_hz=STEP_HZ)
    noise = rng.normal(size=(len(flight.truth), 3))
    wobble = gaussian_filter1d(noise, 0.35 * STEP_HZ, axis=0)
    wobble_deg = wobble / wobble.std(axis=0) * (0.7, 0.6, 0.4)
    return Flown(name, tuple(stages), flight, takes, recipe.hfov_deg, wobble_deg)


def takes_of(name):
    """Names of a flight's takes."""
    return tuple(flown(name).takes)


def _unwrapped(angles_deg):
    return np.unwrap(np.asarray(angles_deg, float), period=360.0, axis=0)


def _rotations(angles_deg):
    """Body (forward, right, down) to north-east-down."""
    return Rotation.from_euler("ZYX", np.asarray(angles_deg)[:, ::-1], degrees=True)


@lru_cache(maxsize=16)
def _steps_deg(name, body):
    """Angles of a body at every step of a flight, (n, 3)."""
    one = flown(name)
    sensor = _unwrapped(one.flight.log[ANGLES])
    n = len(sensor)
    if body == "camera_sensor":
        return sensor
    if body == "gimbal_frame":
        askew = Rotation.from_euler("ZYX", [1.0, -0.8, 0.5], degrees=True)
        turned = (_rotations(sensor) * askew).as_euler("ZYX", degrees=True)[:, ::-1]
        shake = np.random.default_rng(fixed_seed("frame", name)).normal(0, 0.02, (n, 3))
        return _unwrapped(turned) + shake
    if body == "commanded":
        return _goals_deg(one.plan)[:n]
    airframe = _airframe_deg(one)[:n]
    if body == "airframe":
        return airframe
    if body == "joints":
        joint = (_rotations(airframe).inv() * _rotations(sensor)).as_euler("ZXY", degrees=True)
        return _unwrapped(joint[:, [1, 2, 0]])
    raise KeyError(body)


def _goals_deg(plan):
    """Each stage's goal from its first step on; a pan steps on by whole degrees."""
    path, rows, done = planned(plan), [], 0
    for stage in plan:
        steps = round(stage.duration_s * STEP_HZ)
        yaw = np.round(path["yaw_deg"].to_numpy()[done : done + steps])
        rows.append(np.column_stack([np.full(steps, stage.roll_deg), np.full(steps, stage.pitch_deg), yaw]))
        done += steps
    return np.vstack(rows)


def _airframe_deg(one):
    path = planned(one.plan)
    north, east = path["velocity_north_mps"].to_numpy(), path["velocity_east_mps"].to_numpy()
    accel_n, accel_e = (np.gradient(v, 1 / STEP_HZ) for v in (north, east))
    speed = np.maximum(np.hypot(north, east), 0.3)
    sideways, along = (north * accel_e - east * accel_n) / speed, (north * accel_n + east * accel_e) / speed
    lag = 0.25 * STEP_HZ
    roll = gaussian_filter1d(np.degrees(np.arctan(sideways / FREE_FALL_MPS2)), lag)
    pitch = gaussian_filter1d(-np.degrees(np.arctan(along / FREE_FALL_MPS2)) - 0.4 * speed, lag)
    yaw = gaussian_filter1d(path["yaw_deg"].to_numpy(), lag)
    wobble = np.vstack([one.wobble_deg, one.wobble_deg[-1:]])[: len(roll)]
    return np.column_stack([roll, pitch, yaw]) + wobble


def body_angles_deg(name, body, t_s):
    """Roll, pitch, yaw (n, 3) of a body at flight times; held still before the start and after the end."""
    steps = _steps_deg(name, body)
    times = np.arange(len(steps)) / STEP_HZ
    return np.column_stack([np.interp(t_s, times, column) for column in steps.T])


def sensor_rows(name, t_s):
    """Accelerometer in g and gyro in deg/s along camera right, down, forward (n, 3), velocity (n, 2)."""
    log = flown(name).flight.log

    def at(columns):
        return np.column_stack([np.interp(t_s, log["t_s"], log[column]) for column in columns])

    sides = ("right", "down", "forward")
    return pd.Series(
        {
            "accel_g": at([f"accel_{side}_g" for side in sides]),
            "gyro_dps": at([f"gyro_{side}_dps" for side in sides]),
            "velocity_mps": at(["velocity_north_mps", "velocity_east_mps"]),
        }
    )
