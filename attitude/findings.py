"""What an inference finds: estimates with their uncertainty, what stays open, and what adds up to the lean.

Vocabulary of the stages from :mod:`attitude.infer` to the result; nothing is computed here but intervals.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

__all__ = [
    "CAUSES",
    "REPEAT_SD_DEG",
    "Assumption",
    "CauseProbability",
    "Causes",
    "Combination",
    "Estimate",
    "MemberRange",
    "OutOfTolerance",
    "Terms",
    "TiltOverTime",
]

Array = NDArray[np.float64]

# What the lean of the next shoot of the same rig differs by (seat, temperature) until its own shoots say
# better: common practice.
REPEAT_SD_DEG = 0.07

CAUSES = (
    "sensor_offset",
    "mounting",
    "turns",
    "warm_up",
    "ground_not_level",
    "not_held",
    "gyro_bias",
    "none",
)


@dataclass(frozen=True)
class Estimate:
    """A value with its standard uncertainty; ``t95`` times sd is half of the 95 % interval.

    ``determined``: the footage, not the prior, says so, and closely enough to act on.
    """

    value: float
    sd: float
    t95: float = 1.96
    determined: bool = True

    @property
    def half_width(self) -> float:
        """Half of the 95 % interval."""
        return self.t95 * self.sd

    @property
    def low(self) -> float:
        """Lower end of the 95 % interval."""
        return self.value - self.half_width

    @property
    def high(self) -> float:
        """Upper end of the 95 % interval."""
        return self.value + self.half_width


@dataclass(frozen=True)
class TiltOverTime:
    """The footage's roll about its pose, averaged over a second, and the time that each value stands for.

    tilt_deg, lasts_s : shape (n,). judged : shape (n,), what a viewer gets to see: upright, and not the
    upside-down shot, which is a test. parts_deg : what causes add to the tilt, name of ``CAUSES`` -> shape
    (n,); a cause whose part is not known moment by moment is left out.
    """

    tilt_deg: Array
    lasts_s: Array
    judged: NDArray[np.bool_]
    parts_deg: Mapping[str, Array] = field(default_factory=dict)


@dataclass(frozen=True)
class OutOfTolerance:
    """How long the footage leans by more than the tolerance. ``worst_5s_deg``: right side down +."""

    seconds: float
    share: float
    worst_5s_deg: float
    time: TiltOverTime


@dataclass(frozen=True)
class CauseProbability:
    """One of ``CAUSES`` and its probability, all taken as excluding each other."""

    name: str
    probability: float


@dataclass(frozen=True)
class MemberRange:
    """95 % interval, deg, of one member of a sum: all that may be said of it alone."""

    member: str
    low_deg: float
    high_deg: float


@dataclass(frozen=True)
class Combination:
    """What is known of unknowns that the footage cannot tell apart: sum of weight x member = value.

    ``film``: the shot that would split them, or "lens_file". ``ranges``: of the members, in their order.
    """

    weights: tuple[tuple[str, float], ...]
    value_deg: float
    sd_deg: float
    film: str
    ranges: tuple[MemberRange, ...] = ()


@dataclass(frozen=True)
class Terms:
    """What adds up to the lean, in degrees: ``mean`` (k,), ``cov`` (k, k), in the order of ``names``.

    names : sensor_offset and mounting always; not_held, turns, warm_up where they were filmed.
    conditions : name of a condition filmed -> the terms that add up in it; "settled" always.
    determined : names of the terms that are determined well enough to act on.
    """

    names: tuple[str, ...]
    mean: Array
    cov: Array
    conditions: dict[str, tuple[str, ...]]
    determined: frozenset[str]


@dataclass(frozen=True)
class Assumption:
    """What was taken as given. ``basis``: told | tested | assumed."""

    what: str
    value: str
    basis: str


@dataclass(frozen=True)
class Causes:
    """All that was found about a shoot. None: not known.

    offset_mg : sideways, vertical, along_lens. mounting_deg : roll, pitch, yaw; a steady gyro bias is part of
    it unless ``gyro_split``. skyline_deg : north, east. turns : lean per m/s2 sideways, deg. warm_up : lean
    at power-on, deg. offset_lean : the sideways offset as the lean it causes. offset_shown_by : the shot
    that tells the offset from the mounting, "" when there is none. time_constant_s : filter's, from the data.
    causes : most probable first; empty when no cause can be claimed. notes : why something is not claimed.
    """

    picture_lean: Estimate | None
    known_lean: Estimate | None
    lean: Estimate | None
    pitch_offset: Estimate | None
    out_of_tolerance: OutOfTolerance | None
    causes: tuple[CauseProbability, ...] = ()
    offset_mg: dict[str, Estimate] = field(default_factory=dict)
    mounting_deg: dict[str, Estimate] = field(default_factory=dict)
    skyline_deg: dict[str, Estimate] = field(default_factory=dict)
    turns: Estimate | None = None
    warm_up: Estimate | None = None
    warm_up_s: float | None = None
    undetermined: tuple[Combination, ...] = ()
    offset_lean: Estimate | None = None
    after_recalibration: Estimate | None = None
    terms: Terms | None = None
    offset_shown_by: str = ""
    gyro_split: bool = False
    time_constant_s: Estimate | None = None
    shots: frozenset[str] = frozenset()
    notes: tuple[str, ...] = ()
