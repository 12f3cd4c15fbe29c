"""One rig over its shoots: better or worse than before the last calibration, drifting, and how well known.

A run of shoots ends where something was changed on purpose: a new calibration label, another trim, anything
that a sheet lists as changed. Within the last run the charts look for what nobody changed on purpose
(:mod:`attitude.charts`, :mod:`attitude.changepoint`); the last calibration is compared with the one before
(:mod:`attitude.before_after`). Shoots without a lean are on record and in the table, and nowhere else.
"""

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from attitude.before_after import Comparison, compare, comparison_words
from attitude.changepoint import LEAST_SHOOTS, ChangePoint, change_words, find_change
from attitude.charts import (
    BASELINE,
    LEAST_SINGLE,
    Drift,
    SingleShoots,
    Smoothed,
    departures,
    drift_since,
    drift_words,
    single_shoots,
    smoothed,
)
from attitude.recorded import Recorded, moment
from attitude.repeatability import Repeatability, carried, in_order, label, learn, repeat_words

__all__ = ["RigHistory", "between", "history_sentences", "of_rig", "rig_history", "shoot_names"]


@dataclass(frozen=True)
class RigHistory:
    """One rig's shoots and what they say together.

    shoots : in the order filmed. charted : those with a lean, to which all rows below refer. starts : rows of
    the first shoots after something was changed on purpose. calibrations : rows of the first shoots after a
    new calibration, the first of all left out. smoothed : None without a lean. drift, change, single : of the
    last run, None where there is none or where it is too short. comparison : the run after the last
    calibration against the run before it, None where there is only one calibration.
    """

    rig: str
    shoots: tuple[Recorded, ...]
    charted: tuple[Recorded, ...]
    starts: tuple[int, ...]
    calibrations: tuple[int, ...]
    repeatability: Repeatability
    smoothed: Smoothed | None = None
    drift: Drift | None = None
    change: ChangePoint | None = None
    single: SingleShoots | None = None
    comparison: Comparison | None = None


def of_rig(shoots: Sequence[Recorded], rig: str) -> tuple[Recorded, ...]:
    """The shoots of one rig, in the order filmed."""
    return tuple(shoot for shoot in in_order(shoots) if label(shoot.rig) == label(rig))


def rig_history(shoots: Sequence[Recorded], rig: str) -> RigHistory:
    """History of one rig. shoots : of any rigs, in any order."""
    own = of_rig(shoots, rig)
    labelled = carried(own)
    charted = tuple(shoot for shoot in labelled if shoot.lean is not None)
    starts = tuple(row for row, (a, b) in enumerate(pairwise(charted), 1) if _changed(a, b))
    calibrations = tuple(row for row in starts if _calibrated(charted[row - 1], charted[row]))
    learned = learn(shoots, rig)
    if not charted:
        return RigHistory(rig, own, charted, starts, calibrations, learned)
    lean_deg = np.array([shoot.lean.value for shoot in charted if shoot.lean])
    own_sd_deg = np.array([shoot.lean.sd for shoot in charted if shoot.lean])
    sd_deg = np.hypot(own_sd_deg, learned.sd_deg)
    chart = smoothed(lean_deg, sd_deg, starts)
    begin = (0, *starts)[-1]
    run_deg, run_sd_deg = lean_deg[begin:], sd_deg[begin:]
    comparison = _compared(labelled, learned)
    return RigHistory(
        rig,
        own,
        charted,
        starts,
        calibrations,
        learned,
        chart,
        drift_since(chart, departures(lean_deg, sd_deg, chart.target_deg, starts), starts),
        find_change(run_deg, run_sd_deg) if len(run_deg) >= LEAST_SHOOTS else None,
        single_shoots(run_deg) if len(run_deg) >= LEAST_SINGLE else None,
        comparison,
    )


def _compared(own: Sequence[Recorded], learned: Repeatability) -> Comparison | None:
    """The shoots just before the last calibration with those just after it, up to the next change."""
    runs: list[list[Recorded]] = []
    made = 0
    # With the shoots of unknown lean: they too may say that something was changed.
    for before, shoot in zip((None, *own), own, strict=False):
        if before is None or _changed(before, shoot):
            made = len(runs) if before is not None and _calibrated(before, shoot) else made
            runs.append([])
        runs[-1].append(shoot)
    return compare(runs[made - 1], runs[made], learned) if made else None


def between(own: Sequence[Recorded], before: Sequence[Recorded], after: Sequence[Recorded]) -> list[Recorded]:
    """A rig's shoots from the first of one side to the last of the other that stand on neither."""
    named = {shoot.key for shoot in (*before, *after)}
    first, last = moment(in_order(before)[0].filmed), moment(in_order(after)[-1].filmed)
    return [shoot for shoot in own if shoot.key not in named and first < moment(shoot.filmed) <= last]


def _changed(before: Recorded, after: Recorded) -> bool:
    return bool(after.changed) or before.trim_deg != after.trim_deg or _calibrated(before, after)


def _calibrated(before: Recorded, after: Recorded) -> bool:
    return label(before.calibration) != label(after.calibration)


def _moves(history: RigHistory) -> bool:
    """Whether the last run drifts, or holds a change that nobody marked."""
    return history.drift is not None or (history.change is not None and history.change.found)


def shoot_names(shoots: Sequence[Recorded]) -> list[str]:
    """Each shoot by its day, and by its title as well where a day has several."""
    days = [shoot.filmed[:10] for shoot in shoots]
    count = Counter(days)
    named = zip(days, shoots, strict=True)
    return [day if count[day] == 1 else f"{day} ({shoot.title})" for day, shoot in named]


def history_sentences(history: RigHistory) -> list[str]:
    """What the history says, for people, the most telling first."""
    said = [] if history.comparison is None else list(comparison_words(history.comparison))
    begin = (0, *history.starts)[-1]
    length = len(history.charted) - begin
    names = shoot_names(history.charted)
    if length > BASELINE:
        said.append(drift_words(history.drift, names))
    if history.change is not None and (history.change.found or history.drift is None):
        said.append(change_words(history.change, names[begin:]))
    # Where the mean itself moves, shoots far off it are no single ones.
    if history.single is not None and not _moves(history):
        out = [names[begin + int(row)] for row in np.flatnonzero(history.single.out)]
        said.append(
            f"Single shoots beyond what the rig scatters: {', '.join(out)}"
            if out
            else "No single shoot stands out of what the rig scatters"
        )
    # A comparison that rests on the usual value says so already.
    usual = repeat_words(history.repeatability)
    if history.charted and not any(usual in one for one in said):
        said.append(usual)
    return said
