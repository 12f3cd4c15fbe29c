"""What the terminal says of a six-face capture."""

from __future__ import annotations

from pathlib import Path

from attitude.cautions import OFF
from attitude.face_check import FacesFound, PairFound
from attitude.face_result import FACES_JSON, FacesReport
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
    nine_words,
    note_words,
    pair_words,
    suits_sentence,
    use_words,
)
from attitude.lines import COLUMNS, INDENT, Paragraph, block, file_lines, laid_out
from attitude.report.faces_page import FACES_PAGE

__all__ = ["faces_lines"]

MIND = f"Mind: {OFF}, sensor fed from USB or a bench supply, motors disabled, while hands turn the board"


def faces_lines(report: FacesReport, folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The verdict, what to hold again, the constants and the lean they leave.

    folder : of the results. columns : to write in, 40 or more.
    """
    found = report.found
    lines = [Paragraph(f"{headline(found)}."), Paragraph()]
    if found.again:
        lines += block("Again", [MIND, *(again_words(one) for one in found.again)])
        lines.append(Paragraph())
    lines += _six(found, report) if isinstance(found, FacesFound) else block("Found", [pair_words(found)])
    lines += [Paragraph(), *_faces(found, columns), Paragraph()]
    lines += block("Notes", note_words(report))
    return laid_out([*lines, *file_lines(folder, FACES_PAGE, FACES_JSON)], columns)


def _six(found: FacesFound, report: FacesReport) -> list[Paragraph]:
    offsets, scales = constants_words(found.model)
    sizes = [f"{MODEL_WORDS[found.model.name]}:", f"offset {offsets}", f"scale {scales}", use_words(found)]
    lines = block("Found", sizes)
    left = [lean_sentence(found), suits_sentence(found), nine_words(found), BLIND_SPOT]
    lines += block("Leaves", left)
    return [*lines, *block("Before", before_words(report))]


def _faces(found: FacesFound | PairFound, columns: int) -> list[Paragraph]:
    """A line per face, in columns where they fit."""
    told = []
    for one in found.faces:
        level = f"level {level_words(one)}" if isinstance(found, FacesFound) else ""
        lasts = "" if one.hold.lasts_s is None else f"{one.hold.lasts_s:.0f} s"
        told.append((one.words, ", ".join(part for part in (lasts, level) if part)))
    widest = max(len(words) for words, _ in told)
    fits = all(INDENT + widest + 2 + len(rest) <= columns for _, rest in told)
    rows = [f"{words:<{widest}}  {rest}" if fits else f"{words}: {rest}" for words, rest in told]
    noisiest = max(found.faces, key=lambda one: one.stillness.noise_mg or 0.0).stillness
    noise = ""
    if noisiest.noise_mg is not None and noisiest.needed_s is not None:
        held_s = min(one.hold.lasts_s or 0.0 for one in found.faces)
        verdict = "are long enough" if held_s >= noisiest.needed_s else "would show a drift of 0.1 deg too"
        noise = f"noise {noisiest.noise_mg:.2g} mg: {noisiest.needed_s:.0f} s a face {verdict}"
    return block("Faces", [*rows, noise, bubble_words(found)])
