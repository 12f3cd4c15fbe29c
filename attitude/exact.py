"""What the linear model leaves out: products of errors, for sensors that are off by degrees.

The belief is known from the log, so the true up vector can be carried along in believed earth axes (north,
east, down as the sensor has them). With v that vector, B the logged attitude, camera to believed earth, b the
offset, w the gyro's bias, l the rate that the filter has learned, all in camera axes:

    u = B' v,   f = (u + b) / |u + b|,   pull = p (f x B' z) + l,   v' = B (w + pull) x v        [1]
    l' = p / T (f x B' z),   z = (0, 0, -1),   p = 1 / tau, or 0 behind a gate

(derivation: a belief turns with what the gyro says plus the pull, the truth with the truth; v turns with
their difference). The camera then sees Exp(-d) u, d its turn relative to the sensor. All of this is exact for
any size of error. The difference to the sum of the linear columns, block by block, is what
:func:`left_out_deg` returns; the caller takes it off the residual and fits again, until it stays.
"""

from collections.abc import Mapping, Sequence
from math import sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from attitude.causes import ObservationModel
from attitude.filter import coarse_samples, refined
from attitude.frames import rotation_from_angles
from attitude.stretch import AXES, TURNS, Setting, Stretch, grid_columns
from horizon.angles import angles_from_up, wrap_deg

__all__ = ["at_level_deg", "left_out_deg"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

STEPPED_HZ = 10.0
# The turned and mis-scaled gyro, and what was learned before the log began, stay linear: they are small, and
# nobody asks for their values.
SENSED: tuple[str, ...] = (
    "offset_",
    "gyro_roll",
    "gyro_pitch",
    "gyro_yaw",
    "warm_up_",
    "temperature_",
    "turns",
    "start_",
)


def left_out_deg(model: ObservationModel, setting: Setting, values: Mapping[str, float]) -> Array:
    """Exact residual less the sum of the linear columns, roll rows then pitch rows, shape (2 n,).

    values : of the unknowns by name, in the model's units.
    """
    out = np.zeros(len(model.blocks), complex)
    for stretch in model.stretches:
        out += stretch.block_of_grid @ _on_grid(stretch, setting, values, model.names)
    return np.concatenate([-out.imag, out.real])


def at_level_deg(setting: Setting, values: Mapping[str, float]) -> tuple[float, float]:
    """Roll and pitch of the footage when the log says level, settled and warm, less the linear sums.

    [1] at rest: u = length B' z - b, tilted by tau w where nothing is learned, then Exp(-d).
    """
    offset = np.deg2rad(_per_axis(values, "offset", AXES))
    turn_deg = _per_axis(values, "mounting", TURNS)
    rate_deg = _per_axis(values, "gyro", TURNS) * (setting.kind.integral_s is None)
    level = np.array([0.0, -1.0, 0.0])
    # A gyro error at rest looks like the camera turned by it.
    believed = Rotation.from_rotvec(-np.deg2rad(rate_deg)).apply(level)
    along = believed @ offset
    up = (along + sqrt(along**2 + 1 - offset @ offset)) * believed - offset
    roll_rad, pitch_rad = angles_from_up(Rotation.from_rotvec(-np.deg2rad(turn_deg)).apply(up))
    turned_deg = turn_deg + rate_deg
    linear = np.rad2deg(offset[0]) + turned_deg[2], turned_deg[0] - np.rad2deg(offset[2])
    return float(np.rad2deg(roll_rad) - linear[0]), float(np.rad2deg(pitch_rad) - linear[1])


def _on_grid(
    stretch: Stretch, setting: Setting, values: Mapping[str, float], names: Sequence[str]
) -> Complex:
    """The same on the grid of one log, r_pitch - j r_roll, deg."""
    motion = stretch.motion
    columns = grid_columns(stretch, [setting], names)[0]
    linear = np.zeros(len(motion.run), complex)
    for name, value in values.items():
        if name in columns and name.startswith(SENSED):
            linear += value * columns[name]
    at = coarse_samples(motion, STEPPED_HZ)
    offset = np.deg2rad(_levels(stretch, setting, values)[at])
    rates = np.deg2rad(_rates(stretch, setting, values)[at]) / -setting.kind.tau_s
    pose_deg = np.rad2deg(np.stack([motion.roll_rad, motion.pitch_rad, motion.yaw_rad], axis=1)[at])
    earth = np.pi / 180 * linear[at] * motion.to_earth[at]
    up = _true_up(stretch, setting, at, rotation_from_angles(pose_deg).as_matrix(), offset, rates, earth)

    turn_deg = _per_axis(values, "mounting", TURNS)
    seen = Rotation.from_rotvec(-np.deg2rad(turn_deg)).apply(up)
    roll_deg, pitch_deg = (np.rad2deg(angle) for angle in angles_from_up(seen))
    slope = np.cos(np.deg2rad((pose_deg[:, 1] + pitch_deg) / 2))
    exact = pose_deg[:, 1] - pitch_deg - 1j * slope * wrap_deg(pose_deg[:, 0] - roll_deg)
    left = exact - (linear + motion.turned @ turn_deg)[at]
    return np.asarray(refined(motion, at, (left * motion.to_earth[at])[:, np.newaxis])[:, 0])


def _levels(stretch: Stretch, setting: Setting, values: Mapping[str, float]) -> Array:
    """Offset of the accelerometer at grid times, with what takes the level along in turns, (n, 3), deg."""
    out = _per_axis(values, "offset", AXES) + np.zeros((len(stretch.t_s), 1))
    fading = stretch.fading(setting.warm_up_s)
    if fading is not None:
        out += np.outer(fading, _per_axis(values, "warm_up", AXES))
    if stretch.colder is not None:
        out += np.outer(stretch.colder, _per_axis(values, "temperature", AXES))
    if stretch.felt is not None:
        turned = stretch.motion.turned
        felt = (180 / np.pi * values.get("turns", 0.0) * stretch.felt)[:, np.newaxis]
        # r_pitch - j r_roll of a vector x is (e_pitch - j e_roll) . x, so x = Re e_pitch - Im e_roll.
        out += felt.real * turned.imag - felt.imag * turned.real
    return np.asarray(out)


def _rates(stretch: Stretch, setting: Setting, values: Mapping[str, float]) -> Array:
    """Turn that the gyro's bias looks like at grid times, about right, down, forward, (n, 3), deg."""
    out = _per_axis(values, "gyro", TURNS) + np.zeros((len(stretch.t_s), 1))
    fading = stretch.fading(setting.warm_up_s)
    if fading is not None:
        out += np.outer(fading, _per_axis(values, "warm_up_gyro", TURNS))
    return np.asarray(out)


def _per_axis(values: Mapping[str, float], what: str, axes: Sequence[str]) -> Array:
    return np.array([values.get(f"{what}_{axis}", 0.0) for axis in axes])


def _true_up(
    stretch: Stretch,
    setting: Setting,
    at: NDArray[np.intp],
    believed: Array,
    offset: Array,
    rates: Array,
    earth: Complex,
) -> Array:
    """[1] stepped through by Heun's rule: true up vector in sensor axes at samples ``at``, shape (m, 3).

    believed : (m, 3, 3). offset, rates : (m, 3), rad and rad/s. earth : (m,), the linear error, north + j
    east, rad, where a run starts.
    """
    motion, kind = stretch.motion, setting.kind
    pulls = np.full(len(at), 1 / kind.tau_s)
    if kind.gate_g is not None and motion.felt_g is not None:
        pulls[np.abs(motion.felt_g[at] - 1) > kind.gate_g] = 0.0
    learning = 0.0 if kind.integral_s is None else 1 / kind.integral_s
    up_believed = -believed[:, 2]
    run, out = motion.run[at], np.empty((len(at), 3))
    v = learned = np.zeros(3)

    def turning(i: int, v: Array, learned: Array) -> tuple[Array, Array]:
        up = v @ believed[i]
        felt = up + offset[i]
        pull = pulls[i] * _cross(felt / sqrt(felt @ felt), up_believed[i])
        return _cross(believed[i] @ (rates[i] + pull + learned), v), learning * pull

    for i in range(len(at)):
        if i == 0 or run[i] != run[i - 1]:
            v = np.array([-earth[i].real, -earth[i].imag, -1.0])
            level = rates[i] - up_believed[i] * (up_believed[i] @ rates[i])
            learned = -level if learning else np.zeros(3)
        else:
            step_s = float(at[i] - at[i - 1]) * motion.step_s
            first, learns = turning(i - 1, v, learned)
            second, learns_then = turning(i, v + step_s * first, learned + step_s * learns)
            v = v + step_s / 2 * (first + second)
            learned = learned + step_s / 2 * (learns + learns_then)
        v = v / sqrt(v @ v)
        out[i] = v
    return np.asarray(np.einsum("nij,ni->nj", believed, out))


def _cross(a: Array, b: Array) -> Array:
    """Vector product of two single vectors, ten times quicker than the general one."""
    (x, y, z), (p, q, r) = a.tolist(), b.tolist()
    return np.array([y * r - z * q, z * p - x * r, x * q - y * p])
