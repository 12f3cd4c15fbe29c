"""What to mind before a shot or a bench step: the only place of these texts.

Cautions depend on the kind of rig, because only an aircraft has propellers and a battery that turns them, and
on whether hands go to the rig. Whoever describes a step gives its cautions with it.
"""

from dataclasses import dataclass

__all__ = [
    "CELLS",
    "FLYING",
    "POWER_UP",
    "SUPPLIED",
    "TURNED_OVER",
    "UNPOWERED",
    "Cautions",
    "by_hand_cautions",
    "capture_cautions",
    "filming_cautions",
    "reminder",
]

OFF = "propellers off and flight battery out"
STRAP = "a second hand or a strap on the camera"

UNPOWERED = (
    f"{OFF[0].upper()}{OFF[1:]} before any hand touches the rig.",
    "Feed the sensor from USB or a bench supply only, gimbal motors disabled and checked by hand. If it "
    "cannot be fed that way, leave this out.",
)
SUPPLIED = ("Sensor fed from USB or a bench supply, gimbal motors disabled and checked by hand.",)
TURNED_OVER = f"{STRAP[0].upper()}{STRAP[1:]} while it is upside down."
NO_FORCE = "Never force a powered gimbal."
NEVER_BY_HAND = "Never hold or turn a powered aircraft by hand, and never force a powered gimbal."
POWER_UP = "First power-up afterwards on a stand, camera restrained, hands clear"
CELLS = "Never leave lithium packs unattended while the sensor warms up."
FLYING = (
    "Fly with a spotter, in line of sight, clear of people, within wind and height limits and with a return "
    "reserve, only where local rules and your licence allow.",
)
LOW_SUN = "Do not park a low sun in a long lens."
BEACH = "On a beach mind tide and rocks."
BESIDE = {
    "drone": "spotter, line of sight, people, wind, return reserve",
    "handheld": "watch where you step",
    "bench": "hands clear of the gimbal",
}
LINES = (
    "Hang a plumb line's weight low and where nobody walks into it.",
    "Never look into a laser, and keep its source out of the lens.",
)
CABLES = "Cables without slip rings do not survive full turns of the gimbal's head."


@dataclass(frozen=True)
class Cautions:
    """What to mind during the steps that ``title`` names."""

    title: str
    lines: tuple[str, ...]


def filming_cautions(rig_kind: str, *, turning: bool, indoors: bool = False) -> tuple[str, ...]:
    """For a shot that no hand reaches into; ``turning``: the rig turns on the spot.

    indoors : before a plumb or level line.
    """
    if indoors:
        return (*((CABLES,) if turning else ()), *LINES)
    crew = FLYING if rig_kind == "drone" else ()
    beach = () if rig_kind == "bench" else (BEACH,)
    return (*crew, *((CABLES,) if turning else ()), LOW_SUN, *beach)


def by_hand_cautions(rig_kind: str, *, indoors: bool = False) -> tuple[str, ...]:
    """For a shot in which hands turn the camera over."""
    own: tuple[str, ...]
    if rig_kind == "drone":
        own = (*UNPOWERED, NEVER_BY_HAND, TURNED_OVER, f"{POWER_UP}; then a low hover near you.")
    else:
        own = (*SUPPLIED, NO_FORCE, TURNED_OVER, f"{POWER_UP}.")
    return own if rig_kind == "bench" or indoors else (*own, BEACH)


def capture_cautions() -> tuple[str, ...]:
    """For turning the sensor's board by hand, and for the first power-up with new constants."""
    return (
        *UNPOWERED,
        NEVER_BY_HAND,
        "These are for the gimbal's sensor, never for that of the flight controller.",
        f"{POWER_UP}; an aircraft then first in a low hover near you, where local rules and your licence "
        "allow.",
        CELLS,
    )


def reminder(rig_kind: str, *, by_hand: bool) -> str:
    """What must not be forgotten beside one shot, in one line; the full cautions stand before it."""
    if by_hand:
        return f"{OFF}, motors disabled" if rig_kind == "drone" else f"motors disabled, {STRAP}"
    return BESIDE[rig_kind]
