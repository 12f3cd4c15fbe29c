"""How far each face was off level: the six lateral checks, and which face is to blame.

What face +a reads along a lateral axis l, less the offset, is M_la + its tilt; face -a reads -M_la + its
tilt. The sum z of a pair holds the two tilts alone, two sums for each of three pairs: six checks, which only
tilts can fail. Their difference d holds what one axis reads of another besides, so it tells the faces of a
pair apart only as far as cross-axis is small. Equal and opposite tilts within a pair look like cross-axis:
that is the blind spot of six faces, and no arithmetic removes it.

An alarm is a sum that bubble and noise do not explain (chi-square of two sums, all three pairs together at
``FALSE_ALARMS``). Which face then: Bayes' rule over "this face was off" for each of the six and "the bubble
is worse than told", with tilts, cross-axis and a sensor turned on its board as normal unknowns.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.stats import chi2, multivariate_normal

from attitude.capture import FACES, face_axis
from attitude.face_models import CROSS_AXIS_SD, TURNED_SD_DEG, across, laterals_of, sums_rad

__all__ = ["FALSE_ALARMS", "Tilts", "face_tilts"]

Array = NDArray[np.float64]

FALSE_ALARMS = 0.012  # of all three pairs of one capture together
OFF_SD_DEG = 2.0  # of the tilt, per axis, of a face that went wrong
WORSE = 4.0  # times the bubble's sd, where it is worse than told
PRIOR_OFF, PRIOR_WORSE = 0.03, 0.02  # of each face, of the bubble


@dataclass(frozen=True)
class Tilts:
    """Tilts of the faces towards their two lateral axes, in the order of ``FACES`` and of the axes.

    tilt_deg : (6, 2), best guess; tilt_sd_deg : (6, 2). sums_deg : (3, 2), of each pair. alarmed : pairs,
    axis 0 to 2, whose sums bubble and noise do not explain. off : probability of each face, (6,); worse :
    that the bubble is worse than told all over. bubble_deg : sd of a tilt from here on: as told, or what the
    sums show where that is the likelier story.
    """

    tilt_deg: Array
    tilt_sd_deg: Array
    sums_deg: Array
    alarmed: tuple[int, ...]
    off: Array
    worse: float
    bubble_deg: float

    @property
    def scatters(self) -> bool:
        """Whether all faces scatter more than the bubble explains, rather than one being off."""
        return bool(self.alarmed) and self.worse > float(self.off.max())

    @property
    def suspects(self) -> tuple[str, ...]:
        """Faces to hold again, the likeliest first; none without an alarm, or where all scatter."""
        if not self.alarmed or self.scatters:
            return ()
        order = np.argsort(-self.off)
        return tuple(FACES[k] for k in order if self.off[k] >= 0.5 * self.off.max())


def face_tilts(faces_g: Array, offset_g: Array, noise_g: Array, bubble_deg: float) -> Tilts:
    """Check the level of six faces against each other.

    Parameters
    ----------
    faces_g : (6, 3) mean readings in the order of ``FACES``. offset_g : (3,), of the norm method. noise_g :
    (6,) sd of each mean. bubble_deg : sd of a tilt per axis, as told.
    """
    sums_deg = np.degrees(sums_rad(faces_g, offset_g))
    noise_deg = np.degrees(noise_g)
    variance = 2 * bubble_deg**2 + noise_deg[0::2] ** 2 + noise_deg[1::2] ** 2
    limit = float(chi2.isf(FALSE_ALARMS / 3, 2))
    alarmed = tuple(int(k) for k in np.flatnonzero(np.sum(sums_deg**2, axis=1) / variance > limit))
    seen_deg = np.degrees(across(faces_g, offset_g)).ravel()
    told = np.full(12, bubble_deg**2)
    stories = [told, *(told + OFF_SD_DEG**2 * (np.arange(12) // 2 == k) for k in range(6)), WORSE**2 * told]
    noise = np.diag(np.repeat(noise_deg**2, 2))
    # Without an alarm there is nothing to explain: the bubble is as told.
    chances = _chances(seen_deg, stories, noise) if alarmed else np.eye(len(stories))[0]
    worse, off = float(chances[7]), chances[1:7]
    if worse > off.max():
        bubble_deg = max(bubble_deg, float(np.sqrt(np.sum(sums_deg**2) / 12)))
        stories[7] = np.full(12, bubble_deg**2)
    mean, spread = _tilts_of(seen_deg, chances, stories, noise)
    return Tilts(mean.reshape(6, 2), np.sqrt(spread).reshape(6, 2), sums_deg, alarmed, off, worse, bubble_deg)


def _chances(seen_deg: Array, stories: list[Array], noise: Array) -> Array:
    """Probability of each story, (8,): as told, one face off, all worse; ``stories`` variances of tilts."""
    priors = np.array([1 - 6 * PRIOR_OFF - PRIOR_WORSE, *[PRIOR_OFF] * 6, PRIOR_WORSE])
    read = CROSS_READ @ _cross_prior() @ CROSS_READ.T + noise
    logs = np.log(priors) + [multivariate_normal.logpdf(seen_deg, cov=np.diag(v) + read) for v in stories]
    chances = np.exp(logs - logs.max())
    return np.asarray(chances / chances.sum())


def _cross_read() -> Array:
    """Columns of the six elements beside the diagonal (row-wise) in the 12 lateral readings."""
    elements = [(row, column) for row in range(3) for column in range(3) if row != column]
    columns = np.zeros((12, 6))
    for k, face in enumerate(FACES):
        axis, sign = face_axis(face)
        for i, lateral in enumerate(laterals_of(axis)):
            columns[2 * k + i, elements.index((lateral, axis))] = sign
    return columns


CROSS_READ = _cross_read()


def _cross_prior() -> Array:
    """Covariance (6, 6), deg^2, of the same elements: each its own, and a turn of the sensor on its board."""
    turned = np.zeros((6, 6))
    # Elements (0,1) (0,2) (1,0) (1,2) (2,0) (2,1): a turn enters M_ij and M_ji with opposite signs.
    for one, other in ((0, 2), (1, 4), (3, 5)):
        turned[one, one] = turned[other, other] = TURNED_SD_DEG**2
        turned[one, other] = turned[other, one] = -(TURNED_SD_DEG**2)
    return np.asarray(np.degrees(CROSS_AXIS_SD) ** 2 * np.eye(6) + turned)


def _tilts_of(seen_deg: Array, chances: Array, stories: list[Array], noise: Array) -> tuple[Array, Array]:
    """Mean and variance (12,) of the tilts over all stories.

    Of cross-axis nothing is assumed here: what it may be is the maker's word, the tilts are the operator's.
    """
    open_cross = 1e4 * CROSS_READ @ CROSS_READ.T
    mean, square = np.zeros(12), np.zeros(12)
    for chance, variance in zip(chances, stories, strict=True):
        gain = variance[:, None] * np.linalg.inv(np.diag(variance) + open_cross + noise)
        one = gain @ seen_deg
        mean += chance * one
        square += chance * (variance - np.diag(gain) * variance + one**2)
    return mean, np.maximum(square - mean**2, 0.0)
