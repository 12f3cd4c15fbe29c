"""Shoots on record as an operator names them: by calibration, title or day, or by their folder."""

from collections.abc import Sequence
from pathlib import Path

from attitude.calibrations import calibration_name
from attitude.recorded import Recorded, RecordedCalibration
from attitude.recording import footage_key
from attitude.repeatability import label
from attitude.sheet import SHEET_NAME, read_sheet

__all__ = ["ChoiceError", "calibration_named", "chosen", "chosen_rig", "rig_named"]


class ChoiceError(ValueError):
    """No shoot on record is meant, or several rigs are; the text says which there are."""


def chosen(shoots: Sequence[Recorded], named: str, rig: str | None = None) -> tuple[Recorded, ...]:
    """Shoots of one rig that are named.

    named : a calibration's label, a shoot's title or its day (2026-04-18), capitals and spaces apart; or a
    sheet or its folder. rig : where several rigs have such shoots.

    Raises
    ------
    ChoiceError
        There are none, or they are of several rigs.
    SheetError
        The sheet that is named cannot be read.
    """
    if not named.strip():
        raise ChoiceError("an empty name means no shoot; give a calibration, a title, a day or a folder")
    own = [shoot for shoot in shoots if rig is None or label(shoot.rig) == label(rig)]
    of = "" if rig is None else f" of {rig}"
    place = Path(named)
    if (place / SHEET_NAME).is_file() or (place.is_file() and place.suffix == ".toml"):
        sheet = read_sheet(place)
        key = footage_key(file for clip in sheet.clips for file in clip.files)
        found = [shoot for shoot in own if shoot.key == key]
        if not found:
            raise ChoiceError(f"{named}: this shoot is not on record{of}; check it first")
        return tuple(found)
    for of_shoot in (_calibration, _title, _day):
        found = [shoot for shoot in own if label(of_shoot(shoot)) == label(named)]
        rigs = sorted(_rigs(found).values())
        if len(rigs) > 1:
            raise ChoiceError(f"{named!r} names shoots of {' and '.join(rigs)}; add --rig")
        if found:
            return tuple(found)
    raise ChoiceError(
        f"no shoot{of} on record has {named!r} as its calibration, title or day; "
        "horizon-drift history show lists them"
    )


def chosen_rig(shoots: Sequence[Recorded], named: str | None) -> str:
    """The rig that is named, as it is written on record; without a name the only one there is."""
    rigs = sorted(_rigs(shoots).values())
    if named is None and len(rigs) == 1:
        return rigs[0]
    known = ", ".join(rig or "(without a name)" for rig in rigs) or "none"
    if named is None:
        raise ChoiceError(f"say which rig; on record: {known}")
    for rig in rigs:
        if label(rig) == label(named):
            return rig
    raise ChoiceError(f"no shoot of {named!r} is on record; rigs on record: {known}")


def rig_named(names: Sequence[str], named: str | None) -> str:
    """The rig that is named, as it is written on record; without a name the only one there is."""
    rigs = {label(name): name for name in names}
    if named is None:
        return names[-1]
    if label(named) in rigs:
        return rigs[label(named)]
    known = ", ".join(sorted(name or "(without a name)" for name in rigs.values()))
    raise ChoiceError(f"nothing of {named!r} is on record; rigs on record: {known}")


def calibration_named(
    shoots: Sequence[Recorded], calibrations: Sequence[RecordedCalibration], named: str, rig: str | None
) -> RecordedCalibration | None:
    """The one calibration that is named by label, by day or by both; None where none is, a shoot perhaps."""
    wanted = label(named)
    found = [
        one
        for one in calibrations
        if wanted in map(label, (one.calibration, one.made[:10], calibration_name(one), one.key))
    ]
    if not wanted or not found:
        return None
    example = calibration_name(found[0])
    own = [one for one in shoots if rig is None or label(one.rig) == label(rig)]
    as_shoot = any(wanted in map(label, (one.calibration, one.title, one.filmed[:10])) for one in own)
    if as_shoot or (Path(named) / SHEET_NAME).is_file():
        raise ChoiceError(
            f"{named!r} names a calibration on record and shoots; name the calibration by its day and label, "
            f"as {example!r}, or a shoot by its title or folder"
        )
    if len(found) == 1:
        return found[0]
    if len({label(one.rig) for one in found}) > 1:
        mend = "add --rig"
    elif len({calibration_name(one) for one in found}) > 1:
        mend = f"name one by its day and label, as {example!r}"
    else:
        mend = "name one by its key: " + ", ".join(f"{one.key} (checked {one.recorded})" for one in found)
    raise ChoiceError(f"{named!r} names {len(found)} calibrations; {mend}")


def _rigs(shoots: Sequence[Recorded]) -> dict[str, str]:
    """Rigs as they are compared, with the name that was written last."""
    return {label(shoot.rig): shoot.rig for shoot in shoots}


def _calibration(shoot: Recorded) -> str:
    return shoot.calibration


def _title(shoot: Recorded) -> str:
    return shoot.title


def _day(shoot: Recorded) -> str:
    return shoot.filmed[:10]
