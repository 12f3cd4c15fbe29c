"""The test shoot: which shots, in which order, on which power-on, and what the sheet says of each.

Order and lengths are those of the shots that together tell every cause apart. Two rules decide what may
share a power-on: a level that drifts while the sensor warms up is known only from a cold and a warm hold of
the same warm-up; and a flight battery comes out before hands turn an aircraft's camera over, which starts
another.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import ceil

from attitude.cautions import CELLS, Cautions, by_hand_cautions, filming_cautions, reminder
from attitude.entries import RIG_KINDS
from attitude.holds import Reach, hold_seconds, reach
from attitude.shots import SHOT_WORDS, WARM_AFTER_S, Lacking, Shot, describe, instead, six_faces

__all__ = ["PowerOn", "Protocol", "ProtocolError", "Step", "Substitute", "protocol"]

STILL_FIRST_S = 30.0
BEFORE_A_LINE = ("hover", "upside_down", "wiggle", "warm_up")
MINUTES = WARM_AFTER_S // 60
LINE_SHEET = 'reference = "plumb_line"'
FACES_SHEET = (
    "[[bench]]",
    'file = "faces.json"',
    'constants = "new"  # or "old"',
)
PORTRAIT_SHEET = ('shot = "ordinary"',)
BENCH_SHEET = (
    "[[bench]]",
    'file = "upright.csv"',
    'pose = "upright"    # then "inverted"; or "-x", then "+x"',
    "bubble_deg = 0.25   # error of the bubble",
)


# Line and bob: common practice. Water level: a millimetre at each end of five metres; laser: from memory.
AT_THE_LINE = (
    "Hang a plumb line first: smooth string of 1 to 2 mm, dark before a light wall or light before a dark "
    "one, a weight of half a kilogram or more in a bucket of water, 3 to 10 m before the lens. No door "
    "frame, pipe or shelf beside it in the picture.",
    'Or a level line right across the picture, 3 to 10 m away (then reference = "level_line" in the sheet): '
    "string between the marks of a water level, good to 1 mm over 5 m, 0.01 deg; or a self-levelling laser "
    "line on a wall square to the lens (its ends equally far, to 4 cm per metre), 0.2 to 0.4 mm/m by its "
    'data sheet: level_accuracy = "0.4 mm/m", 0.02 deg. Turn the laser half round on its spot: the line must '
    "fall on itself.",
    "The line through the picture's middle and from edge to edge, in focus, the lens level.",
    "Stabilisation and levelling in the camera off; horizon trim at zero, or written into the sheet.",
    "Log the sensor's own attitude, and its raw accelerometer, from power-on to the end. Let the camera run "
    "from the first wiggle to the last.",
    "Do the same before and after a calibration, at the same line: what changes is the calibration's doing.",
)


class ProtocolError(ValueError):
    """No card can be made for this request; the text says what would be allowed."""


@dataclass(frozen=True)
class Step:
    """One shot on the card.

    drawing : name of its drawing. sheet : lines for the sheet. because, reaches : what is open without it and
    what would be known with it; empty on a card for a whole test shoot.
    """

    shot: Shot
    drawing: str
    sheet: tuple[str, ...]
    because: str = ""
    reaches: str = ""


@dataclass(frozen=True)
class PowerOn:
    """Shots from one switching-on of the sensor to its switching-off: one log, one warm-up.

    still_first_s : wait between switching on and the first shot.
    """

    title: str
    notes: tuple[str, ...]
    steps: tuple[Step, ...]
    still_first_s: float = STILL_FIRST_S

    @property
    def minutes(self) -> int:
        """Time with the sensor on, whole minutes."""
        total_s = self.still_first_s
        for step in self.steps:
            if step.shot.name == "warm_up":
                total_s = max(total_s, WARM_AFTER_S)
            total_s += step.shot.seconds
        return ceil(total_s / 60)


@dataclass(frozen=True)
class Substitute:
    """What to film or hold where the camera cannot be turned over."""

    drawing: str
    how: str
    sheet: tuple[str, ...]
    caution: str


@dataclass(frozen=True)
class Protocol:
    """The card.

    cautions : come before everything else. before : what holds for all shots. lacking : whether the card
    shows only what one shoot lacks. reach : what still poses of this length lead to.
    """

    rig_kind: str
    lacking: bool
    cautions: tuple[Cautions, ...]
    before: tuple[str, ...]
    power_ons: tuple[PowerOn, ...]
    instead: tuple[Substitute, ...]
    hold_s: int
    reach: Reach


def protocol(
    rig_kind: str,
    *,
    certainty_deg: float,
    lacking: Sequence[Lacking] | None = None,
    indoors: bool | None = None,
) -> Protocol:
    """The card for a kind of rig.

    indoors : before a plumb or level line, without a horizon; None: as is usual for the kind of rig.
    certainty_deg : wanted 95 % half-width of the level error; it decides how long still poses are held.
    lacking : show these shots only, with the wiggles their clocks need; None: the whole test shoot.

    Raises
    ------
    ProtocolError
        Not a kind of rig.
    CertaintyError
        Not reached however long the poses are.
    """
    if rig_kind not in RIG_KINDS:
        raise ProtocolError(f"{rig_kind!r} is not a kind of rig; it is one of {', '.join(RIG_KINDS)}")
    hold_s = hold_seconds(certainty_deg)
    at_line = rig_kind == "bench" if indoors is None else indoors
    power_ons = _at_the_line(rig_kind, hold_s) if at_line else _power_ons(rig_kind, hold_s)
    if lacking is not None:
        power_ons = _only(power_ons, {lack.shot: lack for lack in lacking}, rig_kind, at_line)
    filmed = {step.shot.name for one in power_ons for step in one.steps}
    by_hand = at_line or "upside_down" in filmed
    return Protocol(
        rig_kind=rig_kind,
        lacking=lacking is not None,
        cautions=_cautions(rig_kind, by_hand=by_hand, at_line=at_line) if filmed else (),
        before=AT_THE_LINE if at_line else _before(rig_kind),
        power_ons=power_ons,
        instead=_substitutes(hold_s, rig_kind, at_line)
        if "upside_down" in filmed and "six_faces" not in filmed
        else (),
        hold_s=hold_s,
        reach=reach(hold_s),
    )


def _power_ons(rig_kind: str, hold_s: int) -> tuple[PowerOn, ...]:
    steps = {name: _step(describe(name, rig_kind, hold_s=hold_s)) for name in SHOT_WORDS}
    cold = steps["hover"]
    warm = _warm(cold)
    wiggle = steps["wiggle"]
    moving = [steps["half_turn"], steps["turns"], steps["tilt"]]
    first = f"Switch on, note time and temperature, and leave it still for {STILL_FIRST_S:.0f} s."
    if rig_kind == "drone":
        air = (wiggle, cold, steps["pan"], *moving, warm, wiggle)
        hands = replace(
            wiggle,
            shot=replace(
                wiggle.shot,
                how="The same by hand: three quick 10 deg tilts of the camera, then 30 deg each way.",
                caution=reminder(rig_kind, by_hand=True),
            ),
        )
        return (
            PowerOn(
                "In the air",
                (
                    first,
                    "A new battery is a new log with a new time zero and a new warm-up, so both level holds "
                    "belong on one. If it does not last, fly the shots between them on another, wiggle "
                    "first and last there too.",
                ),
                air,
            ),
            PowerOn(
                "By hand, flight battery out",
                (
                    f"A log and a warm-up of its own: leave the sensor on for {MINUTES} min first, or "
                    "warming up comes between the two poses.",
                    "Where the sensor cannot be fed without the flight battery, leave this part out.",
                ),
                (hands, steps["upside_down"], hands),
                still_first_s=WARM_AFTER_S,
            ),
        )
    every = (wiggle, cold, steps["pan"], steps["upside_down"], *moving, warm, wiggle)
    notes = (
        first,
        "Keep the sensor on throughout. If the motors cannot be disabled without switching it off, turn the "
        "camera over last, as a log of its own with a wiggle first and last: both level holds belong on one "
        "power-on.",
    )
    return (PowerOn("On one power-on", notes, every),)


def _at_the_line(rig_kind: str, hold_s: int) -> tuple[PowerOn, ...]:
    """Ten minutes on the bench: the camera against the line, the sensor against the bubble, both warm."""
    wiggle, level, over = (
        _step(describe(name, rig_kind, hold_s=hold_s, indoors=True), at_line=True)
        for name in ("wiggle", "hover", "upside_down")
    )
    faces = Step(six_faces(rig_kind), "six_faces", FACES_SHEET)
    return (
        PowerOn(
            "The camera before the line, motors disabled throughout",
            (
                f"Switch the sensor on {MINUTES} min before the first shot, while the line is hung; note "
                "time and temperature.",
                "The gimbal need not hold itself: how the camera lies is compared with how the sensor "
                "believes it lies, whoever holds it.",
            ),
            (wiggle, level, over, wiggle),
            still_first_s=WARM_AFTER_S,
        ),
        PowerOn(
            "The sensor on the bubble cube, while it is warm",
            (
                "Two faces, upright and inverted, are not enough: a bubble of 0.25 deg leaves the offset "
                "open by ± 6 mg (95 %), a third of a degree of lean. Of six faces the tilts drop out.",
            ),
            (faces,),
            still_first_s=0.0,
        ),
    )


def _step(shot: Shot, *, at_line: bool = False) -> Step:
    velocity = ("# and in [[log]]:", 'velocity_mps = ["vn", "ve"]') if shot.name == "turns" else ()
    if at_line and shot.name in BEFORE_A_LINE:
        return Step(shot, f"{shot.name}_line", (f'shot = "{shot.name}"', LINE_SHEET))
    return Step(shot, shot.name, (f'shot = "{shot.name}"', *velocity))


def _warm(cold: Step) -> Step:
    """The first level hold once more, warm; its clip is a level hold to the sheet."""
    shot = replace(
        cold.shot,
        name="warm_up",
        title=f"{cold.shot.title}, warm",
        how=f"The first level hold again, {MINUTES} min or more after power-on.",
        tells="what warming up does to the level",
    )
    return Step(
        shot,
        cold.drawing.replace("hover", "warm_up"),
        (*cold.sheet, "# and in [[log]]:", "powered_on_s = 0.0"),
    )


def _only(
    power_ons: Sequence[PowerOn], wanted: Mapping[str, Lacking], rig_kind: str, at_line: bool
) -> tuple[PowerOn, ...]:
    """The shots that are lacking, between the wiggles of their power-on.

    A lacking warm-up brings the cold hold with it: one of the two alone says nothing of the other. A shot
    that this kind of rig does not film in its test shoot goes with the first power-on.
    """
    usual = {step.shot.name for one in power_ons for step in one.steps}
    steps = {name: _step(describe(name, rig_kind, indoors=at_line), at_line=at_line) for name in wanted}
    if "warm_up" in wanted:
        steps["warm_up"] = _warm(_step(describe("hover", rig_kind, indoors=at_line), at_line=at_line))
    others = [_wanted(step, wanted) for name, step in steps.items() if name not in usual]
    out = []
    for one in power_ons:
        if len(one.steps) < 3:
            continue  # nothing is filmed in it
        first, *between, last = one.steps
        kept = [
            _wanted(step, wanted)
            for step in between
            if step.shot.name in wanted or (step.shot.name == "hover" and "warm_up" in wanted)
        ]
        if one is power_ons[0]:
            kept += others
        alone = "wiggle" in wanted and one is power_ons[0]
        if kept or alone:
            out.append(replace(one, steps=(_wanted(first, wanted), *kept, last)))
    return tuple(out)


def _wanted(step: Step, wanted: Mapping[str, Lacking]) -> Step:
    lack = wanted.get(step.shot.name)
    if lack is None:
        return step
    shot = replace(step.shot, seconds=round(lack.seconds))
    return replace(step, shot=shot, because=lack.because, reaches=lack.reaches)


def _cautions(rig_kind: str, *, by_hand: bool, at_line: bool) -> tuple[Cautions, ...]:
    filming = Cautions(
        "In the air" if rig_kind == "drone" and not at_line else "While filming",
        (*filming_cautions(rig_kind, turning=not at_line, indoors=at_line), CELLS),
    )
    every = by_hand_cautions(rig_kind, indoors=at_line)
    own = tuple(line for line in every if line not in filming.lines)
    hands = Cautions("Before the camera is turned by hand", own)
    return (filming, hands) if by_hand else (filming,)


def _before(rig_kind: str) -> tuple[str, ...]:
    level = "lens down by 10 deg at most" if rig_kind == "drone" else "lens level"
    return (
        f"Open sea or a flat skyline all round, {level}, the horizon near the picture's middle.",
        "Stabilisation and levelling in the camera off; horizon trim at zero, or written into the sheet.",
        "Log the camera sensor's own attitude, from power-on to the last shot.",
        "Let the camera run from the first wiggle to the last. Where it is stopped in between, every clip "
        "needs a wiggle at its start.",
    )


def _substitutes(hold_s: int, rig_kind: str, at_line: bool) -> tuple[Substitute, ...]:
    sheets = {"portrait": PORTRAIT_SHEET, "bench_holds": BENCH_SHEET}
    mind = reminder(rig_kind, by_hand=True)
    return tuple(Substitute(name, how, sheets[name], mind) for name, how in instead(hold_s, indoors=at_line))
