"""Which shot would settle what is open, and how to film each.

One shot is asked for, never a list: the one that closes the question on which the decision hangs. A skyline
that may lean hides the lean itself, so the pan comes first; a lean that is known and out of tolerance hangs
on offset or mounting, which only turning the sensor over tells apart.
"""

from dataclasses import dataclass

from attitude.cautions import reminder
from attitude.findings import Causes
from attitude.sheet import Shoot

__all__ = ["HOLD_S", "SHOT_WORDS", "WARM_AFTER_S", "Lacking", "Shot", "describe", "instead", "next_shot"]
__all__ += ["six_faces"]

# Five time constants of a usual sensor filter, 5 s: after them 0.7 % of a step is left.
HOLD_S = 25
# Warm-up usually fades with 300 s: after 8 min a fifth of it is left.
WARM_AFTER_S = 480
FACE_S = 10  # of rest on each face of the cube; as long again to turn and level it

SHOT_WORDS = {
    "hover": "level hold",
    "pan": "full pan",
    "upside_down": "upside-down shot",
    "half_turn": "half turns",
    "turns": "flown turns",
    "tilt": "slow tilt",
    "wiggle": "wiggle for the clocks",
    "ordinary": "ordinary footage",
    "warm_up": "cold start and warm",
}
TURNED = {
    "drone": "turn the aircraft, not the gimbal's head",
    "handheld": "turn yourself, not the gimbal's head",
    "bench": "turn the whole stand, not the gimbal's head",
}
EIGHT = {
    "drone": "Figures of eight at 8 m/s or more, camera along the course, with ground velocity in the log.",
    "handheld": "As a passenger, camera along the course: figures of eight or bends to both sides, wide and "
    "even, with ground velocity in the log. Without it in the log leave this out.",
    "bench": "Not on the bench: put the rig on something that moves and take bends to both sides, with "
    "ground velocity in the log.",
}
TELLS = {
    "hover": "how far the picture leans at level",
    "pan": "how far the skyline itself leans, and the lean without that",
    "upside_down": "the sensor's offset apart from a turned camera, and the sign of roll",
    "half_turn": "a gyro bias, and how slowly the sensor settles",
    "turns": "leaning in turns",
    "tilt": "a camera turned sideways on its seat",
    "wiggle": "where clip and log meet, and the signs of pitch and yaw",
    "ordinary": "how it leans in everyday use",
    "warm_up": "how far the lean moves while the sensor warms up",
}


@dataclass(frozen=True)
class Shot:
    """One shot: contract name, name for people, what to do, how long, what it tells, what not to forget."""

    name: str
    title: str
    how: str
    seconds: int
    tells: str
    caution: str


@dataclass(frozen=True)
class Lacking:
    """A shot that a shoot lacks.

    shot : contract name, or ``warm_up``. seconds : how long it should be. because : what is open without it.
    reaches : what would be known with it, in words.
    """

    shot: str
    seconds: float
    because: str
    reaches: str


def next_shot(causes: Causes, shoot: Shoot, condition: str = "settled") -> str:
    """Contract name of the one shot that helps most while the decision or the cause is open.

    condition : the one of ``Terms.conditions`` in which the lean is least certain to be within tolerance.
    """
    if condition == "turns" and not shoot.indoors:
        return "turns"
    if causes.lean is None or causes.terms is None:
        return "hover"
    headings = causes.skyline_deg.values()
    sky_open = any(not one.determined for one in headings) if headings else shoot.horizon.surface != "sea"
    if (
        sky_open
        and not shoot.indoors
        and "pan" not in causes.shots
        and causes.lean.sd > shoot.tolerance_deg / 6
    ):
        return "pan"
    offset = causes.offset_mg.get("sideways")
    if abs(causes.lean.value) > shoot.tolerance_deg and (
        offset is None or not offset.determined or not causes.offset_shown_by
    ):
        return "upside_down"
    return "hover"


def describe(name: str, rig_kind: str, *, hold_s: int = HOLD_S, indoors: bool = False) -> Shot:
    """How to film a shot with a drone, a handheld rig or on the bench.

    hold_s : seconds of each still pose. indoors : before a plumb or level line, without a horizon.

    Raises
    ------
    KeyError
        Not a shot of the sheet, nor ``warm_up``; or not a kind of rig.
    """
    turn, seen = TURNED[rig_kind], "line" if indoors else "horizon"
    over = f"{hold_s} s upright, then {hold_s} s upside down, rolled over about the lens axis, same heading."
    minutes = WARM_AFTER_S // 60
    how = {
        "hover": (
            "Level and still, propped or clamped, untouched; the line through the picture's middle."
            if indoors
            else "Level and still, no stick, no touch; clear sea or flat skyline near the picture's middle.",
            hold_s,
        ),
        "pan": (f"One full turn on the spot at a steady 6 deg/s: {turn}.", 60),
        "upside_down": (
            f"By hand, unpowered, log running: {over}" if rig_kind == "drone" else over,
            2 * hold_s,
        ),
        "half_turn": (f"Twice: half round within 4 s, then hold still for 11 s; {turn}.", 30),
        "turns": (EIGHT[rig_kind], 60),
        "tilt": (f"Slowly lens up by 15 deg, down by 15 deg and back, the {seen} kept in the picture.", 40),
        "wiggle": (
            "By hand three rolls of 25 deg about the lens axis, to either side in turn, about three seconds "
            "over and three back, with uneven pauses, the line kept in the picture. First and last."
            if indoors
            else "Three quick 10 deg tilts, then a 30 deg pan each way. First and last.",
            22 if indoors else 15,
        ),
        "ordinary": ("As you always film.", 60),
        "warm_up": (
            f"The same level hold, {hold_s} s, right after power-on and again {minutes} min or more after "
            "it, log running throughout.",
            2 * hold_s,
        ),
    }
    text, seconds = how[name]
    rolled = indoors and name == "wiggle"
    by_hand = name == "upside_down" or rolled
    tells = "where clip and log meet, and the sign of roll" if rolled else TELLS[name]
    beside = "bench" if indoors and not by_hand else rig_kind
    return Shot(name, SHOT_WORDS[name], text, seconds, tells, reminder(beside, by_hand=by_hand))


def six_faces(rig_kind: str) -> Shot:
    """The sensor alone on its bubble cube."""
    return Shot(
        "six_faces",
        "six faces on the cube",
        f"Each of the sensor's six faces up in turn, level by the bubble, let go for {FACE_S} s, the raw "
        "accelerometer logged; check it with horizon-drift faces before you put anything away.",
        6 * 2 * FACE_S,
        "the sensor's offset without the camera, and so the camera's seat",
        reminder(rig_kind, by_hand=True),
    )


def instead(hold_s: int = HOLD_S, *, indoors: bool = False) -> tuple[tuple[str, str], ...]:
    """What stands in for the upside-down shot where a gimbal cannot be turned over: name and how.

    That portrait tells the offset some ten times less sharply is how the columns of the observation model
    lie: sd 0.09 against 0.009 deg for the same minute of footage. A line is not looked for in portrait.
    """
    portrait = (
        "portrait",
        f"Both portrait ways, {hold_s} s each, same heading. It tells the offset about ten times less "
        "sharply.",
    )
    holds = (
        "bench_holds",
        f"Two bench holds of the sensor alone on a bubble cube, {hold_s} s each, untouched, the raw "
        "accelerometer logged: upright and inverted, or better on the left and the right face, where the "
        "bubble's error drops out. They tell the sensor's offset without a camera.",
    )
    return (holds,) if indoors else (portrait, holds)
