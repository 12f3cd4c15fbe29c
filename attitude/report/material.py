"""What a report is made from; nothing is computed here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.findings import Causes
from attitude.residuals import Residuals
from attitude.sheet import Shoot
from attitude.verdict import Verdict

if TYPE_CHECKING:
    from horizon.measure import ClipTrack
    from horizon.selfcheck import SelfCheck

__all__ = ["Material", "Picture"]


@dataclass(frozen=True)
class Picture:
    """One frame with the horizon already drawn on it: BGR, shape (height, width, 3)."""

    caption: str
    clip: str
    t_s: float
    image: NDArray[np.uint8]


@dataclass(frozen=True)
class Material:
    """One checked shoot.

    residuals : None without a log. result : what ``result.json`` holds. frames : the tracks' rows with
    log_roll_deg and log_pitch_deg, NaN where unknown. corrections : the editor's table. flagged : stretches
    out of tolerance, as of :mod:`attitude.flagged`; like corrections in the time that a player shows.
    self_check : None where the measuring was not checked.
    """

    shoot: Shoot
    tracks: tuple[ClipTrack, ...]
    residuals: Residuals | None
    causes: Causes
    verdict: Verdict
    result: dict[str, Any]
    frames: pd.DataFrame
    corrections: pd.DataFrame
    flagged: pd.DataFrame
    pictures: tuple[Picture, ...]
    self_check: SelfCheck | None = None
