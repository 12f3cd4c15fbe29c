"""What the errors of a sensor do to the output of its attitude filter while the camera moves.

A first-order filter turns its believed up vector with the gyro and pulls it to the accelerometer's with
time constant tau. Its error e = u_believed - u, a small vector in the plane square to u, then obeys in
camera axes e' = -omega x e + (forcing - e) / tau. Written in EARTH axes the turning drops out and what is
left is a plain low-pass of the forcing [1]. The tangent plane of u is the horizontal plane, so one complex
number holds e: c = r_pitch - j r_roll = forward + j right, and with the heading psi

    c_out = exp(-j psi) LP_tau[ exp(+j psi) c_in ]                                                  [2]

which is exact at any attitude, portrait and upside down included. The forcings c_in, with e_roll, e_pitch
of :func:`horizon.angles.tangent_frame` (derived from r = u_log - u_horizon):

    accelerometer offset b (reading minus truth):   c_in = (e_pitch - j e_roll) . b                 [3]
    camera turned by d relative to the sensor:      c    = (e_roll + j e_pitch) . d   (not filtered) [4]
    gyro bias w:        like [4] with d = -tau w, filtered                                          [5]
    gyro axes turned:   [4] minus the filtered [4] (the gyro rules fast motion, the level slow)      [6]
    gyro scale s_i:     like [5] with w_i = s_i omega_i                                             [7]
    acceleration:       LP[a] / g = (v - LP[v]) / (tau g), v the ground velocity                    [8]
    skyline normal leaning by (n, e):               c    = -exp(-j psi) (n + j e)    (not filtered) [9]
    unknown start:      c = exp(-j psi) exp(-(t - t_0) / tau) (a + j b)                            [10]

A static accelerometer error seen in a pan at psi' is smeared by 1 / (1 + j psi' tau): [2] for a steady turn.
Range: errors below about 2 deg (products of errors are left out), filters without integral gain.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter
from scipy.spatial.transform import Rotation

from horizon.angles import tangent_frame

# fmt: off
__all__ = [
    "Motion", "acceleration_response", "gyro_bias_response", "gyro_scale_response", "gyro_turned_response",
    "low_pass", "offset_response", "pose_of_offset", "skyline_tilt", "start_response", "turned_camera",
]
# fmt: on

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FREE_FALL_MPS2 = 9.80665


@dataclass(frozen=True)
class Motion:
    """Attitude history on an even time grid.

    roll_rad, pitch_rad, yaw_rad : shape (n,). step_s : grid step. run : shape (n,), number of the unbroken
    stretch that a sample belongs to, not decreasing; the filter's state is not carried from one to the next.
    """

    step_s: float
    roll_rad: Array
    pitch_rad: Array
    yaw_rad: Array
    run: NDArray[np.intp]

    @cached_property
    def rates_rps(self) -> Array:
        """Rates about camera right, down, forward, shape (n, 3), centred between neighbours."""
        turns = np.stack([self.yaw_rad, self.pitch_rad, self.roll_rad], axis=-1)
        rot_earth_cam = Rotation.from_euler("YXZ", turns)
        steps = (rot_earth_cam[:-1].inv() * rot_earth_cam[1:]).as_rotvec() / self.step_s
        steps[self.run[1:] != self.run[:-1]] = 0.0
        ends = np.zeros((1, 3))
        return np.asarray((np.vstack([ends, steps]) + np.vstack([steps, ends])) / 2)


def low_pass(earth: Complex, motion: Motion, tau_s: float) -> Complex:
    """First-order low-pass along axis 0, exact for input that is straight between samples.

    Starts settled at the first sample of each run. earth : shape (n, ...), in earth axes.
    """
    a = motion.step_s / tau_s
    keep = np.exp(-a)
    # Integral of a ramp against the decaying exponential: weights of the old and of the new sample.
    old, new = (1 - keep) / a - keep, 1 - (1 - keep) / a
    out = np.empty_like(earth)
    for run in np.unique(motion.run):
        part = motion.run == run
        x = earth[part]
        state = (x[0] * (1 - new))[np.newaxis]
        out[part] = lfilter([new, old], [1.0, -keep], x, axis=0, zi=state)[0]
    return out


def pose_of_offset(roll_rad: Array, pitch_rad: Array) -> Complex:
    """[3] before the filter: shape (n, 3), per unit of offset along camera right, down, forward."""
    e_roll, e_pitch = tangent_frame(roll_rad, pitch_rad)
    return np.asarray(e_pitch - 1j * e_roll)


def turned_camera(motion: Motion) -> Complex:
    """[4]: shape (n, 3), per unit of the camera's turn about right, down, forward relative to the sensor."""
    e_roll, e_pitch = tangent_frame(motion.roll_rad, motion.pitch_rad)
    return np.asarray(e_roll + 1j * e_pitch)


def offset_response(motion: Motion, tau_s: float) -> Complex:
    """[3] through the filter: shape (n, 3)."""
    return _filtered(pose_of_offset(motion.roll_rad, motion.pitch_rad), motion, tau_s)


def gyro_bias_response(motion: Motion, tau_s: float) -> Complex:
    """[5] through the filter: shape (n, 3), per unit of -tau * bias, that is, of the turn it looks like."""
    return _filtered(turned_camera(motion), motion, tau_s)


def gyro_turned_response(motion: Motion, tau_s: float) -> Complex:
    """[6]: shape (n, 3), per unit of the camera's turn relative to the gyro's axes."""
    turned = turned_camera(motion)
    return turned - _filtered(turned, motion, tau_s)


def gyro_scale_response(motion: Motion, tau_s: float) -> Complex:
    """[7]: shape (n, 3), radians per unit of the scale error of the right, down, forward gyro."""
    return _filtered(-tau_s * motion.rates_rps * turned_camera(motion), motion, tau_s)


def acceleration_response(motion: Motion, velocity_mps: Complex, tau_s: float) -> Complex:
    """[8]: shape (n,), radians, of a filter that feels all of the acceleration.

    velocity_mps : north + j east over ground, on the motion's grid.
    """
    felt = (velocity_mps - low_pass(velocity_mps, motion, tau_s)) / (tau_s * FREE_FALL_MPS2)
    return np.asarray(np.exp(-1j * motion.yaw_rad) * felt)


def skyline_tilt(motion: Motion) -> Complex:
    """[9]: shape (n, 2), per unit by which the skyline's normal leans north, east."""
    north = -np.exp(-1j * motion.yaw_rad)
    return np.stack([north, 1j * north], axis=-1)


def start_response(motion: Motion, run: int, tau_s: float) -> Complex:
    """[10]: shape (n, 2), per unit of the initial error north, east at the start of one run; 0 elsewhere."""
    within = np.flatnonzero(motion.run == run)
    north = np.zeros(len(motion.run), complex)
    since_s = (within - within[0]) * motion.step_s
    north[within] = np.exp(-1j * motion.yaw_rad[within] - since_s / tau_s)
    return np.stack([north, 1j * north], axis=-1)


def _filtered(forcing: Complex, motion: Motion, tau_s: float) -> Complex:
    """[2] for forcings of shape (n, k) in the camera's tangent plane."""
    to_earth = np.exp(1j * motion.yaw_rad)[:, np.newaxis]
    return np.asarray(low_pass(to_earth * forcing, motion, tau_s) / to_earth)
