"""What cannot be told apart, and the sum of it that is known all the same.

In each plane (roll: sideways offset, mounting roll, warming up, skyline; pitch: offset along the lens,
mounting pitch, skyline) the members that are not determined are taken together. Their posterior covariance,
in units of their prior sds, is split into principal directions: a direction with less than half of its prior
sd left is a sum that the footage does fix. Its weights are scaled so that the largest is 1; members with
little part in it are left out. A level hover leaves "sideways offset + mounting roll", with weights 1 and 1.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from attitude.findings import Combination, Estimate
from attitude.solution import INFLATE, Solution

__all__ = ["undetermined_sums"]

Array = NDArray[np.float64]

PLANES = (("sideways", "roll"), ("along_lens", "pitch"))
LITTLE_PART = 0.2


def undetermined_sums(
    solution: Solution,
    offset: dict[str, Estimate],
    mounting: dict[str, Estimate],
    skyline: dict[str, Estimate],
    warm_up: Estimate | None,
    *,
    gyro_split: bool,
) -> tuple[Combination, ...]:
    """At most one sum per plane, with the shot that would split it."""
    sky = {
        f"ground_not_level.{k}": solution.vector(**{f"skyline_{k}": 1.0})
        for k, one in skyline.items()
        if not one.determined
    }
    found = []
    for axis, turn in PLANES:
        members: dict[str, Array] = {}
        if not offset[axis].determined:
            members[f"sensor_offset.{axis}"] = solution.vector(**{f"offset_{axis}": 1.0})
        if not mounting[turn].determined:
            seat = {f"mounting_{turn}": 1.0} | ({} if gyro_split else {f"gyro_{turn}": 1.0})
            members[f"mounting.{turn}"] = solution.vector(**seat)
        if turn == "roll" and warm_up is not None and not warm_up.determined:
            members["warm_up.sideways"] = solution.vector(warm_up_sideways=1.0)
        members |= sky
        one = _sum(solution, members)
        if one is not None:
            found.append(one)
    return tuple(found)


def _sum(solution: Solution, members: dict[str, Array]) -> Combination | None:
    """The best fixed sum of two members or more; None when the data fix none."""
    if len(members) < 2:
        return None
    vectors = list(members.values())
    mean, cov = solution.joint(vectors)
    wide = np.array([unknown.wide_sd for unknown in solution.model.unknowns])
    prior = np.array([np.sqrt(np.sum((v * wide) ** 2)) for v in vectors])
    variance_left, directions = np.linalg.eigh(cov / INFLATE**2 / np.outer(prior, prior))
    if variance_left[0] > 0.5**2:
        return None
    scaled = directions[:, 0]
    scaled = np.where(np.abs(scaled) < LITTLE_PART * np.abs(scaled).max(), 0.0, scaled)
    if np.count_nonzero(scaled) < 2:
        return None
    g = scaled / prior
    g = g / g[np.argmax(np.abs(g))]
    weights = tuple((name, float(w)) for name, w in zip(members, g, strict=True) if w != 0.0)
    sd = float(np.sqrt(g @ cov @ g + solution.floor_deg**2))
    return Combination(weights, float(g @ mean), sd, _splitting_shot(weights))


def _splitting_shot(weights: Sequence[tuple[str, float]]) -> str:
    """A pan frees everything of the skyline, so it comes first; the offset's twin needs the camera over."""
    groups = {name.partition(".")[0] for name, _ in weights}
    if "ground_not_level" in groups:
        return "pan"
    return "hover" if "warm_up" in groups else "upside_down"
