"""``faces.html``, a six-face capture: cautions, what to hold again, a picture per face, constants."""

from __future__ import annotations

from pathlib import Path

from attitude.cautions import capture_cautions
from attitude.face_check import FacesFound, PairFound
from attitude.face_result import FacesReport
from attitude.face_words import (
    BLIND_SPOT,
    MODEL_WORDS,
    again_words,
    before_words,
    bubble_words,
    constants_words,
    headline,
    lean_sentence,
    level_words,
    model_notes,
    note_words,
    pair_words,
    procedure_rows,
    still_words,
    suits_sentence,
    use_words,
)
from attitude.files import write_whole
from attitude.report.advice import AIRWORTHY, LOCAL_RULES
from attitude.report.face_drawing import board_drawing, level_drawing
from attitude.report.page import render
from attitude.words import lean_words, pitch_words

__all__ = ["FACES_PAGE", "write_faces_page"]

FACES_PAGE = "faces.html"
RINGS_DEG = (0.5, 1.0, 2.0, 4.0, 8.0, 15.0)
MODEL_HEADINGS = ("Way of working out", "Offset", "Scale", "Leaves the picture", "Leaves the lens")
PROCEDURE_HEADINGS = (
    "What the gimbal does",
    "A face off level enters",
    "Tilts then add to the level",
    "Left off level, all told",
)


def write_faces_page(report: FacesReport, folder: Path) -> Path:
    """Write the page into ``folder`` and return where it is."""
    found = report.found
    six = found if isinstance(found, FacesFound) else None
    rings_deg = 1.0 if six is None else _rings_deg(six)
    text = render(
        "faces.html.j2",
        title=found.sheet.calibration or found.sheet.path.name,
        rig=found.sheet.rig,
        headline=headline(found),
        cautions=capture_cautions(),
        again=[again_words(one) for one in found.again],
        faces=[
            {
                "words": one.words,
                "board": board_drawing(one.face),
                "level": None if six is None else level_drawing(one, rings_deg),
                "level_words": level_words(one),
                "still": still_words(one),
                "again": one.again,
                "temperature": one.temperature_c,
            }
            for one in found.faces
        ],
        bubble=bubble_words(found),
        blind=BLIND_SPOT,
        six=None if six is None else _six(six),
        pair=pair_words(found) if isinstance(found, PairFound) else "",
        before=before_words(report),
        notes=note_words(report),
        airworthy=AIRWORTHY,
        local_rules=LOCAL_RULES,
    )
    path = folder / FACES_PAGE
    write_whole(path, text.encode("utf-8"))
    return path


def _six(found: FacesFound) -> dict[str, object]:
    """What only six faces tell."""
    rows = procedure_rows(found)
    return {
        "lean": lean_sentence(found),
        "suits": suits_sentence(found),
        "use": use_words(found),
        "model_headings": MODEL_HEADINGS,
        "models": _model_rows(found),
        "model_notes": model_notes(found),
        "procedure_headings": PROCEDURE_HEADINGS,
        "procedures": [
            (
                row.name + (" (yours)" if row.own else ""),
                row.enters,
                f"± {row.level_deg:.1g} deg",
                f"about {row.left_deg:.2g} deg",
            )
            for row in rows
        ],
    }


def _model_rows(found: FacesFound) -> list[tuple[str, ...]]:
    rows: list[tuple[str, ...]] = []
    for one in found.models:
        roll, pitch = found.lean[one.name]
        sizes = (_unbroken(words) for words in constants_words(one))
        rows.append((MODEL_WORDS[one.name], *sizes, lean_words(roll), pitch_words(pitch)))
    return rows


def _unbroken(words: str) -> str:
    """Sizes that break between axes only."""
    return words.replace(" ", "\N{NO-BREAK SPACE}").replace(",\N{NO-BREAK SPACE}", ", ")


def _rings_deg(found: FacesFound) -> float:
    """Outer ring that holds every spot."""
    far = max(one.level_deg.value for one in found.faces if one.level_deg is not None)
    return next((ring for ring in RINGS_DEG if ring >= 1.1 * far), RINGS_DEG[-1])
