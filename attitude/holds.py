"""How long a still pose must be held for the certainty that is wanted.

The mean of n values with correlation rho from one to the next has

    sd_mean = sigma sqrt((1 + rho) / (1 - rho) / n),  rho = exp(-step / correlation time)              [1]

(Zwiers and von Storch, J. Climate 1995, p. 336 ff.), that is sigma sqrt(2 correlation time / T) for T s. With
r, log minus footage, averaged upright and upside down over T s each, offset = (r upside down - r upright) / 2
and

    sd_offset = sd_mean / sqrt(2).                                                                     [2]

Longer poses do not help against what all frames share: the horizon's own error in the lean, and sag and play
in the offset, which change sign upside down as it does. Those are the inference's floors, added as squares.
"""

from dataclasses import dataclass
from math import ceil, exp, inf, sqrt

from attitude.findings import Estimate
from attitude.gls import effective_count
from attitude.infer import PICTURE_SD_DEG
from attitude.shots import HOLD_S
from attitude.unknowns import FLEX_DEG, INFLATE

__all__ = ["CertaintyError", "Reach", "hold_seconds", "mean_sd_deg", "offset_sd_deg", "reach"]

NOISE_SD_DEG, CORRELATION_S = 0.05, 1.0  # usual log-minus-footage noise of a still camera
STEP_S = 1 / 30
# The inference inflates what it takes for play; a promise holds to no more digits than two.
PLAY_SD_DEG = round(INFLATE * FLEX_DEG, 2)
# Longer than this, slow changes (warm-up, wind) take the place of noise, and a mean gains nothing.
MOST_HOLD_S = 120
TIDY_S = 5


class CertaintyError(ValueError):
    """A certainty that no length of footage reaches; the text names what is possible."""


@dataclass(frozen=True)
class Reach:
    """95 % half-widths in deg that still poses lead to: of the lean, and of the sensor's offset as a lean."""

    lean_deg: float
    offset_deg: float


def mean_sd_deg(
    seconds: float, *, noise_sd_deg: float = NOISE_SD_DEG, correlation_s: float = CORRELATION_S
) -> float:
    """Sd of the mean over one still pose, [1]."""
    rho = exp(-STEP_S / correlation_s)
    return noise_sd_deg / sqrt(effective_count(seconds / STEP_S, rho))


def offset_sd_deg(
    seconds: float, *, noise_sd_deg: float = NOISE_SD_DEG, correlation_s: float = CORRELATION_S
) -> float:
    """Sd of the sideways offset as a lean from two poses of ``seconds`` each, [2]; play not counted."""
    return mean_sd_deg(seconds, noise_sd_deg=noise_sd_deg, correlation_s=correlation_s) / sqrt(2)


def reach(seconds: float) -> Reach:
    """What still poses of ``seconds`` each lead to, with what is not averaged away."""
    lean = Estimate(0.0, sqrt(mean_sd_deg(seconds) ** 2 + PICTURE_SD_DEG**2))
    offset = Estimate(0.0, sqrt(offset_sd_deg(seconds) ** 2 + PLAY_SD_DEG**2))
    return Reach(lean.half_width, offset.half_width)


def hold_seconds(certainty_deg: float) -> int:
    """Seconds of each still pose for a 95 % half-width of ``certainty_deg`` in both lean and offset.

    Never less than five time constants of a usual filter: before that the level has not settled.

    Raises
    ------
    CertaintyError
        Not reached however long the poses are.
    """
    wanted_sd = max(certainty_deg, 0.0) / Estimate(0.0, 1.0).half_width
    left = [wanted_sd**2 - PICTURE_SD_DEG**2, 2 * (wanted_sd**2 - PLAY_SD_DEG**2)]
    needed = max(mean_sd_deg(1.0) ** 2 / part if part > 0 else inf for part in left)
    if not needed <= MOST_HOLD_S:
        best = reach(MOST_HOLD_S)
        least = ceil(1000 * max(best.lean_deg, best.offset_deg)) / 1000
        raise CertaintyError(
            f"a certainty of {certainty_deg:g} deg is out of reach: longer shots do not average away the "
            f"horizon's own error (sd {PICTURE_SD_DEG:g} deg) and play of the camera upside down (sd "
            f"{PLAY_SD_DEG:g} deg); possible is {best.lean_deg:.2f} deg for the lean, {least:g} deg for "
            f"the sensor's offset too: ask for {least:g} or more"
        )
    return max(HOLD_S, TIDY_S * ceil(needed / TIDY_S))
