"""Ways of calibrating a sensor against each other: which leaves the level less scattered.

What is repeated is the calibration, not the shoot: every calibration counts once, with the mean lean of its
shoots up to the first that says something was changed. Its variance as measured is v = sum u_i^2 / n^2 +
u_rep^2 / n, and what a method scatters by itself is

    spread^2 = S^2 - mean v,   S^2 the variance of the calibrations' leans, k - 1 degrees of freedom

with the 95 % interval of S^2 (chi-square) less mean v, cut at 0. Whether two methods scatter alike is tested
on the leans as they are, by the absolute deviations from the median (Brown and Forsythe 1974): a method
whose calibrations were measured worse looks wider, so the shoots of both should be alike. Of several methods
every pair is tested, with p times the number of pairs (Bonferroni).

How many calibrations would tell two methods apart is simulated for the scatter seen so far, normal, at 5 %
and 90 % power: 30 of each for a ratio of 2, where the F test would need 24 and be wrong about heavier tails.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, f, levene, t

from attitude.findings import Estimate
from attitude.recorded import Recorded
from attitude.repeatability import Repeatability, in_order, label
from attitude.words import range_words, with_uncertainty

# fmt: off
__all__ = [
    "LEAST_CALIBRATIONS", "MOST_CALIBRATIONS", "Method", "Methods", "Pair", "calibrations_each",
    "compare_methods", "method_words", "pair_words",
]
# fmt: on

Array = NDArray[np.float64]

LEAST_CALIBRATIONS, MOST_CALIBRATIONS = 3, 50
ALPHA, POWER = 0.05, 0.9
LEAST_SCATTER_DEG = 1e-9
TRIALS, SEED = 4000, 24


@dataclass(frozen=True)
class Method:
    """One way of calibrating. name : as first written in a sheet.

    lean_deg : of each calibration, right side down +. level_error_deg : mean of |lean|, with its uncertainty
    from the scatter of the calibrations. spread_deg : of the calibrations, measurement and repeatability
    taken off, and its 95 % interval. All None for fewer than ``LEAST_CALIBRATIONS``.
    """

    name: str
    lean_deg: tuple[float, ...]
    level_error_deg: Estimate | None
    spread_deg: float | None
    spread_low_deg: float | None
    spread_high_deg: float | None

    @property
    def calibrations(self) -> int:
        """How many."""
        return len(self.lean_deg)


@dataclass(frozen=True)
class Pair:
    """Two methods. tighter : name, "" where it cannot be told. p_value : of methods that are alike.

    calibrations : of each so far. more : of each until methods as unlike as these seem would be told apart in
    90 of 100 cases; 0 where they are, None where more than ``MOST_CALIBRATIONS`` would be needed in all.
    """

    names: tuple[str, str]
    calibrations: tuple[int, int]
    p_value: float
    tighter: str
    more: int | None


@dataclass(frozen=True)
class Methods:
    """All methods on record, and every pair with calibrations enough.

    left_out : shoots without a known lean or without a label of calibration or method.
    """

    methods: tuple[Method, ...]
    pairs: tuple[Pair, ...]
    left_out: int


def compare_methods(shoots: Sequence[Recorded], repeatability: Repeatability) -> Methods:
    """Methods of calibrating from all shoots on record of one rig, or of rigs that are alike.

    Labels are compared without regard to capitals and white space. A calibration has the method of its first
    shoot.
    """
    groups: dict[tuple[str, str], list[Recorded]] = {}
    closed: set[tuple[str, str]] = set()
    left_out = 0
    for shoot in in_order(shoots):
        key = label(shoot.rig), label(shoot.calibration)
        if not key[1] or not label(shoot.method):
            left_out += 1
            continue
        if key in groups and shoot.changed:
            closed.add(key)
        if key in closed:
            continue
        groups.setdefault(key, []).append(shoot)
    names: dict[str, str] = {}
    found: dict[str, list[tuple[float, float]]] = {}
    for group in groups.values():
        known = [one.lean for one in group if one.lean is not None]
        left_out += len(group) - len(known)
        if not known:
            continue
        n = len(known)
        variance = sum(one.sd**2 for one in known) / n**2 + repeatability.sd_deg**2 / n
        key_of_method = label(group[0].method)
        names.setdefault(key_of_method, " ".join(group[0].method.split()))
        found.setdefault(key_of_method, []).append((sum(one.value for one in known) / n, variance))
    methods = tuple(_method(names[key], np.array(rows)) for key, rows in found.items())
    enough = [one for one in methods if one.calibrations >= LEAST_CALIBRATIONS]
    couples = list(combinations(enough, 2))
    return Methods(methods, tuple(_pair(a, b, len(couples)) for a, b in couples), left_out)


def calibrations_each(ratio: float, pairs: int = 1) -> int | None:
    """Calibrations of each method that tell a ratio of scatters in 90 of 100 cases; None: too many.

    ratio : of the standard deviations, measurement included, either way up.
    pairs : of methods that are tested.
    """
    # A ratio seen in so few calibrations is worth no second decimal.
    return _needed(round(max(ratio, 1 / ratio), 1), ALPHA / pairs)


@lru_cache(maxsize=256)
def _needed(ratio: float, alpha: float) -> int | None:
    low, high = LEAST_CALIBRATIONS, MOST_CALIBRATIONS
    if _power(ratio, high, alpha) < POWER:
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if _power(ratio, middle, alpha) >= POWER else (middle + 1, high)
    return low


def _power(ratio: float, n: int, alpha: float) -> float:
    """Share of seeded pairs of n normal leans that the Brown-Forsythe test tells apart at alpha."""
    x = np.random.default_rng(SEED).normal(size=(2, TRIALS, n)) * np.array([1.0, ratio])[:, None, None]
    off = np.abs(x - np.median(x, axis=2, keepdims=True))
    # Of two groups of one size the analysis of variance is the square of a t.
    between = off.mean(axis=2)
    within = off.var(axis=2, ddof=1)
    statistic = n * (between[1] - between[0]) ** 2 / (within[0] + within[1])
    return float(np.mean(statistic > f.ppf(1 - alpha, 1, 2 * n - 2)))


def _method(name: str, rows: Array) -> Method:
    """Rows : shape (k, 2), lean and its variance as measured."""
    lean, known = rows[:, 0], float(rows[:, 1].mean())
    k = len(lean)
    if k < LEAST_CALIBRATIONS:
        return Method(name, tuple(lean.tolist()), None, None, None, None)
    error = np.abs(lean)
    scattered = float(lean.var(ddof=1))
    interval = scattered * (k - 1) / chi2.ppf(np.array([0.975, 0.025]), k - 1)
    spread, low, high = np.sqrt(np.maximum(np.append(scattered, interval) - known, 0.0)).tolist()
    mean = Estimate(float(error.mean()), float(error.std(ddof=1) / k**0.5), t95=float(t.ppf(0.975, k - 1)))
    return Method(name, tuple(lean.tolist()), mean, spread, low, high)


def _pair(a: Method, b: Method, pairs: int) -> Pair:
    # Leans without any scatter, but that of rounding, leave the test nothing to divide by.
    spreads = float(np.std(a.lean_deg, ddof=1)), float(np.std(b.lean_deg, ddof=1))
    able = min(spreads) > LEAST_SCATTER_DEG
    p = float(levene(a.lean_deg, b.lean_deg, center="median").pvalue) if able else 1.0
    p = min(1.0, pairs * p)
    told = p <= ALPHA
    more: int | None = 0
    if not told:
        needed = calibrations_each(spreads[1] / spreads[0], pairs) if able else None
        more = None if needed is None else max(1, needed - min(a.calibrations, b.calibrations))
    tighter = (a.name if spreads[0] < spreads[1] else b.name) if told else ""
    return Pair((a.name, b.name), (a.calibrations, b.calibrations), p, tighter, more)


def method_words(method: Method) -> str:
    """One method for people."""
    count = "1 calibration" if method.calibrations == 1 else f"{method.calibrations} calibrations"
    if method.level_error_deg is None or method.spread_low_deg is None or method.spread_high_deg is None:
        return f"{method.name}: {count}; nothing can be said of a method before {LEAST_CALIBRATIONS}"
    error = with_uncertainty(method.level_error_deg.value, method.level_error_deg.half_width, "deg")
    spread = range_words(method.spread_low_deg, method.spread_high_deg, "deg")
    return f"{method.name}: {count}; off level by {error} in the mean; calibrations scatter by {spread}"


def pair_words(pair: Pair) -> str:
    """Which of two methods is tighter, or how many calibrations would tell."""
    if pair.tighter:
        return f"{pair.tighter} is the tighter of {pair.names[0]} and {pair.names[1]}"
    a, b = pair.calibrations
    told = f"{a} + {b} repeats of {pair.names[0]} and {pair.names[1]} cannot tell which is tighter"
    if pair.more is None:
        return f"{told}; more than {MOST_CALIBRATIONS} of each would be needed"
    return f"{told}; about {pair.more} more of each would"
