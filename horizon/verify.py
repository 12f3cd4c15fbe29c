"""How likely a line is the horizon: features of line and sides, weighed by a model trained on known pictures.

The features say what a horizon looks like: its edge runs on without a break, with one sign and much the same
contrast; one side of it is smooth and even as a sky is, right up to the end of the picture; the other is not.
A logistic model with products of features (coefficients in ``verifier.json``) turns them into a probability.
It is trained by ``python -m tests.bench.train`` on drawn and real pictures of the training part only, with
the seeds of ``tests/bench/seeds.toml``. The attitude log is no feature: it is what is being tested.
"""

import json
import math
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from .fit import LineFit
from .sides import Bands, TwoSides

__all__ = [
    "FEATURES",
    "UNKNOWN_OTHERS",
    "Model",
    "Others",
    "Weighed",
    "edge_strength",
    "features",
    "terms",
    "weighed",
]

Array = NDArray[np.float64]

MODEL_FILE = Path(__file__).with_name("verifier.json")

# The training part holds more snow, sand and night than people film: a brighter sky is likelier than there.
BRIGHTER_ODDS, BRIGHTER_GREY = 2.0, 25.0

FEATURES = (
    "inlier_share", "log_gain", "log_step", "rms_px", "spread", "length", "softness", "step_uneven", "bow",
    "brighter_at_edge", "brighter_near", "brighter_around",
    "sky_gradient", "sky_rough", "sky_rough_whole", "sky_uneven_near", "sky_uneven_around",
    "ground_gradient", "ground_rough", "ground_uneven_near", "ground_uneven_around",
    "calmer", "contrast_near", "sky_grey", "sky_share",
    "sky_gradient_near", "sky_rough_near", "ground_gradient_near", "ground_rough_near",
    "line_above", "line_below", "line_across",
)  # fmt: skip


@dataclass(frozen=True)
class Others:
    """Edge strength of a picture's strongest other lines: ``towards`` up, ``away`` from it, ``across``."""

    towards: float
    away: float
    across: float


UNKNOWN_OTHERS = Others(float("nan"), float("nan"), float("nan"))


@dataclass(frozen=True)
class Model:
    """``middle`` and ``spread`` standardise the features; ``weights`` belong to :func:`terms` of them.

    ``sky_weights``: for the difference of the terms of either reading of a true horizon.
    """

    middle: Array
    spread: Array
    weights: Array
    intercept: float
    sky_weights: Array

    def standardised(self, rows: Array) -> Array:
        """Features in units of their spread, limited; what is not known counts as usual."""
        return np.nan_to_num(np.clip((rows - self.middle) / self.spread, -3, 3))


def terms(standardised: Array) -> Array:
    """Features, then the products of every two of them: shape (n, f + f (f + 1) / 2)."""
    i, j = np.triu_indices(standardised.shape[1])
    return np.hstack([standardised, standardised[:, i] * standardised[:, j]])


@lru_cache(maxsize=1)
def trained() -> Model:
    """The model that comes with the package."""
    stored = json.loads(MODEL_FILE.read_text(encoding="utf-8"))
    if tuple(stored["features"]) != FEATURES:
        raise ValueError(f"{MODEL_FILE.name} was trained on other features: run python -m tests.bench.train")
    lists = {name: np.array(stored[name], float) for name in ("middle", "spread", "weights", "sky_weights")}
    return Model(intercept=float(stored["intercept"]), **lists)


def edge_strength(fit: LineFit) -> float:
    """How much of a line there is and how clearly, 0 to 1, whatever lies on its sides."""
    clear = (1 - np.exp(-max(fit.gain, 0.0) / 8)) * (1 - np.exp(-abs(fit.step_grey) / 10))
    return float(fit.inlier_share**2 * clear * min(1.0, fit.spread / 0.8))


def features(fit: LineFit, seen: TwoSides, others: Others, short_px: float) -> Array:
    """Rows of ``FEATURES`` for either reading, (2, features): sky towards ``up_cam``, sky on the other side.

    ``fit``: of the reduced picture whose shorter side is ``short_px``.
    """
    line = [
        fit.inlier_share,
        np.log1p(max(fit.gain, 0.0)),
        np.log1p(abs(fit.step_grey)),
        min(fit.rms_px, 3.0),
        fit.spread,
        min(fit.length_px / short_px, 2.2),
        np.log1p(fit.softness_px),
        min(fit.step_uneven, 2.0),
        np.log1p(fit.bow_px),
    ]
    lines = ((others.towards, others.away), (others.away, others.towards))
    return np.array([[*line, *_of_sides(fit, seen, sky), *lines[sky], others.across] for sky in (0, 1)])


def _of_sides(fit: LineFit, seen: TwoSides, sky: int) -> list[float]:
    ground = 1 - sky
    sign = 1.0 if sky == 0 else -1.0
    near, around, whole = seen.near, seen.around, seen.whole
    contrast = max(abs(near.grey[0] - near.grey[1]), 2.0)

    def brighter(bands: Bands) -> float:
        return (bands.grey[sky] - bands.grey[ground]) / 40

    def uneven(bands: Bands, side: int) -> float:
        return float(np.log((bands.uneven[side] + 1) / contrast))

    return [
        float(np.tanh(sign * fit.step_grey / 25)),
        float(np.tanh(brighter(near))),
        float(np.tanh(brighter(around))),
        float(np.log(around.gradient[sky] + 0.2)),
        float(np.log(around.rough[sky] + 0.2)),
        float(np.log(whole.rough[sky] + 0.2)),
        uneven(near, sky),
        uneven(around, sky),
        float(np.log(around.gradient[ground] + 0.2)),
        float(np.log(around.rough[ground] + 0.2)),
        uneven(near, ground),
        uneven(around, ground),
        float(np.log((around.gradient[ground] + 0.2) / (around.gradient[sky] + 0.2))),
        float(np.log(contrast)),
        near.grey[sky] / 128 - 1,
        seen.share if sky == 0 else 1 - seen.share,
        float(np.log(near.gradient[sky] + 0.2)),
        float(np.log(near.rough[sky] + 0.2)),
        float(np.log(near.gradient[ground] + 0.2)),
        float(np.log(near.rough[ground] + 0.2)),
    ]


@dataclass(frozen=True)
class Weighed:
    """``likeness``: probability, 0 to 1, that a line is the horizon, whichever side is sky.

    ``sky_odds``: log odds that the sky then lies towards ``fit.up_cam`` and not on the other side.
    """

    likeness: float
    sky_odds: float


def weighed(fit: LineFit, seen: TwoSides | None, others: Others, short_px: float) -> Weighed:
    """What the trained model says of a line of the reduced picture whose shorter side is ``short_px``."""
    if seen is None:
        return Weighed(0.0, 0.0)
    model = trained()
    both = terms(model.standardised(features(fit, seen, others, short_px)))
    likeness = float(expit(both @ model.weights + model.intercept).max())
    odds = float((both[0] - both[1]) @ model.sky_weights)
    return Weighed(likeness, odds + BRIGHTER_ODDS * math.tanh(seen.brighter_grey / BRIGHTER_GREY))
