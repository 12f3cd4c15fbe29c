"""A first sheet for a folder of clips and logs: a commented ``shoot.toml``.

What the files tell is filled in, each entry with the ground it stands on (:mod:`attitude.guess`); what only
the operator knows is left as a comment to be filled in. Every log is read as the new sheet says before the
sheet is written: one that cannot be read stands in it as a comment with the reason.
"""

import json
import os
from collections.abc import Sequence
from dataclasses import fields
from datetime import datetime
from pathlib import Path
from typing import Any, Protocol

from attitude.guess import GuessError, guess_log
from attitude.guess_board import Guess
from attitude.log import LogError, read_log
from attitude.sheet import SHEET_NAME, ClipSheet, LogSheet, read_sheet
from attitude.table import TEXT_SUFFIXES, TableError, read_table

__all__ = ["ClipLike", "StarterError", "write_starter"]

# Enough rows to tell units and axes from.
LOOK_AT_ROWS = 20_000
# A table with these columns was written by this program, not by a sensor.
OWN_TABLES = ({"clip", "frame"}, {"clip", "turn_deg"})

TOP = """\
# A sheet for the clips and logs of this folder. Behind each entry stands what it rests on:
#   told: a file says so itself; tested: the numbers leave no other reading; assumed: please check.
# Lines that begin with # are not in force: take the # away where you know better. An assumed value that is
# shown behind # is the one that is taken without it.
"""
ABOUT = """\
# rig = "..."                  # which gimbal and camera; the history is kept per rig
# rig_kind = "drone"           # drone | handheld | bench
# calibration = "..."          # label of the sensor calibration in force
# trim_deg = 0.0               # horizon trim set on the gimbal, right side down +
# stabilised = true            # if the camera or the edit may have turned the picture
# tolerance_deg = 0.5          # assumed: largest lean that you accept

[horizon]
# surface = "unknown"          # assumed: sea | plain | lake | hills | unknown
# height_m = 40.0              # of the camera above that surface

[camera]                       # without a field of view 75 +- 20 deg is assumed
# hfov_deg = 70.0              # across the width of the video, after its crop
# mount_roll_deg = 0           # assumed: 0 | 90 | 180 | 270, how the camera is meant to sit
"""
LOG_HINTS = """\
# powered_on_s = 0.0           # log time of power-on, for warming up
"""
CLIP_HINTS = """\
# log_start_s = 0.0            # log time of the first frame; else it is found by motion
# files = ["a.mp4", "b.mp4"]   # instead of file, for one take that was cut into several
"""


class StarterError(ValueError):
    """No sheet can be written for the folder; the text names it and the mend."""


class ClipLike(Protocol):
    """What is asked of a probed clip."""

    @property
    def path(self) -> Path: ...  # noqa: D102
    @property
    def width_px(self) -> int: ...  # noqa: D102
    @property
    def height_px(self) -> int: ...  # noqa: D102
    @property
    def duration_s(self) -> float: ...  # noqa: D102
    @property
    def fps(self) -> float: ...  # noqa: D102
    @property
    def created(self) -> datetime | None: ...  # noqa: D102


def _toml(value: Any) -> str:
    """Value as TOML. JSON writes text, numbers and lists alike; only DEL is escaped in TOML alone."""
    listed = list(value) if isinstance(value, tuple) else value
    return json.dumps(listed, ensure_ascii=False).replace("\x7f", "\\u007f")


def _line(guess: Guess) -> str:
    """Entry with its ground. A mere assumption that equals the default stays out of force, and so assumed."""
    default = {f.name: f.default for f in (*fields(LogSheet), *fields(ClipSheet))}.get(guess.key)
    aside = "# " if guess.ground == "assumed" and guess.value == default else ""
    return f"{aside}{guess.key} = {_toml(guess.value)}".ljust(30) + f" # {guess.ground}: {guess.why}"


def _relative(path: Path, folder: Path) -> str:
    path = path.resolve()
    return (path.relative_to(folder.resolve()) if path.is_relative_to(folder.resolve()) else path).as_posix()


def _log_section(path: Path, longest_clip_s: float) -> list[str]:
    """Lines of a [[log]], as a comment with the reason where it cannot be read; none for our own tables."""
    try:
        table = read_table(path, max_rows=LOOK_AT_ROWS)
        if any(own <= set(table.names) for own in OWN_TABLES):
            return []
        whole = len(table.cells) < LOOK_AT_ROWS
        guesses = guess_log(table, longest_clip_s if whole else 0.0)
    except (TableError, GuessError) as error:
        return ["", f"# {path.name} is not used as a log: {str(error).removeprefix(path.name + ': ')}"]
    file = Guess("file", path.name, "told", f"{len(table.cells)} rows{'' if whole else ' looked at'}")
    lines = [_line(file), *(_line(guess) for guess in guesses), *LOG_HINTS.splitlines()]
    values: dict[str, Any] = {guess.key: guess.value for guess in guesses}
    try:
        read_log(LogSheet(path, **values, given=frozenset(values)))
    except LogError as error:
        return ["", f"# {error}", "# [[log]]", *("# " + line.removeprefix("# ") for line in lines)]
    return ["", "[[log]]", *lines]


def _clip_section(clip: ClipLike, folder: Path) -> list[str]:
    facts = f"{clip.width_px} x {clip.height_px}, {clip.fps:.5g} frames a second, {clip.duration_s:.1f} s"
    return [
        "",
        "[[clip]]",
        _line(Guess("file", _relative(clip.path, folder), "told", facts)),
        _line(
            Guess(
                "shot", "ordinary", "assumed", "hover | pan | upside_down | half_turn | turns | tilt | wiggle"
            )
        ),
        *CLIP_HINTS.splitlines(),
    ]


def write_starter(folder: Path, clips_facts: Sequence[ClipLike]) -> Path:
    """Write ``shoot.toml`` for the clips given and the logs found in a folder; return its path.

    Raises
    ------
    StarterError
        No such folder, a sheet is there already, or there is no clip.
    """
    target = folder / SHEET_NAME
    if not folder.is_dir():
        raise StarterError(f"{folder}: no such folder; give the folder that holds the clips and logs")
    if target.exists():
        raise StarterError(f"{target}: exists already and is left as it is; edit it, or move it away first")
    if not clips_facts:
        raise StarterError(f"{folder}: no clips in it; put the clips and the log of one shoot there")
    longest_clip_s = max(clip.duration_s for clip in clips_facts)
    stamps = [clip.created for clip in clips_facts if clip.created is not None]

    lines = [
        *TOP.splitlines(),
        _line(Guess("title", folder.resolve().name, "assumed", "the name of the folder")),
    ]
    if stamps:
        lines.append(f"date = {min(stamps).date().isoformat()}".ljust(31) + "# told: by the clip")
    lines += ABOUT.splitlines()
    tables = (p for p in folder.iterdir() if p.suffix.lower() in TEXT_SUFFIXES and p.is_file())
    logs = sorted(p for p in tables if not p.name.startswith("."))
    sections = [_log_section(path, longest_clip_s) for path in logs]
    count = sum("[[log]]" in section for section in sections)
    if count > 1:
        lines += [
            "",
            "# Several logs: keep those of the camera's own sensor, one for each time it was powered on.",
        ]
    elif count == 0:
        sections.append(
            ["", "# [[log]]", '# file = "attitude.csv"      # without a log the cause of a lean stays open']
        )
    for section in sections:
        lines += section
    for clip in clips_facts:
        lines += _clip_section(clip, folder)

    part = target.with_name(SHEET_NAME + ".part")
    try:
        # Control characters, which a column name may hold, are not allowed in a comment.
        text = "\n".join("".join(c if c.isprintable() or c == " " else "?" for c in line) for line in lines)
        part.write_text(text + "\n", encoding="utf-8")
        read_sheet(part)
        os.replace(part, target)
    finally:
        part.unlink(missing_ok=True)
    return target
