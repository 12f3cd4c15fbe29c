"""What cannot be told apart, the sum of it that is known all the same, and the shot that would split it.

A *member* is what a reader knows by name: one unknown of the observation model, or several that are one thing
to him (the mounting and the gyro bias that looks like it, until half turns split them; the warming up of
accelerometer and gyro). In each plane (roll, pitch) the members that are not determined are taken together.
With their posterior covariance C in units of their prior sds, R = D^-1 C D^-1,

* R^-1 = I + S, S what the data say: two members hang together where |R^-1_ij| is no small part of
  sqrt(R^-1_ii R^-1_jj); the connected ones are a group. A member on its own is unknown, and no lookalike.
* The eigenvectors of R in a group are the directions that the footage tells well or badly (those of the
  singular value decomposition of the whitened, prior-scaled columns): with less than half of the prior sd
  left, one is determined. The best such direction is the sum that is reported; its weights are scaled so that
  the largest is 1, and members with little part in it are left out.

A level hover leaves "sideways offset + mounting roll", with weights 1 and 1. Of each member alone only its
95 % range is reported.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from attitude.findings import Combination, Estimate, MemberRange
from attitude.solution import Solution
from attitude.unknowns import HEALTHY_DEG, INFLATE

__all__ = ["LENS_FILE", "undetermined_sums"]

Array = NDArray[np.float64]

UNDETERMINED = 0.5  # of the prior sd left
LEAST_VARIANCE = 1e-9  # as a share of what was open before
LITTLE_PART = 0.2
LENS_FILE = "lens_file"
PLANES = ("roll", "pitch")
# Beginnings of names that the cause stands for. Higher waves of the skyline, and what is no angle, have no
# name.
STEMS = ("offset_", "mounting_", "gyro_", "warm_up_", "skyline_")
NAMELESS = ("skyline_cos", "skyline_sin", "turns")
# What warms up in the gyro leans like the offset that warms up, along the lens with the other sign.
WARM_GYRO = {
    "warm_up_gyro_roll": ("warm_up.sideways", 1.0),
    "warm_up_gyro_pitch": ("warm_up.along_lens", -1.0),
}
# In which plane an unknown acts on an upright camera, by the last part of its name; others act in both.
PLANE_OF = {
    "sideways": "roll",
    "vertical": "roll",
    "roll": "roll",
    "yaw": "roll",
    "along_lens": "pitch",
    "pitch": "pitch",
}
# What frees most comes first: a pan everything of the skyline, a lens file or a warm sensor what only they
# can tell; offset and mounting need the camera over.
SPLITS = (
    ("ground_not_level", "pan"),
    ("focal_length", LENS_FILE),
    ("warm_up", "hover"),
    ("gyro_bias", "half_turn"),
    ("mounting.yaw", "tilt"),
)


@dataclass(frozen=True)
class _Member:
    """One thing a reader knows by name, as a sum of unknowns in degrees; ``prior_sd``: of that sum."""

    name: str
    vector: Array
    prior_sd: float


def undetermined_sums(
    solution: Solution,
    offset: Mapping[str, Estimate],
    mounting: Mapping[str, Estimate],
    skyline: Mapping[str, Estimate],
    warm_up: Estimate | None,
    *,
    gyro_split: bool,
) -> tuple[Combination, ...]:
    """At most one sum per group of members that look alike.

    offset, mounting, skyline, warm_up : what was found of the members that have an estimate of their own;
    those of them that are determined are no lookalikes. Of all others the posterior decides.
    gyro_split : whether the gyro bias is a member of its own.
    """
    known = {f"sensor_offset.{axis}": one for axis, one in offset.items()}
    known |= {f"mounting.{turn}": one for turn, one in mounting.items()}
    known |= {f"ground_not_level.{way}": one for way, one in skyline.items()}
    if warm_up is not None:
        known["warm_up.sideways"] = warm_up
    found = []
    for plane in PLANES:
        members = [
            one
            for one in _members(solution, plane, gyro_split=gyro_split)
            if not (known[one.name].determined if one.name in known else _determined(solution, one))
        ]
        found += [_sum(solution, group) for group in _groups(solution, members)]
    seat = mounting["roll"]
    if not gyro_split and seat.determined and abs(seat.value) - seat.half_width > HEALTHY_DEG:
        found += [_sum(solution, group) for group in _groups(solution, _seat_and_gyro(solution))]
    return tuple(one for one in found if one is not None)


def _members(solution: Solution, plane: str, *, gyro_split: bool) -> list[_Member]:
    """Members of one plane; nuisances that nobody has a name for are none."""
    blocks = solution.model.blocks
    weights: dict[str, dict[str, float]] = {}
    for unknown in solution.model.unknowns:
        stem, _, of = unknown.name.partition(":")
        axis = next((axis for axis in PLANE_OF if stem.endswith(f"_{axis}")), "")
        if stem == "focal" and plane == "pitch":
            # A wrong focal length shows as the pitch times that share: in degrees where the camera looked.
            seen = blocks[blocks["clip"] == of] if of else blocks
            pitch_rad = np.deg2rad(float(seen["log_pitch_deg"].median()))
            name = "focal_length" + (f":{of}" if of else "")
            weights[name] = {unknown.name: float(np.rad2deg(np.sin(pitch_rad) * np.cos(pitch_rad)))}
        elif unknown.cause and not stem.startswith(NAMELESS) and PLANE_OF.get(axis, plane) == plane:
            cause = "mounting" if unknown.cause == "gyro_bias" and not gyro_split else unknown.cause
            short = next((stem.removeprefix(one) for one in STEMS if stem.startswith(one)), stem)
            name, weight = WARM_GYRO.get(stem, (f"{cause}.{short}" + (f":{of}" if of else ""), 1.0))
            weights.setdefault(name, {})[unknown.name] = weight
    return [_member(solution, name, parts) for name, parts in weights.items()]


def _member(solution: Solution, name: str, weights: Mapping[str, float]) -> _Member:
    vector = solution.vector(**weights)
    wide_sd = np.array([unknown.wide_sd for unknown in solution.model.unknowns])
    return _Member(name, vector, float(np.sqrt(np.sum((vector * wide_sd) ** 2))))


def _seat_and_gyro(solution: Solution) -> list[_Member]:
    """The two that make up the mounting in roll."""
    parts = (("mounting.seat", "mounting_roll"), ("gyro_bias.roll", "gyro_roll"))
    return [_member(solution, name, {unknown: 1.0}) for name, unknown in parts]


def _determined(solution: Solution, one: _Member) -> bool:
    """Whether the data tell a member, or it is too small to be missed."""
    _, cov = solution.joint([one.vector])
    return one.prior_sd <= HEALTHY_DEG or float(np.sqrt(cov[0, 0])) <= UNDETERMINED * INFLATE * one.prior_sd


def _scaled_cov(solution: Solution, members: list[_Member]) -> Array:
    """R, not inflated."""
    _, cov = solution.joint([one.vector for one in members])
    prior = np.array([one.prior_sd for one in members])
    return np.asarray(cov / INFLATE**2 / np.outer(prior, prior))


def _groups(solution: Solution, members: list[_Member]) -> list[list[_Member]]:
    """Members that the same data speak of, two at least to a group."""
    if len(members) < 2:
        return []
    # A sum that is known for certain, beside its members, leaves nothing to invert.
    told = np.linalg.inv(_scaled_cov(solution, members) + LEAST_VARIANCE * np.eye(len(members)))
    size = np.sqrt(np.diag(told))
    near = np.abs(told) > LITTLE_PART * np.outer(size, size)
    for _ in members:
        near = near @ near
    groups = {tuple(np.flatnonzero(row).tolist()) for row in near}
    return [[members[k] for k in group] for group in sorted(groups) if len(group) > 1]


def _sum(solution: Solution, members: list[_Member]) -> Combination | None:
    """The best fixed sum of a group; None when the data fix none, or one of a single member."""
    variance_left, directions = np.linalg.eigh(_scaled_cov(solution, members))
    if variance_left[0] > UNDETERMINED**2:
        return None
    scaled = directions[:, 0]
    part = np.abs(scaled) >= LITTLE_PART * np.abs(scaled).max()
    if np.count_nonzero(part) < 2:
        return None
    g = np.where(part, scaled / [one.prior_sd for one in members], 0.0)
    seat = [k for k, one in enumerate(members) if part[k] and one.name.startswith("mounting.")]
    # With the mounting's sign the sum is the lean, or the pitch, itself.
    g = g / np.abs(g).max() * np.sign(g[(seat or np.flatnonzero(part))[0]])
    mean, cov = solution.joint([one.vector for one in members])
    chosen = [(one, float(w)) for one, w in zip(members, g, strict=True) if w != 0.0]
    return Combination(
        weights=tuple((one.name, w) for one, w in chosen),
        value_deg=float(g @ mean),
        sd_deg=float(np.sqrt(g @ cov @ g + solution.floor_deg**2)),
        film=_splitting_shot(solution, [one.name for one, _ in chosen]),
        ranges=tuple(_range(solution, one) for one, _ in chosen),
    )


def _range(solution: Solution, one: _Member) -> MemberRange:
    alone = solution.estimate(one.vector, floor=solution.floor_deg, limit=np.inf)
    return MemberRange(one.name, alone.low, alone.high)


def _splitting_shot(solution: Solution, names: list[str]) -> str:
    for beginning, shot in SPLITS:
        if any(name.startswith(beginning) for name in names):
            # Half turns that did not split a gyro bias will not the next time, and before a plumb line there
            # is no turning round; a warm sensor may.
            tried = shot in set(solution.model.blocks["shot"]) or not solution.model.shows_sky
            return "hover" if shot == "half_turn" and tried else shot
    return "upside_down"
