"""Which shot would settle what is open, and how to film it.

One shot is asked for, never a list: the one that closes the question on which the decision hangs. A skyline
that may lean hides the lean itself, so the pan comes first; a lean that is known and out of tolerance hangs
on offset or mounting, which only turning the sensor over tells apart.
"""

from dataclasses import dataclass

from attitude.findings import Causes
from attitude.sheet import Shoot

__all__ = ["Shot", "describe", "next_shot"]

UNPOWERED = (
    "propellers off, flight battery out, sensor fed from USB or a bench supply only, gimbal motors disabled "
    "and checked by hand; if it cannot be fed that way, leave the hand shot out"
)
FLYING = "fly it only where local rules and your licence allow: spotter, line of sight, wind, return reserve"


@dataclass(frozen=True)
class Shot:
    """One shot: contract name, what to do, how long, and the caution that goes with it."""

    name: str
    how: str
    seconds: int
    caution: str


def next_shot(causes: Causes, shoot: Shoot, condition: str = "settled") -> str:
    """Contract name of the one shot that helps most while the decision or the cause is open.

    condition : the one of ``Terms.conditions`` in which the lean is least certain to be within tolerance.
    """
    if condition == "turns":
        return "turns"
    if causes.lean is None or causes.terms is None:
        return "hover"
    headings = causes.skyline_deg.values()
    sky_open = any(not one.determined for one in headings) if headings else shoot.horizon.surface != "sea"
    if sky_open and "pan" not in causes.shots and causes.lean.sd > shoot.tolerance_deg / 6:
        return "pan"
    offset = causes.offset_mg.get("sideways")
    if abs(causes.lean.value) > shoot.tolerance_deg and (
        offset is None or not offset.determined or not causes.offset_shown_by
    ):
        return "upside_down"
    return "hover"


def describe(name: str, rig_kind: str) -> Shot:
    """How to film a shot with a drone, a handheld rig or on the bench.

    Raises
    ------
    KeyError
        Not a shot of the sheet.
    """
    flown = rig_kind == "drone"
    care = FLYING if flown else "second hand or strap on the camera"
    turn = "turn the aircraft" if flown else "turn yourself"
    how = {
        "hover": ("Clear sea or flat skyline near the picture's middle, no stick, no touch.", 20),
        "pan": (f"One full turn at a steady 6 deg/s on the spot: {turn}, not the gimbal's head.", 60),
        "upside_down": _upside_down(rig_kind),
        "half_turn": (f"Twice: {turn} by 180 deg within 4 s, then hold 11 s.", 30),
        "turns": ("Figures of eight at 8 m/s or more, with ground velocity in the log.", 60),
        "tilt": ("Slowly lens up and down by 15 deg.", 40),
        "wiggle": ("Three quick 10 deg tilts and a 30 deg pan each way, at the start and at the end.", 15),
        "ordinary": ("As you always film.", 60),
    }
    text, seconds = how[name]
    return Shot(name, text, seconds, UNPOWERED if name == "upside_down" and flown else care)


def _upside_down(rig_kind: str) -> tuple[str, int]:
    if rig_kind == "drone":
        return (
            "By hand, unpowered, log running: 20 s upright, 20 s upside down, rolled over about the lens "
            "axis with the same heading. Where the gimbal cannot be turned over: both portrait ways, 20 s "
            "each.",
            40,
        )
    return ("20 s upright, 20 s upside down, rolled over about the lens axis with the same heading.", 40)
