"""Columns of the observation model kept from the last check, for one in which only the sheet changed.

They are what a motion makes of every error at every filter that is tried, the longest part of the inference,
and hang on log, clock and which frames count; of what the footage reads they hold nothing, nor of the
tolerance. They are known by all that they are made of and by the code that makes them.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from datetime import date
from hashlib import blake2b
from pathlib import PurePath
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import csr_array

import attitude
import horizon
from attitude.kept_tracks import code_digest, key_of, read_kept, write_kept

if TYPE_CHECKING:
    from attitude.causes import ObservationModel
    from attitude.stretch import Setting

__all__ = ["content_of", "kept_columns"]

Array = NDArray[np.float64]


def kept_columns(model: ObservationModel, settings: Sequence[Setting]) -> list[Array]:
    """:meth:`attitude.causes.ObservationModel.columns`, or what it gave before for the same."""
    key = key_of("columns", code_digest(horizon, attitude), content_of([*model.rests_on(), *settings]))
    found = read_kept(key, lambda held: list(held["columns"].astype(float)))
    if found is None or len(found) != len(settings):
        found = model.columns(settings)
        write_kept(key, {}, {"columns": np.stack(found)})
    return found


def content_of(value: Any) -> str:
    """Digest of all that stands in a value: numbers, words, arrays, and dataclasses and containers of them.

    The same in every process; of paths and days what they are written as.

    Raises
    ------
    TypeError
        Something in it is of another kind: what it holds would not be known.
    """
    found = blake2b(digest_size=20)
    _add(found, value)
    return found.hexdigest()


def _add(found: blake2b, value: Any) -> None:
    # Of everything its kind and length first, so that no two values read alike.
    if value is None or isinstance(value, str | int | float | complex | np.number):
        text = repr(value).encode("utf-8", "surrogatepass")
        found.update(f"{len(text)}:".encode() + text)
    elif isinstance(value, np.ndarray) and value.dtype != object:
        found.update(f"array {value.dtype.str} {value.shape}:".encode())
        found.update(np.ascontiguousarray(value).data)
    elif isinstance(value, csr_array):
        _add(found, [value.shape, value.data, value.indices, value.indptr])
    elif isinstance(value, Mapping):
        _add(found, [part for pair in value.items() for part in pair])
    elif isinstance(value, frozenset):
        # The same order in every process.
        _add(found, sorted(value, key=repr))
    elif isinstance(value, PurePath | date):
        _add(found, f"{type(value).__name__} {value}")
    elif isinstance(value, tuple | list | np.ndarray):
        found.update(f"{len(value)} of:".encode())
        for part in value:
            _add(found, part)
    elif is_dataclass(value):
        found.update(f"{type(value).__name__}:".encode())
        _add(found, [getattr(value, one.name) for one in fields(value)])
    else:
        raise TypeError(f"{type(value).__name__}: its content is not known")
