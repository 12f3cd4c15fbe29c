"""Entries of one ``[[clip]]`` of a new sheet, and what the pictures tell of how the camera sits."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path

from attitude.guess_board import Guess
from attitude.pairs import Take
from attitude.placing import MEASURED, Place
from attitude.survey import shown_path
from attitude.trial import Tried

__all__ = ["ClipPart", "clip_part", "turned_entries"]

SHOTS = "hover | pan | upside_down | half_turn | turns | tilt | wiggle"


@dataclass(frozen=True)
class ClipPart:
    """One take of the sheet. used, why : as of a log. log : where it lies, "" for none. lies : how known."""

    take: Take
    guesses: tuple[Guess, ...]
    used: bool = True
    why: str = ""
    log: str = ""
    lies: str = ""


def turned_entries(taken: Sequence[Tried]) -> dict[str, Guess]:
    """Entries for clips whose picture stands turned against the log, by name: of the mount if all do."""
    found: dict[str, Guess] = {}
    for one in taken:
        apart = {turn for turn, _ in one.turned_deg.values()}
        level = all(own == 0 for _, own in one.turned_deg.values())
        mounted = len(apart) == 1 and level and set(one.turned_deg) == set(one.clocks)
        for name, (turn, own) in one.turned_deg.items():
            if mounted:
                why = f"every picture stands turned by {turn:g} deg while the log says level"
                found[name] = Guess("mount_roll_deg", int(turn), "assumed", why)
            else:
                why = (
                    f"the log says {own:g}, the picture {(own + turn) % 360:g}: your camera turned it itself"
                )
                found[name] = Guess("picture_turned_deg", int(-turn % 360), "assumed", why)
    return found


def clip_part(
    take: Take,
    logs: Sequence[str],
    placed: Mapping[str, Place],
    turned: Mapping[str, Guess],
    scales: Mapping[str, float],
    folder: Path,
) -> ClipPart:
    """One take of the sheet.

    logs : names of those in force, empty where the clips are compared with none. placed : places of the
    clips that were measured, by name; turned, scales : entries and time scales of clips by name.
    """
    names = [clip.path.name for clip in take.clips]
    first = take.clips[0]
    facts = f"{first.width_px} x {first.height_px}, {first.fps:.5g} frames a second, {take.duration_s:.1f} s"
    shown = tuple(shown_path(clip.path, folder) for clip in take.clips)
    if len(names) == 1:
        guesses = [Guess("file", shown[0], "told", facts)]
    else:
        guesses = [Guess("files", shown, take.ground, f"{take.why}; {facts}")]
    guesses.append(Guess("shot", "ordinary", "assumed", SHOTS))
    scale = next((scales[name] for name in names if name in scales), 1.0)
    if scale != 1.0:
        why = "slowed down: its motion fits the log at this speed only"
        guesses.append(Guess("time_scale", scale, "tested", why))
    guesses += [turned[n] for n in names[:1] if n in turned and turned[n].key == "picture_turned_deg"]
    known = [(i, placed[name]) for i, name in enumerate(names) if name in placed and placed[name].known]
    if not logs or not any(name in placed for name in names):
        return ClipPart(take, tuple(guesses))
    if not known:
        why = next(placed[name].why for name in names if name in placed)
        return ClipPart(take, tuple(guesses), False, why)
    part, place = min(known, key=lambda one: (one[1].how not in MEASURED, one[0]))
    log = logs[place.log] if place.log is not None else ""
    lies = place.why
    if place.start_s is not None:
        start_s = place.start_s - scale * sum(clip.duration_s for clip in take.clips[:part])
        ground = "assumed" if place.how == "stamps" else "tested"
        # What the motion alone tells is found again, and closer, when the whole clip is measured.
        start = Guess("log_start_s", round(start_s, 2), ground, place.why, aside=place.how == "motion")
        guesses.append(start)
        lies = f"from {start_s:.1f} s on, {place.why}"
    return ClipPart(take, tuple(guesses), True, "", log, lies)
