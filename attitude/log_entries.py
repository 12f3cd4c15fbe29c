"""Entries of one ``[[log]]`` of a new sheet, after its ways to be read were tried against the footage.

An entry is *tested* only where no other reading is left: a sign by a movement that tells, a unit because the
footage fits in no other, an axis because the board can sit in no other way. What is open stays assumed, and
says so.
"""

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from attitude.belongs import NOT_VERIFIED, VERIFIED
from attitude.columns import recognise
from attitude.entries import OTHER_BODIES
from attitude.frames import camera_angles_deg
from attitude.guess import CHECK_OWNER, attitude_rows
from attitude.guess_board import Guess, board, slow
from attitude.log import attitude_at
from attitude.mapping import TIME_UNITS_S, numbers, time_stamps
from attitude.placing import Place
from attitude.readings import times_words
from attitude.sheet import LogSheet
from attitude.trial import LogFile, Tried
from horizon.measure import ClipTrack

__all__ = ["BESIDE", "SIGN_KEYS", "log_guesses", "log_remarks", "size_words"]

Array = NDArray[np.float64]

SIGN_KEYS = {
    "roll_positive": "or left_down",
    "pitch_positive": "or down",
    "yaw_positive": "or left",
    "angle_order": "or yaw_roll_pitch; matters when tilted",
    "quaternion_of": "or other frames",
}
ROLL_UNPROVEN = "the camera did not roll: turn it by hand to see"
NAMES = ("roll", "pitch", "yaw", "quaternion")
BESIDE = "beside the footage: "
COARSE_DEG = 0.05
FROM_BOOT_S = 60.0
BANKS_FROM_DEG, BANKS_TO_DEG, BANKS_SHARE = 8.0, 60.0, 0.05
LEVEL_TELLS_DEG, LEVEL_NEAR_DEG = 5.0, 3.0


def log_guesses(
    tried: Tried, index: int, tracks: Mapping[str, ClipTrack], places: Mapping[str, Place]
) -> list[Guess]:
    """Entries of one log of those tried, ``file`` apart, in the order of the sheet.

    places : of the clips that lie in this log.
    """
    file, columns = tried.files[index], tried.way.columns
    read = [_after_trial(guess, tried, index) for guess in tried.way.guesses if guess.key not in SIGN_KEYS]
    signs = _signs(tried, tried.logs[index].has_yaw)
    if "pitch_positive" in {guess.key for guess in signs}:
        signs = [_by_level(guess, tried, index, tracks, places) for guess in signs]
    values = {guess.key: guess.value for guess in (*read, *signs)}
    sheet = LogSheet(file.path, **values)  # type: ignore[arg-type]
    known = recognise(file.table.names, file.table.units)
    known = tuple(c for c in known if file.table.names.count(c.name) == 1 and c.name in file.table.cells)
    raw, rows = attitude_rows(file.table, columns)
    if not rows.any():
        return [*read, *signs]
    angles_deg = camera_angles_deg(sheet, raw[rows])
    fast = board(file.table, known, _seconds(file, sheet)[rows], angles_deg, rows)
    return [*read, *signs, *fast, *slow(file.table, known), _power_on(tried, index)]


def _power_on(tried: Tried, index: int) -> Guess:
    """Power-on as a comment: a clock that begins near 0 may count from it, or from when logging began."""
    first_s = float(tried.logs[index].table["t_s"].iloc[0])
    near = 0 <= first_s < FROM_BOOT_S
    why = f"its time begins at {first_s:.1f} s" if near else "log time of power-on, for warming up"
    return Guess(
        "powered_on_s", 0.0, "assumed", f"{why}; not known to be power-on" if near else why, aside=True
    )


def _seconds(file: LogFile, sheet: LogSheet) -> Array:
    if sheet.time_unit != "iso8601":
        return numbers(file.table, sheet.time) * TIME_UNITS_S[sheet.time_unit]
    names = [sheet.time] if sheet.time in file.table.cells else sheet.time.split(" + ")
    stamp = time_stamps(file.table, names)["stamp"]
    return np.where(stamp.isna(), np.nan, stamp.astype("int64") / 1e9)


def _after_trial(guess: Guess, tried: Tried, index: int) -> Guess:
    """An entry with what the trial says of it."""
    if guess.key == "attitude_of":
        return _owner(guess, tried, index)
    if guess.key in NAMES:
        others = tried.alike or _like_named(tried, tried.files[index])
        if others:
            fits = "fits as well" if tried.alike else "has a name as good, and nothing moved that would tell"
            return replace(guess, ground="assumed", why=f"or the set of {others[0]}, which {fits}")
    if guess.ground == "assumed" and tried.clocks and guess.key in tried.tested:
        return replace(guess, ground="tested", why=f"the footage fits in no other way ({guess.why})")
    return guess


def _like_named(tried: Tried, file: LogFile) -> list[str]:
    """First columns of other sets that neither names nor footage told from the one taken."""
    if tried.clocks:
        return []
    ways = [way for way in file.ways if way.rank == tried.way.rank]
    return [way.columns[0] for way in ways if set(way.columns) != set(tried.way.columns)]


def _owner(guess: Guess, tried: Tried, index: int) -> Guess:
    """Whose attitude it is; never tested, since joints and commands may move like the camera."""
    if guess.ground == "told" or guess.value == "commanded":
        return guess
    if tried.body in (*OTHER_BODIES, "commanded"):
        why = "as the footage looks beside it" if guess.value == "unknown" else "in spite of its name"
        return replace(guess, value=tried.body, ground="assumed", why=f"{why}: {_sentence(tried.verdict)}")
    if (
        tried.clocks
        and tried.tilted
        and tried.verdict in (VERIFIED, NOT_VERIFIED)
        and guess.value == "unknown"
    ):
        how = "rolls" if tried.verdict == VERIFIED else "tilts"
        why = f"it {how} with the picture; joint angles or commands may, too; {CHECK_OWNER}"
        return replace(guess, value="camera_sensor", why=why)
    leans = np.abs(tried.logs[index].table["roll_deg"].to_numpy(float))
    if guess.value == "unknown" and np.mean((leans > BANKS_FROM_DEG) & (leans < BANKS_TO_DEG)) > BANKS_SHARE:
        return replace(guess, why=f"it rolls as an aircraft does; {guess.why}")
    return guess


def _sentence(verdict: str) -> str:
    """A verdict without the clip's name before it."""
    return verdict.split(": ", 1)[-1]


def _signs(tried: Tried, has_yaw: bool) -> list[Guess]:
    """Entries for signs, order and frames: as the footage says, else assumed and said to be unproven."""
    quaternion = "quaternion" in tried.way.values
    keys = ["quaternion_of"] if quaternion else [key for key in SIGN_KEYS if key != "quaternion_of"]
    found = []
    for key in keys:
        if key == "yaw_positive" and not has_yaw:
            continue
        answers = [reading for reading in tried.readings if reading.key == key]
        fits = {reading.fits for reading in answers if reading.fits}
        value = _in_force(tried, key)
        guessed = next((guess for guess in tried.way.guesses if guess.key == key), None)
        if len(fits) == 1:
            best = max((r for r in answers if r.fits), key=lambda reading: reading.times)
            why = f"the footage fits it {times_words(best.times)} times better than {best.rival}"
            if key in tried.proven:
                found.append(Guess(key, best.fits, "tested", why))
            else:
                also = f"{why}; unproven: with other signs turned as well it fits {best.rival} too"
                found.append(Guess(key, best.fits, "assumed", also))
        elif guessed is not None and guessed.value == value and guessed.ground == "tested":
            found.append(guessed)
        else:
            why = next((reading.why for reading in answers if reading.why), "")
            why = ROLL_UNPROVEN if key == "roll_positive" and not fits else why or "nothing was compared"
            tilt = key == "pitch_positive" and "tilt" in str(tried.way.values["pitch"]).lower()
            other = "or down, as a tilt often counts" if tilt else SIGN_KEYS[key]
            found.append(Guess(key, value, "assumed", f"{other}; unproven: {why}"))
    return found


def _in_force(tried: Tried, key: str) -> str:
    """Value of an entry in the logs as they were settled; the default where they disagree."""
    values = {str(getattr(sheet, key)) for sheet in tried.sheets}
    return values.pop() if len(values) == 1 else str(getattr(LogSheet, key))


def _by_level(
    guess: Guess, tried: Tried, index: int, tracks: Mapping[str, ClipTrack], places: Mapping[str, Place]
) -> Guess:
    """The sign of pitch where nothing tilted, by the level of pitch in picture and log."""
    if guess.key != "pitch_positive" or guess.ground == "tested":
        return guess
    agree = []
    for name, place in places.items():
        track = tracks.get(name)
        table = None if track is None else track.track.dropna(subset=["pitch_deg"])
        if table is None or place.start_s is None or not len(table) or (track and track.sky == "unknown"):
            continue
        logged = attitude_at(tried.logs[index], table["t_s"].to_numpy(float) + place.start_s)["pitch_deg"]
        if logged.notna().any():
            picture_deg, log_deg = float(table["pitch_deg"].median()), float(logged.median())
            if abs(picture_deg) > LEVEL_TELLS_DEG and abs(abs(picture_deg) - abs(log_deg)) < LEVEL_NEAR_DEG:
                agree.append((picture_deg, log_deg))
    if not agree or len({picture * log > 0 for picture, log in agree}) > 1:
        return guess
    picture_deg, log_deg = agree[0]
    value = str(guess.value)
    if picture_deg * log_deg < 0:
        value = "down" if value == "up" else "up"
    looks = "up" if picture_deg > 0 else "down"
    why = f"the picture looks {abs(picture_deg):.0f} deg {looks} and the log as far; unproven: nothing tilted"
    return replace(guess, value=value, why=why)


def log_remarks(tried: Tried, index: int) -> list[str]:
    """What else the sheet should say of a log, as comments."""
    log = tried.logs[index]
    said = [note for note in log.notes if not note.startswith("tested: ")]
    if log.rounding_deg >= COARSE_DEG:
        said.append(f"roll and pitch are rounded to {log.rounding_deg:.2g} deg; that is in the uncertainty")
    if tried.verdict not in (VERIFIED, NOT_VERIFIED):
        said.append(f"{BESIDE}{tried.verdict}")
    return said


def size_words(tried: Tried, index: int) -> str:
    """Rows, length and rate, the rate from changes."""
    file, t_s = tried.files[index], tried.logs[index].table["t_s"].to_numpy(float)
    span_s, rate = t_s[-1] - t_s[0], 1 / float(np.median(np.diff(t_s)))
    rows = f"{len(file.table.cells)} rows" if file.whole else f"over {len(file.table.cells)} rows"
    return f"{rows}, {span_s:.1f} s, {rate:.3g} attitudes a second"
