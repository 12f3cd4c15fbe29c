"""Shoots on record as an operator names them: by calibration, title or day, or by their folder."""

from collections.abc import Sequence
from pathlib import Path

from attitude.recorded import Recorded
from attitude.recording import footage_key
from attitude.repeatability import label
from attitude.sheet import SHEET_NAME, read_sheet

__all__ = ["ChoiceError", "chosen", "chosen_rig"]


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


def _rigs(shoots: Sequence[Recorded]) -> dict[str, str]:
    """Rigs as they are compared, with the name that was written last."""
    return {label(shoot.rig): shoot.rig for shoot in shoots}


def _calibration(shoot: Recorded) -> str:
    return shoot.calibration


def _title(shoot: Recorded) -> str:
    return shoot.title


def _day(shoot: Recorded) -> str:
    return shoot.filmed[:10]
