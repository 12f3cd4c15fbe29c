"""How often the decision on a lean is wrong: python -m tests.bench.decisions.

True leans are drawn from a population (normal, sd 0.6 deg), measured to u and decided on with the probability
of being within 0.5 deg: left alone from 0.95, not left from 0.05 down, open between. *False accept*: of the
rigs that are out of tolerance, those left alone; *false reject*: of the good ones, those not left. Below, the
same without guard bands (whatever reads within 0.5 deg is left): that is what open decisions buy.
"""

import argparse
from dataclasses import dataclass

import numpy as np
from scipy.optimize import brentq

from attitude.verdict import ACCEPT, REJECT, conformance_probability
from tests.bench.tables import bounds

POPULATION_SD_DEG, TOLERANCE_DEG, U_DEG = 0.6, 0.5, 0.1
GOALS = {"false accept": 1.0, "false reject": 1.0, "open": 30.0}


@dataclass(frozen=True)
class Counts:
    """Decisions on drawn rigs: how many bad and good ones, and what became of them."""

    bad: int
    good: int
    false_accept: int
    false_reject: int
    undecided: int


def limits_deg(u_deg, tolerance_deg):
    """Readings up to which a lean is accepted (0 where none is) and from which it is rejected, deg.

    The probability falls with the size of the reading, so that two limits stand for it.
    """

    def reading(p):
        def over(size_deg):
            return conformance_probability(size_deg, u_deg, tolerance_deg) - p

        return brentq(over, 0.0, tolerance_deg + 8 * u_deg) if over(0.0) > 0 else 0.0

    return reading(ACCEPT), reading(REJECT)


def decide(rng, draws, *, u_deg, guarded=True):
    """Decisions on ``draws`` rigs; without guard bands what reads within the tolerance is accepted."""
    accept_deg, reject_deg = limits_deg(u_deg, TOLERANCE_DEG) if guarded else (TOLERANCE_DEG, TOLERANCE_DEG)
    true = np.abs(lean := rng.normal(0, POPULATION_SD_DEG, draws))
    read = np.abs(lean + rng.normal(0, u_deg, draws))
    bad = true > TOLERANCE_DEG
    accepted, rejected = read <= accept_deg, read > reject_deg
    return Counts(
        bad=int(bad.sum()),
        good=int((~bad).sum()),
        false_accept=int((bad & accepted).sum()),
        false_reject=int((~bad & rejected).sum()),
        undecided=int((~accepted & ~rejected).sum()),
    )


def lines(counts):
    """Each share in per cent with its 95 % bounds, against the goal."""
    shares = {
        "false accept": (counts.false_accept, counts.bad, "of the bad"),
        "false reject": (counts.false_reject, counts.good, "of the good"),
        "open": (counts.undecided, counts.bad + counts.good, "of all"),
    }
    for name, (count, total, of) in shares.items():
        met = "met" if 100 * count / total <= GOALS[name] else "missed"
        yield f"{name:13s} {bounds(count, total):>24s} {of:12s} goal {GOALS[name]:g} %: {met}"


def main():
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--draws", type=int, default=1_000_000)
    parser.add_argument("--seed", type=int, default=1)
    given = parser.parse_args()
    for u_deg in (0.05, U_DEG, 0.15):
        rng = np.random.default_rng(given.seed)
        accept_deg, reject_deg = limits_deg(u_deg, TOLERANCE_DEG)
        print(f"u = {u_deg:g} deg: accepted up to {accept_deg:.3f}, rejected from {reject_deg:.3f} deg")
        for line in lines(decide(rng, given.draws, u_deg=u_deg)):
            print("   ", line)
    plain = decide(np.random.default_rng(given.seed), given.draws, u_deg=U_DEG, guarded=False)
    print(f"u = {U_DEG:g} deg without guard bands:")
    for line in list(lines(plain))[:2]:
        print("   ", line)


if __name__ == "__main__":
    main()
