"""Filters stepped through: many errors at once, pieces of a run side by side.

A plain filter is a sum that fades. One that learns, or has a gate, is stepped for many kinds at once: a step
of length s takes the error E and the learned rate l (real, three axes), with f and q the means of the forcing
and of the rates' tilting over it and h of exp(j psi) (e_roll + j e_pitch), to

    E' = f + k (E - f) - g (q + h . l),    k = exp(-p s), g = (1 - k) / p
    l' = l + p s / T Re[conj(h) ((E - f) + (E' - f)) / 2]

which is [11] and [12] of :mod:`attitude.filter` with what drives them held for the step. It is linear in the
five real numbers of a state, so that a run can be cut: each piece is stepped from nothing and from a unit of
each number of the state, and from where it really starts, the end of the piece before, the rest follows.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

__all__ = ["Steps", "fading_sums"]

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
N = TypeVar("N", bound=np.generic)
Fed = TypeVar("Fed", np.float64, np.complex128)

STATE = 5  # real and imaginary part of the error, and three rates
STANDS = 1e-9  # p s, below which a filter does not pull


def fading_sums(fed: NDArray[Fed], keep: float) -> NDArray[Fed]:
    """y_i = keep y_(i-1) + fed_i along axis 0, from 0 before the first; fed : shape (n, ...)."""
    length = max(1, round(len(fed) ** 0.5))
    pieces = -(-len(fed) // length)
    found = _side_by_side(fed, pieces, length)
    for i in range(1, length):
        found[:, i] += keep * found[:, i - 1]
    left = np.reshape(keep ** np.arange(1, length + 1), (length, *([1] * (fed.ndim - 1))))
    for piece in range(1, pieces):
        found[piece] += left * found[piece - 1, -1]
    return found.reshape(-1, *fed.shape[1:])[: len(fed)]


def _side_by_side(values: NDArray[N], pieces: int, length: int) -> NDArray[N]:
    """Values (n, ...) as (pieces, length, ...), a copy, filled up with 0."""
    out = np.zeros((pieces * length, *values.shape[1:]), values.dtype)
    out[: len(values)] = values
    return out.reshape(pieces, length, *values.shape[1:])


@dataclass(frozen=True)
class Steps:
    """The steps of one run of samples, one entry per step.

    forced, tilted : f and q, shape (n, kinds, columns). about : h, (n, 3). keep, gain_s, learns : k, g and
    p s / T, (n, kinds, 1).
    """

    forced: Complex
    tilted: Complex
    about: Complex
    keep: Array
    gain_s: Array
    learns: Array

    @classmethod
    def between(
        cls, forcing: Complex, tilting: Complex, about: Complex, pulls: Array, learning: Array, step_s: Array
    ) -> Steps:
        """The steps between samples: forcing and tilting (n + 1, kinds, columns), h as about (n + 1, 3).

        pulls : p of the sample that a step ends at, (n, kinds). learning : 1 / T, 0 without, (kinds,).
        step_s : (n,).
        """
        p, s = pulls[:, :, np.newaxis], step_s[:, np.newaxis, np.newaxis]
        keep = np.exp(-p * s)
        gain_s = np.where(p * s > STANDS, (1 - keep) / np.maximum(p, 1e-12), s)
        forced, tilted, h = ((each[1:] + each[:-1]) / 2 for each in (forcing, tilting, about))
        return cls(forced, tilted, h, keep, gain_s, p * s * learning[:, np.newaxis])

    def errors(self, error: Complex, learned: Array) -> Complex:
        """E after each step, (n, kinds, columns), from a start (kinds, columns) and l (kinds, 3, columns)."""
        n, kinds, columns = self.forced.shape
        length = max(1, round(n**0.5))
        pieces = -(-n // length)
        f, q, h = (_side_by_side(one, pieces, length) for one in (self.forced, self.tilted, self.about))
        k, g, learns = (_side_by_side(one, pieces, length) for one in (self.keep, self.gain_s, self.learns))
        # Columns as they are driven, from nothing, and beside them those of the units, that nothing drives.
        state = np.zeros((pieces, kinds, STATE, columns + STATE))
        state[..., columns:] = np.eye(STATE)
        found = np.empty((pieces, kinds, length, 2, columns))
        of_start = np.empty((pieces, kinds, length, 2, STATE))
        for i in range(length):
            at = h[:, i, np.newaxis]
            state = _turned(at, k[:, i], g[:, i], learns[:, i]) @ state
            driven = (1 - k[:, i]) * f[:, i] - g[:, i] * q[:, i]
            off = driven / 2 - f[:, i]
            state[..., 0, :columns] += driven.real
            state[..., 1, :columns] += driven.imag
            for axis in range(3):
                pull = off.real * at[..., axis : axis + 1].real + off.imag * at[..., axis : axis + 1].imag
                state[..., 2 + axis, :columns] += learns[:, i] * pull
            found[:, :, i], of_start[:, :, i] = state[..., :2, :columns], state[..., :2, columns:]
        start = np.concatenate([error.real[:, np.newaxis], error.imag[:, np.newaxis], learned], axis=1)
        for piece in range(pieces):
            found[piece] += (of_start[piece].reshape(kinds, -1, STATE) @ start).reshape(found[piece].shape)
            start = state[piece, ..., :columns] + state[piece, ..., columns:] @ start
        whole = np.moveaxis(found, 1, 2).reshape(pieces * length, kinds, 2, columns)[:n]
        return np.asarray(whole[:, :, 0] + 1j * whole[:, :, 1])


def _turned(h: Complex, k: Array, g: Array, learns: Array) -> Array:
    """What one step makes of a state that nothing drives: h (m, 1, 3), the rest (m, kinds, 1), square out."""
    m, kinds, _ = k.shape
    out = np.zeros((m, kinds, STATE, STATE))
    both = np.stack([h.real, h.imag], axis=2)  # (m, 1, 2, 3)
    k, g, learns = (one[..., np.newaxis] for one in (k, g, learns))
    out[..., :2, :2] = k * np.eye(2)
    out[..., :2, 2:] = -g * both
    out[..., 2:, :2] = learns * (1 + k) / 2 * np.swapaxes(both, 2, 3)
    out[..., 2:, 2:] = np.eye(3) - learns * g / 2 * (np.swapaxes(both, 2, 3) @ both)
    return out
