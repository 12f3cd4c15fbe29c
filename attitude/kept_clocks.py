"""Where the clips lie in the logs, kept from the last check for one in which neither changed.

To lay many clips against a long log takes longer than all that follows. It hangs on what was measured, on the
logs and on the sheet, of which the tolerance says nothing here, and the surroundings through the footage's
angles alone. Where the sheet tells every start, the motion is only asked whether it speaks against them: it
is not asked again where no angle of a clip, but for what all share, as another height moves the pitch of a
whole clip, differs by more than ``ALIKE`` of its uncertainty, and of most looks neither does that. A start
that the motion tells is sought again, so that no result hangs on what happens to be kept. Only what the logs
say as they are read is kept: where the footage wants one read otherwise, it is laid again.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import asdict, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

import attitude
import horizon
from attitude.clock import LEAST_PAN_SD_DPS, LEAST_SD_DEG, MOTION, ClockFit
from attitude.kept_columns import content_of
from attitude.kept_tracks import code_digest, key_of, read_kept, write_kept
from attitude.readings import Reading, Settled, settle, with_readings
from attitude.sheet import Surface
from horizon.angles import wrap_deg

if TYPE_CHECKING:
    import pandas as pd

    from attitude.log import AttitudeLog
    from attitude.sheet import Shoot
    from horizon.looks import ClipTrack

__all__ = ["settled"]

Array = NDArray[np.float64]

# A told start is spoken against by half a second: whether it is hangs on no such differences.
ALIKE, MOST_LOOKS = 0.2, 0.9
ANGLES = ("roll_deg", "pitch_deg", "roll_sd_deg", "pitch_sd_deg")
PANS = ("yaw_rate_dps", "yaw_rate_sd_dps")
LEAST_SD = {ANGLES: LEAST_SD_DEG, PANS: LEAST_PAN_SD_DPS}


def settled(tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot) -> Settled:
    """As of :func:`attitude.readings.settle`, which raises the same, or what it gave before for the same."""
    told = frozenset(key for key in shoot.given if not key.startswith(("tolerance_deg", "horizon.")))
    sheet = replace(shoot, tolerance_deg=0.0, horizon=Surface(), given=told)
    rests_on = [*_of_tracks(tracks), *_of_logs(logs), sheet]
    key = key_of("clocks", code_digest(horizon, attitude), content_of(rests_on))
    seen = _seen(tracks)
    before = read_kept(key, lambda held: _as_before(held, seen))
    if before is not None:
        clocks, readings = before
        if readings is not None:
            return Settled(shoot, tuple(logs), clocks, readings)
        here = with_readings(tracks, Settled(shoot, tuple(logs), clocks))
        if not any(one.against for one in here.readings):
            return here
    found = settle(tracks, logs, shoot)
    if found.shoot is shoot and all(one is given for one, given in zip(found.logs, logs, strict=True)):
        about = {name: [asdict(one) for one in getattr(found, name)] for name in ("clocks", "readings")}
        write_kept(key, about, seen)
    return found


def _as_before(
    held: Mapping[str, Any], seen: Mapping[str, Array]
) -> tuple[tuple[ClockFit, ...], tuple[Reading, ...] | None] | None:
    """Clocks that hold for what is seen now, and readings where nothing changed; None where clocks do not."""
    clocks = tuple(ClockFit(**one) for one in held["about"]["clocks"])
    if all(np.array_equal(held[name], now, equal_nan=True) for name, now in seen.items()):
        return clocks, tuple(Reading(**one) for one in held["about"]["readings"])
    told = all(one.how != MOTION and not one.note for one in clocks)
    return (clocks, None) if told and _alike(held, seen) else None


def _seen(tracks: Sequence[ClipTrack]) -> dict[str, Array]:
    """Angles and pan rates of each clip with their uncertainties, a column each."""
    seen = {"dips": np.array([one.dip_rad for one in tracks])}
    for k, one in enumerate(tracks):
        seen[f"{k} {ANGLES[0]}"] = one.track[list(ANGLES)].to_numpy(float)
        seen[f"{k} {PANS[0]}"] = one.yaw_rate[list(PANS)].to_numpy(float)
    return seen


def _alike(held: Mapping[str, Any], seen: Mapping[str, Array]) -> bool:
    """Whether what is seen now speaks for and against the same starts as what was seen then."""
    for k, columns in product(range(len(seen["dips"])), (ANGLES, PANS)):
        now, before = (one[f"{k} {columns[0]}"] for one in (seen, held))
        whole = np.isfinite(now).all(axis=1)
        if before.shape != now.shape or not np.array_equal(before[~whole], now[~whole], equal_nan=True):
            return False
        if not whole.any():
            continue
        (was, was_sd), (value, sd) = (np.split(one[whole], 2, axis=1) for one in (before, now))
        was_sd, sd = np.fmax(was_sd, LEAST_SD[columns]), np.fmax(sd, LEAST_SD[columns])
        moved = value - was
        if columns is ANGLES:
            moved = wrap_deg(moved)
            # Another height moves all of a clip, which no clock is found by.
            moved -= np.median(moved, axis=0)
        alike = np.abs(sd - was_sd) <= ALIKE * sd
        if (np.abs(moved) > ALIKE * sd).any() or np.any(alike.mean(axis=0) < MOST_LOOKS):
            return False
    return True


def _of_tracks(tracks: Sequence[ClipTrack]) -> Iterator[Any]:
    for one in tracks:
        yield [one.clip, one.sky, one.reference, one.normals, one.tells_pitch, one.damage]
        # Where a file lies is no part of what it shows.
        yield [one.facts.duration_s, one.facts.fps, one.facts.rotation_deg]
        yield from (_columns(one.track[["t_s", "reason"]]), _columns(one.yaw_rate[["t_s"]]))


def _of_logs(logs: Sequence[AttitudeLog]) -> Iterator[Any]:
    for one in logs:
        yield [one.name, one.attitude_of, one.rounding_deg, one.powered_on_s, one.has_yaw, one.notes]
        yield _columns(one.table)


def _columns(table: pd.DataFrame) -> dict[str, Any]:
    plain = {name: table[name].to_numpy() for name in table}
    return {str(name): list(part) if part.dtype == object else part for name, part in plain.items()}
