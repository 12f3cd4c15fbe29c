"""A first sheet for a folder of clips and logs: a commented ``shoot.toml``.

What the files tell is filled in, each entry with the ground it stands on (:mod:`attitude.proposal`); what
only the operator knows is asked where somebody sits at a terminal, and else left as a comment to be filled
in. Of every clip the first minutes are measured, because that is where people film the moves that settle a
log's signs and clock; a log or clip that ``check`` would refuse stands in the sheet as a comment with the
reason.
"""

import re
from collections.abc import Callable, Mapping
from concurrent.futures import Executor
from dataclasses import dataclass
from pathlib import Path

from attitude.files import write_whole
from attitude.guess_board import Guess
from attitude.optics import lens_of
from attitude.progress import Progress, stage
from attitude.proposal import propose
from attitude.sheet import SHEET_NAME, Camera, ClipSheet, read_sheet
from attitude.starter_text import Told, closing_lines, sheet_lines
from attitude.survey import CLIP_ENDINGS, Survey, survey
from horizon.clip import ClipError, probe
from horizon.measure import ClipTrack, measure_clip

__all__ = [
    "Ask",
    "Started",
    "StarterError",
    "Told",
    "ask_operator",
    "look_at",
    "measure_beginnings",
    "write_starter",
]

Ask = Callable[[str], str]

MEASURED_S, LEAST_S, MOST_S = 600.0, 40.0, 180.0  # of footage in all, and of each clip
TRIES = 2  # at an answer that is no number


class StarterError(ValueError):
    """No sheet can be written for the folder; the text names it and the mend."""


@dataclass(frozen=True)
class Started:
    """The sheet that was written, and what to say of it: headings (seven letters at most), sentences."""

    path: Path
    said: tuple[tuple[str, tuple[str, ...]], ...]


# --- looking, asking, measuring ---------------------------------------------------------------------------


def look_at(folder: Path) -> Survey:
    """What lies in a folder, without measuring anything yet.

    Raises
    ------
    StarterError
        No such folder, a sheet is there already, or there is no clip that can be opened.
    """
    target = folder / SHEET_NAME
    if not folder.is_dir():
        raise StarterError(f"{folder}: no such folder; give the folder that holds the clips and logs")
    if target.exists():
        raise StarterError(f"{target}: exists already and is left as it is; edit it, or move it away first")
    found = survey(folder, probe)
    if not found.clips:
        broken = next((one for one in found.aside if one.path.suffix.lower() in CLIP_ENDINGS), None)
        if broken is not None:
            raise StarterError(f"{broken.path.name}: {broken.why}")
        mend = "put the clips and the log of one shoot there"
        raise StarterError(f"{folder}: no clips in it ({', '.join(CLIP_ENDINGS)}); {mend}")
    return found


def ask_operator(ask: Ask | None) -> Told:
    """Field of view and height as somebody tells them; nothing with nobody to ask, or for an empty answer."""
    if ask is None:
        return Told()
    view = _number_told(
        ask, "Field of view across the video, deg (d84: the diagonal is 84; empty: not known)", (0.0, 180.0)
    )
    height = _number_told(
        ask, "Height of the camera above the water or plain, m (empty: not known)", (-1e-9, 20000.0)
    )
    camera, horizon = [], []
    if view is not None:
        key = "diagonal_fov_deg" if view[1] else "hfov_deg"
        camera.append(Guess(key, view[0], "told", "as answered"))
    if height is not None:
        horizon.append(Guess("height_m", height[0], "told", "as answered"))
    return Told(tuple(camera), tuple(horizon))


def _number_told(ask: Ask, question: str, between: tuple[float, float]) -> tuple[float, bool] | None:
    """A number and whether a d stands beside it; None for an answer that is empty or never understood."""
    for _ in range(TRIES):
        answer = ask(question).strip().lower()
        if not answer:
            return None
        found = re.fullmatch(r"(d[a-z]*)?\s*(\d+(?:[.,]\d+)?)\s*(deg|°|m)?\s*(d[a-z]*)?", answer)
        if found is not None and between[0] < float(found[2].replace(",", ".")) < between[1]:
            return float(found[2].replace(",", ".")), bool(found[1] or found[4])
    return None


def measure_beginnings(
    found: Survey, told: Told, *, executor: Executor | None = None, progress: Progress | None = None
) -> dict[str, ClipTrack]:
    """Horizon in the first minutes of every clip, by name; clips that cannot be decoded are left out."""
    camera = camera_of(told)
    each_s = min(MOST_S, max(LEAST_S, MEASURED_S / max(1, len(found.clips))))
    tracks = {}
    for clip in found.clips:
        with stage(progress, f"looking at {clip.path.name}") as share:
            lens = lens_of(clip, camera, ClipSheet((clip.path,))).lens
            try:
                track = measure_clip(clip, lens, until_s=each_s, executor=executor, progress=share)
            except ClipError:
                continue
            tracks[clip.path.name] = track
    return tracks


def camera_of(told: Told) -> Camera:
    """The camera as far as it was told."""
    return Camera(**{guess.key: guess.value for guess in told.camera})  # type: ignore[arg-type]


# --- the sheet --------------------------------------------------------------------------------------------


def write_starter(
    found: Survey, tracks: Mapping[str, ClipTrack], told: Told, *, progress: Progress | None = None
) -> Started:
    """Write ``shoot.toml`` for what lies in a folder.

    tracks : of the clips that were measured, by name; the others are taken as they are. told : by the
    operator.
    """
    with stage(progress, "comparing the logs with the footage") as share:
        plan = propose(found, tracks, camera_of(told), share)
    target = found.folder / SHEET_NAME
    text = "\n".join(sheet_lines(found, plan, told)) + "\n"
    trial = target.with_name(f".{SHEET_NAME}.trial")
    try:
        write_whole(trial, text.encode("utf-8"))
        read_sheet(trial)
    finally:
        trial.unlink(missing_ok=True)
    write_whole(target, text.encode("utf-8"))
    return Started(target, closing_lines(found, plan, told, tracks))
