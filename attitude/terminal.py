"""What the terminal says, as plain lines of at most 80 columns: the verdict first, the files last."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from attitude.lines import COLUMNS, INDENT, Paragraph, block, cut_to, file_lines, laid_out
from attitude.picture import footage_roll
from attitude.protocol import Protocol, Step
from attitude.reference_lines import references_words
from attitude.report import contents
from attitude.report.advice import AIRWORTHY, LOCAL_RULES, Advice, action_advice, shot_advice
from attitude.report.card import CARD_NAME, card_title, reach_sentence, sheet_sentence
from attitude.report.material import Material
from attitude.report.rig_table import rig_sentences, rig_story
from attitude.sheet import ClipSheet, Shoot

if TYPE_CHECKING:
    from attitude.starter import Started
    from horizon.measure import ClipTrack

__all__ = ["COLUMNS", "card_lines", "measure_lines", "shown_lean", "starter_lines", "summary_lines"]

TITLE_COLUMNS = 60
MOST_TURNS = 4


def summary_lines(material: Material, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The result of one shoot.

    out_folder : where its files were written. columns : to write in, 40 or more.
    """
    verdict, shoot = material.verdict, material.shoot
    lines = [Paragraph(f"{cut_to(shoot.title, TITLE_COLUMNS)}: {verdict.headline}."), Paragraph()]
    rows = contents.lean_rows(material)
    known = [row for row in rows if row.estimate is not None]
    lines += block("Lean", [f"{row.name}: {row.words}" for row in known or rows[:1]])
    files = (*(track.clip for track in material.tracks), *(log.file.name for log in shoot.logs))
    lines += block("Against", references_words(shoot))
    lines += block("Why", [_capital(reason, files) for reason in contents.reasons(material)])
    lines += _next_lines(material)
    lines += block("Open", [contents.sum_sentence(one) for one in material.causes.undetermined])
    lines += _editor_lines(material)
    lines += block("History", _history_sentences(material))
    damage = [f"{track.clip} is damaged: {track.damage}" for track in material.tracks if track.damage]
    lines += block("Checked", [contents.self_check_sentence(material)])
    lines += block("Notes", [*damage, contents.frames_sentence(material), *shoot.notes])
    video = () if material.review is None else (material.review.file,)
    lines += file_lines(out_folder, "report.html", *video, "result.json", "frames.csv", "corrections.csv")
    return laid_out(lines, columns)


def shown_lean(material: Material) -> str:
    """The lean that was decided on, in words."""
    rows = contents.lean_rows(material)
    return next((row.words for row in reversed(rows) if row.estimate is not None), rows[0].words)


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
    clip = cut_to(track.clip, TITLE_COLUMNS)
    kept = _frames_of(track)
    if kept.empty:
        lines = [Paragraph(f"{clip}: no horizon was measured in it."), Paragraph()]
    else:
        lines = [Paragraph(f"{clip}: {contents.usual_lean_words(kept)}.")]
        low, high = np.quantile(kept["tilt_deg"], [0.05, 0.95])
        lowest, highest = (float(measured[f"pitch_{end}_deg"].median()) for end in ("low", "high"))
        held = [
            f"nine tenths of the frames: {_range(low, high, 2, ('left side low', 'right side low'))}",
            f"pitch, 95 %: {_range(lowest, highest, 1, ('lens down', 'lens up'))}",
        ]
        if track.sky == "unknown":
            held.append("the picture does not tell which half is sky: the camera may be upside down")
        lines += [Paragraph(), *block("Lean", held)]
    assumed = "75 deg across the picture, assumed; tell it with --hfov-deg"
    view = assumed if hfov_deg is None else f"{hfov_deg:g} deg across the picture"
    size = (
        f"{facts.width_px} x {facts.height_px} px, {facts.duration_s:.1f} s, {facts.fps:.4g} frames a second"
    )
    lines += block("Clip", [size, f"field of view: {view}"])
    refused = table.loc[table["roll_deg"].isna(), "reason"].value_counts()
    frames = [f"{track.frames_read} read, {len(table)} looked at, {len(measured)} measured"]
    frames += [f"{count} not measured: {why or 'no reason given'}" for why, count in refused.items()]
    lines += block("Frames", frames)
    lines += block("Notes", [*([f"damaged: {track.damage}"] if track.damage else []), *track.notes])
    whence = "the cause shows only beside the log of the camera's sensor: put both into a folder and run"
    lines += block("Next", [f"{whence} horizon-drift new FOLDER"])
    lines += file_lines(out_folder, "frames.csv")
    return laid_out(lines, columns)


def card_lines(card: Protocol, out_folder: Path, *, columns: int = COLUMNS) -> list[str]:
    """The test shoot: cautions, then what to film on each power-on.

    out_folder : where its page was written. columns : as for :func:`summary_lines`.
    """
    lines = [Paragraph(f"{card_title(card)}."), Paragraph()]
    for group in card.cautions:
        lines += block("Mind", [f"{group.title}:", *group.lines])
    if not card.power_ons:
        lines += block("Next", ["Nothing that filming could settle is open."])
        return laid_out(lines + file_lines(out_folder, CARD_NAME), columns)
    lines += block("First", card.before)
    for number, one in enumerate(card.power_ons, 1):
        which = f"Power-on {number}: {one.title}" if len(card.power_ons) > 1 else one.title
        lines += [Paragraph(), Paragraph(f"{which}, about {one.minutes} min"), *block("", one.notes)]
        for place, step in enumerate(one.steps, 1):
            lines += block(f"{place}.", _step_sentences(step))
    if card.instead:
        lines += [Paragraph(), Paragraph("Where the camera cannot be turned over")]
        for other in card.instead:
            lines += [
                *block("or", [other.how, f"Mind: {other.caution}."]),
                *(Paragraph(line, " " * (INDENT + 2), " " * (INDENT + 4)) for line in other.sheet),
            ]
    lines += [Paragraph(), *block("Sheet", [sheet_sentence()])]
    if not card.lacking:
        lines += block("Reach", [reach_sentence(card)])
    lines += block("Rules", [f"{AIRWORTHY} {LOCAL_RULES}"])
    return laid_out(lines + file_lines(out_folder, CARD_NAME), columns)


def starter_lines(started: Started, *, columns: int = COLUMNS) -> list[str]:
    """What a new sheet was made of, what is assumed in it, and what to run next.

    columns : as for :func:`summary_lines`.
    """
    blocks = [one for name, said in started.said for one in block(name, said)]
    return laid_out([Paragraph(f"{started.path} is written."), Paragraph(), *blocks], columns)


def _step_sentences(step: Step) -> list[str]:
    shot = step.shot
    tells = f"Why: {step.because}. Then: {step.reaches}." if step.because else f"Tells {shot.tells}."
    head = f"{shot.title[0].upper()}{shot.title[1:]}, {shot.seconds} s. {shot.how}"
    return [head, tells, f"Mind: {shot.caution}.", f"Sheet: {'  '.join(step.sheet)}"]


def _next_lines(material: Material) -> list[Paragraph]:
    """Cautions, then the numbered steps."""
    verdict, shoot = material.verdict, material.shoot
    action = action_advice(verdict.action, shoot.rig_kind, trim_deg=shoot.trim_deg)
    shot = (
        shot_advice(verdict.next_shot, shoot.rig_kind, indoors=shoot.indoors)
        if verdict.next_shot
        else Advice("", ())
    )
    title = f"{action.title}: {shot.title}" if shot.title else action.title
    cautions = [f"Mind: {caution}" for caution in action.cautions + shot.cautions]
    steps = [f"{number}. {step}" for number, step in enumerate(action.steps + shot.steps, 1)]
    after = [contents.afterwards(material)]
    return block("Next", [title, *cautions, *steps, *after, *([AIRWORTHY] if cautions else [])])


def _history_sentences(material: Material) -> list[str]:
    """How many shoots of the rig are on record, and the most telling of what they say."""
    story = rig_story(material)
    if story is None or len(story.shoots) < 2:
        return []
    return [f"{len(story.shoots)} shoots of {story.rig}, this one included", *rig_sentences(story)[:2]]


def _editor_lines(material: Material) -> list[Paragraph]:
    rows = [row for row in contents.turn_rows(material) if row.cost]
    said = [f"{row.clip}, {row.times}: turn {row.turn}, costs {row.cost}" for row in rows[:MOST_TURNS]]
    if len(rows) > MOST_TURNS:
        said.append(f"and more, in corrections.csv: {len(rows)} to turn in all")
    return block("Editor", said)


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
