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
    gyro rate error w:  like [4] with d = -tau w, filtered                                          [5]
    gyro axes turned:   [4] minus the filtered [4] (the gyro rules fast motion, the level slow)      [6]
    gyro scale s_i:     like [5] with w_i = s_i omega_i                                             [7]
    acceleration:       LP[a] / g = (v - LP[v]) / (tau g), v the ground velocity                    [8]
    skyline normal leaning by (n, e):               c    = -exp(-j psi) (n + j e)    (not filtered) [9]
    unknown start:      c = exp(-j psi) exp(-(t - t_0) / tau) (a + j b)                            [10]

A static accelerometer error seen in a pan at psi' is smeared by 1 / (1 + j psi' tau): [2] for a steady turn.

A filter with an integral learns a rate l in camera axes from its own pull, l' = pull / T, and one with a gate
does not pull while the accelerometer reads far from one g. Neither is a low-pass; their linear equations are
stepped through, for many errors and filters at once:

    E' = p (F - E) - exp(j psi) (w + l) . (e_roll + j e_pitch),  p = 1 / tau, or 0 behind the gate  [11]
    l' = p / T Re[(E - F) exp(-j psi) conj(e_roll + j e_pitch)]                                     [12]

with E the error and F the forcing in earth axes ([12]: the pull u x (e - f) / tau in the tangent frame).
Range: errors below about 2 deg (products of errors are left out; :mod:`attitude.exact` has them).
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray
from scipy.spatial.transform import Rotation

from attitude.stepping import Steps, fading_sums
from horizon.angles import tangent_frame, up_from_angles

# fmt: off
__all__ = [
    "Drive", "FilterKind", "Motion", "acceleration_drive", "coarse_samples", "gyro_bias_drive",
    "gyro_scale_drive", "low_pass", "offset_drive", "pose_of_offset", "refined", "respond",
    "skyline_tilt", "start_response",
]
# fmt: on

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]

FREE_FALL_MPS2 = 9.80665
STEPPED_HZ = 10.0  # half turns take seconds
ALL = slice(None)


@dataclass(frozen=True)
class FilterKind:
    """How a sensor's filter works: time constant, and integral time and gate where it has them."""

    tau_s: float
    integral_s: float | None = None
    gate_g: float | None = None

    @property
    def plain(self) -> bool:
        """A low-pass and nothing else."""
        return self.integral_s is None and self.gate_g is None


@dataclass(frozen=True)
class Motion:
    """Attitude history on an even time grid.

    roll_rad, pitch_rad, yaw_rad : shape (n,). step_s : grid step. run : shape (n,), number of the unbroken
    stretch that a sample belongs to, not decreasing; the filter's state is not carried from one to the next.
    felt_g : shape (n,), size of what the accelerometer read; None where nothing tells.
    """

    step_s: float
    roll_rad: Array
    pitch_rad: Array
    yaw_rad: Array
    run: NDArray[np.intp]
    felt_g: Array | None = None

    @cached_property
    def rates_rps(self) -> Array:
        """Rates about camera right, down, forward, shape (n, 3), centred between neighbours."""
        turns = np.stack([self.yaw_rad, self.pitch_rad, self.roll_rad], axis=-1)
        rot_earth_cam = Rotation.from_euler("YXZ", turns)
        steps = (rot_earth_cam[:-1].inv() * rot_earth_cam[1:]).as_rotvec() / self.step_s
        steps[self.run[1:] != self.run[:-1]] = 0.0
        ends = np.zeros((1, 3))
        return np.asarray((np.vstack([ends, steps]) + np.vstack([steps, ends])) / 2)

    @cached_property
    def turned(self) -> Complex:
        """[4]: e_roll + j e_pitch, shape (n, 3), per unit of the camera's turn relative to the sensor."""
        e_roll, e_pitch = tangent_frame(self.roll_rad, self.pitch_rad)
        return np.asarray(e_roll + 1j * e_pitch)

    @cached_property
    def level(self) -> Complex:
        """[3]: e_pitch - j e_roll, shape (n, 3), per unit of offset along camera right, down, forward."""
        return pose_of_offset(self.roll_rad, self.pitch_rad)

    @cached_property
    def to_earth(self) -> Complex:
        """exp(j psi), shape (n,)."""
        return np.asarray(np.exp(1j * self.yaw_rad))


@dataclass(frozen=True)
class Drive:
    """What an error feeds into the filter, per unit, in camera axes.

    target : shape (n, k), forcing of the level, r_pitch - j r_roll. rate_rps : shape (n, k, 3), error of the
    rates about camera right, down, forward.
    """

    target: Complex | None = None
    rate_rps: Array | None = None


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
        # y_i - keep y_(i-1) = new x_i + old x_(i-1), from y_0 = x_0 on.
        fed = new * x
        fed[1:] += old * x[:-1]
        fed[0] = x[0]
        out[part] = fading_sums(fed, keep)
    return out


def pose_of_offset(roll_rad: Array, pitch_rad: Array) -> Complex:
    """[3] before the filter: shape (n, 3), per unit of offset along camera right, down, forward."""
    e_roll, e_pitch = tangent_frame(roll_rad, pitch_rad)
    return np.asarray(e_pitch - 1j * e_roll)


def offset_drive(motion: Motion) -> Drive:
    """[3], three columns."""
    return Drive(target=motion.level)


def gyro_bias_drive(motion: Motion, tau_s: float, share: Array | None = None) -> Drive:
    """[5], three columns, per unit of -tau * bias, that is, of the turn it looks like.

    share : shape (n,), how much of the bias there is at each time; all of it by default.
    """
    size = np.ones(len(motion.yaw_rad)) if share is None else share
    return Drive(rate_rps=-size[:, np.newaxis, np.newaxis] / tau_s * np.eye(3))


def gyro_scale_drive(motion: Motion) -> Drive:
    """[7], three columns, radians per unit of the scale error of the right, down, forward gyro."""
    return Drive(rate_rps=motion.rates_rps[:, :, np.newaxis] * np.eye(3))


def acceleration_drive(motion: Motion, velocity_mps: Complex) -> Drive:
    """[8], one column, radians, of a filter that feels all of the acceleration.

    velocity_mps : north + j east over ground, on the motion's grid.
    """
    felt = np.gradient(velocity_mps, motion.step_s) / FREE_FALL_MPS2 if len(velocity_mps) > 1 else [0j]
    return Drive(target=(np.asarray(felt) / motion.to_earth)[:, np.newaxis])


def skyline_tilt(yaw_rad: Array) -> Complex:
    """[9]: shape (n, 2), per unit by which the skyline's normal leans north, east."""
    north = -np.exp(-1j * yaw_rad)
    return np.stack([north, 1j * north], axis=-1)


def start_response(motion: Motion, run: int, tau_s: float) -> Complex:
    """[10]: shape (n, 2), per unit of the initial error north, east at the start of one run; 0 elsewhere."""
    within = np.flatnonzero(motion.run == run)
    north = np.zeros(len(motion.run), complex)
    since_s = (within - within[0]) * motion.step_s
    north[within] = np.exp(-1j * motion.yaw_rad[within] - since_s / tau_s)
    return np.stack([north, 1j * north], axis=-1)


def respond(
    motion: Motion, kinds: Sequence[FilterKind], drives: Sequence[Sequence[Drive]], starts: Sequence[int] = ()
) -> list[Complex]:
    """Errors of the output in camera axes, one array (n, columns) per kind of filter, settled at first.

    drives : one set per kind, as rates in units of a turn depend on tau. starts : runs whose state at the
    start is unknown; each adds four columns to those of the drives: per unit of the initial error north and
    east, and of the rate learned until then, as the turn north and east that it looks like.
    """
    found: dict[int, Complex] = {}
    stepped = [k for k, kind in enumerate(kinds) if not kind.plain]
    for k, kind in enumerate(kinds):
        if kind.plain:
            target, tilting = _driven(motion, drives[k])
            forcing = target - kind.tau_s * tilting
            to_earth = motion.to_earth[:, np.newaxis]
            fed = low_pass(to_earth * forcing, motion, kind.tau_s) / to_earth
            begun = [start_response(motion, run, kind.tau_s) for run in starts]
            nothing = np.zeros((len(motion.run), 2), complex)
            found[k] = np.hstack([fed, *(part for one in begun for part in (one, nothing))])
    if stepped:
        own = _stepped(motion, [kinds[k] for k in stepped], [drives[k] for k in stepped], starts)
        found |= dict(zip(stepped, own, strict=True))
    return [found[k] for k in range(len(kinds))]


def _driven(
    motion: Motion, drives: Sequence[Drive], at: NDArray[np.intp] | slice = ALL
) -> tuple[Complex, Complex]:
    """What all columns side by side force and how fast they tilt the believed level, camera axes (n, k)."""
    turned = motion.turned[at][:, :, np.newaxis]
    targets, tiltings = [], []
    for drive in drives:
        if drive.rate_rps is not None:
            rate = drive.rate_rps[at]
            tilting = sum(rate[..., axis] * turned[:, axis] for axis in range(3))
            target = np.zeros_like(tilting) if drive.target is None else drive.target[at]
        else:
            assert drive.target is not None
            target = drive.target[at]
            tilting = np.zeros_like(target)
        targets.append(target)
        tiltings.append(tilting)
    return np.concatenate(targets, axis=1), np.concatenate(tiltings, axis=1)


def _rates_at(drives: Sequence[Drive], sample: int) -> Array:
    """Errors of the rates (k, 3) of all columns side by side at one sample, zero where a drive has none."""
    return np.concatenate(
        [
            np.zeros((0 if drive.target is None else drive.target.shape[1], 3))
            if drive.rate_rps is None
            else drive.rate_rps[sample]
            for drive in drives
        ]
    )


def _stepped(
    motion: Motion,
    kinds: Sequence[FilterKind],
    drives: Sequence[Sequence[Drive]],
    starts: Sequence[int],
) -> list[Complex]:
    """[11] and [12] stepped on a grid of ``STEPPED_HZ``, and brought back to the motion's."""
    n = len(motion.yaw_rad)
    at = coarse_samples(motion, STEPPED_HZ)
    earth, turned, run = motion.to_earth[at], motion.turned[at], motion.run[at]
    tilts = earth[:, np.newaxis] * turned
    driven = [_driven(motion, one, at) for one in drives]
    F, R = (earth[:, np.newaxis, np.newaxis] * np.stack(each, axis=1) for each in zip(*driven, strict=True))
    tau_s = np.array([kind.tau_s for kind in kinds])
    learning = np.array([0.0 if kind.integral_s is None else 1 / kind.integral_s for kind in kinds])
    felt_g = np.ones(n) if motion.felt_g is None else motion.felt_g
    gates_g = np.array([np.inf if kind.gate_g is None else kind.gate_g for kind in kinds])
    # A coarse step stands for the fine samples up to it: the share of them in which the filter pulls.
    open_share = np.add.reduceat((np.abs(felt_g[:, np.newaxis] - 1) <= gates_g).astype(float), at, axis=0)
    pulls = open_share / np.diff(np.append(at, n))[:, np.newaxis] / tau_s
    level = _levels(motion, at)

    fed = F.shape[2]
    none = np.zeros((*F.shape[:2], 4 * len(starts)), complex)
    F, R = np.concatenate([F, none], axis=2), np.concatenate([R, none], axis=2)
    out = np.empty(F.shape, complex)
    begins = np.flatnonzero(np.diff(run, prepend=run[0] - 1) != 0)
    for first, end in zip(begins, np.append(begins[1:], len(at)), strict=True):
        rates = [_rates_at(one, int(at[first])) for one in drives]
        error, learned = np.zeros(F.shape[1:], complex), np.zeros((len(kinds), 3, F.shape[2]))
        error[:, :fed], learned[:, :, :fed] = _settled(
            F[first, :, :fed], R[first, :, :fed], rates, level[first], learning, tau_s
        )
        if run[first] in starts:
            own = fed + 4 * list(starts).index(run[first])
            north_east = np.array([1, 1j])
            error[:, own : own + 2] = north_east
            learns = (learning > 0)[:, np.newaxis, np.newaxis] / tau_s[:, np.newaxis, np.newaxis]
            learned[:, :, own + 2 : own + 4] = (
                -learns * (np.conj(tilts[first])[:, np.newaxis] * north_east).real
            )
        out[first] = error
        if end > first + 1:
            own_s = np.diff(at[first:end]) * motion.step_s
            steps = Steps.between(
                F[first:end], R[first:end], tilts[first:end], pulls[first + 1 : end], learning, own_s
            )
            out[first + 1 : end] = steps.errors(error, learned)
    return [refined(motion, at, out[:, k]) for k in range(len(kinds))]


def coarse_samples(motion: Motion, rate_hz: float) -> NDArray[np.intp]:
    """Samples about 1 / rate_hz apart, the first and the last of each run among them."""
    every = max(1, round(1 / (rate_hz * motion.step_s)))
    starts = np.flatnonzero(np.diff(motion.run, prepend=motion.run[0] - 1) != 0)
    ends = np.append(starts[1:], len(motion.run))
    parts = [np.append(np.arange(a, b - 1, every), b - 1) for a, b in zip(starts, ends, strict=True)]
    return np.unique(np.concatenate(parts))


def _levels(motion: Motion, at: NDArray[np.intp]) -> Array:
    """Projectors on the horizontal plane in camera axes, shape (len(at), 3, 3)."""
    up = up_from_angles(motion.roll_rad[at], motion.pitch_rad[at])
    return np.asarray(np.eye(3) - up[:, :, np.newaxis] * up[:, np.newaxis, :])


def _settled(
    forced: Complex, tilting: Complex, rates: Sequence[Array], level: Array, learning: Array, tau_s: Array
) -> tuple[Complex, Array]:
    """Error (kinds, k) and learned rate (kinds, 3, k) of filters that have stood in one pose for long."""
    learns = (learning > 0)[:, np.newaxis]
    error = np.where(learns, forced, forced - tau_s[:, np.newaxis] * tilting)
    learned = np.where(learns[..., np.newaxis], -np.stack(rates) @ level, 0.0)
    return error, np.swapaxes(learned, 1, 2)


def refined(motion: Motion, at: NDArray[np.intp], earth: Complex) -> Complex:
    """Values (m, k) in earth axes at samples ``at``, straight between them, at every sample, camera axes."""
    samples = np.arange(len(motion.yaw_rad))
    below = np.clip(np.searchsorted(at, samples, side="right") - 1, 0, max(len(at) - 2, 0))
    above = np.minimum(below + 1, len(at) - 1)
    share = np.clip((samples - at[below]) / np.maximum(at[above] - at[below], 1), 0, 1)[:, np.newaxis]
    between = (1 - share) * earth[below] + share * earth[above]
    return np.asarray(between / motion.to_earth[:, np.newaxis])
