"""Steps and cautions: what to do about each action, and how to film each shot.

Page and terminal take this text from here, so that they say the same. Cautions (:mod:`attitude.cautions`)
come with the step they belong to: who reads only the step must have read its caution.
"""

from dataclasses import dataclass

from attitude.cautions import CELLS, FLYING, POWER_UP, SUPPLIED, UNPOWERED, by_hand_cautions, filming_cautions
from attitude.shots import SHOT_WORDS, Shot, describe, instead

__all__ = ["ACTION_WORDS", "AIRWORTHY", "LOCAL_RULES", "Advice", "action_advice", "shot_advice", "shot_words"]

AIRWORTHY = "A level picture says nothing about airworthiness."
LOCAL_RULES = "Local rules and licensed practice come before anything said here."

ACTION_WORDS = {
    "leave": "Leave it as it is",
    "recalibrate": "Recalibrate the gimbal's sensor",
    "square_up": "Square the camera up to its sensor",
    "gentler_turns": "Turn more gently",
    "wait_before_filming": "Let the sensor warm up before filming",
    "balance_or_tune": "Balance the camera, then tune the gimbal",
    "open": "Film one more shot",
}


@dataclass(frozen=True)
class Advice:
    """What to do, in order, and what to mind while doing it."""

    title: str
    steps: tuple[str, ...]
    cautions: tuple[str, ...] = ()


def action_advice(action: str, rig_kind: str, *, trim_deg: float = 0.0) -> Advice:
    """Steps of an action of the verdict; "open" has none of its own, its step is the next shot.

    Raises
    ------
    KeyError
        Not an action of the contract.
    """
    flown = rig_kind == "drone"
    choice: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
        "leave": (("Nothing to mend. Film the next shoot the same way to see whether it stays so.",), ()),
        "recalibrate": _recalibrate(flown),
        "square_up": _square_up(flown),
        "gentler_turns": _gentler_turns(flown),
        "wait_before_filming": (
            (
                "Power the sensor on, let it stand still and wait before the first take; if the log shows "
                "the sensor's temperature, until it stays.",
                "Film 20 s of level horizon before and after the wait, to see that it was long enough.",
            ),
            (CELLS,),
        ),
        "balance_or_tune": (
            (
                "Gimbal motors off: balance the camera about all three axes until it stays where it is put.",
                "Look for cables that pull, for play and for an end stop that is reached.",
                "Only then tune: the log shows that the gimbal does not reach the level it believes in.",
                "If a horizon trim was set to hide this, set it back to zero first.",
            ),
            UNPOWERED if flown else SUPPLIED,
        ),
        "open": ((), ()),
    }
    steps: tuple[str, ...]
    steps, cautions = choice[action]
    if trim_deg and action in ("recalibrate", "square_up"):
        steps = (*steps, f"Take the horizon trim of {trim_deg:g} deg back: it was set against this lean.")
    return Advice(ACTION_WORDS[action], steps, cautions)


def shot_advice(name: str, rig_kind: str, *, indoors: bool = False) -> Advice:
    """How to film one shot.

    Raises
    ------
    KeyError
        Not a shot.
    """
    shot = describe(name, rig_kind, indoors=indoors)
    if name == "upside_down":
        otherwise = (
            f"Where the gimbal cannot be turned over: {how[0].lower()}{how[1:]}"
            for _, how in instead(indoors=indoors)
        )
        return Advice(shot.title, (_timed(shot), *otherwise), by_hand_cautions(rig_kind, indoors=indoors))
    if indoors and name == "wiggle":
        return Advice(shot.title, (_timed(shot),), by_hand_cautions(rig_kind, indoors=True))
    cautions = filming_cautions(rig_kind, turning=name in ("pan", "half_turn"), indoors=indoors)
    return Advice(shot.title, (_timed(shot),), (*cautions, *((CELLS,) if name == "warm_up" else ())))


def shot_words(name: str) -> str:
    """Name of a shot for people."""
    return SHOT_WORDS[name]


def _timed(shot: Shot) -> str:
    return f"{shot.how} About {shot.seconds} s."


def _recalibrate(flown: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = (
        "Write down the old constants first: without them there is no way back and no comparison.",
        "Warm the sensor to the temperature it films at, and keep it there.",
        "Recalibrate the sensor of the gimbal, never that of the flight controller."
        if flown
        else "Recalibrate the sensor of the gimbal.",
        "Hold every face square and still on a bubble cube, as the calibration asks, never in the hand.",
        POWER_UP + ("; then a low hover near you." if flown else "."),
        "Film the same again (level, and turned over) before you trust it.",
    )
    return steps, (*(UNPOWERED if flown else SUPPLIED), CELLS)


def _square_up(flown: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = (
        "Repeat the check when the sensor is warm: a steady gyro bias looks the same and fades.",
        "Check the camera's seat: plate, quick release, screws, dirt; take it off and put it back squarely.",
        "If the lean stays, shim the seat; if you cannot shim, set the horizon trim and write it down.",
        "After shimming rebalance, and check the screws.",
        "Film again: a reseated camera voids every earlier comparison.",
    )
    return steps, UNPOWERED if flown else SUPPLIED


def _gentler_turns(flown: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    if not flown:
        return ("Walk or ride wider, slower turns, and wait for the level to come back before a take.",), ()
    steps = (
        "Fly wider and slower turns, and wait for the level to come back before a take.",
        "If the gimbal can take ground speed from the aircraft, give it: it then knows what a turn is.",
    )
    return steps, FLYING
