"""How probable each cause is, given that there is one or none.

One hypothesis per cause: that cause's unknowns have their wide prior, all others the healthy one; under
"none" all are healthy. What leans the picture is one member of a cause (sideways offset, roll of the seat);
whether its other members are off as well is not known beforehand, so a hypothesis is the even mixture of each
lean member alone and of all members together: with all of them wide, every member that is found to be fine
would count against the cause.

Log evidence of each hypothesis with the noise of the all-wide fit, the sensor's filter integrated out, plus
log prior: 0.5 for none, 0.1 for each cause, as tried on simulated shoots.

Whether the gimbal holds the level it believes in is read off the log itself, not off the residual; it enters
every hypothesis as N(held; 0, healthy) and its own as N(held; 0, wide).

A steady gyro bias belongs to the mounting's hypothesis unless half turns have told the two apart.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from attitude.findings import CauseProbability
from attitude.gls import Normal, normal_of
from attitude.solution import Solution
from attitude.unknowns import CULPRIT_DEG, HEALTHY_DEG

__all__ = ["cause_probabilities"]

Array = NDArray[np.float64]

PRIOR_NONE, PRIOR_CAUSE = 0.5, 0.1
# Of each cause, what leans a level picture by itself: names of unknowns, before a colon, that go together. A
# tilt of the skyline has a direction, so it is two at once.
LEANING: dict[str, tuple[tuple[str, ...], ...]] = {
    "sensor_offset": (("offset_sideways",),),
    "mounting": (("mounting_roll",), ("gyro_roll",)),
    "turns": (("turns",),),
    "warm_up": (("warm_up_sideways",), ("warm_up_gyro_roll",), ("temperature_sideways",)),
    "ground_not_level": (("skyline_north", "skyline_east"),),
    "gyro_bias": (("gyro_roll",),),
}


def cause_probabilities(
    solution: Solution, *, held_deg: float, gyro_split: bool, skyline_open: bool
) -> tuple[CauseProbability, ...]:
    """Posterior of none and of each cause that this footage could show, most probable first.

    Parameters
    ----------
    held_deg : how far off level the log shows the gimbal, beyond the trim.
    gyro_split : whether the gyro bias is a cause of its own.
    skyline_open : whether the skyline may lean beyond its prior (anywhere but at sea).
    """
    unknowns = solution.model.unknowns
    healthy = np.array([unknown.healthy_sd for unknown in unknowns])
    possible = np.array([unknown.wide_sd for unknown in unknowns])
    mean = np.array([unknown.mean for unknown in unknowns])
    normals = [
        normal_of(A, solution.y_deg - A @ mean, solution.noise, one.rho, one.sd)
        for A, one in zip(solution.columns, solution.fits, strict=True)
    ]
    all_healthy = _evidence(normals, solution.width, healthy)
    scores = {
        "none": np.log(PRIOR_NONE) + all_healthy + _held(held_deg, HEALTHY_DEG),
        "not_held": np.log(PRIOR_CAUSE) + all_healthy + _held(held_deg, CULPRIT_DEG),
    }
    for name, leaning in LEANING.items():
        if name == "gyro_bias" and not gyro_split:
            continue
        members = {name, "gyro_bias"} if name == "mounting" and not gyro_split else {name}
        own = [k for k, unknown in enumerate(unknowns) if unknown.cause in members]
        lifted = name == "ground_not_level" and skyline_open
        wide = np.maximum(possible, CULPRIT_DEG) if lifted else possible
        ways = [[k for k in own if unknowns[k].name.partition(":")[0] in together] for together in leaning]
        ways += [own] if len(own) > 1 else []
        # A cause whose wide prior is no wider than a healthy one could not be told from none.
        ways = [way for way in ways if np.any(wide[way] > 1.5 * healthy[way])]
        if ways:
            each = [_evidence(normals, solution.width, _widened(healthy, wide, way)) for way in ways]
            evidence = float(np.logaddexp.reduce(each)) - np.log(len(ways))
            scores[name] = np.log(PRIOR_CAUSE) + evidence + _held(held_deg, HEALTHY_DEG)
    total = np.logaddexp.reduce(list(scores.values()))
    found = [CauseProbability(name, float(np.exp(score - total))) for name, score in scores.items()]
    return tuple(sorted(found, key=lambda one: -one.probability))


def _evidence(normals: Sequence[Normal], width: Array, prior_sd: Array) -> float:
    """Log evidence of a set of priors, integrated over the sensor's filter."""
    values = np.array([one.log_evidence(prior_sd) for one in normals])
    return float(np.logaddexp.reduce(values + np.log(width)))


def _widened(healthy: Array, wide: Array, members: Sequence[int]) -> Array:
    """Healthy sizes, those of ``members`` wide."""
    out = healthy.copy()
    out[members] = wide[members]
    return out


def _held(held_deg: float, sd_deg: float) -> float:
    return -0.5 * (held_deg / sd_deg) ** 2 - float(np.log(sd_deg))
