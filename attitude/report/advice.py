"""Steps and cautions: what to do about each action, and how to film each shot.

The only place for this text, so that page and terminal say the same. Cautions stand with the step they
belong to: who reads only the step must have read its caution. They depend on the kind of rig: only an
aircraft has propellers.
"""

from dataclasses import dataclass

from attitude.shots import describe

__all__ = ["ACTION_WORDS", "AIRWORTHY", "LOCAL_RULES", "Advice", "action_advice", "shot_advice", "shot_words"]

AIRWORTHY = "A level picture says nothing about airworthiness."
LOCAL_RULES = "Local rules and licensed practice come before anything said here."

UNPOWERED = (
    "Propellers off and flight battery out before any hand touches the rig.",
    "Feed the sensor from USB or a bench supply only, gimbal motors disabled and checked by hand. If it "
    "cannot be fed that way, leave this out.",
)
NEVER_BY_HAND = (
    "Never hold or turn a powered aircraft by hand, and never force a powered gimbal.",
    "A second hand or a strap on the camera while it is upside down.",
)
SUPPLIED = ("Sensor fed from USB or a bench supply, gimbal motors disabled and checked by hand.",)
STRAP = (
    "A second hand or a strap on the camera while it is upside down; never force a powered gimbal.",
    "On a beach mind tide and rocks.",
)
CELLS = "Never leave lithium packs unattended while the sensor warms up."
FLYING = (
    "Fly with a spotter, in line of sight, clear of people, within wind and height limits and with a return "
    "reserve, only where local rules and your licence allow.",
)
LOW_SUN = "Do not park a low sun in a long lens."

ACTION_WORDS = {
    "leave": "Leave it as it is",
    "recalibrate": "Recalibrate the gimbal's sensor",
    "square_up": "Square the camera up to its sensor",
    "gentler_turns": "Turn more gently",
    "wait_before_filming": "Let the sensor warm up before filming",
    "balance_or_tune": "Balance the camera, then tune the gimbal",
    "open": "Film one more shot",
}
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


def shot_advice(name: str, rig_kind: str) -> Advice:
    """How to film one shot.

    Raises
    ------
    KeyError
        Not a shot.
    """
    flown = rig_kind == "drone"
    if name == "warm_up":
        how = (
            "Film 20 s of level horizon right after power-on and again 20 min later, log running throughout.",
        )
        return Advice(SHOT_WORDS[name], how, (*(FLYING if flown else ()), CELLS))
    cautions: tuple[str, ...]
    if name == "upside_down":
        cautions = (*UNPOWERED, *NEVER_BY_HAND) if flown else (*SUPPLIED, *STRAP)
    else:
        cautions = (*(FLYING if flown else STRAP[1:]), LOW_SUN)
    shot = describe(name, rig_kind)
    turning = ("Cables without slip rings do not survive full turns of the gimbal's head.",)
    return Advice(
        SHOT_WORDS[name],
        (f"{shot.how} About {shot.seconds} s.",),
        (*cautions, *(turning if name in ("pan", "half_turn") else ())),
    )


def shot_words(name: str) -> str:
    """Name of a shot for people."""
    return SHOT_WORDS[name]


def _recalibrate(flown: bool) -> tuple[tuple[str, ...], tuple[str, ...]]:
    steps = (
        "Write down the old constants first: without them there is no way back and no comparison.",
        "Warm the sensor to the temperature it films at, and keep it there.",
        "Recalibrate the sensor of the gimbal, never that of the flight controller."
        if flown
        else "Recalibrate the sensor of the gimbal.",
        "Hold every face square and still on a bubble cube, as the calibration asks, never in the hand.",
        "First power-up afterwards on a stand, camera restrained, hands clear"
        + ("; then a low hover near you." if flown else "."),
        "Film the same horizon again (level, and turned over) before you trust it.",
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
