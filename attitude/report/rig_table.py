"""A rig's shoots and calibrations as rows, for the page and the terminal."""

from collections.abc import Sequence
from dataclasses import dataclass

from attitude.calibrations import offset_change_mg
from attitude.capture import PROCEDURE_WORDS
from attitude.constants import Constants
from attitude.recorded import Recorded, RecordedCalibration
from attitude.report.advice import ACTION_WORDS
from attitude.report.material import Material
from attitude.rig_history import RigHistory, history_sentences, rig_history
from attitude.words import lean_words, with_uncertainty

__all__ = [
    "CALIBRATION_HEADINGS", "CONSTANTS_HEADINGS", "HEADINGS", "RigPart", "calibration_rows", "constants_rows",
    "rig_part", "rig_rows", "rig_sentences", "rig_story",
]  # fmt: skip

MOST_ROWS = 12
HEADINGS = ("Date", "Shoot", "Calibration", "Lean, settled and warm", "Sideways sensor offset", "Decision")
CALIBRATION_HEADINGS = ("Date", "Calibration", "Procedure", "Offset x, y, z, new minus old", "Temperature")
CONSTANTS_HEADINGS = ("Date", "Calibration", "Constants", "Offset x, y, z", "Scale x, y, z", "Cross-axis")
AXES = "xyz"


@dataclass(frozen=True)
class RigPart:
    """Sentences, rows as of ``HEADINGS``, and what the rows are."""

    sentences: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    label: str


def rig_story(material: Material) -> RigHistory | None:
    """History of the shoot's rig, this shoot included; None where nothing is recorded."""
    if material.recorded is None:
        return None
    # Rigs without a name may be several: then the shoot stands alone.
    past = material.past if material.recorded.rig else ()
    return rig_history((*past, material.recorded), material.recorded.rig)


def rig_rows(shoots: Sequence[Recorded]) -> list[tuple[str, ...]]:
    """One row per shoot, as of ``HEADINGS``."""
    return [
        (
            shoot.filmed[:10],
            shoot.title,
            shoot.calibration or "not named",
            "not known" if shoot.lean is None else lean_words(shoot.lean),
            "not known"
            if shoot.offset_mg is None
            else with_uncertainty(shoot.offset_mg.value, shoot.offset_mg.half_width, "mg"),
            ACTION_WORDS.get(shoot.action, shoot.action),
        )
        for shoot in shoots
    ]


def calibration_rows(calibrations: Sequence[RecordedCalibration]) -> list[tuple[str, ...]]:
    """One row per calibration, as of ``CALIBRATION_HEADINGS``; the offset along the board's axes."""
    return [
        (
            one.made[:10],
            one.calibration or "not named",
            PROCEDURE_WORDS.get(one.procedure, one.procedure) or "not told",
            "not given" if (change := offset_change_mg(one)) is None else _along_axes_mg(change),
            "not known" if one.temperature_c is None else f"{one.temperature_c:.1f} C",
        )
        for one in calibrations
    ]


def constants_rows(calibrations: Sequence[RecordedCalibration]) -> list[tuple[str, ...]]:
    """Old and new constants of each calibration in a row of its own, as of ``CONSTANTS_HEADINGS``."""
    return [
        (one.made[:10], one.calibration or "not named", age, *_constants_cells(constants))
        for one in calibrations
        for age, constants in (("old", one.old), ("new", one.new))
    ]


def _constants_cells(constants: Constants | None) -> tuple[str, str, str]:
    """Offset, scale and cross-axis. An offset is known to about 0.1 mg, a scale to as much of 1 g."""
    if constants is None:
        return "not given", "not given", "not given"
    rows = constants.matrix
    scale = ", ".join(f"{rows[k][k]:.4f}" for k in range(3))
    cross = [
        f"{AXES[i]} of {AXES[k]} {_signed(rows[i][k], 4)}"
        for i in range(3)
        for k in range(3)
        if i != k and round(rows[i][k], 4)
    ]
    return _along_axes_mg([1000 * one for one in constants.offset_g]), scale, ", ".join(cross) or "none"


def _along_axes_mg(offset_mg: Sequence[float]) -> str:
    return f"{', '.join(_signed(one, 1) for one in offset_mg)} mg"


def _signed(value: float, digits: int) -> str:
    # Zero has no sign: what rounds to it from below would show one.
    return f"{round(value, digits) + 0.0:+.{digits}f}"


def rig_part(material: Material) -> RigPart:
    """The page's part on the rig's history: the last shoots, this one marked."""
    story = rig_story(material)
    if story is None:
        return RigPart((), (), "")
    shown = story.shoots[-MOST_ROWS:]
    rows = rig_rows(shown)
    this = material.recorded
    rows = [
        (day, f"{title} (this shoot)" if this is not None and shoot.key == this.key else title, *others)
        for (day, title, *others), shoot in zip(rows, shown, strict=True)
    ]
    count = len(story.shoots)
    label = "This shoot" if count == 1 else f"The last {len(shown)} of {count} shoots"
    return RigPart(tuple(rig_sentences(story)), tuple(rows), f"{label} of {story.rig or 'this rig'}")


def rig_sentences(history: RigHistory) -> list[str]:
    """What the history says, and what it needs to say more."""
    if not history.rig:
        return ["Whether a calibration helped shows in several shoots of one rig: name the rig in the sheet"]
    return history_sentences(history)
