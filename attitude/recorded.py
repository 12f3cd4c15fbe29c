"""One shoot or calibration as the history keeps it: what comparing needs, and the whole result beside it."""

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from typing import Any

from attitude.constants import Constants
from attitude.findings import Estimate

__all__ = ["Recorded", "RecordedCalibration", "dated", "finite", "moment", "plain"]


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


@dataclass(frozen=True)
class RecordedCalibration:
    """One calibration of a rig's sensor: its constants before and after, and the capture that tells them.

    key : digest of the capture's files; the same capture checked again is the same calibration.
    rig, calibration, procedure : as the sheet says, "" where it does not. calibration is the label by which
    shoots name it. made : ISO 8601 date, or date and time. recorded : ISO 8601, UTC, when it was checked.
    bubble_deg : how far off level the board may have sat (sd, per axis). temperature_c : mean of the capture,
    None where not known. sensor_axes : board axes along camera right, down, forward; empty where not told.
    old : constants before, None where not told. new : those in force afterwards. Both are finite numbers.
    result : as in ``faces.json``.
    """

    key: str
    rig: str
    calibration: str
    made: str
    recorded: str
    procedure: str
    bubble_deg: float
    temperature_c: float | None
    sensor_axes: tuple[str, ...]
    old: Constants | None
    new: Constants
    result: Mapping[str, Any] = field(default_factory=dict)


def moment(text: str) -> datetime:
    """ISO 8601 date, or date and time, as a time that can be compared; UTC where no zone is given."""
    time_told = datetime.fromisoformat(text)
    return time_told if time_told.tzinfo is not None else time_told.replace(tzinfo=UTC)


def dated(texts: Mapping[str, str]) -> None:
    """Refuse what is no date, or date and time, by name; ValueError says what was expected."""
    for name, text in texts.items():
        try:
            moment(text)
        except ValueError:
            raise ValueError(f"{name} is {text!r}; expected a date as 2031-05-20") from None


def finite(value: float | None) -> float | None:
    """The number, None where it is not finite."""
    return None if value is None or not math.isfinite(value) else float(value)


def plain(value: Any) -> Any:
    """What JSON can hold, with None for what is not finite."""
    if isinstance(value, Mapping):
        return {name: plain(one) for name, one in value.items()}
    if isinstance(value, list | tuple):
        return [plain(one) for one in value]
    return finite(value) if isinstance(value, float) else value
