"""Numbers as people read them: no more digits than the uncertainty allows, leans in words, chances in 100.

A half-width is shown with one digit, with two where the first is a 1 (GUM 7.2.6: at most two), and the
value to the same place. A lean is never shown as a sign: signs get reversed between reader and rig.
"""

import unicodedata
from collections.abc import Sequence
from math import floor, log10

from attitude.findings import Estimate

# fmt: off
__all__ = [
    "POSE_WORDS", "chance_words", "lean_words", "listed", "member_words", "moved_words", "pitch_words",
    "places", "plain", "printable", "range_words", "sum_words", "with_uncertainty",
]
# fmt: on

LEVEL_SHARE = 0.2  # of the half-width: whoever reads "low by 0.001 ± 0.010" learns nothing but "level"
VAGUE_DEG = 1.5  # a mean this uncertain is that of a moving camera, and no level

POSE_WORDS = {180.0: "upside down", 90.0: "in portrait"}
CAUSE_WORDS = {
    "sensor_offset": "sensor offset",
    "mounting": "camera and sensor not square to each other",
    "turns": "leaning in turns",
    "warm_up": "warming up",
    "ground_not_level": "skyline not level",
    "not_held": "gimbal not reaching the level it believes in",
    "gyro_bias": "gyro bias",
    "none": "nothing wrong",
}


def places(half_width: float) -> int:
    """Decimals to which a value with this half-width is shown; 2 where there is no half-width."""
    if not half_width > 0:
        return 2
    exponent = floor(log10(half_width))
    # 0.098 is shown as 0.10: what rounds up to the next power of ten starts with a 1 as well.
    if half_width / 10**exponent >= 9.5:
        exponent += 1
    digits = 2 if half_width / 10**exponent < 1.95 else 1
    return max(0, digits - 1 - exponent)


def with_uncertainty(value: float, half_width: float, unit: str) -> str:
    """``0.61 ± 0.04 deg``; the sign stays, so take the magnitude first where words carry it."""
    n = places(half_width)
    return f"{round(value, n) + 0.0:.{n}f} ± {half_width:.{n}f} {unit}"


def listed(words: Sequence[str], last: str = "and") -> str:
    """``a``, ``a and b``, ``a, b and c``; ``last``: before the last of them."""
    return f" {last} ".join(part for part in (", ".join(words[:-1]), *words[-1:]) if part)


def range_words(low: float, high: float, unit: str) -> str:
    """``-1.4 to 2.1 deg``: of what is not determined there is no value to show."""
    n = places((high - low) / 2)
    return f"{round(low, n) + 0.0:.{n}f} to {round(high, n) + 0.0:.{n}f} {unit}"


def lean_words(lean: Estimate) -> str:
    """``right side low by 0.61 ± 0.04 deg``; level where the value is nothing beside its uncertainty."""
    if abs(lean.value) < LEVEL_SHARE * lean.half_width:
        if lean.half_width > VAGUE_DEG:
            return f"not known to better than {lean.half_width:.0f} deg"
        return f"level ({with_uncertainty(0.0, lean.half_width, 'deg')})"
    side = "right" if lean.value > 0 else "left"
    return f"{side} side low by {with_uncertainty(abs(lean.value), lean.half_width, 'deg')}"


def moved_words(change: Estimate) -> str:
    """``the right side down by 0.24 ± 0.15 deg``: a change of the lean, which no lean should be taken for."""
    if abs(change.value) < LEVEL_SHARE * change.half_width:
        return f"neither side down ({with_uncertainty(0.0, change.half_width, 'deg')})"
    side = "right" if change.value > 0 else "left"
    return f"the {side} side down by {with_uncertainty(abs(change.value), change.half_width, 'deg')}"


def pitch_words(pitch: Estimate) -> str:
    """``lens high by 0.20 ± 0.10 deg``."""
    if round(abs(pitch.value), places(pitch.half_width)) == 0:
        return f"lens level ({with_uncertainty(0.0, pitch.half_width, 'deg')})"
    way = "high" if pitch.value > 0 else "low"
    return f"lens {way} by {with_uncertainty(abs(pitch.value), pitch.half_width, 'deg')}"


def chance_words(probability: float) -> str:
    """``93 in 100``."""
    percent = round(100 * probability)
    if percent == 0:
        return "less than 1 in 100"
    return "more than 99 in 100" if percent == 100 else f"{percent} in 100"


def plain(cause: str) -> str:
    """Name of a cause for people."""
    return CAUSE_WORDS[cause]


def member_words(member: str) -> str:
    """``sensor offset sideways``."""
    return member.replace(".", " ").replace("_", " ")


def sum_words(weights: Sequence[tuple[str, float]]) -> str:
    """``sensor offset sideways + mounting roll``; weights that are 1 at the digits shown are left out."""
    words = ""
    for name, weight in sorted(weights, key=lambda one: one[1] < 0):
        size = "" if abs(abs(weight) - 1) < 0.05 else f"{abs(weight):.1f} x "
        sign = (" - " if weight < 0 else " + ") if words else ("-" if weight < 0 else "")
        words += f"{sign}{size}{member_words(name)}"
    return words


def printable(text: str) -> str:
    """Text of a sheet or a file name without what would move a cursor or turn the writing round."""
    kept = (" " if c.isspace() and c != "\N{NO-BREAK SPACE}" else c for c in text)
    return "".join(c for c in kept if not unicodedata.category(c).startswith("C"))
