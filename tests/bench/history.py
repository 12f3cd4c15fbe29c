"""``python -m tests.bench.history``: how often before and after are told apart, rightly and wrongly.

Every pair of sides has a history of its own, from which the repeatability is learned, as a rig's would be.
Shoots are known to 0.04 deg each; levels lie between 0 and 0.6 deg.
"""

import argparse

import numpy as np

from attitude.before_after import compare
from attitude.repeatability import DEFAULT, learn
from tests.recorded import series

__all__ = ["rates"]

SD_DEG = 0.04


def rates(true_deg, learned_from, shift_deg, shoots, count, seed):
    """Shares of pairs found changed, and found changed or claimed to be better or worse.

    true_deg : repeatability. learned_from : unchanged shoots, 0 for the default. shoots : on each side.
    """
    rng = np.random.default_rng(seed)
    scatter = np.hypot(true_deg, SD_DEG)
    changed = claimed = 0
    for _ in range(count):
        history = series(rng.normal(0.2, scatter, learned_from), sd_deg=SD_DEG)
        repeatability = learn(history, "Sandpiper") if learned_from else DEFAULT
        level = rng.uniform(0.0, 0.6)
        before = series(rng.normal(level, scatter, shoots), 100, sd_deg=SD_DEG)
        after = series(
            rng.normal(level - shift_deg, scatter, shoots), 200, sd_deg=SD_DEG, calibration="second"
        )
        found = compare(before, after, repeatability)
        changed += found.changed
        claimed += found.changed or found.claim != "no evidence"
    return changed / count, claimed / count


def main():
    """Print the rates, in 100."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--pairs", type=int, default=1000)
    count = parser.parse_args().pairs
    print("unchanged, claimed or found changed: repeatability, learned from, 1 and 4 shoots a side")
    for true_deg in (0.05, 0.1):
        for learned_from in (0, 5, 8):
            found = [100 * rates(true_deg, learned_from, 0.0, shoots, count, 31)[1] for shoots in (1, 4)]
            print(f"{true_deg:5.2f} deg {learned_from:3d}  {found[0]:5.1f}  {found[1]:5.1f}")
    print("changed by 0.3 deg, found so: repeatability, learned from, 1, 2 and 4 shoots a side")
    for true_deg in (0.05, 0.1):
        for learned_from in (0, 5, 8):
            found = [100 * rates(true_deg, learned_from, 0.3, shoots, count, 32)[0] for shoots in (1, 2, 4)]
            print(f"{true_deg:5.2f} deg {learned_from:3d}  {found[0]:5.1f}  {found[1]:5.1f}  {found[2]:5.1f}")


if __name__ == "__main__":
    main()
