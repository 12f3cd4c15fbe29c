"""Invented shoots as the history keeps them."""

import datetime as dt

from attitude.findings import Estimate
from attitude.recorded import Recorded

__all__ = ["recorded", "series"]


def recorded(number=1, lean_deg=0.3, *, sd_deg=0.03, **changes):
    """Shoot ``number`` of an invented rig, a week after the one before; ``lean_deg`` None: not known."""
    day = (dt.date(2031, 1, 1) + dt.timedelta(weeks=number)).isoformat()
    told = {
        "key": f"{number:032x}",
        "rig": "Sandpiper",
        "title": f"Shingle bank {number}",
        "filmed": day,
        "recorded": f"{day}T18:00:00+00:00",
        "calibration": "first",
        "method": "by hand",
        "changed": (),
        "trim_deg": 0.0,
        "tolerance_deg": 0.5,
        "action": "leave",
        "lean": None if lean_deg is None else Estimate(lean_deg, sd_deg),
        "picture_lean": None if lean_deg is None else Estimate(lean_deg, sd_deg),
        "offset_mg": None,
        "mounting_deg": None,
        "result": {"format": "horizon-drift result"},
    }
    return Recorded(**told | changes)


def series(leans_deg, first=1, **changes):
    """Shoots of these leans, one after the other."""
    return [recorded(first + k, lean, **changes) for k, lean in enumerate(leans_deg)]
