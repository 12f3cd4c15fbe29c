"""Constants from six faces, each way in which a calibration works them out, with what each way can know.

With the board's axes x, y, z, face k up along u_k and reading f_k = M u_k + b (M close to 1):

pairs        b_i = (f_i+ + f_i-)/2, s_i = (f_i+ - f_i-)/2. A tilt a enters by 1 - cos a: second order.
norm         |S^-1 (f_k - b)| = 1, six equations for three offsets and three scales. Tilt drops out but for
             cross-axis times tilt, since a sensor at rest reads 1 g whichever way it is held.
level face   as norm, and then what one face reads across is taken for offset: that face's tilt stays, whole.
matrix       f_k = M n_k + b with n_k the faces themselves, least squares: 18 equations, 12 unknowns, solvable
             only by taking the faces for true. A tilt enters at first order: sd(b) = sd(tilt)/3.
nine         |T (f_k - b)| = 1 with T symmetric: three non-orthogonalities as well. Six faces cannot tell
             them, they need nine poses or more, such as edges.

All derived from the first equation; the pair formula is the definition of sensitivity and offset that makers
of accelerometers give, sensitivity = (up - down)/2.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import least_squares

from attitude.capture import FACES, face_axis
from attitude.constants import Constants, constants_of, diagonal

__all__ = [
    "CROSS_AXIS_SD",
    "MOST_CONDITION",
    "NINE_POSES",
    "TURNED_SD_DEG",
    "Model",
    "across",
    "by_level_face",
    "by_matrix",
    "by_nine",
    "by_norm",
    "by_pairs",
    "laterals_of",
    "sums_rad",
]

Array = NDArray[np.float64]

# What one axis reads of another: makers state 1 to 2 % at most, taken as evenly spread within 1 %.
CROSS_AXIS_SD = 0.006
TURNED_SD_DEG = 0.5  # of the sensor turned on its board by soldering: common practice
NINE_POSES = 9
MOST_CONDITION = 30.0  # of the nine columns; six faces and twelve edges have 2.5
SIGNS = np.array([face_axis(face)[1] for face in FACES])
AXES = np.array([face_axis(face)[0] for face in FACES])


@dataclass(frozen=True)
class Model:
    """Constants one way, with standard uncertainties.

    offset_sd_g, scale_sd : shape (3,). cross_sd : of every element beside the diagonal, 0 where the way sets
    them to 0.
    """

    name: str
    constants: Constants
    offset_sd_g: Array
    scale_sd: Array
    cross_sd: float = 0.0


def laterals_of(axis: int) -> tuple[int, int]:
    """The two other axes."""
    return ((1, 2), (0, 2), (0, 1))[axis]


def by_pairs(faces_g: Array, noise_g: Array, bubble_rad: float) -> Model:
    """Offset and scale by pairs of opposite faces.

    faces_g : (6, 3) in the order of ``FACES``. noise_g : (6,) sd of each mean. bubble_rad : sd of a tilt.
    """
    offset, scale = np.empty(3), np.empty(3)
    for axis in range(3):
        up, down = faces_g[2 * axis, axis], faces_g[2 * axis + 1, axis]
        offset[axis], scale[axis] = (up + down) / 2, (up - down) / 2
    noise = np.hypot(noise_g[0::2], noise_g[1::2]) / 2
    # db = -(a+^2 - a-^2)/4 and ds = -(a+^2 + a-^2)/4 with a^2 of two tilts: sd sqrt(8)/4 and mean bubble^2.
    # What an axis reads of the others, times the tilt, comes on top.
    crossed = CROSS_AXIS_SD * bubble_rad
    offset_sd = np.sqrt(noise**2 + 0.5 * bubble_rad**4 + crossed**2)
    scale_sd = np.sqrt(noise**2 + 1.5 * bubble_rad**4 + crossed**2)
    return Model("pairs", diagonal(offset, scale), offset_sd, scale_sd)


def by_norm(faces_g: Array, noise_g: Array) -> Model:
    """Offset and scale from |S^-1 (f - b)| = 1, by Newton from the pair formula.

    What it cannot know is cross-axis times tilt: with e = M_al + M_la the offset is off by e z / 2, z the sum
    of the pair's tilts, which the readings show. Arguments as for :func:`by_pairs`.
    """
    start = by_pairs(faces_g, noise_g, 0.0).constants
    offset, scale = np.array(start.offset_g), np.diag(np.array(start.matrix)).copy()
    jacobian = np.empty((6, 6))
    for _ in range(20):
        apart = faces_g - offset
        unit = apart / scale
        jacobian[:, :3] = -2 * unit / scale
        jacobian[:, 3:] = -2 * unit**2 / scale
        step = np.linalg.solve(jacobian, 1 - np.sum(unit**2, axis=1))
        offset, scale = offset + step[:3], scale + step[3:]
        if np.abs(step).max() < 1e-14:
            break
    # d|.|^2 of one reading is 2 u df: along the face alone that is the noise of its mean.
    inverse = np.linalg.inv(jacobian)
    noise_sd = np.sqrt(np.sum((inverse * (2 * noise_g / scale[AXES])) ** 2, axis=1))
    seen = across(faces_g, offset)
    differences = np.linalg.norm(seen[0::2] - seen[1::2], axis=1)
    both = np.sqrt(2) * CROSS_AXIS_SD / 2
    offset_sd = np.hypot(noise_sd[:3], both * np.linalg.norm(seen[0::2] + seen[1::2], axis=1))
    return Model("norm", diagonal(offset, scale), offset_sd, np.hypot(noise_sd[3:], both * differences))


def across(faces_g: Array, offset_g: Array) -> Array:
    """What each face reads along its two lateral axes less the offset, (6, 2) g."""
    apart = faces_g - offset_g
    return np.array([apart[k, list(laterals_of(int(AXES[k])))] for k in range(6)])


def sums_rad(faces_g: Array, offset_g: Array) -> Array:
    """Sum of the tilts of the two faces of each pair, towards its two lateral axes, (3, 2) rad.

    f_l(+a) + f_l(-a) - 2 b_l: cross-axis cancels, the tilts stay.
    """
    both = across(faces_g, offset_g)
    return np.asarray(both[0::2] + both[1::2])


def by_level_face(faces_g: Array, noise_g: Array, bubble_rad: float, face: str) -> Model:
    """As :func:`by_norm`, but what ``face`` reads across its axis is taken for offset."""
    norm = by_norm(faces_g, noise_g)
    axis, row = face_axis(face)[0], FACES.index(face)
    offset, sd = np.array(norm.constants.offset_g), norm.offset_sd_g.copy()
    # What else it reads there: the board's tilt, cross-axis, a sensor turned on its board.
    others = np.sqrt(bubble_rad**2 + CROSS_AXIS_SD**2 + np.radians(TURNED_SD_DEG) ** 2)
    for lateral in laterals_of(axis):
        offset[lateral] = faces_g[row, lateral]
        sd[lateral] = np.hypot(noise_g[row], others)
    scale = np.diag(np.array(norm.constants.matrix))
    return Model("level_face", diagonal(offset, scale), sd, norm.scale_sd)


def by_matrix(faces_g: Array, noise_g: Array, bubble_rad: float) -> Model:
    """Offset, scale and cross-axis, the faces taken for true: least squares, 18 equations, 12 unknowns."""
    design = np.zeros((6, 4))
    design[np.arange(6), AXES] = SIGNS
    design[:, 3] = 1.0
    solution = np.linalg.lstsq(design, faces_g, rcond=None)[0]
    # Each is a mean of readings: the offset of all six, an element of the matrix of two with signs.
    noise = float(np.sqrt(np.mean(noise_g**2)))
    offset_sd = np.full(3, np.hypot(noise / np.sqrt(6), 2 * bubble_rad / 6))
    scale_sd = np.full(3, np.hypot(noise / np.sqrt(2), np.sqrt(1.5) * bubble_rad**2))
    cross_sd = float(np.hypot(noise, bubble_rad) / np.sqrt(2))
    return Model("matrix", constants_of(solution[3], solution[:3].T), offset_sd, scale_sd, cross_sd)


def by_nine(poses_g: Array, noise_g: Array) -> Model | None:
    """Offset, scale and non-orthogonality from nine poses or more, of which only the 1 g is used.

    poses_g : (n, 3), any poses. noise_g : (n,). None where the poses are too few or too alike to tell nine
    unknowns. A turn of the sensor on its board does not show.
    """
    if len(poses_g) < NINE_POSES:
        return None
    start = np.array([*((poses_g.max(axis=0) + poses_g.min(axis=0)) / 2), 1, 1, 1, 0, 0, 0], float)

    def residuals(parameters: Array) -> Array:
        unit = (poses_g - parameters[:3]) @ _symmetric(parameters[3:])
        return np.asarray((np.linalg.norm(unit, axis=1) - 1) / noise_g)

    found = least_squares(residuals, start, method="lm", xtol=1e-14, ftol=1e-14)
    columns = np.asarray(found.jac, dtype=np.float64)
    jacobian = columns * noise_g[:, None]
    lengths = np.linalg.norm(jacobian, axis=0)
    if not found.success or lengths.min() == 0 or np.linalg.cond(jacobian / lengths) > MOST_CONDITION:
        return None
    covariance = np.linalg.inv(columns.T @ columns)
    spare = len(poses_g) - 9
    # What the poses disagree by beyond their noise: motion, or a sensor that is not linear.
    excess = max(1.0, float(2 * found.cost / spare)) if spare else 1.0
    sd = np.sqrt(excess * np.diag(covariance))
    matrix = np.linalg.inv(_symmetric(found.x[3:]))
    constants = constants_of(found.x[:3], matrix)
    return Model("nine", constants, sd[:3], sd[3:6], float(np.sqrt(np.mean(sd[6:] ** 2))))


def _symmetric(six: Array) -> Array:
    xx, yy, zz, xy, xz, yz = six
    return np.array([[xx, xy, xz], [xy, yy, yz], [xz, yz, zz]])
