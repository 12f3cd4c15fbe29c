"""Shoots before a recalibration against shoots after it: whether it helped.

The mean lean of a side of n shoots has the measurement's variance and the rig's repeatability,

    u^2 = sum u_i^2 / n^2 + u_rep^2 / n

so that of one shoot a side it is mostly the repeatability that limits what can be said, not the footage. The
measurement's few degrees of freedom go into u_i (half of its 95 % interval over 1.96), those of u_rep into
the t quantile of the change (Welch 1947 and Satterthwaite 1946). The probability that the level error is
smaller afterwards,

    P(|L2| < |L1|) = Phi(A) Phi(B) + Phi(-A) Phi(-B),   A, B = (L1 -+ L2) / u_d,   u_d^2 = u1^2 + u2^2

holds for equal and known u and a flat prior. Here sides differ and u_rep is known to its degrees of freedom
only, so it is counted over fixed draws of both leans and of u_rep^2 (dof s^2 / chi-square), spread evenly
(Sobol 1967); with equal, known u the count agrees with the formula to 0.003.

"Helped" takes P >= 0.95 of a smaller level error, P >= 0.8 of one smaller by more than 0.1 deg, and a change
whose 95 % interval does not hold 0: without that 6 to 7 of 100 unchanged pairs would be claimed one way or
the other where shoots scatter by 0.1 deg, because each way has its own 5. "Made it worse" mirrors it.

What voids a comparison: any change but the recalibration. Camera, lens, trim, balance, firmware and landing
move the lean by themselves, and none is needed to recalibrate. So does "sensor": taken out and seated again
it sits differently by about what a recalibration is good for, and the next one will not seat it so again. A
method that needs the sensor taken out is judged over several recalibrations (:mod:`attitude.methods`).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincinv, nctdtr, ndtri, stdtrit

from attitude.findings import Estimate
from attitude.recorded import Recorded, moment
from attitude.repeatability import Repeatability, in_order, label, repeat_words
from attitude.words import chance_words, lean_words, moved_words, range_words, with_uncertainty

# fmt: off
__all__ = [
    "MOST_SHOOTS", "Comparison", "compare", "comparison_words", "probability_smaller", "shoots_a_side",
]
# fmt: on

Array = NDArray[np.float64]

SURE, LIKELY, WORTH_DEG = 0.95, 0.8, 0.1
POWER, MOST_SHOOTS = 0.9, 50
LIKE_TEMPERATURE_K = 8.0
LIKE_TIME_S, LIKE_TIME_RATIO = 300.0, 2.0
LEVELS = 64
MG_PER_DEG = 1000 * np.deg2rad(1.0)


@dataclass(frozen=True)
class Comparison:
    """Two sides of a recalibration; leans are means of a side, right side down +, with repeatability.

    claim : helped | made it worse | no evidence | void, for the reasons in ``void``. change : after less
    before, signed; ``changed`` where its 95 % interval does not hold 0. smaller_low_deg, smaller_high_deg :
    95 % interval of how much the level error |lean| has shrunk. p_smaller, p_smaller_by_much : that it is
    smaller, and by more than 0.1 deg; p_larger_by_much likewise. offset_change_mg : of the sensor offset
    sideways, None unless both sides determined it. cautions : what else may explain a difference.
    more_shoots : on each side until a change of this size, or of 0.1 deg where it is smaller, would show in
    90 of 100 cases; 0 where it shows already, None where it is more than ``MOST_SHOOTS``. Where a side has
    no known lean everything but claim and void is None or empty.
    """

    claim: str
    void: tuple[str, ...]
    cautions: tuple[str, ...] = ()
    before: Estimate | None = None
    after: Estimate | None = None
    change: Estimate | None = None
    changed: bool = False
    smaller_low_deg: float | None = None
    smaller_high_deg: float | None = None
    p_smaller: float | None = None
    p_smaller_by_much: float | None = None
    p_larger_by_much: float | None = None
    offset_change_mg: Estimate | None = None
    more_shoots: int | None = None


@dataclass(frozen=True)
class _Side:
    """Mean of some estimates: value, variance from measuring, number."""

    value: float
    variance: float
    n: int


def compare(
    before: Sequence[Recorded],
    after: Sequence[Recorded],
    repeatability: Repeatability,
    between: Sequence[Recorded] = (),
) -> Comparison:
    """Compare the shoots of one rig before a recalibration with those after it.

    before, after : one shoot or several, in any order. between : the rig's other shoots filmed between the
    two sides, which may say that something else was changed.
    Shoots of unknown lean count for what they say was changed, not for the mean.
    """
    before, after = in_order(before), in_order(after)
    void = tuple(_reasons(before, after, between))
    sides = [_side([one.lean for one in side]) for side in (before, after)]
    if sides[0] is None or sides[1] is None:
        return Comparison("void", void)
    first, second = sides[0], sides[1]
    change = _difference(first, second, repeatability.sd_deg, repeatability.dof)
    shrunk = _shrunk(first, second, repeatability)
    low, high = np.quantile(shrunk, [0.025, 0.975])
    p_smaller = float(np.mean(shrunk > 0))
    p_much, p_worse = float(np.mean(shrunk > WORTH_DEG)), float(np.mean(shrunk < -WORTH_DEG))
    changed = change.low > 0 or change.high < 0
    claim = "no evidence"
    if changed and p_smaller >= SURE and p_much >= LIKELY:
        claim = "helped"
    elif changed and p_smaller <= 1 - SURE and p_worse >= LIKELY:
        claim = "made it worse"
    return Comparison(
        claim="void" if void else claim,
        void=void,
        cautions=tuple(_cautions(before, after, repeatability)),
        before=_mean(first, repeatability),
        after=_mean(second, repeatability),
        change=change,
        changed=changed,
        smaller_low_deg=float(low),
        smaller_high_deg=float(high),
        p_smaller=p_smaller,
        p_smaller_by_much=p_much,
        p_larger_by_much=p_worse,
        offset_change_mg=_offset_change(before, after, repeatability),
        more_shoots=0 if changed else _more_shoots(first, second, change.value, repeatability),
    )


def probability_smaller(before: Estimate, after: Estimate, by_deg: float = 0.0) -> float:
    """P(|after| < |before| - by_deg) of two independent normal estimates, deg; no repeatability added."""
    scatter = np.array([[before.sd], [after.sd]]) * _draws()[:2]
    return float(np.mean(np.abs(before.value + scatter[0]) - np.abs(after.value + scatter[1]) > by_deg))


def shoots_a_side(change_deg: float, sd_deg: float) -> int | None:
    """Shoots on each side with which a two-sample t test at 5 % finds a change in 90 of 100 cases.

    sd_deg : of one shoot. None where it is more than ``MOST_SHOOTS``. Power by the noncentral t (Cohen 1988).
    """
    n = np.arange(2, MOST_SHOOTS + 1)
    dof, shift = 2 * n - 2, abs(change_deg) / (sd_deg * np.sqrt(2 / n))
    enough = n[nctdtr(dof, shift, stdtrit(dof, 0.975)) <= 1 - POWER]
    return int(enough[0]) if len(enough) else None


def _side(estimates: Sequence[Estimate | None]) -> _Side | None:
    known = [one for one in estimates if one is not None]
    if not known:
        return None
    n = len(known)
    variance = sum((one.half_width / 1.96) ** 2 for one in known) / n**2
    return _Side(sum(one.value for one in known) / n, variance, n)


def _mean(side: _Side, repeatability: Repeatability) -> Estimate:
    repeat = repeatability.sd_deg**2 / side.n
    return _with_t(side.value, side.variance, repeat, repeatability.dof)


def _difference(first: _Side, second: _Side, repeat_sd: float, dof: float) -> Estimate:
    """Second less first."""
    repeat = repeat_sd**2 * (1 / first.n + 1 / second.n)
    return _with_t(second.value - first.value, first.variance + second.variance, repeat, dof)


def _with_t(value: float, known: float, repeat: float, dof: float) -> Estimate:
    """Estimate from a known variance and one with degrees of freedom (Welch-Satterthwaite)."""
    variance = known + repeat
    return Estimate(value, variance**0.5, t95=float(stdtrit(dof * (variance / repeat) ** 2, 0.975)))


@lru_cache(maxsize=1)
def _draws() -> Array:
    """Two standard normal rows and an even one, shape (3, 8192)."""
    # Slow to load, and only two shoots with a calibration between them need it.
    from scipy.stats import qmc

    # Not scrambled, so that no seed decides; half a cell on, so that no point lies on an edge.
    even = (qmc.Sobol(3, scramble=False).random_base2(13) + 2.0**-14).T
    return np.vstack([ndtri(even[:2]), even[2:]])


def _variance_draws(dof: float) -> Array:
    """Draws of a variance over its estimate, dof / chi-square, on ``LEVELS`` levels of equal probability."""
    ratio = dof / (2 * gammaincinv(dof / 2, (np.arange(LEVELS) + 0.5) / LEVELS))
    return np.asarray(ratio[(_draws()[2] * LEVELS).astype(int)])


def _shrunk(first: _Side, second: _Side, repeatability: Repeatability) -> Array:
    """Draws of |lean| before less |lean| after."""
    repeat = repeatability.sd_deg**2 * _variance_draws(repeatability.dof)
    z = _draws()
    leans = [
        side.value + np.sqrt(side.variance + repeat / side.n) * z[k] for k, side in enumerate((first, second))
    ]
    return np.asarray(np.abs(leans[0]) - np.abs(leans[1]))


def _offset_change(
    before: Sequence[Recorded], after: Sequence[Recorded], repeatability: Repeatability
) -> Estimate | None:
    """Change of the sensor offset; from shoot to shoot it cannot differ by more than the whole lean does."""
    sides = [
        _side([one.offset_mg for one in side if one.offset_mg is not None and one.offset_mg.determined])
        for side in (before, after)
    ]
    if sides[0] is None or sides[1] is None:
        return None
    return _difference(sides[0], sides[1], repeatability.sd_deg * MG_PER_DEG, repeatability.dof)


def _more_shoots(first: _Side, second: _Side, change_deg: float, repeatability: Repeatability) -> int | None:
    own = (first.variance * first.n**2 + second.variance * second.n**2) / (first.n + second.n)
    sd = (own + repeatability.sd_deg**2) ** 0.5
    n = shoots_a_side(max(abs(change_deg), WORTH_DEG), sd)
    return None if n is None else max(1, n - min(first.n, second.n))


def _reasons(before: Sequence[Recorded], after: Sequence[Recorded], between: Sequence[Recorded]) -> list[str]:
    """Why the two sides cannot be compared."""
    found = []
    for side, name in ((before, "before"), (after, "after")):
        if all(one.lean is None for one in side):
            found.append(f"the lean of no shoot {name} is known")
    if not all(label(one.rig) for one in (*before, *after)):
        found.append("a sheet names no rig, so that the shoots may be of several")
    if {one.key for one in before} & {one.key for one in after}:
        found.append("the same shoot stands on both sides")
    elif before and after and moment(before[-1].filmed) > moment(after[0].filmed):
        found.append("what is named first was filmed later; name the earlier shoots first")
    labels = [{label(one.calibration) for one in side} for side in (before, after)]
    if labels[0] == labels[1] and "" not in labels[0]:
        found.append("both sides have the same calibration")
    changes = [one.changed for one in (*before[1:], *between, *after)]
    things = sorted({thing for change in changes for thing in change})
    if things:
        found.append(f"not only the calibration was changed, but also: {', '.join(things)}")
    both = (*before, *between, *after)
    trims = sorted({one.trim_deg for one in both})
    if len(trims) > 1:
        found.append(f"the trim is not the same: {' and '.join(f'{trim:g}' for trim in trims)} deg")
    if len({label(one.rig) for one in both}) > 1:
        found.append(f"the rig is not the same: {' and '.join(sorted({one.rig for one in both}))}")
    return found


def _cautions(
    before: Sequence[Recorded], after: Sequence[Recorded], repeatability: Repeatability
) -> list[str]:
    """What differs between the sides and may move a lean by itself."""
    found = []
    warm = _both(before, after, lambda one: one.temperature_c)
    if warm is not None and abs(warm[1] - warm[0]) > LIKE_TEMPERATURE_K:
        found.append(
            f"filmed at {warm[0]:.0f} and {warm[1]:.0f} °C: a sensor leans with its temperature, "
            "so repeat the comparison at like temperatures"
        )
    on = _both(before, after, lambda one: one.since_power_on_s)
    if on is not None and max(on) > min(on) + LIKE_TIME_S and max(on) > LIKE_TIME_RATIO * min(on):
        found.append(
            f"filmed {on[0] / 60:.0f} and {on[1] / 60:.0f} minutes after power-on: a sensor that is warming "
            "up leans differently"
        )
    if not repeatability.learned:
        found.append(repeat_words(repeatability))
    return found


def _both(
    before: Sequence[Recorded], after: Sequence[Recorded], get: Callable[[Recorded], float | None]
) -> tuple[float, float] | None:
    """Mean of what is known on each side, None unless both know it."""
    known = [[x for x in map(get, side) if x is not None] for side in (before, after)]
    if not known[0] or not known[1]:
        return None
    return sum(known[0]) / len(known[0]), sum(known[1]) / len(known[1])


def comparison_words(found: Comparison) -> tuple[str, ...]:
    """What a comparison says, for people: the claim, the numbers, what is missing, cautions."""
    said = []
    if found.void:
        said.append(f"Before and after cannot be compared: {'; '.join(found.void)}")
    if found.before is None or found.after is None or found.change is None:
        return tuple(said)
    if not found.void:
        said.append(_claim_words(found))
    said.append(f"Before: {lean_words(found.before)}; after: {lean_words(found.after)}")
    if found.void:
        return tuple(said)
    sure = "" if found.changed else ", which may be nothing"
    said.append(f"Change: {moved_words(found.change)}{sure}")
    if found.p_smaller is not None and found.p_smaller_by_much is not None:
        said.append(
            f"That the level error is smaller now: {chance_words(found.p_smaller)}; "
            f"by more than {WORTH_DEG:g} deg: {chance_words(found.p_smaller_by_much)}"
        )
    if found.smaller_low_deg is not None and found.smaller_high_deg is not None:
        low, high = found.smaller_low_deg, found.smaller_high_deg
        if high < 0:
            said.append(f"The level error grew by {range_words(-high, -low, 'deg')}")
        else:
            grew = " (below 0: it grew)" if low < 0 else ""
            said.append(f"The level error shrank by {range_words(low, high, 'deg')}{grew}")
    if found.offset_change_mg is not None:
        offset = found.offset_change_mg
        size = with_uncertainty(offset.value, offset.half_width, "mg")
        said.append(f"Sideways sensor offset, reading minus truth, changed by {size}")
    size = f"A change of {max(abs(found.change.value), WORTH_DEG):.1f} deg"
    if found.more_shoots is None:
        said.append(f"{size} would take more than {MOST_SHOOTS} shoots on each side to show")
    elif found.more_shoots > 0:
        more = "1 more shoot" if found.more_shoots == 1 else f"{found.more_shoots} more shoots"
        said.append(f"{size} would take about {more} on each side to show")
    said += [f"Mind: {caution}" for caution in found.cautions]
    return tuple(said)


def _claim_words(found: Comparison) -> str:
    if found.claim == "helped":
        return "The recalibration helped"
    if found.claim == "made it worse":
        return "The recalibration made it worse"
    if found.p_smaller is not None and found.p_smaller >= SURE and found.changed:
        return f"The picture is more level, but perhaps by less than {WORTH_DEG:g} deg"
    if found.changed:
        return "The recalibration changed the lean, but there is no evidence that the picture is more level"
    return "No evidence that the recalibration changed anything"
