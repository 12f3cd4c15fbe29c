"""Probability of being within tolerance, and the action that follows.

Conformance after JCGM 106 with a flat prior: for a lean L with standard uncertainty u and tolerance T,

    P = Phi((T - L) / u) - Phi((-T - L) / u),   u^2 = u_shoot^2 + u_repeat^2

u_repeat = 0.07 deg is what the next shoot of the same rig differs by (seat, temperature) until the user's
own shoots say better. P is taken in every condition that was filmed (settled; as held, with what the gimbal
leaves; in turns; while warming up) and the lowest counts. A flat prior, because a prior of mostly good rigs
talks bad ones into tolerance.

Choice of action, first match: P >= 0.95 -> leave; P > 0.05 -> open; then the one remedy whose removal
leaves the highest P, if its term is determined and that P >= 0.5; then two together, in order; else open.
"Recalibrate" needs the offset shown by turning the sensor over, whatever the evidence says.
"""

from dataclasses import dataclass
from itertools import combinations

import numpy as np
from scipy.stats import norm

from attitude.findings import Causes, Terms
from attitude.sheet import Shoot
from attitude.shots import next_shot
from attitude.words import chance_words, lean_words, plain, sum_words, with_uncertainty

__all__ = ["REPEAT_SD_DEG", "Verdict", "conformance_probability", "judge"]

REPEAT_SD_DEG = 0.07
ACCEPT, REJECT, ENOUGH = 0.95, 0.05, 0.5
SHARE_OF_TIME = 0.1  # a camera that was turned over on purpose needs some of it to settle
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
    return float(norm.cdf((tolerance - value) / sd) - norm.cdf((-tolerance - value) / sd))


def judge(causes: Causes, shoot: Shoot) -> Verdict:
    """Decide on one shoot."""
    if causes.lean is None or causes.terms is None:
        return _judge_picture(causes, shoot)
    tolerance = shoot.tolerance_deg
    p, condition = _lowest(causes.terms, tolerance)
    actions = _actions(causes, causes.terms, p, tolerance)
    action = actions[0]
    reasons = [*_facts(causes, shoot, p, condition), *_warnings(causes, shoot, actions), *causes.notes]
    return Verdict(
        action=action,
        p_within_tolerance=p,
        tolerance_deg=tolerance,
        headline=_headline(causes, action, tolerance, p),
        reasons=tuple(reasons),
        next_shot=next_shot(causes, shoot, condition) if action == "open" else None,
    )


def _judge_picture(causes: Causes, shoot: Shoot) -> Verdict:
    """Decision from what is known of the lean alone: leave or open."""
    tolerance = shoot.tolerance_deg
    lean = causes.lean or causes.picture_lean
    if lean is None:
        headline = _headline(causes, "open", tolerance, 0.0)
        return Verdict("open", None, tolerance, headline, causes.notes, "hover")
    p = conformance_probability(lean.value, float(np.hypot(lean.sd, REPEAT_SD_DEG)), tolerance)
    action = "leave" if p >= ACCEPT and _in_time(causes) else "open"
    reasons = [_probability_words(p, tolerance, "as filmed"), *_time_words(causes, tolerance), *causes.notes]
    shot = next_shot(causes, shoot) if action == "open" else None
    return Verdict(action, p, tolerance, _headline(causes, action, tolerance, p), tuple(reasons), shot)


def _lowest(terms: Terms, tolerance: float, without: tuple[str, ...] = ()) -> tuple[float, str]:
    """Lowest P of the conditions filmed, some terms taken away, and the condition it belongs to."""
    found = []
    for condition, members in terms.conditions.items():
        g = np.array([float(name in members and name not in without) for name in terms.names])
        sd = float(np.sqrt(g @ terms.cov @ g + REPEAT_SD_DEG**2))
        found.append((conformance_probability(float(g @ terms.mean), sd, tolerance), condition))
    return min(found, key=lambda one: one[0])


def _actions(causes: Causes, terms: Terms, p: float, tolerance: float) -> tuple[str, ...]:
    """The action first, then what has to follow it."""
    if p >= ACCEPT:
        return ("leave",) if _in_time(causes) or _skyline_explains(causes, tolerance) else ("open",)
    if p > REJECT:
        return ("open",)
    able = [
        name
        for name in terms.names
        if name in terms.determined and (name != "sensor_offset" or causes.offset_shown_by)
    ]
    left = {name: _lowest(terms, tolerance, (name,))[0] for name in terms.names}
    best = max(left, key=lambda name: left[name])
    if best in able and left[best] >= ENOUGH:
        return (REMEDIES[best],)
    pairs = {pair: _lowest(terms, tolerance, pair)[0] for pair in combinations(able, 2)}
    if pairs and left[best] < ENOUGH:
        pair = max(pairs, key=lambda one: pairs[one])
        if pairs[pair] >= ENOUGH:
            return tuple(REMEDIES[name] for name in sorted(pair, key=lambda name: -left[name]))
    return ("open",)


def _in_time(causes: Causes) -> bool:
    out = causes.out_of_tolerance
    return out is None or out.upright_share <= SHARE_OF_TIME


def _skyline_explains(causes: Causes, tolerance: float) -> bool:
    """Whether the skyline's own tilt is what takes the picture out of tolerance."""
    tilts = np.array([one.value for one in causes.skyline_deg.values() if one.determined])
    return float(np.linalg.norm(tilts)) > tolerance / 2


def _headline(causes: Causes, action: str, tolerance: float, p: float) -> str:
    """The lean in words, then one next step."""
    picture = causes.picture_lean
    lean = causes.lean or picture
    if lean is None:
        return "No frame with a horizon was measured: film one, or see why frames were refused"
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
    if p <= REJECT:
        return f"{words}: out of {tolerance:g} deg, the cause is open"
    if p >= ACCEPT:
        return f"{words} in the mean, but out of {tolerance:g} deg too often; why is open"
    return f"{words}: whether that is within {tolerance:g} deg is open"


def _probability_words(p: float, tolerance: float, condition: str) -> str:
    return (
        f"{chance_words(p)} that the lean is within {tolerance:g} deg {condition} "
        f"({REPEAT_SD_DEG:g} deg allowed for the next shoot)"
    )


def _time_words(causes: Causes, tolerance: float) -> list[str]:
    out = causes.out_of_tolerance
    if out is None or out.seconds <= 0:
        return []
    return [
        f"Out of {tolerance:g} deg for {out.seconds:.0f} s ({100 * out.share:.0f} % of the time); worst five "
        f"seconds {abs(out.worst_5s_deg):.1f} deg"
    ]


def _facts(causes: Causes, shoot: Shoot, p: float, condition: str) -> list[str]:
    """What the decision rests on."""
    tolerance = shoot.tolerance_deg
    reasons = [_probability_words(p, tolerance, CONDITIONS[condition]), *_time_words(causes, tolerance)]
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
        shot = one.film.replace("_", " ")
        reasons.append(f"{ONLY_THE_SUM}: {sum_words(one.weights)} = {size}; the {shot} shot splits it")
    return reasons


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
