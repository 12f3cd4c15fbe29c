"""A rig's shoots as rows, for the page and the terminal."""

from collections.abc import Sequence
from dataclasses import dataclass

from attitude.recorded import Recorded
from attitude.report.advice import ACTION_WORDS
from attitude.report.material import Material
from attitude.rig_history import RigHistory, history_sentences, rig_history
from attitude.words import lean_words, with_uncertainty

__all__ = ["HEADINGS", "RigPart", "rig_part", "rig_rows", "rig_sentences", "rig_story"]

MOST_ROWS = 12
HEADINGS = ("Date", "Shoot", "Calibration", "Lean, settled and warm", "Sideways sensor offset", "Decision")


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
