"""How a log is to be read: signs, order of angles, direction of a quaternion, tested against the footage.

The table of a log holds the camera's angles in the reading that the sheet states or leaves assumed. They are
turned back into what the log itself held, read in every other way, and laid against the footage's roll and
pitch and the picture's pan rate at the clocks that were found. A reading is better only where it can be: two
of them are compared over the frames in which they differ by ``APART`` and by several times the misfit of the
better one, and one of them is believed when the other's rms misfit there is ``DECISIVE`` times as large (a
field of view that is guessed scales pitch and pan by up to a third: that is a ratio of five).

Left out of the misfit: the median of roll and of pitch over all clips (the lean), and quarter turns of the
roll, because cameras put pictures upright themselves. Only of a quaternion is a pitch that is off by more
than ``STEEP_DEG`` throughout a misfit too: its axes are mistaken, not its sensor. Clips in which nothing
tells sky from ground say nothing here, because the log itself was asked which way up they are.

What the sheet only assumes follows the footage; what it tells is never overridden: then nothing is inferred.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from attitude.clock import ClockError, align
from attitude.entries import OTHER_BODIES, QUATERNIONS
from attitude.frames import CAMERA_TO_BODY, ENU_TO_NED, camera_angles_deg, rotation_from_angles
from attitude.log import AttitudeLog, attitude_at
from attitude.sheet import LogSheet, Shoot
from attitude.takes import counted
from horizon.angles import wrap_deg

if TYPE_CHECKING:
    from attitude.clock import ClockFit
    from horizon.measure import ClipTrack

__all__ = [
    "DECISIVE",
    "Reading",
    "Settled",
    "contradiction",
    "reread_deg",
    "settle",
    "times_words",
    "with_readings",
]

Array = NDArray[np.float64]

SIGNS = {
    "roll_positive": ("right_down", "left_down"),
    "pitch_positive": ("up", "down"),
    "yaw_positive": ("right", "left"),
    "angle_order": ("yaw_pitch_roll", "yaw_roll_pitch"),
}
QUATERNION = {"quaternion_of": QUATERNIONS}
TURNING = ("quaternion_of", "angle_order")  # what turns one angle into another
SIGNALS = ("roll", "pitch", "pan")
APART = {"roll": 1.0, "pitch": 1.0, "pan": 4.0}  # deg, deg, deg/s
FLOOR = {"roll": 0.05, "pitch": 0.05, "pan": 0.5}  # finer than this no misfit is known
TIMES_MISFIT = 4.0
DECISIVE = 3.0
FEWEST_FRAMES = 8
STEEP_DEG = 30.0
WRITE_IT = "write it into its [[log]]"
KEPT = 0.98  # the rest may be misread frames


@dataclass(frozen=True)
class Reading:
    """One entry of a ``[[log]]`` that says how to read it, and what the footage says of it.

    value : what is in force. told : whether the sheet states it. fits : what the footage supports decisively,
    "" where it does not tell. times : rms misfit of ``rival`` over that of ``fits``; it is the next best,
    or ``value`` where the footage is against that. why : where it does not tell, why not.
    """

    log: str
    key: str
    value: str
    told: bool
    fits: str = ""
    times: float = 1.0
    rival: str = ""
    why: str = ""

    @property
    def against(self) -> bool:
        """Whether the footage supports another value than the one in force."""
        return self.fits not in ("", self.value)

    @property
    def basis(self) -> str:
        """What the value in force rests on: told | tested | assumed."""
        return "tested" if self.fits == self.value else "told" if self.told else "assumed"


@dataclass(frozen=True)
class Settled:
    """Logs in the readings that the footage supports, the sheet that says so, and where the clips lie."""

    shoot: Shoot
    logs: tuple[AttitudeLog, ...]
    clocks: tuple[ClockFit, ...]
    readings: tuple[Reading, ...] = ()


def settle(tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot) -> Settled:
    """Lay the clips against the logs, in other readings than the assumed ones where the footage wants it.

    Raises
    ------
    ClockError
        A clip has no place in the logs, in whichever way they are read.
    """
    try:
        here = Settled(shoot, tuple(logs), align(tracks, logs, shoot))
        if not all(clock.own_scale for clock in here.clocks):
            here = _placed_otherwise(tracks, logs, shoot) or here
    except ClockError:
        placed = _placed_otherwise(tracks, logs, shoot)
        if placed is None:
            raise
        here = placed
    asked = here
    found: list[Reading] = []
    for index, sheet in enumerate(here.shoot.logs):
        said = list(_readings(index, tracks, here))
        found += said
        wrong = [one for one in said if one.against and not one.told]
        if wrong:
            changes: dict[str, Any] = {one.key: one.fits for one in wrong}
            other = _read_as(here, index, replace(sheet, **changes), [_changed(one) for one in wrong])
            try:
                here = replace(other, clocks=align(tracks, other.logs, other.shoot))
            except ClockError:
                continue
    # Of a log that is read otherwise all is asked again.
    return replace(here, readings=tuple(found)) if here is asked else with_readings(tracks, here)


def with_readings(tracks: Sequence[ClipTrack], here: Settled) -> Settled:
    """The same with what the footage says of every entry, by the clocks that are there."""
    found = [one for index in range(len(here.logs)) for one in _readings(index, tracks, here)]
    return replace(here, readings=tuple(found))


def proven(tracks: Sequence[ClipTrack], here: Settled) -> tuple[frozenset[str], ...]:
    """Of each log the entries of which another value fits decisively worse, whatever the other entries say.

    Readings are compared entry by entry; two that are turned at once may undo each other, as the order of
    angles and the sign of pitch do in a picture that is upside down.
    """
    out = []
    for index, (log, sheet) in enumerate(zip(here.logs, here.shoot.logs, strict=True)):
        questions, seen = _questions(sheet, log), _seen(index, tracks, here)
        if seen is None:
            out.append(frozenset[str]())
            continue
        ways = [dict(zip(questions, values, strict=True)) for values in product(*questions.values())]
        stated = seen.gaps(sheet)
        times = [_compared(stated, seen.gaps(replace(sheet, **way))) or 0.0 for way in ways]  # type: ignore[arg-type]
        out.append(
            frozenset(
                key
                for key in questions
                if all(
                    worse >= DECISIVE
                    for worse, way in zip(times, ways, strict=True)
                    if way[key] != getattr(sheet, key)
                )
            )
        )
    return tuple(out)


def contradiction(readings: Sequence[Reading]) -> str:
    """Why nothing may be inferred: what the sheet tells and the footage does not bear; empty otherwise."""
    for one in readings:
        if one.told and one.against:
            return (
                f'{one.log}: the footage fits {one.key} = "{one.fits}" {times_words(one.times)} times better '
                f'than "{one.value}", which the sheet states: correct {one.key} in its [[log]]'
            )
    return ""


def reread_deg(stated: LogSheet, other: LogSheet, angles_deg: Array) -> Array:
    """Our roll, pitch, yaw (n, 3) of attitudes that were read as ``stated``, read as ``other`` instead.

    The sheets may differ in signs and order of angles, or in ``quaternion_of``.
    """
    if not len(angles_deg):
        return angles_deg
    if stated.quaternion is not None:
        rotation = rotation_from_angles(angles_deg)
        # camera_angles_deg, backwards.
        device, _, world = stated.quaternion_of.partition("_to_")
        turned = world in ("camera", "body")
        device, world = (world, device) if turned else (device, world)
        rotation = rotation if world == "ned" else ENU_TO_NED.inv() * rotation
        rotation = rotation if device == "camera" else rotation * CAMERA_TO_BODY.inv()
        rotation = rotation.inv() if turned else rotation
        return camera_angles_deg(other, rotation.as_quat()[:, [3, 0, 1, 2]])
    logged = angles_deg.copy()
    if stated.angle_order == "yaw_roll_pitch":
        # Rz(yaw) Rx(roll) Ry(pitch), multiplied out; sound at every attitude but a roll of 90 deg.
        body = (rotation_from_angles(angles_deg) * CAMERA_TO_BODY.inv()).as_matrix()
        roll_rad = np.arcsin(np.clip(body[:, 2, 1], -1, 1))
        pitch_rad = np.arctan2(-body[:, 2, 0], body[:, 2, 2])
        yaw_rad = np.arctan2(-body[:, 0, 1], body[:, 1, 1])
        logged = np.degrees(np.column_stack([roll_rad, pitch_rad, yaw_rad]))
        # Of the two ways to say it the one that a log holds: a camera turned over rolls, it does not pitch.
        over = np.abs(logged[:, 1]) > 90
        logged[over] = wrap_deg(np.array([180.0, 180.0, 180.0]) + logged[over] * np.array([-1.0, 1.0, 1.0]))
    signs = [1.0 if getattr(stated, key) == SIGNS[key][0] else -1.0 for key in list(SIGNS)[:3]]
    return camera_angles_deg(replace(other, angle_unit="deg"), logged * np.array(signs))


# --- candidates -------------------------------------------------------------------------------------------


def _questions(sheet: LogSheet, log: AttitudeLog) -> dict[str, tuple[str, ...]]:
    """Keys of a log that can be asked about, and what each may say."""
    if sheet.attitude_of in OTHER_BODIES:
        return {}
    if sheet.quaternion is not None:
        return QUATERNION
    return {key: values for key, values in SIGNS.items() if log.has_yaw or key != "yaw_positive"}


def _read_as(here: Settled, index: int, sheet: LogSheet, notes: Sequence[str]) -> Settled:
    """The same with one log read as another sheet says, noted on it."""
    log, logs, sheets = here.logs[index], list(here.logs), list(here.shoot.logs)
    columns = ["roll_deg", "pitch_deg", "yaw_deg"]
    angles = reread_deg(sheets[index], sheet, log.table[columns].to_numpy(float))
    table = log.table.assign(**dict(zip(columns, angles.T, strict=True)))
    logs[index] = replace(log, table=table, notes=(*log.notes, *notes))
    sheets[index] = sheet
    return Settled(replace(here.shoot, logs=tuple(sheets)), tuple(logs), here.clocks)


def _placed_otherwise(
    tracks: Sequence[ClipTrack], logs: Sequence[AttitudeLog], shoot: Shoot
) -> Settled | None:
    """The logs with another order or quaternion in which every clip finds its place; None without one.

    Signs of angles are not tried: clocks are looked for with either sign anyhow. Of an entry that the sheet
    tells only the clocks are taken, so that the footage is compared with what the sheet tells.
    """
    here = Settled(shoot, tuple(logs), ())
    best: tuple[float, Settled] | None = None
    for index, (sheet, log) in enumerate(zip(shoot.logs, logs, strict=True)):
        questions = _questions(sheet, log)
        for key, value in ((one, value) for one in TURNING for value in questions.get(one, ())):
            if value == getattr(sheet, key):
                continue
            note = f'tested: the clips find their place with {key} = "{value}" only; {WRITE_IT}'
            change: dict[str, Any] = {key: value}
            other = _read_as(here, index, replace(sheet, **change), [note])
            try:
                clocks = align(tracks, other.logs, other.shoot)
            except ClockError:
                continue
            if not all(clock.own_scale for clock in clocks):
                continue
            other = replace(other, clocks=clocks)
            seen = _seen(index, tracks, other)
            gaps = {} if seen is None else seen.gaps(other.shoot.logs[index])
            size = sum(_rms(gap) for gap in gaps.values())
            if best is None or size < best[0]:
                best = size, replace(here, clocks=clocks) if key in sheet.given else other
    return None if best is None else best[1]


def _changed(wrong: Reading) -> str:
    """Note on an assumed entry that the footage changes."""
    return (
        f'tested: the footage fits {wrong.key} = "{wrong.fits}" {times_words(wrong.times)} times better than '
        f'"{wrong.value}", which was only assumed; {WRITE_IT}'
    )


def times_words(times: float) -> str:
    """How many times better, in as many digits as a ratio of misfits bears."""
    return f"{float(f'{times:.2g}'):g}"


# --- misfit -----------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Seen:
    """What the footage shows at times that one log covers, and the log's angles there as ``stated``.

    roll_deg, pitch_deg : (n,). pan_dps : (m,), the mean over ``width_s`` (m,). at_deg : (n, 3) beside the
    frames; from_deg, to_deg : (m, 3) at the ends of what each pan rate is the mean of.
    """

    stated: LogSheet
    roll_deg: Array
    pitch_deg: Array
    at_deg: Array
    pan_dps: Array
    width_s: Array
    from_deg: Array
    to_deg: Array

    def gaps(self, sheet: LogSheet) -> dict[str, Array]:
        """Log, read as ``sheet`` says, minus footage; deg, of the pan deg/s."""
        at, start, end = (
            reread_deg(self.stated, sheet, angles) for angles in (self.at_deg, self.from_deg, self.to_deg)
        )
        quarters = wrap_deg(at[:, 0] - self.roll_deg)
        roll = (quarters - 90 * np.round(quarters / 90)) * np.cos(np.deg2rad(self.pitch_deg))
        pitch = at[:, 1] - self.pitch_deg
        middle = float(np.median(pitch)) if len(pitch) else 0.0
        most = STEEP_DEG if sheet.quaternion is not None else np.inf
        return {
            "roll": roll - (np.median(roll) if len(roll) else 0.0),
            "pitch": pitch - np.clip(middle, -most, most),
            "pan": wrap_deg(end[:, 2] - start[:, 2]) / self.width_s - self.pan_dps,
        }


def _seen(index: int, tracks: Sequence[ClipTrack], here: Settled) -> _Seen | None:
    """Footage that one log covers; None where there is none."""
    log, clock_of = here.logs[index], {clock.clip: clock for clock in here.clocks}
    frames, pans = [np.empty((0, 5))], [np.empty((0, 8))]
    sheets = {file.name: sheet for sheet in here.shoot.clips for file in sheet.files}
    for track in tracks:
        clock = clock_of.get(track.clip)
        if clock is None or clock.log_index != index or clock.sd_s is None or track.sky == "unknown":
            continue
        for rows, columns in ((frames, ["t_s", "roll_deg", "pitch_deg"]), (pans, ["t_s", "yaw_rate_dps"])):
            whole = track.track if rows is frames else track.yaw_rate
            if whole.empty or (rows is pans and not log.has_yaw):
                continue
            table = whole[columns].dropna().to_numpy(float)
            table = table[counted(sheets[track.clip], table[:, 0])]
            if len(table) < 2:
                continue
            t_s = table[:, 0] + (clock.offset_s or 0.0)
            if rows is frames:
                rows.append(np.column_stack([table[:, 1:], _at(log, t_s)]))
                continue
            width_s = np.full(len(t_s), float(np.median(np.diff(t_s))))
            ends = [_at(log, t_s + half) for half in (-width_s / 2, width_s / 2)]
            rows.append(np.column_stack([table[:, 1], width_s, *ends]))
    beside, panned = (np.concatenate(rows) for rows in (frames, pans))
    beside, panned = (rows[np.isfinite(rows).all(axis=1)] for rows in (beside, panned))
    if not len(beside):
        return None
    return _Seen(
        here.shoot.logs[index],
        beside[:, 0],
        beside[:, 1],
        beside[:, 2:],
        panned[:, 0],
        panned[:, 1],
        panned[:, 2:5],
        panned[:, 5:],
    )


def _at(log: AttitudeLog, t_s: Array) -> Array:
    return attitude_at(log, t_s)[["roll_deg", "pitch_deg", "yaw_deg"]].to_numpy(float)


def _readings(index: int, tracks: Sequence[ClipTrack], here: Settled) -> Iterator[Reading]:
    """What the footage says of each entry of one log."""
    log, sheet = here.logs[index], here.shoot.logs[index]
    questions, seen = _questions(sheet, log), _seen(index, tracks, here)
    if seen is None:
        for key in questions:
            yield Reading(log.name, key, getattr(sheet, key), key in sheet.given, why="no frame tells")
        return
    ways = [dict(zip(questions, values, strict=True)) for values in product(*questions.values())]
    gaps = {tuple(way.values()): seen.gaps(replace(sheet, **way)) for way in ways}  # type: ignore[arg-type]
    stated = {key: str(getattr(sheet, key)) for key in questions}
    best = _best(gaps, stated)
    for key, values in questions.items():
        others = [value for value in values if value != best[key]]
        compared = {
            value: _compared(gaps[tuple(best.values())], gaps[tuple((best | {key: value}).values())])
            for value in others
        }
        yield _reading(Reading(log.name, key, stated[key], key in sheet.given), best[key], compared)


def _best(gaps: Mapping[tuple[str, ...], Mapping[str, Array]], stated: dict[str, str]) -> dict[str, str]:
    """The reading of least misfit, each entry as stated where the footage does not decide."""
    least = {name: max(FLOOR[name], min(_rms(one[name]) for one in gaps.values())) for name in SIGNALS}

    def size(values: tuple[str, ...]) -> tuple[float, int]:
        cost = sum((_rms(gaps[values][name]) / least[name]) ** 2 for name in SIGNALS)
        return round(cost, 3), sum(a != b for a, b in zip(values, stated.values(), strict=True))

    best = dict(zip(stated, sorted(gaps, key=size)[0], strict=True))
    for key in stated:
        as_stated = best | {key: stated[key]}
        times = _compared(gaps[tuple(best.values())], gaps[tuple(as_stated.values())])
        if times is None or times < DECISIVE:
            best = as_stated
    return best


def _reading(asked: Reading, best: str, compared: Mapping[str, float | None]) -> Reading:
    """The answer to one question; compared : how many times worse each other value fits, None if alike."""
    if best != asked.value:
        # Chosen because it is decisively better than the one in force, whatever else may be like it.
        return replace(asked, fits=best, times=compared[asked.value] or 1.0, rival=asked.value)
    alike = [value for value, times in compared.items() if times is None]
    known = {value: times for value, times in compared.items() if times is not None}
    if alike and known:
        return replace(
            asked, why=f"nothing moved that would tell it from {' or '.join(alike).replace('_', ' ')}"
        )
    if alike:
        return replace(asked, why="nothing moved that would tell")
    rival = sorted(known, key=lambda value: known[value])[0]
    if known[rival] < DECISIVE:
        return replace(asked, why=f"the footage fits it no better than {rival.replace('_', ' ')}")
    return replace(asked, fits=best, times=known[rival], rival=rival)


def _compared(best: Mapping[str, Array], other: Mapping[str, Array]) -> float | None:
    """How many times worse another reading fits, by the quantity that tells most; None where none differs."""
    found = []
    for name in SIGNALS:
        apart = other[name] - best[name]
        apart = np.abs(wrap_deg(apart)) if name != "pan" else np.abs(apart)
        tells = apart > max(APART[name], TIMES_MISFIT * _rms(best[name]))
        if np.count_nonzero(tells) >= FEWEST_FRAMES:
            found.append(_rms(other[name][tells]) / max(_rms(best[name][tells]), FLOOR[name]))
    return max(found) if found else None


def _rms(gap: Array) -> float:
    """Root mean square but for the few largest."""
    if not len(gap):
        return 0.0
    size = np.sort(np.abs(gap))[: max(1, int(KEPT * len(gap)))]
    return float(np.sqrt(np.mean(size**2)))
