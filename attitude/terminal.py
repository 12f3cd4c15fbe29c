"""What the terminal says, as plain lines of at most 80 columns: the verdict first, the files last.

No colour and no cursor codes: whoever prints may style the lines. A name in the margin has seven letters at
most and spaces up to the text; a line that begins at the margin without one is a heading. Text that comes
from a sheet or a file name loses its control characters, because a terminal would obey them. Columns are
counted as a terminal counts them: some letters take two, marks on letters none.
"""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from attitude.picture import footage_roll
from attitude.protocol import Protocol, Step
from attitude.report import contents
from attitude.report.advice import AIRWORTHY, LOCAL_RULES, Advice, action_advice, shot_advice
from attitude.report.card import CARD_NAME, card_title, reach_sentence, sheet_sentence
from attitude.report.material import Material
from attitude.sheet import ClipSheet, Shoot
from attitude.words import printable

if TYPE_CHECKING:
    from attitude.starter import Started
    from horizon.measure import ClipTrack

__all__ = ["COLUMNS", "card_lines", "measure_lines", "starter_lines", "summary_lines"]

COLUMNS = 80
INDENT = 9
TITLE_COLUMNS = 60
MOST_TURNS = 4


@dataclass(frozen=True)
class _Paragraph:
    """Text, and what its first line and the others begin with; an empty line without either."""

    text: str = ""
    first: str = ""
    then: str = ""


def summary_lines(material: Material, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The result of one shoot.

    out_folder : where its files were written. columns : to write in, 40 or more.
    """
    verdict, shoot = material.verdict, material.shoot
    lines = [_Paragraph(f"{_cut(shoot.title, TITLE_COLUMNS)}: {verdict.headline}."), _Paragraph()]
    rows = contents.lean_rows(material)
    known = [row for row in rows if row.estimate is not None]
    lines += _block("Lean", [f"{row.name}: {row.words}" for row in known or rows[:1]])
    files = (*(track.clip for track in material.tracks), *(log.file.name for log in shoot.logs))
    lines += _block("Why", [_capital(reason, files) for reason in contents.reasons(material)])
    lines += _next_lines(material)
    lines += _block("Open", [contents.sum_sentence(one) for one in material.causes.undetermined])
    lines += _editor_lines(material)
    damage = [f"{track.clip} is damaged: {track.damage}" for track in material.tracks if track.damage]
    lines += _block("Checked", [contents.self_check_sentence(material)])
    lines += _block("Notes", [*damage, contents.frames_sentence(material), *shoot.notes])
    video = () if material.review is None else (material.review.file,)
    lines += _file_lines(out_folder, "report.html", *video, "result.json", "frames.csv", "corrections.csv")
    return _laid_out(lines, columns)


def measure_lines(
    track: ClipTrack, out_folder: Path, hfov_deg: float | None, *, columns: int = COLUMNS
) -> list[str]:
    """The horizon in one clip without a log.

    hfov_deg : field of view that was told; None when it was assumed. out_folder, columns : as for
    :func:`summary_lines`.
    """
    table = track.track
    measured = table.dropna(subset=["roll_deg"])
    facts = track.facts
    clip = _cut(track.clip, TITLE_COLUMNS)
    kept = _frames_of(track)
    if kept.empty:
        lines = [_Paragraph(f"{clip}: no horizon was measured in it."), _Paragraph()]
    else:
        lines = [_Paragraph(f"{clip}: {contents.usual_lean_words(kept)}.")]
        low, high = np.quantile(kept["tilt_deg"], [0.05, 0.95])
        lowest, highest = (float(measured[f"pitch_{end}_deg"].median()) for end in ("low", "high"))
        held = [
            f"nine tenths of the frames: {_range(low, high, 2, ('left side low', 'right side low'))}",
            f"pitch, 95 %: {_range(lowest, highest, 1, ('lens down', 'lens up'))}",
        ]
        if track.sky == "unknown":
            held.append("the picture does not tell which half is sky: the camera may be upside down")
        lines += [_Paragraph(), *_block("Lean", held)]
    assumed = "75 deg across the picture, assumed; tell it with --hfov-deg"
    view = assumed if hfov_deg is None else f"{hfov_deg:g} deg across the picture"
    size = (
        f"{facts.width_px} x {facts.height_px} px, {facts.duration_s:.1f} s, {facts.fps:.4g} frames a second"
    )
    lines += _block("Clip", [size, f"field of view: {view}"])
    refused = table.loc[table["roll_deg"].isna(), "reason"].value_counts()
    frames = [f"{track.frames_read} read, {len(table)} looked at, {len(measured)} measured"]
    frames += [f"{count} not measured: {why or 'no reason given'}" for why, count in refused.items()]
    lines += _block("Frames", frames)
    lines += _block("Notes", [f"damaged: {track.damage}"] if track.damage else [])
    whence = "the cause shows only beside the log of the camera's sensor: put both into a folder and run"
    lines += _block("Next", [f"{whence} horizon-drift new FOLDER"])
    lines += _file_lines(out_folder, "frames.csv")
    return _laid_out(lines, columns)


def card_lines(card: Protocol, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The test shoot: cautions, then what to film on each power-on.

    out_folder : where its page was written. columns : as for :func:`summary_lines`.
    """
    lines = [_Paragraph(f"{card_title(card)}."), _Paragraph()]
    for group in card.cautions:
        lines += _block("Mind", [f"{group.title}:", *group.lines])
    if not card.power_ons:
        lines += _block("Next", ["Nothing that filming could settle is open."])
        return _laid_out(lines + _file_lines(out_folder, CARD_NAME), columns)
    lines += _block("First", card.before)
    for number, one in enumerate(card.power_ons, 1):
        which = f"Power-on {number}: {one.title}" if len(card.power_ons) > 1 else one.title
        lines += [_Paragraph(), _Paragraph(f"{which}, about {one.minutes} min"), *_block("", one.notes)]
        for place, step in enumerate(one.steps, 1):
            lines += _block(f"{place}.", _step_sentences(step))
    if card.instead:
        lines += [_Paragraph(), _Paragraph("Where the camera cannot be turned over")]
        for other in card.instead:
            lines += [
                *_block("or", [other.how, f"Mind: {other.caution}."]),
                *(_Paragraph(line, " " * (INDENT + 2), " " * (INDENT + 4)) for line in other.sheet),
            ]
    lines += [_Paragraph(), *_block("Sheet", [sheet_sentence()])]
    if not card.lacking:
        lines += _block("Reach", [reach_sentence(card)])
    lines += _block("Rules", [f"{AIRWORTHY} {LOCAL_RULES}"])
    return _laid_out(lines + _file_lines(out_folder, CARD_NAME), columns)


def starter_lines(started: Started, *, columns: int = COLUMNS) -> list[str]:
    """What a new sheet was made of, what is assumed in it, and what to run next.

    columns : as for :func:`summary_lines`.
    """
    blocks = [one for name, said in started.said for one in _block(name, said)]
    return _laid_out([_Paragraph(f"{started.path} is written."), _Paragraph(), *blocks], columns)


def _step_sentences(step: Step) -> list[str]:
    shot = step.shot
    tells = f"Why: {step.because}. Then: {step.reaches}." if step.because else f"Tells {shot.tells}."
    head = f"{shot.title[0].upper()}{shot.title[1:]}, {shot.seconds} s. {shot.how}"
    return [head, tells, f"Mind: {shot.caution}.", f"Sheet: {'  '.join(step.sheet)}"]


def _next_lines(material: Material) -> list[_Paragraph]:
    """Cautions, then the numbered steps."""
    verdict, shoot = material.verdict, material.shoot
    action = action_advice(verdict.action, shoot.rig_kind, trim_deg=shoot.trim_deg)
    shot = shot_advice(verdict.next_shot, shoot.rig_kind) if verdict.next_shot else Advice("", ())
    title = f"{action.title}: {shot.title}" if shot.title else action.title
    cautions = [f"Mind: {caution}" for caution in action.cautions + shot.cautions]
    steps = [f"{number}. {step}" for number, step in enumerate(action.steps + shot.steps, 1)]
    after = [contents.afterwards(material)]
    return _block("Next", [title, *cautions, *steps, *after, *([AIRWORTHY] if cautions else [])])


def _editor_lines(material: Material) -> list[_Paragraph]:
    rows = [row for row in contents.turn_rows(material) if row.cost]
    said = [f"{row.clip}, {row.times}: turn {row.turn}, costs {row.cost}" for row in rows[:MOST_TURNS]]
    if len(rows) > MOST_TURNS:
        said.append(f"and more, in corrections.csv: {len(rows)} to turn in all")
    return _block("Editor", said)


def _file_lines(folder: Path, first: str, *others: str) -> list[_Paragraph]:
    """Where the first file is, by the shorter of the two ways to say it, and what lies beside it."""
    try:
        there = min(str(folder), os.path.relpath(folder), key=len)
    except ValueError:  # another drive has no relative path
        there = str(folder)
    return _block("Files", [str(Path(there, first)), f"beside it {', '.join(others)}" if others else ""])


def _frames_of(track: ClipTrack) -> pd.DataFrame:
    """Frames of a clip for which no sheet was written, those turned on purpose left out."""
    bare = Shoot(
        folder=Path(), path=Path(track.clip), title="", clips=(ClipSheet(files=(Path(track.clip),)),)
    )
    # Which half is sky changes the pose only, which is said beside the lean.
    return footage_roll([replace(track, sky="picture")], bare, None)


def _range(low_deg: float, high_deg: float, digits: int, sides: tuple[str, str]) -> str:
    """``right side low by 0.89 to 0.97 deg``; sides : of what is below and above 0."""
    ends = [f"{abs(end):.{digits}f}" for end in (low_deg, high_deg)]
    if low_deg >= 0:
        return f"{sides[1]} by {ends[0]} to {ends[1]} deg"
    if high_deg <= 0:
        return f"{sides[0]} by {ends[1]} to {ends[0]} deg"
    return f"from {sides[0]} by {ends[0]} deg to {sides[1]} by {ends[1]} deg"


def _capital(text: str, files: tuple[str, ...]) -> str:
    """The text as a sentence begins; a file keeps its name."""
    return text if text.startswith(files) else text[:1].upper() + text[1:]


def _block(name: str, sentences: Iterable[str]) -> list[_Paragraph]:
    """A name in the margin and its sentences, one a line; nothing when there are none."""
    lines: list[_Paragraph] = []
    for sentence in sentences:
        if sentence:
            first = f"{name:<{INDENT}}" if not lines else " " * INDENT
            lines.append(_Paragraph(sentence, first, " " * (INDENT + 2)))
    return lines


def _laid_out(paragraphs: Iterable[_Paragraph], columns: int) -> list[str]:
    return [line for one in paragraphs for line in _broken(one, columns)]


def _broken(one: _Paragraph, columns: int) -> list[str]:
    """Lines of a paragraph, broken between words, and within a word that no line can hold."""
    lines: list[str] = []
    line, start = one.first, True
    for spaced in re.findall(r" *[^ ]+", printable(one.text)):
        word = spaced.lstrip(" ") if start else spaced
        if not start and _columns_of(line + word) > columns:
            lines.append(line)
            line, word = one.then, spaced.lstrip(" ")
        while _columns_of(line + word) > columns:
            fits = _fitting(word, columns - _columns_of(line))
            # A path is easier to read on where one of its folders begins.
            fits = fits[: fits.rfind(os.sep) + 1] or fits
            lines.append(line + fits)
            line, word = one.then, word[len(fits) :]
        line, start = line + word, False
    return [*lines, line]


def _cut(text: str, columns: int) -> str:
    """The text, its end left out where it takes more columns."""
    plain = printable(text)
    return plain if _columns_of(plain) <= columns else f"{_fitting(plain, columns - 3).rstrip()}..."


def _fitting(text: str, columns: int) -> str:
    """As much of the beginning as fits, one letter at least."""
    taken = 1
    while taken < len(text) and _columns_of(text[: taken + 1]) <= columns:
        taken += 1
    return text[:taken]


def _columns_of(text: str) -> int:
    """Columns that a terminal gives to the text."""
    return sum(
        0 if unicodedata.category(c) in ("Mn", "Me") else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )
