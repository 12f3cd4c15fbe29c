"""A sensor with known errors, its attitude filter and the gimbal that obeys it: the truth tests need.

Integrated at 200 Hz from the raw gyro and accelerometer with exact rotations (a quaternion turned by the
exponential of each step's rate). Nothing here comes from the formulae that the estimator inverts, and
nothing of the estimator is imported, so that a sign or a column wrong there shows up against this module.

Accelerometer, in sensor axes, in units of free fall g::

    reading = (I + S) f + offset + warm_up exp(-t_on / T) + coefficient (T(t) - T_cal) + noise

with f = (acceleration - gravity) / g; a sensor at rest reads its up vector. Gyro::

    reading = Exp(-misalignment) omega + bias + gyro_warm_up exp(-t_on / T) + noise

The sensor sits in the camera body with v_sensor = Exp(mounting) v_camera, ``mounting`` being how the camera
is turned relative to the sensor. Belief (attitude of the sensor in north-east-down axes) turns with

    omega = gyro + pull + learned,   pull = (f_hat x u_belief) / tau,   learned' = pull / T_integral

which pulls the believed up vector to the measured one with time constant tau (derivation: a vector fixed in
the earth moves in body axes with u' = -omega x u; insert omega). Without an integral nothing is learned; a
filter with a gate does not pull while the accelerometer reads farther from one g than that. The gimbal turns
the whole body so that the belief, read as the camera's attitude, follows the plan.
"""

from dataclasses import dataclass, field
from math import cos, exp, sin, sqrt

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike, NDArray
from scipy.spatial.transform import Rotation

from attitude import LOG_COLUMNS, LOG_OPTIONAL_COLUMNS
from attitude.plans import STEP_HZ, Plan, planned
from horizon.angles import wrap_deg

__all__ = ["Flight", "Rig", "SensorErrors", "fly", "log_time_s", "truth_at"]

Array = NDArray[np.float64]
Vec = tuple[float, float, float]
Quat = tuple[float, float, float, float]

FREE_FALL_MPS2 = 9.80665
ZERO: Vec = (0.0, 0.0, 0.0)
# Camera axes (right, down, forward) of a level camera that looks north, as columns of north-east-down axes.
LEVEL_NORTH = Rotation.from_matrix([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])


@dataclass(frozen=True)
class SensorErrors:
    """What is wrong with the sensor. Triples: right, down, forward in sensor axes turned to the camera's.

    ``scale`` and ``cross_axis`` (3 x 3, its diagonal ignored) are fractions; ``gyro_misalignment_deg``
    is how the gyro's axes are turned relative to the accelerometer's, as a rotation vector.
    """

    offset_mg: Vec = ZERO
    scale: Vec = ZERO
    cross_axis: tuple[Vec, Vec, Vec] = (ZERO, ZERO, ZERO)
    warm_up_mg: Vec = ZERO
    gyro_warm_up_dps: Vec = ZERO
    warm_up_s: float = 300.0
    temperature_coefficient_mg_per_c: Vec = ZERO
    calibrated_at_c: float = 20.0
    accel_noise_mg_rthz: float = 0.15
    gyro_bias_dps: Vec = ZERO
    gyro_misalignment_deg: Vec = ZERO
    gyro_noise_dps_rthz: float = 0.005


@dataclass(frozen=True)
class Rig:
    """Sensor, filter, gimbal and how the camera is bolted on.

    ``mounting_deg``: roll (right side down +), pitch (lens up +), yaw (right +) of the camera relative to
    the sensor. ``powered_on_s``: flight time of power-on, negative when the sensor ran before.
    ``integral_time_s``, ``gate_g``: of the filter, None where it has none. ``leak``: share of an acceleration
    over ground that reaches the filter; 1 for a filter without aid.
    ``hold_deg`` and ``hold_drift_dpm``: how far in roll, pitch the gimbal fails to follow the plan (the log
    shows it), and how that grows per minute. ``jitter_deg``: rms of the attitude's shake about the plan.
    """

    errors: SensorErrors = field(default_factory=SensorErrors)
    mounting_deg: Vec = ZERO
    time_constant_s: float = 5.0
    integral_time_s: float | None = None
    gate_g: float | None = None
    leak: float = 1.0
    bandwidth_hz: float = 3.0
    jitter_deg: float = 0.01
    hold_deg: tuple[float, float] = (0.0, 0.0)
    hold_drift_dpm: tuple[float, float] = (0.0, 0.0)
    powered_on_s: float = -1800.0
    temperature_c: float = 20.0
    temperature_rise_c_per_min: float = 0.0


@dataclass(frozen=True)
class Flight:
    """What was true and what was logged.

    truth : t_s (flight time), roll_deg, pitch_deg, yaw_deg of the camera, shot; one row per step.
    log : LOG_COLUMNS and all LOG_OPTIONAL_COLUMNS, on the log's own clock.
    shots : shot, from_s, to_s of each unbroken run of one shot, flight time.
    """

    truth: pd.DataFrame
    log: pd.DataFrame
    shots: pd.DataFrame
    clock_offset_s: float
    clock_ppm: float


def fly(
    rig: Rig,
    plan: Plan,
    *,
    rng: np.random.Generator,
    log_rate_hz: float = 50.0,
    clock_offset_s: float = 0.0,
    clock_ppm: float = 0.0,
    rounding_deg: float = 0.0,
) -> Flight:
    """Fly the plan, starting settled in the first stage's pose.

    Parameters
    ----------
    log_rate_hz : rows per second of the log, at most 200.
    clock_offset_s, clock_ppm : log time = flight time * (1 + ppm / 1e6) + offset.
    rounding_deg : step to which the logged angles are rounded; 0 leaves them as they are.

    Raises
    ------
    ValueError
        Empty plan, or a log rate or time constant that cannot be simulated.
    """
    if not 0 < log_rate_hz <= STEP_HZ:
        raise ValueError(f"log_rate_hz is {log_rate_hz}; expected more than 0 and at most {STEP_HZ:g}")
    if rig.time_constant_s <= 2 / STEP_HZ:
        raise ValueError(f"time_constant_s is {rig.time_constant_s}; expected more than {2 / STEP_HZ:g}")
    path = planned(plan)
    t_s = path["t_s"].to_numpy()
    for axis, (held, drift) in enumerate(zip(rig.hold_deg, rig.hold_drift_dpm, strict=True)):
        path[("roll_deg", "pitch_deg")[axis]] += held + drift * t_s / 60
    path["temperature_c"] = rig.temperature_c + rig.temperature_rise_c_per_min * t_s / 60
    wanted = _rotation(path)
    accel_g = np.zeros((len(t_s), 3))
    for axis, column in enumerate(("velocity_north_mps", "velocity_east_mps")):
        accel_g[:, axis] = np.gradient(path[column].to_numpy(), 1 / STEP_HZ) / FREE_FALL_MPS2
    offset = _offset(rig, t_s, path["temperature_c"].to_numpy())
    bias = np.deg2rad(rig.errors.gyro_bias_dps + np.outer(_fading(rig, t_s), rig.errors.gyro_warm_up_dps))
    motion = _integrate(rig, wanted, accel_g, offset, bias, rng)

    mounting = Rotation.from_rotvec(np.deg2rad(np.array(rig.mounting_deg)[[1, 2, 0]]))
    truth = _angles(t_s, Rotation.from_quat(motion.truth) * mounting)
    truth["shot"] = path["shot"]

    log = _angles(t_s, Rotation.from_quat(motion.belief))
    if rounding_deg > 0:
        for column in LOG_COLUMNS[1:]:
            log[column] = np.round(log[column] / rounding_deg) * rounding_deg
    log[LOG_OPTIONAL_COLUMNS[0:3]] = np.rad2deg(motion.gyro_rps)
    log[LOG_OPTIONAL_COLUMNS[3:6]] = motion.accel_g
    log[LOG_OPTIONAL_COLUMNS[6:]] = path[LOG_OPTIONAL_COLUMNS[6:]]
    log["t_s"] = t_s * (1 + clock_ppm * 1e-6) + clock_offset_s
    rows = np.round(np.arange(0, len(t_s) - 1 + 1e-9, STEP_HZ / log_rate_hz)).astype(int)

    run = (path["shot"] != path["shot"].shift()).cumsum()
    shots = path.groupby(run).agg(shot=("shot", "first"), from_s=("t_s", "first"), to_s=("t_s", "last"))
    logged, shots = log.iloc[rows].reset_index(drop=True), shots.reset_index(drop=True)
    return Flight(truth, logged, shots, clock_offset_s, clock_ppm)


def log_time_s(flight: Flight, t_s: float) -> float:
    """Log time at flight time ``t_s``: the ``log_start_s`` of a clip that starts there."""
    return t_s * (1 + flight.clock_ppm * 1e-6) + flight.clock_offset_s


def truth_at(flight: Flight, t_s: ArrayLike) -> pd.DataFrame:
    """True t_s, roll_deg, pitch_deg, yaw_deg of the camera at flight times within the flight."""
    times = np.asarray(t_s, float)
    out = {"t_s": times}
    for column in ("roll_deg", "pitch_deg", "yaw_deg"):
        angle_deg = np.unwrap(flight.truth[column].to_numpy(), period=360.0)
        out[column] = np.interp(times, flight.truth["t_s"], angle_deg, left=np.nan, right=np.nan)
    table = pd.DataFrame(out)
    table[["roll_deg", "yaw_deg"]] = wrap_deg(table[["roll_deg", "yaw_deg"]])
    return table


def _rotation(angles: pd.DataFrame) -> Rotation:
    """Camera to north-east-down axes from yaw, then pitch, then roll."""
    turns_deg = angles[["yaw_deg", "pitch_deg", "roll_deg"]].to_numpy()
    return LEVEL_NORTH * Rotation.from_euler("YXZ", turns_deg, degrees=True)


def _angles(t_s: Array, rot_ned_cam: Rotation) -> pd.DataFrame:
    """The inverse of `_rotation`."""
    turns_deg = (LEVEL_NORTH.inv() * rot_ned_cam).as_euler("YXZ", degrees=True)
    table = pd.DataFrame(turns_deg[:, ::-1], columns=LOG_COLUMNS[1:])
    table.insert(0, "t_s", t_s)
    return table


def _fading(rig: Rig, t_s: Array) -> Array:
    """What is left of the warming up at every step, 1 at power-on."""
    return np.asarray(np.exp(-np.maximum(t_s - rig.powered_on_s, 0.0) / rig.errors.warm_up_s))


def _offset(rig: Rig, t_s: Array, temperature_c: Array) -> Array:
    """Accelerometer offset in g at every step, shape (n, 3)."""
    errors = rig.errors
    offset_mg = (
        np.array(errors.offset_mg)
        + np.outer(_fading(rig, t_s), errors.warm_up_mg)
        + np.outer(temperature_c - errors.calibrated_at_c, errors.temperature_coefficient_mg_per_c)
    )
    return np.asarray(offset_mg * 1e-3)


@dataclass(frozen=True)
class _Motion:
    """Quaternions (x, y, z, w) of the sensor, true and believed, and what it read, one row per step."""

    truth: Array
    belief: Array
    accel_g: Array
    gyro_rps: Array


def _integrate(
    rig: Rig, wanted: Rotation, accel_g: Array, offset: Array, bias: Array, rng: np.random.Generator
) -> _Motion:
    """Run gimbal, sensor and filter step by step.

    Plain floats in the loop: each step needs the last one's belief, so it cannot be one array operation,
    and arrays of three are ten times slower than floats.
    """
    errors, dt, n = rig.errors, 1 / STEP_HZ, len(offset)
    per_sample = sqrt(STEP_HZ / 2)  # a density per root hertz spread over the band up to half the step rate
    scale = np.eye(3) + np.diag(errors.scale) + np.array(errors.cross_axis) * (1 - np.eye(3))
    gyro_matrix = Rotation.from_rotvec(-np.deg2rad(errors.gyro_misalignment_deg)).as_matrix()
    offset_noisy = offset + rng.normal(0, errors.accel_noise_mg_rthz * 1e-3 * per_sample, (n, 3))
    bias_noisy = bias + np.deg2rad(rng.normal(0, errors.gyro_noise_dps_rthz * per_sample, (n, 3)))

    servo = 2 * np.pi * rig.bandwidth_hz
    jitter_rps = np.deg2rad(rng.normal(0, rig.jitter_deg * sqrt(2 * servo / dt), (n, 3)))
    turn = (wanted[:-1].inv() * wanted[1:]).as_rotvec() / dt
    forward = np.vstack([turn, turn[-1:]]) + jitter_rps

    pull = (1 - exp(-dt / rig.time_constant_s)) / dt
    learns = dt / rig.integral_time_s if rig.integral_time_s else 0.0
    gate_g = rig.gate_g if rig.gate_g is not None else np.inf
    unheard = 1.0 - rig.leak

    belief, truth, (li, lj, lk) = _settled(rig, wanted[0], scale, offset[0], bias[0])
    (s00, s01, s02), (s10, s11, s12), (s20, s21, s22) = scale.tolist()
    (g00, g01, g02), (g10, g11, g12), (g20, g21, g22) = gyro_matrix.tolist()
    goals = wanted.as_quat().tolist()
    inputs = (forward.tolist(), offset_noisy.tolist(), bias_noisy.tolist(), [*map(tuple, accel_g.tolist())])
    rows: list[tuple[float, ...]] = []
    for goal, ahead, beta, gyro_bias, accel in zip(goals, *inputs, strict=True):
        # Accelerometer, then the belief as it stands: what is logged for this instant.
        ax, ay, az = _to_body(truth, accel) if accel != ZERO else ZERO
        ux, uy, uz = _up(truth)
        fx, fy, fz = ux + ax, uy + ay, uz + az
        mx = s00 * fx + s01 * fy + s02 * fz + beta[0]
        my = s10 * fx + s11 * fy + s12 * fz + beta[1]
        mz = s20 * fx + s21 * fy + s22 * fz + beta[2]
        row = (*truth, *belief, mx, my, mz)

        # Gimbal: the rate that the plan asks for, and the belief's distance from it taken back.
        ex, ey, ez, ew = _multiply((-belief[0], -belief[1], -belief[2], belief[3]), goal)
        gain = 2 * servo if ew >= 0 else -2 * servo
        wx, wy, wz = ahead[0] + gain * ex, ahead[1] + gain * ey, ahead[2] + gain * ez
        truth = _turn(truth, wx * dt, wy * dt, wz * dt)

        # Gyro and filter.
        gx = g00 * wx + g01 * wy + g02 * wz + gyro_bias[0]
        gy = g10 * wx + g11 * wy + g12 * wz + gyro_bias[1]
        gz = g20 * wx + g21 * wy + g22 * wz + gyro_bias[2]
        rows.append((*row, gx, gy, gz))
        mx, my, mz = mx - unheard * ax, my - unheard * ay, mz - unheard * az
        felt = sqrt(mx * mx + my * my + mz * mz)
        size = pull / felt if abs(felt - 1) <= gate_g else 0.0
        bx, by, bz = _up(belief)
        cx, cy, cz = size * (my * bz - mz * by), size * (mz * bx - mx * bz), size * (mx * by - my * bx)
        li, lj, lk = li + learns * cx, lj + learns * cy, lk + learns * cz
        belief = _turn(belief, (gx + cx + li) * dt, (gy + cy + lj) * dt, (gz + cz + lk) * dt)
    return _Motion(*np.split(np.array(rows), (4, 8, 11), axis=1))


def _settled(rig: Rig, wanted: Rotation, scale: Array, offset: Array, bias: Array) -> tuple[Quat, Quat, Vec]:
    """Belief, truth and learned gyro bias of a rig that has stood in the pose ``wanted`` for long.

    At rest the pull cancels the gyro bias b: f_hat - u (u . f_hat) = tau b x u. The true up vector then
    follows from |u_true| = 1 and (I + S) u_true + offset = length * f_hat, a quadratic in the length.
    """
    up = wanted.inv().apply([0.0, 0.0, -1.0])
    level_bias = bias - up * (up @ bias)
    learned = -level_bias if rig.integral_time_s else np.zeros(3)
    lean = rig.time_constant_s * np.cross(level_bias + learned, up)
    reading = up * np.sqrt(1 - lean @ lean) + lean
    inverse = np.linalg.inv(scale)
    a, b = inverse @ reading, inverse @ offset
    length = (a @ b + np.sqrt((a @ b) ** 2 - (a @ a) * (b @ b - 1))) / (a @ a)
    up_true = length * a - b
    # The smallest turn that takes the believed up vector to the true one: the headings stay alike.
    axis = np.cross(up_true, up)
    axis *= np.arctan2(np.linalg.norm(axis), up_true @ up) / max(np.linalg.norm(axis), 1e-300)
    truth = wanted * Rotation.from_rotvec(axis)
    return tuple(wanted.as_quat().tolist()), tuple(truth.as_quat().tolist()), tuple(learned.tolist())


def _multiply(a: Quat, b: Quat) -> Quat:
    """Product of quaternions."""
    ax, ay, az, aw = a
    bx, by, bz, bw = b
    return (
        aw * bx + ax * bw + ay * bz - az * by,
        aw * by - ax * bz + ay * bw + az * bx,
        aw * bz + ax * by - ay * bx + az * bw,
        aw * bw - ax * bx - ay * by - az * bz,
    )


def _turn(q: Quat, x: float, y: float, z: float) -> Quat:
    """Attitude ``q`` turned in body axes by the rotation vector (x, y, z), radians; kept at unit length."""
    angle = sqrt(x * x + y * y + z * z)
    share = sin(angle / 2) / angle if angle > 1e-12 else 0.5
    i, j, k, w = _multiply(q, (share * x, share * y, share * z, cos(angle / 2)))
    size = 1 / sqrt(i * i + j * j + k * k + w * w)
    return (i * size, j * size, k * size, w * size)


def _up(q: Quat) -> Vec:
    """Up vector (minus down) in the body axes of attitude ``q``, body to north-east-down."""
    x, y, z, w = q
    return (-2 * (x * z - w * y), -2 * (y * z + w * x), -(w * w - x * x - y * y + z * z))


def _to_body(q: Quat, v: Vec) -> Vec:
    """A north-east-down vector in body axes."""
    x, y, z, _ = _multiply(_multiply((-q[0], -q[1], -q[2], q[3]), (*v, 0.0)), q)
    return (x, y, z)
