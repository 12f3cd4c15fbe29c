"""The check of a six-face capture from its files to the page, before the next flight."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from attitude.capture import CaptureError, CaptureSheet
from attitude.capture_log import read_capture
from attitude.capture_sheet import read_capture_sheet
from attitude.constants import Constants
from attitude.face_check import FacesFound, check_capture
from attitude.face_record import against_record, last_shoot
from attitude.face_result import FACES_JSON, FacesReport, faces_result
from attitude.face_words import headline
from attitude.files import write_whole
from attitude.recorded import Recorded, RecordedCalibration
from attitude.recording import footage_key
from attitude.repeatability import label, learn
from attitude.report.faces_page import write_faces_page

__all__ = ["check_faces"]

RESULT_FOLDER = "faces-result"


def check_faces(
    paths: Sequence[Path],
    out: Path | None = None,
    *,
    old: Path | None = None,
    shoots: Sequence[Recorded] = (),
    calibrations: Sequence[RecordedCalibration] = (),
    now: dt.datetime,
    keep: Callable[[RecordedCalibration], object],
) -> tuple[FacesReport, Path]:
    """Read, judge and write a capture; the report and the folder that it is in.

    paths : a sheet, its folder, or tables. old : file of the constants before. shoots, calibrations : on
    record, of any rigs. now : aware of its zone. keep : puts a calibration on record, before anything is
    written that says so.

    Raises
    ------
    CaptureError
        The capture cannot be read, or is none of six faces or two opposite ones. Nothing is written then.
    """
    sheet = read_capture_sheet(paths, old)
    folder = out or sheet.path.parent / RESULT_FOLDER
    if folder.exists() and not folder.is_dir():
        raise CaptureError(f"{folder}: is a file; name a folder for the results: --out FOLDER")
    if sheet.date is not None and sheet.date > now.date():
        raise CaptureError(f"{sheet.path.name}: date = {sheet.date} lies in the future; correct it")
    found = check_capture(sheet, read_capture(sheet))
    key = footage_key(sheet.files)
    before, told = sheet.old, sheet.old is not None
    if before is None:
        before = _on_record(calibrations, sheet, key)
    made = "" if sheet.date is None else sheet.date.isoformat()
    six = found if isinstance(found, FacesFound) else None
    against = None
    # With axes that are only assumed, no disagreement could be told from a board that sits otherwise.
    if six is not None and six.axes_told:
        shoot = last_shoot(shoots, sheet.rig, made, sheet.calibration)
        if shoot is not None:
            against = against_record(six, before, shoot, learn(shoots, sheet.rig).sd_deg)
    result = faces_result(found, headline(found), before, against)
    recorded = None
    # What is to be held again is no calibration yet, unless its constants are in force; and without a rig
    # nobody would find it.
    if six is not None and sheet.rig and (six.sound or sheet.new is not None):
        recorded = _recorded(six, before, result, key, made, now)
    report = FacesReport(found, before, told, against, result, recorded)
    if recorded is not None:
        keep(recorded)
    _write(report, folder)
    return report, folder


def _write(report: FacesReport, folder: Path) -> None:
    """Write ``faces.json`` and the page into ``folder``, which is made if need be."""
    folder.mkdir(parents=True, exist_ok=True)
    write_whole(folder / FACES_JSON, (json.dumps(report.result, allow_nan=False, indent=1) + "\n").encode())
    write_faces_page(report, folder)


def _on_record(
    calibrations: Sequence[RecordedCalibration], sheet: CaptureSheet, key: str
) -> Constants | None:
    """Constants of the rig's last calibration on record before this one."""
    own = [one for one in calibrations if sheet.rig and label(one.rig) == label(sheet.rig)]
    # Judged again without a date, it is as old as it was on record.
    made = next((one.made[:10] for one in own if one.key == key), None)
    day = made if sheet.date is None else sheet.date.isoformat()
    before = [one for one in own if one.key != key and (day is None or one.made[:10] <= day)]
    return before[-1].new if before else None


def _recorded(
    found: FacesFound,
    old: Constants | None,
    result: dict[str, Any],
    key: str,
    made: str,
    now: dt.datetime,
) -> RecordedCalibration:
    sheet = found.sheet
    return RecordedCalibration(
        key=key,
        rig=sheet.rig,
        calibration=sheet.calibration,
        made=made or now.date().isoformat(),
        recorded=now.astimezone(dt.UTC).isoformat(timespec="seconds"),
        procedure=sheet.procedure or "",
        bubble_deg=sheet.bubble_deg,
        temperature_c=found.temperature_c,
        sensor_axes=sheet.sensor_axes or (),
        old=old,
        new=found.stored,
        result=result,
    )
