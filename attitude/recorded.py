"""One checked shoot as the history keeps it: what comparing needs, and the whole result beside it."""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from attitude.findings import Estimate

__all__ = ["Recorded", "moment"]


@dataclass(frozen=True)
class Recorded:
    """One shoot.

    key : digest of the footage; the same footage checked again is the same shoot.
    rig, title, calibration, method : as the sheet says, "" where it does not. calibration is the label of the
    calibration in force, method how it was made. changed : what was changed since the rig's last shoot.
    filmed : ISO 8601 date, or date and time, by which the shoots of a rig are ordered. recorded : ISO 8601,
    UTC, when it was checked.
    trim_deg : horizon trim set on the gimbal, right side down +. tolerance_deg : largest lean accepted.
    action : of the verdict. lean : settled and warm, without repeatability; picture_lean : of the footage as
    it is; offset_mg : sensor offset sideways, mounting_deg : roll, each None where it is not determined.
    temperature_c, since_power_on_s : middle of the shoot, None where not known.
    result : as in ``result.json``. blocks : the residuals in blocks, by column (of one length), NaN as None.
    """

    key: str
    rig: str
    title: str
    filmed: str
    recorded: str
    calibration: str
    method: str
    changed: tuple[str, ...]
    trim_deg: float
    tolerance_deg: float
    action: str
    lean: Estimate | None
    picture_lean: Estimate | None
    offset_mg: Estimate | None
    mounting_deg: Estimate | None
    temperature_c: float | None = None
    since_power_on_s: float | None = None
    result: Mapping[str, Any] = field(default_factory=dict)
    blocks: Mapping[str, tuple[float | str | None, ...]] = field(default_factory=dict)


def moment(text: str) -> datetime:
    """ISO 8601 date, or date and time, as a time that can be compared; UTC where no zone is given."""
    time_told = datetime.fromisoformat(text)
    return time_told if time_told.tzinfo is not None else time_told.replace(tzinfo=UTC)
