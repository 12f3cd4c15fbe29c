"""What to fly or film: stages in order, and the motion that they ask for.

A plan is what the operator means to do; what the gimbal makes of it is simulated elsewhere.
"""

from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

__all__ = [
    "STEP_HZ",
    "Plan",
    "Stage",
    "figure_of_eight",
    "half_turn",
    "hover",
    "pan",
    "planned",
    "tilt",
    "turns",
]
__all__ += ["upside_down", "wiggle"]

Array = NDArray[np.float64]

STEP_HZ = 200.0


@dataclass(frozen=True)
class Stage:
    """One step of a plan: the pose is reached smoothly in ``transition_s``, then held.

    ``yaw_deg`` None keeps the heading that is there; ``yaw_rate_dps`` is reached in ``transition_s`` too.
    ``speed_mps`` along a course over ground that turns by ``course_rate_dps`` (right +).
    """

    shot: str
    duration_s: float
    roll_deg: float = 0.0
    pitch_deg: float = 0.0
    yaw_deg: float | None = None
    yaw_rate_dps: float = 0.0
    transition_s: float = 1.0
    speed_mps: float = 0.0
    course_rate_dps: float = 0.0


Plan = tuple[Stage, ...]


def hover(duration_s: float, *, pitch_deg: float = 0.0, shot: str = "hover") -> Plan:
    """Level, on the spot, heading kept."""
    return (Stage(shot, duration_s, pitch_deg=pitch_deg),)


def pan(rate_dps: float = 6.0, turn_deg: float = 360.0) -> Plan:
    """Level pan on the spot by ``turn_deg`` in all; a negative rate pans left."""
    return (Stage("pan", abs(turn_deg / rate_dps), yaw_rate_dps=rate_dps),)


def upside_down(duration_s: float, *, transition_s: float = 3.0) -> Plan:
    """Rolled over about the lens axis, heading kept, held, rolled back; ``duration_s`` is the hold."""
    over = Stage("upside_down", duration_s + transition_s, roll_deg=180.0, transition_s=transition_s)
    return (over, Stage("ordinary", transition_s, transition_s=transition_s))


def half_turn(hold_s: float = 11.0, *, turn_s: float = 4.0) -> Plan:
    """Turn right by 180 deg in ``turn_s``, then hold."""
    go = Stage("half_turn", turn_s - 1.0, yaw_rate_dps=180.0 / (turn_s - 1.0))
    return (go, Stage("half_turn", hold_s + 1.0))


def tilt(swing_deg: float = 15.0, *, period_s: float = 20.0) -> Plan:
    """One slow swing: lens up, down, back to level."""
    steps = ((swing_deg, 0.25 * period_s), (-swing_deg, 0.5 * period_s), (0.0, 0.25 * period_s))
    return tuple(Stage("tilt", s, pitch_deg=pitch, transition_s=s) for pitch, s in steps)


def turns(duration_s: float, *, speed_mps: float = 8.0, rate_dps: float = 30.0) -> Plan:
    """Steady circle, the camera looking along the course, then a stop; a negative rate turns left."""
    motion = {"yaw_rate_dps": rate_dps, "speed_mps": speed_mps, "course_rate_dps": rate_dps}
    return (Stage("turns", duration_s, transition_s=4.0, **motion), Stage("ordinary", 5.0, transition_s=4.0))


def figure_of_eight(*, speed_mps: float = 8.0, rate_dps: float = 30.0) -> Plan:
    """A circle to the right and one to the left, the camera looking along the course, then a stop."""
    right, _ = turns(360.0 / rate_dps + 2.0, speed_mps=speed_mps, rate_dps=rate_dps)
    return (right, *turns(360.0 / rate_dps + 4.0, speed_mps=speed_mps, rate_dps=-rate_dps))


def wiggle() -> Plan:
    """Three quick 10 deg tilts and a 30 deg pan each way: what clocks are matched on."""
    stages: list[Stage] = []
    for pause_s in (0.9, 1.3, 0.8):  # uneven, so that the motion matches itself at one place only
        stages += [Stage("wiggle", 0.8, pitch_deg=10.0, transition_s=0.7)]
        stages += [Stage("wiggle", pause_s, transition_s=0.7)]
    for rate_dps in (30.0, -30.0):
        stages += [Stage("wiggle", 1.0, yaw_rate_dps=rate_dps, transition_s=0.5)]
        stages += [Stage("wiggle", 1.5, transition_s=0.5)]
    return tuple(stages)


def _blend(share: Array) -> Array:
    """0 to 1 with no jerk at either end (minimum-jerk polynomial)."""
    s = np.clip(share, 0.0, 1.0)
    return s**3 * (10 - 15 * s + 6 * s**2)


def planned(plan: Plan) -> pd.DataFrame:
    """The plan at ``STEP_HZ``: t_s, roll_deg, pitch_deg, yaw_deg, velocity_north_mps, velocity_..., shot.

    Raises
    ------
    ValueError
        Empty plan.
    """
    if not plan:
        raise ValueError("the plan has no stage; give at least one")
    first = plan[0]
    roll, pitch, yaw, yaw_rate = first.roll_deg, first.pitch_deg, first.yaw_deg or 0.0, 0.0
    speed, course, course_rate = first.speed_mps, yaw, 0.0
    parts = []
    for stage in plan:
        n = round(stage.duration_s * STEP_HZ)
        blend = _blend(np.arange(1, n + 1) / STEP_HZ / max(stage.transition_s, 1 / STEP_HZ))
        rates = yaw_rate + (stage.yaw_rate_dps - yaw_rate) * blend
        yaws = yaw + np.cumsum(rates) / STEP_HZ
        if stage.yaw_deg is not None:
            yaws += (stage.yaw_deg - yaws[-1]) * blend
        course = course if speed > 0 else yaw  # who sets off, sets off forwards
        course_rates = course_rate + (stage.course_rate_dps - course_rate) * blend
        courses = course + np.cumsum(course_rates) / STEP_HZ
        speeds = speed + (stage.speed_mps - speed) * blend
        rolls, pitches = roll + (stage.roll_deg - roll) * blend, pitch + (stage.pitch_deg - pitch) * blend
        parts.append(np.column_stack([rolls, pitches, yaws, speeds, courses]))
        roll, pitch, yaw, speed, course = parts[-1][-1].tolist()
        yaw_rate, course_rate = float(rates[-1]), float(course_rates[-1])
    columns = np.vstack(parts)
    t_s = np.arange(len(columns)) / STEP_HZ
    course_rad = np.deg2rad(columns[:, 4])
    return pd.DataFrame(
        {
            "t_s": t_s,
            "roll_deg": columns[:, 0],
            "pitch_deg": columns[:, 1],
            "yaw_deg": columns[:, 2],
            "velocity_north_mps": columns[:, 3] * np.cos(course_rad),
            "velocity_east_mps": columns[:, 3] * np.sin(course_rad),
            "shot": np.repeat([stage.shot for stage in plan], [len(part) for part in parts]),
        }
    )
