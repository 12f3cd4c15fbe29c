"""What adds up to the lean: the sums of unknowns asked for, and the parts in each condition filmed."""

from collections.abc import Mapping, Sequence

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.causes import UPRIGHT, ObservationModel
from attitude.findings import Causes, Terms
from attitude.picture import at_frames, log_roll
from attitude.residuals import Residuals
from attitude.sheet import Shoot
from attitude.solution import Solution, vector_of
from attitude.stretch import skyline_columns
from attitude.unknowns import HEALTHY_DEG

__all__ = ["lean_vector", "parts_deg", "pitch_vector", "seat_vector", "shown_by"]
__all__ += ["terms_of", "warming_vector"]

Array = NDArray[np.float64]


def lean_vector(names: Sequence[str]) -> Array:
    """Settled, warm roll of the footage when the log says level."""
    return vector_of(names, offset_sideways=1.0) + seat_vector(names)


def seat_vector(names: Sequence[str]) -> Array:
    """What of the lean stays without the sensor's offset: camera, gyro, and sag of the camera upright."""
    return vector_of(names, mounting_roll=1.0, gyro_roll=1.0, flex_sideways=1.0)


def pitch_vector(names: Sequence[str]) -> Array:
    """Settled, warm pitch of the footage when the log says level."""
    seat = vector_of(names, mounting_pitch=1.0, gyro_pitch=1.0, flex_along_lens=-1.0)
    return seat - vector_of(names, offset_along_lens=1.0)


def warming_vector(names: Sequence[str]) -> Array:
    """Lean at power-on beyond the settled one."""
    return vector_of(names, warm_up_sideways=1.0, warm_up_gyro_roll=1.0)


def shown_by(model: ObservationModel) -> str:
    """The shot that turned the sensor over under the same horizon, or the bench; "" for neither."""
    sideways = {float(round(hold.up[0])) for hold in model.holds}
    upright = {float(round(hold.up[1])) for hold in model.holds}
    if {1.0, -1.0} <= sideways or {1.0, -1.0} <= upright:
        return "bench holds"
    roll_rad = np.deg2rad(model.blocks["log_roll_deg"].to_numpy(float))
    up, side = np.cos(roll_rad), np.sin(roll_rad)
    if np.count_nonzero(up > UPRIGHT) >= 2 and np.count_nonzero(up < -UPRIGHT) >= 2:
        return "upside_down"
    if np.count_nonzero(side > UPRIGHT) >= 2 and np.count_nonzero(side < -UPRIGHT) >= 2:
        return "portrait both ways"
    return ""


def parts_deg(solution: Solution, frames: pd.DataFrame) -> dict[str, Array]:
    """What each cause adds to the footage's roll at each frame of ``Residuals.frames``, deg.

    Between the blocks that were used it is straight; but for the skyline's, which goes by the heading.
    """
    blocks = solution.model.blocks
    n = len(blocks)
    columns, mean = solution.best_columns[:n], solution.fits[solution.best].mean
    parts = {}
    for name in ("sensor_offset", "mounting", "turns", "warm_up", "ground_not_level"):
        causes = {name, "gyro_bias"} if name == "mounting" else {name}
        own = [k for k, unknown in enumerate(solution.model.unknowns) if unknown.cause in causes]
        if own:
            # What leans the footage by + lowers log - footage.
            parts[name] = at_frames(frames, blocks, -columns[:, own] @ mean[own])
    skyline = _skyline_part(dict(zip(solution.model.names, mean.tolist(), strict=True)), frames)
    sky = ~frames["clip"].isin(solution.model.lines).to_numpy()
    return parts if skyline is None else parts | {"ground_not_level": skyline * sky}


def _skyline_part(values: Mapping[str, float], frames: pd.DataFrame) -> Array | None:
    """Roll that the skyline's tilt and harmonics give an upright picture at each frame's heading, deg.

    None where the heading is not known.
    """
    if "skyline_north" not in values:
        return None
    columns = skyline_columns(np.deg2rad(frames["log_yaw_deg"].to_numpy(float)), list(values))
    return np.asarray(sum(values[name] * column.imag for name, column in columns.items()))


def terms_of(causes: Causes, solution: Solution, found: Residuals, shoot: Shoot, limit: float) -> Terms:
    """Parts of the lean in each condition filmed."""
    names = ["sensor_offset", "mounting"]
    vectors = [solution.vector(offset_sideways=1.0), seat_vector(solution.model.names)]
    conditions: dict[str, tuple[str, ...]] = {"settled": ("sensor_offset", "mounting")}
    for name, vector in (("turns", _in_turns(solution)), ("warm_up", _coldest(solution))):
        if vector is not None:
            names.append(name)
            vectors.append(vector)
            conditions[name] = ("sensor_offset", "mounting", name)
    mean, cov = solution.joint(vectors)
    if causes.lean is not None:
        # Products of errors are in the lean, and in no single part of it.
        mean[1] = causes.lean.value - mean[0]
    # The horizon's error turns with the camera, as a mounting does.
    cov[1, 1] += solution.floor_deg**2
    determined = {name for k, name in enumerate(names) if np.sqrt(cov[k, k]) <= limit}
    held = _held_deg(found, shoot)
    if held is not None and causes.known_lean is not None:
        names.append("not_held")
        mean = np.append(mean, held)
        cov = np.pad(cov, (0, 1))
        cov[-1, -1] = causes.known_lean.sd**2
        determined.add("not_held")
        if abs(held) > HEALTHY_DEG:
            conditions["as held"] = ("sensor_offset", "mounting", "not_held")
    return Terms(tuple(names), mean, cov, conditions, frozenset(determined))


def _in_turns(solution: Solution) -> Array | None:
    """Lean in the sharpest turn filmed, to the side where it adds to the settled one; None without turns."""
    names = solution.model.names
    if "turns" not in names:
        return None
    seen = solution.best_columns[: len(solution.model.blocks), names.index("turns")]
    # What leans the footage by + lowers log - footage.
    vector = solution.vector(turns=-float(seen[np.argmax(np.abs(seen))]))
    mean = solution.fits[solution.best].mean
    # Who turns to one side will turn to the other.
    return -vector if (mean @ vector) * (mean @ lean_vector(names)) < 0 else vector


def _coldest(solution: Solution) -> Array | None:
    """Lean in the coldest block filmed beyond the settled one; None where the sensor was always as warm."""
    names = solution.model.names
    stretches = solution.model.stretches
    vector = np.zeros(len(names))
    if "warm_up_sideways" in names:
        warm_up_s = solution.settings[solution.best].warm_up_s
        fadings = [(one.block_of_grid, one.fading(warm_up_s)) for one in stretches]
        shares = [block_of_grid @ fading for block_of_grid, fading in fadings if fading is not None]
        vector += float(np.max(shares)) * warming_vector(names)
    if "temperature_sideways" in names:
        parts = [one.block_of_grid @ one.colder for one in stretches if one.colder is not None]
        colder = np.concatenate(parts)
        vector += solution.vector(temperature_sideways=float(colder[np.argmax(np.abs(colder))]))
    return vector if vector.any() else None


def _held_deg(found: Residuals, shoot: Shoot) -> float | None:
    """How far the log's roll is off level beyond the trim for all but a twentieth of the upright time.

    The end of the middle 90 % that lies farther out: a gimbal that wanders to and fro does not hold either.
    """
    frames = log_roll(found)
    frames = frames[(frames["pose_deg"] == 0) & ~frames["for_test"].astype(bool)]
    if frames.empty:
        return None
    trim_deg = shoot.trim_deg if shoot.trim_in_log else 0.0
    ends = np.quantile(frames["tilt_deg"].to_numpy(float) - trim_deg, [0.05, 0.95])
    return float(ends[np.argmax(np.abs(ends))])
