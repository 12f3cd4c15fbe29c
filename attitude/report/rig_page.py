"""``history.html``: one rig over its shoots and calibrations, as a page to keep; no network, no script."""

from collections.abc import Sequence
from pathlib import Path

from attitude.files import write_whole
from attitude.recorded import RecordedCalibration
from attitude.report.look import finished, house_style
from attitude.report.page import render, shown_plot
from attitude.report.rig_chart import chart_of
from attitude.report.rig_table import (
    CALIBRATION_HEADINGS,
    CONSTANTS_HEADINGS,
    HEADINGS,
    calibration_rows,
    constants_rows,
    rig_rows,
    rig_sentences,
)
from attitude.rig_history import RigHistory

__all__ = ["RIG_PAGE", "write_rig_page"]

RIG_PAGE = "history.html"


def write_rig_page(
    history: RigHistory, folder: Path, calibrations: Sequence[RecordedCalibration] = ()
) -> Path:
    """Write the page into ``folder``, which is made if need be, and return where it is.

    calibrations : of the rig, in the order made; either they or the shoots may be missing.
    """
    folder.mkdir(parents=True, exist_ok=True)
    with house_style():
        sketch = chart_of(history, history.shoots[-1].tolerance_deg) if history.shoots else None
        chart = None if sketch is None else finished("rig_chart", sketch)
    text = render(
        "rig.html.j2",
        rig=history.rig or "Rig without a name",
        count=len(history.shoots),
        drawn=shown_plot(chart),
        sentences=rig_sentences(history),
        headings=HEADINGS,
        rows=rig_rows(history.shoots),
        calibration_headings=CALIBRATION_HEADINGS,
        calibrations=calibration_rows(calibrations),
        constants_headings=CONSTANTS_HEADINGS,
        constants=constants_rows(calibrations),
    )
    path = folder / RIG_PAGE
    write_whole(path, text.encode("utf-8"))
    return path
