"""Where the clips lie in the logs, kept from the last check for one in which neither changed.

To lay many clips against a long log takes longer than all that follows. It hangs on what was measured, on the
logs and on the sheet, of which the tolerance says nothing here. Only what the logs say as they are read is
kept: where the footage wants one read otherwise, it is laid again.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

import attitude
import horizon
from attitude.clock import ClockFit
from attitude.kept_columns import content_of
from attitude.kept_tracks import code_digest, key_of, read_kept, write_kept
from attitude.readings import Reading, Settled, settle

if TYPE_CHECKING:
    import pandas as pd

    from attitude.log import AttitudeLog
    from attitude.sheet import Shoot
    from horizon.looks import ClipTrack

__all__ = ["settled"]


def settled(tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot) -> Settled:
    """As of :func:`attitude.readings.settle`, which raises the same, or what it gave before for the same."""
    sheet = replace(shoot, tolerance_deg=0.0, given=shoot.given - {"tolerance_deg"})
    rests_on = [*_of_tracks(tracks), *_of_logs(logs), sheet]
    key = key_of("clocks", code_digest(horizon, attitude), content_of(rests_on))
    before = read_kept(key, lambda held: _as_kept(held["about"]))
    if before is not None:
        return Settled(shoot, tuple(logs), *before)
    found = settle(tracks, logs, shoot)
    if found.shoot is shoot and all(one is given for one, given in zip(found.logs, logs, strict=True)):
        about = {name: [asdict(one) for one in getattr(found, name)] for name in ("clocks", "readings")}
        write_kept(key, about, {})
    return found


def _as_kept(about: dict[str, Any]) -> tuple[tuple[ClockFit, ...], tuple[Reading, ...]]:
    clocks = tuple(ClockFit(**one) for one in about["clocks"])
    return clocks, tuple(Reading(**one) for one in about["readings"])


def _of_tracks(tracks: Sequence[ClipTrack]) -> Iterator[Any]:
    for one in tracks:
        yield [one.clip, one.sky, one.dip_rad, one.reference, one.normals, one.damage]
        # Where a file lies is no part of what it shows.
        yield [one.facts.duration_s, one.facts.fps, one.facts.rotation_deg]
        yield from (_columns(one.track), _columns(one.yaw_rate))


def _of_logs(logs: Sequence[AttitudeLog]) -> Iterator[Any]:
    for one in logs:
        yield [one.name, one.attitude_of, one.rounding_deg, one.powered_on_s, one.has_yaw, one.notes]
        yield _columns(one.table)


def _columns(table: pd.DataFrame) -> dict[str, Any]:
    plain = {name: table[name].to_numpy() for name in table}
    return {str(name): list(part) if part.dtype == object else part for name, part in plain.items()}
