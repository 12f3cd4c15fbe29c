"""What the terminal says, as plain lines of at most 80 columns: the verdict first, the files last.

No colour and no cursor codes: whoever prints may style the lines. Text that comes from a sheet or a file name
loses its control characters, because a terminal would obey them.
"""

from __future__ import annotations

import os
import textwrap
from collections.abc import Iterable
from dataclasses import replace
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

if TYPE_CHECKING:
    from horizon.measure import ClipTrack

__all__ = ["COLUMNS", "card_lines", "measure_lines", "summary_lines"]

COLUMNS = 80
INDENT = 9
MOST_TURNS = 4


def summary_lines(material: Material, out_folder: Path) -> list[str]:
    """The result of one shoot.

    out_folder : where its files were written.
    """
    verdict, shoot = material.verdict, material.shoot
    title = textwrap.shorten(contents.printable(shoot.title), 60, placeholder="...")
    lines = [*_wrapped(f"{title}: {verdict.headline}."), ""]
    rows = contents.lean_rows(material)
    known = [row for row in rows if row.estimate is not None]
    lines += _block("Lean", [f"{row.name}: {row.words}" for row in known or rows[:1]])
    lines += _block("Why", contents.reasons(material))
    lines += _next_lines(material)
    lines += _block("Open", [contents.sum_sentence(one) for one in material.causes.undetermined])
    lines += _editor_lines(material)
    damage = [f"{track.clip} is damaged: {track.damage}" for track in material.tracks if track.damage]
    lines += _block("Checked", [contents.self_check_sentence(material)])
    lines += _block("Notes", [*damage, contents.frames_sentence(material), *shoot.notes])
    lines += _file_lines(out_folder, ("report.html", "result.json", "frames.csv", "corrections.csv"))
    return lines


def measure_lines(track: ClipTrack, out_folder: Path, hfov_deg: float | None) -> list[str]:
    """The horizon in one clip without a log.

    hfov_deg : field of view that was told; None when it was assumed.
    """
    table = track.track
    measured = table.dropna(subset=["roll_deg"])
    facts = track.facts
    lines: list[str] = []
    kept = _frames_of(track)
    if kept.empty:
        lines += [*_wrapped(f"{track.clip}: no horizon was measured in it."), ""]
    else:
        lines += _wrapped(f"{track.clip}: {contents.usual_lean_words(kept)}.")
        low, high = np.quantile(kept["tilt_deg"], [0.05, 0.95])
        pitch = float(measured["pitch_deg"].median())
        held = [
            f"nine tenths of the frames between {_side(low)} and {_side(high)}",
            f"pitch: lens {'up' if pitch >= 0 else 'down'} by {abs(pitch):.1f} deg (median; needs the lens)",
        ]
        if track.sky == "unknown":
            held.append("the picture does not tell which half is sky: the camera may be upside down")
        lines += ["", *_block("Lean", held)]
    assumed = "75 deg across the picture, assumed; tell it with --hfov-deg"
    view = assumed if hfov_deg is None else f"{hfov_deg:g} deg across the picture"
    size = f"{facts.width_px} x {facts.height_px}, {facts.duration_s:.1f} s, {facts.fps:.4g} frames a second"
    lines += _block("Clip", [size, f"field of view: {view}"])
    refused = table.loc[table["roll_deg"].isna(), "reason"].value_counts()
    frames = [f"{track.frames_read} read, {len(table)} looked at, {len(measured)} measured"]
    frames += [f"{count} not measured: {why or 'no reason given'}" for why, count in refused.items()]
    lines += _block("Frames", frames)
    lines += _block("Notes", [f"damaged: {track.damage}"] if track.damage else [])
    lines += _file_lines(out_folder, ("frames.csv",))
    return lines


def card_lines(card: Protocol, out_folder: Path) -> list[str]:
    """The test shoot: cautions, then what to film on each power-on.

    out_folder : where its page was written.
    """
    lines = [*_wrapped(f"{card_title(card)}."), ""]
    for group in card.cautions:
        lines += _block("Mind", [f"{group.title}:", *group.lines])
    if not card.power_ons:
        lines += _block("Next", ["Nothing that filming could settle is open."])
        return lines + _file_lines(out_folder, (CARD_NAME,))
    lines += _block("First", card.before)
    for number, one in enumerate(card.power_ons, 1):
        which = f"Power-on {number}: {one.title}" if len(card.power_ons) > 1 else one.title
        lines += ["", *_wrapped(f"{which}, about {one.minutes} min"), *_block("", one.notes)]
        for place, step in enumerate(one.steps, 1):
            lines += _block(f"{place}.", _step_sentences(step))
    if card.instead:
        lines += ["", *_wrapped("Where the camera cannot be turned over")]
        for other in card.instead:
            lines += [
                *_block("or", [other.how, f"Mind: {other.caution}."]),
                *(" " * (INDENT + 2) + line for line in other.sheet),
            ]
    lines += ["", *_block("Sheet", [sheet_sentence()])]
    if not card.lacking:
        lines += _block("Reach", [reach_sentence(card)])
    lines += _block("Rules", [f"{AIRWORTHY} {LOCAL_RULES}"])
    return lines + _file_lines(out_folder, (CARD_NAME,))


def _step_sentences(step: Step) -> list[str]:
    shot = step.shot
    tells = f"Why: {step.because}. Then: {step.reaches}." if step.because else f"Tells {shot.tells}."
    head = f"{shot.title[0].upper()}{shot.title[1:]}, {shot.seconds} s. {shot.how}"
    return [head, tells, f"Mind: {shot.caution}.", f"Sheet: {'  '.join(step.sheet)}"]


def _next_lines(material: Material) -> list[str]:
    """Cautions, then the numbered steps."""
    verdict, shoot = material.verdict, material.shoot
    action = action_advice(verdict.action, shoot.rig_kind, trim_deg=shoot.trim_deg)
    shot = shot_advice(verdict.next_shot, shoot.rig_kind) if verdict.next_shot else Advice("", ())
    title = f"{action.title}: {shot.title}" if shot.title else action.title
    cautions = [f"Mind: {caution}" for caution in action.cautions + shot.cautions]
    steps = [f"{number}. {step}" for number, step in enumerate(action.steps + shot.steps, 1)]
    after = [contents.afterwards(material)]
    return _block("Next", [title, *cautions, *steps, *after, *([AIRWORTHY] if cautions else [])])


def _editor_lines(material: Material) -> list[str]:
    rows = [row for row in contents.turn_rows(material) if row.cost]
    said = [f"{row.clip}, {row.times}: turn {row.turn}, costs {row.cost}" for row in rows[:MOST_TURNS]]
    if len(rows) > MOST_TURNS:
        said.append(f"and more, in corrections.csv: {len(rows)} stretches in all")
    return _block("Editor", said)


def _file_lines(folder: Path, names: Iterable[str]) -> list[str]:
    """Where the files are, by the shorter of the two ways to say it."""
    try:
        there = min(str(folder), os.path.relpath(folder), key=len)
    except ValueError:  # another drive has no relative path
        there = str(folder)
    return _block("Files", [f"in {there}", ", ".join(names)])


def _frames_of(track: ClipTrack) -> pd.DataFrame:
    """Frames of a clip for which no sheet was written, those turned on purpose left out."""
    bare = Shoot(
        folder=Path(), path=Path(track.clip), title="", clips=(ClipSheet(files=(Path(track.clip),)),)
    )
    # Which half is sky changes the pose only, which is said beside the lean.
    return footage_roll([replace(track, sky="picture")], bare, None)


def _side(tilt_deg: float) -> str:
    if round(abs(tilt_deg), 2) == 0:
        return "level"
    return f"{'right' if tilt_deg > 0 else 'left'} side low by {abs(tilt_deg):.2f} deg"


def _block(name: str, sentences: Iterable[str]) -> list[str]:
    """A name in the margin and its sentences, one a line; nothing when there are none."""
    lines: list[str] = []
    for sentence in sentences:
        if not sentence:
            continue
        first = f"{name:<{INDENT}}" if not lines else " " * INDENT
        lines += _wrapped(sentence, first, " " * (INDENT + 2))
    return lines


def _wrapped(text: str, first: str = "", then: str = "") -> list[str]:
    return textwrap.wrap(
        contents.printable(text),
        COLUMNS,
        initial_indent=first,
        subsequent_indent=then,
        break_on_hyphens=False,
    )
