"""The words of a new sheet, and of what is said at the end: what was found, what is assumed, what to run."""

import datetime as dt
import json
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields
from pathlib import Path
from typing import Any

from attitude.clip_entries import ClipPart
from attitude.guess_board import Guess
from attitude.log_entries import BESIDE, SIGN_KEYS
from attitude.pairs import name_stamp
from attitude.proposal import LogPart, Proposal
from attitude.sheet import CLOCK_SET_YEAR, SHEET_NAME, ClipSheet, LogSheet
from attitude.survey import Survey, shown_path
from horizon.measure import ClipTrack

__all__ = ["Told", "closing_lines", "sheet_lines"]

TOP = """\
# A sheet for the clips and logs of this folder. Behind each entry stands what it rests on:
#   told: a file or the operator says so; tested: the numbers or the footage leave no other reading;
#   assumed: please check.
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
"""
NO_HEIGHT = "# height_m = 40.0              # of the camera above that surface, not above take-off"
NO_FIELD_OF_VIEW = "# hfov_deg = 70.0              # across the width of the video, after its crop"
NO_MOUNT = "# mount_roll_deg = 0           # assumed: 0 | 90 | 180 | 270, how the camera is meant to sit"
CHECKED = frozenset(
    {"attitude_of", "time_unit", "roll", "pitch", "quaternion", "angle_unit", "sensor_axes", *SIGN_KEYS}
)
CLIP_HINTS = """\
# exclude_s = [[0.0, 1.0]]     # clip time to leave out
"""


@dataclass(frozen=True)
class Told:
    """What the operator told when asked: entries of [camera] and [horizon]."""

    camera: tuple[Guess, ...] = ()
    horizon: tuple[Guess, ...] = ()


def _toml(value: Any) -> str:
    """Value as TOML. JSON writes text, numbers and lists alike; only DEL is escaped in TOML alone."""
    listed = list(value) if isinstance(value, tuple) else value
    return json.dumps(listed, ensure_ascii=False).replace("\x7f", "\\u007f")


def _line(guess: Guess) -> str:
    """Entry with its ground. A mere assumption that equals the default stays out of force, and so assumed."""
    default = {f.name: f.default for f in (*fields(LogSheet), *fields(ClipSheet))}.get(guess.key)
    out = guess.aside or (guess.ground == "assumed" and guess.value == default)
    return (
        f"{'# ' if out else ''}{guess.key} = {_toml(guess.value)}".ljust(30)
        + f" # {guess.ground}: {guess.why}"
    )


def _as_comment(lines: Sequence[str]) -> list[str]:
    return ["# " + line.removeprefix("# ") for line in lines]


def sheet_lines(found: Survey, plan: Proposal, told: Told) -> list[str]:
    """Lines of the sheet; a character that no comment may hold, but a name may, becomes a question mark."""
    lines = [
        *TOP.splitlines(),
        _line(Guess("title", found.folder.resolve().name, "assumed", "the folder's name")),
    ]
    lines += [*_date(found), *ABOUT.splitlines()]
    lines += [_line(guess) for guess in told.horizon] or [NO_HEIGHT]
    lines += ["", "[camera]" if told.camera else "[camera]                       # 75 +- 20 deg is assumed"]
    lines += [_line(guess) for guess in told.camera] or [NO_FIELD_OF_VIEW]
    lines += [_line(guess) for guess in plan.camera] or [NO_MOUNT]
    for log in plan.logs:
        lines += _log_lines(log, found.folder)
    if not any(log.used for log in plan.logs):
        lines += ["", "# Without a log the cause of a lean stays open."]
        lines += [] if plan.logs else ["# [[log]]", '# file = "attitude.csv"']
    for clip in plan.clips:
        lines += _clip_lines(clip)
    if plan.aside:
        lines += ["", "# Other files in the folder:"]
        lines += [f"# {shown_path(one.path, found.folder)}: {one.why}" for one in plan.aside]
    return ["".join(c if c.isprintable() else "?" for c in line) for line in lines]


def _date(found: Survey) -> list[str]:
    """The day of the first clip, as its file or its name says; not that of a clock that was never set."""
    made = [
        one.created for one in found.clips if one.created is not None and one.created.year >= CLOCK_SET_YEAR
    ]
    named = [stamp_s for clip in found.clips if (stamp_s := name_stamp(clip.path.stem)) is not None]
    if made:
        day, who = min(made).date(), "by the clip"
    elif named:
        day, who = dt.datetime.fromtimestamp(min(named), dt.UTC).date(), "by the clip's name"
    else:
        return []
    return [f"date = {day.isoformat()}".ljust(31) + f"# told: {who}"]


def _log_lines(log: LogPart, folder: Path) -> list[str]:
    file = Guess("file", shown_path(log.path, folder), "told", log.size)
    entries = [_line(file), *(_line(guess) for guess in log.guesses)]
    remarks = [f"# {remark}" for remark in log.remarks]
    if log.used:
        return ["", *remarks, "[[log]]", *entries]
    return ["", f"# {log.path.name} is not used: {log.why}", *remarks, "# [[log]]", *_as_comment(entries)]


def _clip_lines(clip: ClipPart) -> list[str]:
    entries = [*(_line(guess) for guess in clip.guesses), *CLIP_HINTS.splitlines()]
    if clip.used:
        return ["", "[[clip]]", *entries]
    start = "# log_start_s = 0.0            # log time of its first frame"
    return [
        "",
        f"# {clip.take.name} is not used: {clip.why}. Where you know when it begins in the log, add",
        "# log_start_s and take the # away.",
        "# [[clip]]",
        *_as_comment([*entries, start]),
    ]


# --- what is said about it --------------------------------------------------------------------------------


def closing_lines(
    found: Survey, plan: Proposal, told: Told, tracks: Mapping[str, ClipTrack]
) -> tuple[tuple[str, tuple[str, ...]], ...]:
    """What was found, what is assumed and what to run next: headings and sentences."""
    files, takes = len(found.clips), len(plan.clips)
    clips = [f"{files} file{'' if files == 1 else 's'} in {takes} take{'' if takes == 1 else 's'}"]
    for part in plan.clips:
        if part.take.why:
            names = " + ".join(clip.path.name for clip in part.take.clips)
            clips.append(f"{names}: one take; {part.take.why}")
    blind = (name for name, track in tracks.items() if track.track["roll_deg"].isna().all())
    clips += [f"no horizon was found in {name}" for name in blind]
    logs = []
    for log in plan.logs:
        logs.append(f"{log.path.name}: {log.size if log.used else f'not used: {log.why}'}")
        logs += [
            f"{log.path.name}: {remark}" for remark in log.remarks if log.used and remark.startswith(BESIDE)
        ]
    logs += [f"{one.path.name}: {one.why}" for one in plan.aside]
    pairs = []
    for part in plan.clips:
        if not part.used:
            pairs.append(f"{part.take.name} is left out: {part.why}; add log_start_s to use it")
        elif part.log:
            pairs.append(f"{part.take.name} lies in {part.log} {part.lies}")
    run = f"read {SHEET_NAME} through, then run: horizon-drift check {_quoted(found.folder)}"
    blocks = (
        ("Clips", clips),
        ("Logs", logs or ["none"]),
        ("Pairs", pairs),
        ("Assumed", _assumed(plan, told)),
    )
    return (*((name, tuple(said)) for name, said in blocks if said), ("Next", (run,)))


def _assumed(plan: Proposal, told: Told) -> list[str]:
    """What to check in the sheet, a sentence per log and clip."""
    said = []
    for log in plan.logs:
        guesses = [g for g in log.guesses if log.used and g.ground == "assumed" and g.key in CHECKED]
        unproven = [guess.key for guess in guesses if "unproven" in guess.why]
        others = [f"{g.key} = {_toml(g.value)}" for g in guesses if g.key not in unproven]
        if unproven:
            said.append(f"{log.path.name}: unproven: {', '.join(unproven)}")
        if others:
            said.append(f"{log.path.name}: {', '.join(others)}")
    for part in plan.clips:
        name = part.take.name
        guesses = [g for g in part.guesses if part.used and not g.aside and g.ground == "assumed"]
        said += [f"{name}: {g.key} = {_toml(g.value)}" for g in guesses if g.key not in ("shot", "files")]
        if any(guess.key == "files" for guess in guesses):
            said.append(f"{name}: that {len(part.take.clips)} files are one take")
    said += [f"{guess.key} = {_toml(guess.value)}" for guess in plan.camera]
    if not told.camera:
        said.append("field of view 75 ± 20 deg: state hfov_deg in [camera]")
    if not told.horizon:
        said.append("height above the water not known: state height_m in [horizon] (pitch only)")
    return said


def _quoted(folder: Path) -> str:
    text = str(folder)
    return text if re.fullmatch(r"[\w./\\:-]+", text) else f'"{text}"'
