"""Train the verifier: ``python -m tests.bench.train``.

Every candidate line of the training part's pictures is a row: the features of :mod:`horizon.verify` in the
reading that is true (sky where it is), and whether the line is the horizon. Lines near it without being it
are left out. The logistic model is fitted with a ridge on standardised features and their products, and
written into the package. ``--stills`` pictures are drawn of each kind.
"""

import argparse
import json
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize
from scipy.special import expit

from horizon.angles import up_from_angles
from horizon.frame import lines_of
from horizon.lens import Lens
from horizon.sizes import look_at
from horizon.verify import FEATURES, MODEL_FILE, Model, features, terms
from tests.bench.parts import SEEDS, Case, case
from tests.bench.worlds import KINDS

Array = NDArray[np.float64]

RIDGE, SKY_RIDGE = 5.0, 30.0
# A line of a picture without a horizon weighs more: there nothing better stands beside it.
NEGATIVE_WEIGHT, OTHER_WEIGHT = 4.0, 2.0
# Within this of the visible horizon a line is it; beyond three times this it is not.
CLOSE_DEG, CLOSE_HFOV = 0.5, 0.015


@dataclass(frozen=True)
class Row:
    """One line: its features, those of its other reading, whether it is the horizon, and its weight."""

    features: Array
    other: Array
    horizon: bool
    weight: float


def rows(part: str, source: str, number: int) -> list[Row]:
    """Rows of every candidate line of one picture; lines that are not the horizon count in both readings."""
    one = case(part, source, number)
    look = look_at(one.luma, one.lens)
    short_px = min(look.small.area[2] - look.small.area[0], look.small.area[3] - look.small.area[1])
    close = np.radians(max(CLOSE_DEG, CLOSE_HFOV * hfov_deg(one.lens)))
    truth = true_up(one)
    found = []
    for line in lines_of(look):
        if line.seen is None:
            continue
        both = features(line.fit, line.seen, line.others, short_px)
        off = np.inf if truth is None else float(np.arccos(np.clip(abs(line.up_cam @ truth), 0, 1)))
        if truth is not None and off <= close:
            right = 0 if line.up_cam @ truth > 0 else 1
            found.append(Row(both[right], both[1 - right], True, 1.0))
        elif off > 3 * close:
            weight = NEGATIVE_WEIGHT if truth is None else OTHER_WEIGHT
            found += [Row(both[k], both[1 - k], False, weight) for k in (0, 1)]
    return found


def hfov_deg(lens: Lens) -> float:
    """Angle across the picture, of a pinhole of the same focal length."""
    return float(np.degrees(2 * np.arctan(lens.width_px / 2 / lens.fx_px)))


def true_up(one: Case) -> Array | None:
    """Up vector of the visible line as far as it is known; None where there is none."""
    if one.truth is not None:
        return up_from_angles(*np.radians([one.truth.skyline_roll_deg, one.truth.skyline_pitch_deg]))
    if np.isfinite(one.roll_deg):
        return up_from_angles(*np.radians([one.roll_deg, one.pitch_deg]))
    return None


def fitted(x: Array, y: Array, weight: Array, ridge: float) -> tuple[Array, float]:
    """Weights and intercept of a ridge logistic model."""

    def loss(w: Array) -> tuple[float, Array]:
        z = x @ w[:-1] + w[-1]
        value = np.sum(weight * (np.logaddexp(0, z) - y * z)) + ridge * w[:-1] @ w[:-1] / 2
        off = weight * (expit(z) - y)
        return float(value), np.append(x.T @ off + ridge * w[:-1], off.sum())

    best = minimize(loss, np.zeros(x.shape[1] + 1), jac=True, method="L-BFGS-B", options={"maxiter": 2000})
    return best.x[:-1], float(best.x[-1])


def trained_on(found: list[Row]) -> tuple[Model, dict[str, float]]:
    """The model, and how often it is right on what it was trained on."""
    y = np.array([float(row.horizon) for row in found])
    raw = np.array([row.features for row in found])
    middle, spread = raw.mean(axis=0), np.maximum(raw.std(axis=0), 1e-3)
    plain = Model(middle, spread, np.zeros(0), 0.0, np.zeros(0))
    x = terms(plain.standardised(raw))
    weights, intercept = fitted(x, y, np.array([row.weight for row in found]), RIDGE)
    other = plain.standardised(np.array([row.other for row in found if row.horizon]))
    difference = x[y > 0] - terms(other)
    # Either reading of the same horizon, so that the model has no side it prefers.
    twice, which = np.vstack([difference, -difference]), np.repeat([1.0, 0.0], len(difference))
    sky_weights, _ = fitted(twice, which, np.ones(len(which)), SKY_RIDGE)
    right = np.mean((x @ weights + intercept > 0) == (y > 0))
    said = {"lines": right, "sky": float(np.mean(difference @ sky_weights > 0))}
    return Model(middle, spread, weights, intercept, sky_weights), said


def jobs(stills: int) -> list[tuple[str, str, int]]:
    """What the training part holds: so many stills of each kind, as many strips, and negatives to match."""
    counts = dict.fromkeys(KINDS, stills) | {
        "strip": stills,
        "negative": 8 * stills,
        "real negative": 6 * stills,
    }
    return [("train", source, k) for source, count in counts.items() for k in range(count)]


def main() -> None:
    """Draw, look, fit, write."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--stills", type=int, default=100, help="drawn stills of each kind")
    parser.add_argument("--processes", type=int, default=2)
    wanted = parser.parse_args()
    todo = jobs(wanted.stills)
    with ProcessPoolExecutor(wanted.processes) as pool:
        found = [row for part in pool.map(rows, *zip(*todo, strict=True), chunksize=8) for row in part]

    model, right = trained_on(found)
    lists = {
        name: getattr(model, name).round(6).tolist()
        for name in ("middle", "spread", "weights", "sky_weights")
    }
    about = {"features": FEATURES, "seed": SEEDS["train"], "stills": wanted.stills, "rows": len(found)}
    stored = about | lists | {"intercept": round(model.intercept, 6)}
    MODEL_FILE.write_text(json.dumps(stored, indent=1) + "\n", encoding="utf-8")
    shares = ", ".join(f"{name} right {100 * share:.2f} %" for name, share in right.items())
    print(f"{len(found)} lines, {sum(row.horizon for row in found)} of them horizons; {shares}")


if __name__ == "__main__":
    main()
