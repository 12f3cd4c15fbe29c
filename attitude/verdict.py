"""Probability of being within tolerance, and the action that follows.

Conformance after JCGM 106 with a flat prior: for a lean L with standard uncertainty u and tolerance T,

    P = Phi((T - L) / u) - Phi((-T - L) / u),   u^2 = u_shoot^2 + u_repeat^2

u_repeat is what the next shoot of the same rig differs by (seat, temperature): 0.07 deg until the rig's own
shoots say better. P is taken in every condition that was filmed (settled; as held, with what the gimbal
leaves; in turns; while warming up) and the lowest counts. A flat prior, because a prior of mostly good rigs
talks bad ones into tolerance.

In time: what the viewer gets to see must be within tolerance for nine tenths of it. The share of time out
hangs on the level of the whole footage, which is known to u = (sd of the picture's lean, u_repeat); with the
same shift d for every moment,

    P(in time) = integral of N(d; 0, u) [share(|tilt + d| > T) <= 0.1] dd

which counts as one more condition. A term that is taken away is taken off the tilt moment by moment, where
its part is known so; else time is not judged without a term that mends another condition by itself. The
skyline's own tilt is nobody's fault: where it explains the picture, it is taken off, or time is not judged.

Choice of action, first match: P >= 0.95 -> leave; P > 0.05 -> open; then the one remedy whose removal
leaves the highest P, if its term is determined and that P >= 0.5; then two together, in order; else open.
"Recalibrate" needs the offset shown by turning the sensor over, whatever the evidence says.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from attitude.findings import Causes, Estimate, OutOfTolerance, Terms, TiltOverTime
from attitude.lookalikes import LENS_FILE
from attitude.sheet import Shoot
from attitude.shots import next_shot
from attitude.words import chance_words, lean_words, plain, sum_words, with_uncertainty

# fmt: off
__all__ = [
    "ACCEPT", "CONDITIONS", "ONLY_THE_SUM", "REJECT", "Verdict", "conformance_probability",
    "in_time_probability", "judge", "time_words",
]
# fmt: on

Array = NDArray[np.float64]

ACCEPT, REJECT, ENOUGH = 0.95, 0.05, 0.5
SHARE_OF_TIME = 0.1  # a camera that was turned over on purpose needs some of it to settle
SHIFT_SDS = np.linspace(-6.0, 6.0, 2401)
STEADY = ("sensor_offset", "mounting")
NAMED = 0.9
ONLY_THE_SUM = "Only the sum is known"

REMEDIES = {
    "sensor_offset": "recalibrate",
    "mounting": "square_up",
    "turns": "gentler_turns",
    "warm_up": "wait_before_filming",
    "not_held": "balance_or_tune",
}
ADVICE = {
    "recalibrate": "recalibrate the gimbal's sensor",
    "square_up": "repeat when warm, check the camera's seat, then shim or trim",
    "gentler_turns": "fly gentler turns, or give the gimbal ground speed",
    "wait_before_filming": "wait before filming until the sensor is warm",
    "balance_or_tune": "balance the camera, then tune the gimbal: it does not reach the level it believes in",
}
CONDITIONS = {
    "settled": "level, settled and warm",
    "as held": "as the gimbal held it",
    "turns": "in turns",
    "warm_up": "while warming up",
    "in time": "for nine tenths of the time",
}


@dataclass(frozen=True)
class Verdict:
    """What to do. ``p_within_tolerance`` None: nothing measured. ``next_shot``: set while open."""

    action: str
    p_within_tolerance: float | None
    tolerance_deg: float
    headline: str
    reasons: tuple[str, ...]
    next_shot: str | None


def conformance_probability(value: float, sd: float, tolerance: float) -> float:
    """Probability that the true value lies within +- tolerance, flat prior."""
    return float(ndtr((tolerance - value) / sd) - ndtr((-tolerance - value) / sd))


def in_time_probability(time: TiltOverTime, sd_deg: float, tolerance_deg: float) -> float:
    """Probability that the judged time is out of tolerance for no more than a tenth.

    sd_deg : of the shift that the whole footage may have.
    """
    weight = np.exp(-(SHIFT_SDS**2) / 2)
    out = _share_out(time.tilt_deg[time.judged], time.lasts_s[time.judged], tolerance_deg, sd_deg * SHIFT_SDS)
    return float(weight[out <= SHARE_OF_TIME + 1e-9].sum() / weight.sum())


def _share_out(tilt_deg: Array, lasts_s: Array, tolerance_deg: float, shift_deg: Array) -> Array:
    """Share of time in which |tilt + shift| is beyond the tolerance, one per shift."""
    order = np.argsort(tilt_deg)
    lasts_s = lasts_s[order] if lasts_s.sum() > 0 else np.ones(len(order))
    until = np.concatenate([[0.0], np.cumsum(lasts_s)]) / lasts_s.sum()
    below = until[np.searchsorted(tilt_deg[order], -tolerance_deg - shift_deg, side="left")]
    above = 1 - until[np.searchsorted(tilt_deg[order], tolerance_deg - shift_deg, side="right")]
    return np.asarray(below + above)


def judge(causes: Causes, shoot: Shoot) -> Verdict:
    """Decide on one shoot."""
    if causes.lean is None or causes.terms is None:
        return _judge_picture(causes, shoot)
    tolerance = shoot.tolerance_deg
    conditions = _conditions(causes, causes.terms, shoot)
    condition = min(conditions, key=lambda name: conditions[name])
    p = conditions[condition]
    actions = _actions(causes, causes.terms, shoot, p)
    action = actions[0]
    reasons = [*_facts(causes, shoot, conditions), *_warnings(causes, shoot, actions), *causes.notes]
    in_mean = min(causes.terms.conditions, key=lambda name: conditions[name])
    # What comes and goes while the mean is good, unseen by the log, is most often a turn.
    asked = "turns" if conditions[in_mean] >= ACCEPT and "turns" not in conditions else in_mean
    return Verdict(
        action=action,
        p_within_tolerance=p,
        tolerance_deg=tolerance,
        headline=_headline(causes, action, shoot, p, condition),
        reasons=tuple(dict.fromkeys(reasons)),
        next_shot=next_shot(causes, shoot, asked) if action == "open" else None,
    )


def _judge_picture(causes: Causes, shoot: Shoot) -> Verdict:
    """Decision from what is known of the lean alone: leave or open."""
    tolerance = shoot.tolerance_deg
    lean = causes.lean or causes.picture_lean
    if lean is None:
        headline = _headline(causes, "open", shoot, 0.0, "settled")
        return Verdict("open", None, tolerance, headline, tuple(dict.fromkeys(causes.notes)), "hover")
    mean = conformance_probability(lean.value, float(np.hypot(lean.sd, shoot.repeat_sd_deg)), tolerance)
    in_time = _in_time(causes, None, shoot)
    p, condition = (mean, "settled") if in_time is None else min((mean, "settled"), (in_time, "in time"))
    action = "leave" if p >= ACCEPT else "open"
    reasons = [_probability_words(mean, shoot, "as filmed"), *_time_facts(causes, tolerance, in_time)]
    shot = next_shot(causes, shoot) if action == "open" else None
    headline = _headline(causes, action, shoot, p, condition)
    return Verdict(action, p, tolerance, headline, tuple(dict.fromkeys((*reasons, *causes.notes))), shot)


def _conditions(
    causes: Causes, terms: Terms, shoot: Shoot, without: tuple[str, ...] = ()
) -> dict[str, float]:
    """P of every condition filmed, time included where it can be judged, some terms taken away."""
    found = _in_mean(terms, shoot, without)
    in_time = _in_time(causes, terms, shoot, without)
    return found if in_time is None else found | {"in time": in_time}


def _in_mean(terms: Terms, shoot: Shoot, without: tuple[str, ...] = ()) -> dict[str, float]:
    """P of every condition filmed, of the lean that adds up in it."""
    found = {}
    for condition, members in terms.conditions.items():
        g = np.array([float(name in members and name not in without) for name in terms.names])
        sd = float(np.sqrt(g @ terms.cov @ g + shoot.repeat_sd_deg**2))
        found[condition] = conformance_probability(float(g @ terms.mean), sd, shoot.tolerance_deg)
    return found


def _in_time(
    causes: Causes, terms: Terms | None, shoot: Shoot, without: tuple[str, ...] = ()
) -> float | None:
    """P of being within tolerance in time; None where the time left without some terms is not known."""
    out, picture, tolerance = causes.out_of_tolerance, causes.picture_lean, shoot.tolerance_deg
    if out is None or picture is None:
        return None
    parts_deg = out.time.parts_deg
    gone = [*without, *(["ground_not_level"] if _skyline_explains(causes, tolerance) else [])]
    unseen = tuple(name for name in gone if name not in parts_deg)
    if "ground_not_level" in unseen or (terms is not None and _mends(terms, unseen, shoot)):
        return None
    tilt_deg = out.time.tilt_deg - sum((parts_deg[name] for name in gone if name in parts_deg), start=0.0)
    steady = tuple(name for name in gone if name in STEADY)
    if terms is not None and _mends(terms, steady, shoot):
        # A trim was set against the lean and goes with it.
        tilt_deg = tilt_deg - shoot.trim_deg
    variance = picture.sd**2 + shoot.repeat_sd_deg**2
    if terms is not None:
        variance += sum(float(terms.cov[k, k]) for k, name in enumerate(terms.names) if name in gone)
    moved = TiltOverTime(tilt_deg, out.time.lasts_s, out.time.judged)
    return in_time_probability(moved, float(np.sqrt(variance)), tolerance)


def _mends(terms: Terms, without: tuple[str, ...], shoot: Shoot) -> bool:
    """Whether taking terms away brings back a condition that is out of tolerance."""
    now, then = _in_mean(terms, shoot), _in_mean(terms, shoot, without)
    return any(now[condition] <= REJECT and then[condition] >= ENOUGH for condition in now)


def _actions(causes: Causes, terms: Terms, shoot: Shoot, p: float) -> tuple[str, ...]:
    """The action first, then what has to follow it."""

    def lowest(without: tuple[str, ...]) -> float:
        return min(_conditions(causes, terms, shoot, without).values())

    if p >= ACCEPT:
        return ("leave",)
    if p > REJECT:
        return ("open",)
    steady_out = min(_in_mean(terms, shoot).values()) <= REJECT
    # What leans all the time cannot be what takes a good mean out of tolerance now and then.
    blamed = [name for name in terms.names if steady_out or name not in STEADY]
    able = [
        name
        for name in blamed
        if name in terms.determined and (name != "sensor_offset" or causes.offset_shown_by)
    ]
    left = {name: lowest((name,)) for name in blamed}
    best = max(left, key=lambda name: left[name], default="")
    if best in able and left[best] >= ENOUGH:
        return (REMEDIES[best],)
    pairs = {pair: lowest(pair) for pair in combinations(able, 2)}
    if pairs and left[best] < ENOUGH:
        pair = max(pairs, key=lambda one: pairs[one])
        if pairs[pair] >= ENOUGH:
            alone = {name: min(_in_mean(terms, shoot, (name,)).values()) for name in pair}
            return tuple(REMEDIES[name] for name in sorted(pair, key=lambda name: -alone[name]))
    return ("open",)


def _skyline_explains(causes: Causes, tolerance: float) -> bool:
    """Whether the skyline's own tilt is what takes the picture out of tolerance."""
    tilts = np.array([one.value for one in causes.skyline_deg.values() if one.determined])
    return float(np.linalg.norm(tilts)) > tolerance / 2


def _headline(causes: Causes, action: str, shoot: Shoot, p: float, condition: str) -> str:
    """The lean in words, then one next step."""
    picture, tolerance = causes.picture_lean, shoot.tolerance_deg
    lean = causes.lean or picture
    if lean is None:
        sought = "plumb or level line" if shoot.indoors else "horizon"
        return f"No frame with a {sought} was measured: film one, or see why frames were refused"
    words = lean_words(lean)
    if action == "open" and picture is not None and lean.half_width > max(tolerance, picture.half_width):
        words = lean_words(picture)
        ground = any(not one.determined for one in causes.skyline_deg.values())
        return f"The picture: {words}; how much of it is the {'ground' if ground else 'camera'}'s is open"
    words = words[0].upper() + words[1:]
    if action in ("balance_or_tune", "wait_before_filming", "gentler_turns") and picture is not None:
        seen = lean_words(picture)
        return f"The picture: {seen}; settled, warm and held it is {lean_words(lean)}: {ADVICE[action]}"
    if action == "leave":
        return f"{words}: within {tolerance:g} deg, leave it"
    if action != "open":
        return f"{words}: {ADVICE[action]}"
    if condition == "in time" and picture is not None and abs(lean.value) < tolerance:
        if causes.lean is not None:
            words = f"The picture: {lean_words(picture)}"
        if p <= REJECT:
            return f"{words} in the mean, but out of {tolerance:g} deg too often; why is open"
        return f"{words} in the mean; whether it is out of {tolerance:g} deg too often is open"
    if p <= REJECT:
        return f"{words}: out of {tolerance:g} deg, the cause is open"
    return f"{words}: whether that is within {tolerance:g} deg is open"


def _probability_words(p: float, shoot: Shoot, condition: str) -> str:
    learned = f", as {shoot.repeat_shoots} shoots of this rig did" if shoot.repeat_shoots else ""
    return (
        f"Lean within {shoot.tolerance_deg:g} deg, {condition}: {chance_words(p)} "
        f"(one shoot taken to differ from the next by {shoot.repeat_sd_deg:.2g} deg{learned})"
    )


def time_words(out: OutOfTolerance, picture: Estimate | None, tolerance_deg: float) -> str:
    """Time out of tolerance, its share with the 95 % range, and the worst five seconds."""
    sd = 0.0 if picture is None else picture.sd
    worst = f"worst five seconds: {lean_words(Estimate(out.worst_5s_deg, sd))}"
    shift_deg = 1.96 * sd * np.linspace(-1, 1, 21)
    shares = 100 * _share_out(out.time.tilt_deg, out.time.lasts_s, tolerance_deg, shift_deg)
    low, high = round(shares.min()), round(shares.max())
    if out.seconds <= 0 and high == 0:
        return f"never out of {tolerance_deg:g} deg; {worst}"
    seconds = f"{out.seconds:.0f} s" if out.seconds >= 0.5 else "less than 1 s"
    between = "" if low == high else f" ({low} to {high} %)"
    share = f"{100 * out.share:.0f} % of the time{between}"
    return f"out of {tolerance_deg:g} deg for {seconds}: {share}; {worst}"


def _time_facts(causes: Causes, tolerance: float, in_time: float | None) -> list[str]:
    """Time out of tolerance and the chance that it is rare enough; nothing where it is never out."""
    out = causes.out_of_tolerance
    if out is None or out.seconds <= 0:
        return []
    words = time_words(out, causes.picture_lean, tolerance)
    said = [words[0].upper() + words[1:]]
    if in_time is not None:
        chance = chance_words(in_time)
        said.append(f"Within {tolerance:g} deg for nine tenths of the time: {chance}")
    return said


def _facts(causes: Causes, shoot: Shoot, conditions: dict[str, float]) -> list[str]:
    """What the decision rests on."""
    tolerance = shoot.tolerance_deg
    leans = {name: p for name, p in conditions.items() if name != "in time"}
    lowest = min(leans, key=lambda name: leans[name])
    reasons = [_probability_words(leans[lowest], shoot, CONDITIONS[lowest])]
    reasons += _time_facts(causes, tolerance, conditions.get("in time"))
    if causes.causes and causes.causes[0].probability >= NAMED:
        top = causes.causes[0]
        reasons.append(f"Most probable: {plain(top.name)} ({chance_words(top.probability)})")
    elif causes.causes:
        likely = [one for one in causes.causes if one.probability > 0.05]
        names = [f"{plain(one.name)} ({chance_words(one.probability)})" for one in likely]
        reasons.append(f"No single cause stands out: {', '.join(names)}")
    offset, seat = causes.offset_mg.get("sideways"), causes.mounting_deg.get("roll")
    if offset is not None and causes.offset_lean is not None and offset.determined:
        size = with_uncertainty(abs(offset.value), offset.half_width, "mg")
        reasons.append(f"Sideways sensor offset {size}: {lean_words(causes.offset_lean)}")
    if seat is not None and seat.determined:
        twin = "" if causes.gyro_split else " (seat, the sensor's own axes, or a steady gyro bias)"
        reasons.append(f"Camera against sensor: {lean_words(seat)}{twin}")
    for one in causes.undetermined:
        size = with_uncertainty(one.value_deg, 1.96 * one.sd_deg, "deg")
        reasons.append(f"{ONLY_THE_SUM}: {sum_words(one.weights)} = {size}; {_splits(one.film)} splits it")
    return reasons


def _splits(film: str) -> str:
    return "the lens file" if film == LENS_FILE else f"the {film.replace('_', ' ')} shot"


def _warnings(causes: Causes, shoot: Shoot, actions: tuple[str, ...]) -> list[str]:
    """What the reader must not miss."""
    reasons = []
    tolerance = shoot.tolerance_deg
    if len(actions) > 1:
        steps = ", then ".join(ADVICE[action] for action in actions)
        reasons.append(f"One remedy is not enough; in this order: {steps}")
    after = causes.after_recalibration
    if actions[0] == "recalibrate" and after is not None:
        reasons.append(f"Once the offset is gone: {lean_words(after)}. Write down the old constants first")
    if shoot.trim_deg and actions[0] in ("recalibrate", "square_up"):
        side = "right" if shoot.trim_deg > 0 else "left"
        reasons.append(f"Then take the trim ({side} side down {abs(shoot.trim_deg):g} deg) back")
    offset, seat = causes.offset_lean, causes.mounting_deg.get("roll")
    if (
        offset is not None
        and seat is not None
        and offset.determined
        and seat.determined
        and min(abs(offset.value), abs(seat.value)) > tolerance
        and offset.value * seat.value < 0
    ):
        reasons.append("Offset and mounting cancel at level: tilted or upside down the picture leans")
    known = causes.known_lean
    if known is not None and abs(known.value) > max(0.1, 2 * known.sd):
        why = "its trim included" if shoot.trim_deg else "the gimbal did not hold level, or was told not to"
        reasons.append(f"The log itself shows: {lean_words(known)} ({why})")
    if _skyline_explains(causes, tolerance):
        reasons.append("The skyline itself is not level: what the viewer sees is partly the ground")
    if actions[0] == "leave" and causes.terms is not None:
        known_as = {"turns": "turns", "warm_up": "warming up"}
        left_out = [words for name, words in known_as.items() if name not in causes.terms.conditions]
        if left_out:
            reasons.append(f"Not covered, because not filmed or not logged: {', '.join(left_out)}")
    return reasons
