"""Calibration constants: what a gimbal takes off the raw reading of its accelerometer.

A sensor at rest reads f = M u + b, u the direction up along its axes, M close to 1 (scales on the diagonal,
cross-axis beside it), b the offset; the calibrated reading is inverse(M) (f - b). Constants are what the
gimbal believes M and b to be.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

__all__ = ["Constants", "constants_of", "diagonal"]

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Constants:
    """offset_g : reading minus truth along the board's x, y, z. matrix : M, three rows of three.

    The diagonal of the matrix is the scale, reading per g: 1.01 reads one hundredth high.
    """

    offset_g: tuple[float, float, float]
    matrix: tuple[tuple[float, float, float], ...] = ((1.0, 0.0, 0.0), (0.0, 1.0, 0.0), (0.0, 0.0, 1.0))

    def applied(self, readings_g: Array) -> Array:
        """Calibrated readings (..., 3) of raw ones."""
        return np.asarray((readings_g - self.offset_g) @ np.linalg.inv(np.array(self.matrix)).T)

    def plain(self) -> dict[str, Any]:
        """As JSON holds it."""
        return {
            "offset_mg": [1000 * one for one in self.offset_g],
            "matrix": [list(row) for row in self.matrix],
        }


def constants_of(offset_g: ArrayLike, matrix: ArrayLike) -> Constants:
    """Constants of arrays (3,) and (3, 3)."""
    x, y, z = (float(one) for one in np.asarray(offset_g, dtype=np.float64))
    rows = tuple(
        (float(row[0]), float(row[1]), float(row[2])) for row in np.asarray(matrix, dtype=np.float64)
    )
    return Constants((x, y, z), rows)


def diagonal(offset_g: Array, scale: Array) -> Constants:
    """Constants of offset and scale alone, arrays (3,)."""
    return constants_of(offset_g, np.diag(scale))
