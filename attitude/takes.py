"""Takes: where the files that a camera cut one into begin, and which of its time counts."""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from attitude.sheet import ClipSheet

__all__ = ["counted", "of_file", "part_starts_s"]


def part_starts_s(sheet: ClipSheet, lasts_s: Mapping[str, float]) -> dict[str, float]:
    """Where each file of a take begins in it, s as played, up to the first whose length is not known.

    lasts_s : length of the files as played, by name.
    """
    starts_s, at_s = {}, 0.0
    for file in sheet.files:
        starts_s[file.name] = at_s
        if file.name not in lasts_s:
            break
        at_s += lasts_s[file.name]
    return starts_s


def of_file(sheet: ClipSheet, name: str) -> ClipSheet:
    """A take's entry as it holds for one of its files: ``exclude_s`` in the time of that file."""
    if not (sheet.starts_s and sheet.exclude_s):
        return sheet
    start_s = sheet.starts_s[[file.name for file in sheet.files].index(name)]
    own = ((max(from_s - start_s, 0.0), to_s - start_s) for from_s, to_s in sheet.exclude_s)
    return replace(sheet, exclude_s=tuple(pair for pair in own if pair[1] > 0))


def counted(sheet: ClipSheet, t_s: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which times of a clip count, (n,): not those excluded. ``t_s`` as filmed, the sheet's as played."""
    kept = np.ones(len(t_s), bool)
    for from_s, to_s in sheet.exclude_s:
        kept &= (t_s < from_s * sheet.time_scale) | (t_s > to_s * sheet.time_scale)
    return kept
