"""What a checked shoot leaves in the history: the record made from everything that was found.

A shoot is known by its footage: a sheet that was changed, moved or renamed is still that of the same shoot,
and a second check of it takes the place of the first.
"""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from hashlib import blake2b
from pathlib import Path
from typing import Any

import pandas as pd

from attitude.findings import Estimate
from attitude.recorded import Recorded
from attitude.report.material import Material
from attitude.sheet import CLOCK_SET_YEAR

__all__ = ["content_digest", "footage_key", "recorded_of"]

SAMPLE_BYTES, SAMPLES = 1 << 20, 3
NAME_BYTES = 16


def footage_key(files: Iterable[Path]) -> str:
    """Digest of the files' contents, whatever their names, folders and order.

    Of each what :func:`content_digest` takes: footage is too much to be read once more, and no two clips
    agree there. May raise OSError.
    """
    each = sorted(content_digest(path) for path in files)
    return blake2b(b"".join(each), digest_size=NAME_BYTES).hexdigest()


def content_digest(path: Path) -> bytes:
    """Digest of one file: its size and a megabyte at its start, middle and end. May raise OSError."""
    size = path.stat().st_size
    found = blake2b(str(size).encode(), digest_size=NAME_BYTES)
    with path.open("rb") as file:
        for k in range(SAMPLES):
            file.seek(max(0, size - SAMPLE_BYTES) * k // (SAMPLES - 1))
            found.update(file.read(SAMPLE_BYTES))
    return found.digest()


def recorded_of(material: Material, key: str, now: dt.datetime, filmed: str = "") -> Recorded:
    """The record of one check.

    key : of its footage. now : aware of its zone. filmed : as an earlier check of the same footage took it;
    where nothing tells when it was filmed that stays, else it is the day of this check.
    """
    shoot, causes = material.shoot, material.causes
    blocks = None if material.covariates is None else material.covariates.blocks
    return Recorded(
        key=key,
        rig=shoot.rig,
        title=shoot.title,
        filmed=_filmed(material, filmed or now.date().isoformat()),
        recorded=now.astimezone(dt.UTC).isoformat(timespec="seconds"),
        calibration=shoot.calibration,
        method=shoot.method,
        changed=shoot.changed,
        trim_deg=shoot.trim_deg,
        tolerance_deg=material.verdict.tolerance_deg,
        action=material.verdict.action,
        lean=causes.lean,
        picture_lean=causes.picture_lean,
        offset_mg=_determined(causes.offset_mg, "sideways"),
        mounting_deg=_determined(causes.mounting_deg, "roll"),
        temperature_c=_middle(blocks, "temperature_c"),
        since_power_on_s=_middle(blocks, "since_power_on_s"),
        result=material.result,
        blocks={} if blocks is None else {str(name): _plain(blocks[name]) for name in blocks},
    )


def _filmed(material: Material, otherwise: str) -> str:
    """The sheet's day, with the time that the first clip carries where that is of the same day."""
    day = material.shoot.date
    made = [track.facts.created for track in material.tracks]
    starts = sorted(one.isoformat(timespec="seconds") for one in made if one and one.year >= CLOCK_SET_YEAR)
    if day is None:
        return otherwise
    return next((start for start in starts if start.startswith(day.isoformat())), day.isoformat())


def _determined(found: Mapping[str, Estimate], name: str) -> Estimate | None:
    one = found.get(name)
    return one if one is not None and one.determined else None


def _middle(blocks: pd.DataFrame | None, name: str) -> float | None:
    known = None if blocks is None else blocks[name].dropna()
    return None if known is None or known.empty else float(known.median())


def _plain(column: pd.Series[Any]) -> tuple[float | str | None, ...]:
    """Values as a database keeps them."""
    values = column.tolist()
    return tuple(
        str(value) if isinstance(value, str) else float(value) if math.isfinite(value) else None
        for value in values
    )
