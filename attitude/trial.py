"""Ways to read a log, tried against the footage: which columns, units and signs belong to the picture.

Each way is read as ``check`` would read it, the clips are looked for in it by their motion, and signs and
order are settled (:mod:`attitude.clock`, :mod:`attitude.readings`): the same code, so that both come to the
same answer. A way that places more of the clips that move is better, then one whose attitude stays nearer to
the footage's by ``DECISIVE``; in what two ways differ that fit alike is not tested, and the likelier by its
names is assumed.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from attitude.belongs import NOT_VERIFIED, VERIFIED, middle_deg
from attitude.clock import BANKS_DEG, LEVEL_SHARE, MOTION, ClockError, ClockFit
from attitude.entries import OTHER_BODIES
from attitude.guess import Candidate
from attitude.guess_board import Guess
from attitude.log import AttitudeLog, LogError, attitude_at, read_log
from attitude.mapping import ANGLE_UNITS_DEG, numbers
from attitude.readings import DECISIVE, Reading, Settled, proven, settle, with_readings
from attitude.repair import placeholders
from attitude.residuals import residuals
from attitude.sheet import Camera, LogSheet, Shoot
from attitude.table import TextTable
from horizon.angles import wrap_deg
from horizon.measure import ClipTrack

__all__ = ["LogFile", "Tried", "best_way", "moves", "shared", "without_pans"]

Array = NDArray[np.float64]

MOVES_DEG, PANS_DPS, FEWEST_FRAMES = 2.0, 12.0, 10
LEAST_OF_ONE, MOST_OF_ONE = 0.5, 5.0
KEPT = 0.98
GUESSED_GAIN = (0.65, 1.5)  # of the picture's pitch, for 95 and 55 deg where 75 deg were assumed
MOST_WAYS = 12
UNITS = ("deg", 0.1, 0.01, "rad", 0.001)  # the commonest first
LIKE_SCALE = 1.7  # further from one another no two units let a clip be placed


@dataclass(frozen=True)
class LogFile:
    """One logged file. table : its cells, or the first of them where ``whole`` is false."""

    path: Path
    table: TextTable
    whole: bool
    ways: tuple[Candidate, ...]

    @property
    def layout(self) -> tuple[tuple[str, ...], ...]:
        """Files of one layout come from one logger, and none of them is another body's by its name."""
        return self.table.names, self.table.units, (str(self.ways[0].values["attitude_of"]),)

    def read(self, sheet: LogSheet) -> AttitudeLog:
        """The log as a sheet reads it; LogError where it cannot."""
        return read_log(sheet, self.table if self.whole else None)


@dataclass(frozen=True)
class Tried:
    """What came of one way to read the files of one layout.

    files, sheets, logs : alike in order; files that could not be read are in ``refused``. clocks : by clip,
    of those whose place was found by motion and at the log's own scale. oddly : of those found only
    otherwise or not at all, why. misfit_deg : rms of log minus footage, infinite where nothing was placed.
    verdict : whether the log goes with the picture. body : whose the log would be after that, "" where
    nothing speaks against the camera's. tilted : whether a clip that was placed tilts or rolls. turned_deg :
    by clip, quarter turns from the log's roll to the picture's, and the log's own. readings : signs and
    order, and in ``proven`` those of which no other combination fits. tested : entries in which no other way
    fits. alike : first columns of other sets that fit as well.
    """

    way: Candidate
    files: tuple[LogFile, ...]
    sheets: tuple[LogSheet, ...]
    logs: tuple[AttitudeLog, ...]
    refused: Mapping[Path, str]
    clocks: Mapping[str, ClockFit] = field(default_factory=dict)
    oddly: Mapping[str, str] = field(default_factory=dict)
    panless: frozenset[str] = frozenset()
    misfit_deg: float = np.inf
    verdict: str = NOT_VERIFIED
    body: str = ""
    tilted: bool = False
    turned_deg: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    readings: tuple[Reading, ...] = ()
    proven: frozenset[str] = frozenset()
    tested: frozenset[str] = frozenset()
    alike: tuple[str, ...] = ()

    @property
    def starts_s(self) -> dict[str, float]:
        """Log time of the start of each clip that was placed."""
        return {clip: clock.offset_s or 0.0 for clip, clock in self.clocks.items()}


def moves(track: ClipTrack) -> float:
    """How much a clip moves, in roll, pitch and pan together; below 1 it is still."""
    (angles,) = _seen([track])
    if len(angles[0]) < FEWEST_FRAMES:
        return 0.0
    sizes = [_range(angle) / MOVES_DEG for angle in angles]
    pans = track.yaw_rate["yaw_rate_dps"].dropna().to_numpy(float)
    # A steady rate may be that of waves or clouds.
    sizes += [_range(pans) / PANS_DPS] if len(pans) >= FEWEST_FRAMES else []
    return sum(min(size, MOST_OF_ONE) for size in sizes if size > LEAST_OF_ONE)


def without_pans(track: ClipTrack) -> ClipTrack:
    """The same clip as if nothing had been seen of its pans."""
    return replace(track, yaw_rate=track.yaw_rate.iloc[:0])


def _range(values: Array) -> float:
    return float(np.subtract(*np.quantile(values, [0.99, 0.01])))


def best_way(
    files: Sequence[LogFile],
    tracks: Sequence[ClipTrack],
    shoot: Shoot,
    told: Callable[[float], None],
) -> Tried | None:
    """The best way to read files of one layout; None where none of them can be read in any way.

    tracks : of the clips that move, those that move most first. shoot : with its clips, without logs. told :
    hears the share that is done.
    """
    ways = list(_shared_ways(files))
    first = tracks[0] if tracks else None
    if first is not None and len(ways) > 1:
        ways = list(_by_reach(ways, files, first)) or ways
    ways = ways[:MOST_WAYS]
    if first is None:
        read = (_read(way, files) for way in ways)
        return next((one for one in read if one.logs), _read(ways[0], files)) if ways else None
    tried: list[Tried] = []
    # One clip tells the ways apart, the next only where none of them holds the first.
    for track, pans in ((track, pans) for track in tracks for pans in (True, False)):
        if not pans and track.yaw_rate.empty:
            continue
        tried = []
        for number, way in enumerate(ways):
            told(number / len(ways))
            if _worth_trying(way, tried):
                tried.append(_placed(_read(way, files), [track], shoot, pans=pans))
        if any(one.clocks for one in tried):
            break
    else:
        turned = _turned_board(ways)
        if turned is not None and (one := _placed(_read(turned, files), [first], shoot)).clocks:
            tried.append(one)
    best = _best([one for one in tried if one.logs] or tried)
    if not best.clocks or len(tracks) == 1:
        return best
    whole = _placed(_read(best.way, files), tracks, shoot)
    return replace(whole, tested=best.tested, alike=best.alike)


def _by_reach(ways: Sequence[Candidate], files: Sequence[LogFile], track: ClipTrack) -> Iterator[Candidate]:
    """Ways in whose unit the log reaches as far as the picture moves, the nearest first; rank before that."""
    (seen,) = _seen([track])
    sizes = []
    for way in ways:
        unit = way.values.get("angle_unit")
        if unit is None:
            sizes.append(0.0)
            continue
        scale = ANGLE_UNITS_DEG.get(unit, unit)
        reach = [max(_reach(file, name) for file in files) * scale for name in way.columns[:2]]
        # The field of view is a guess, which scales the picture's pitch.
        least = (0.8 * _range(seen[0]), 0.5 * _range(seen[1]))
        short = any(far < need for far, need in zip(reach, least, strict=True) if need > MOVES_DEG / 2)
        moved, far = max(zip(map(_range, seen), reach, strict=True))
        sizes.append(np.inf if short else abs(float(np.log(max(far, 1e-9) / max(moved, 1e-9)))))
    order = sorted(range(len(ways)), key=lambda i: (ways[i].rank, sizes[i]))
    yield from (ways[i] for i in order if np.isfinite(sizes[i]))


def _reach(file: LogFile, name: str) -> float:
    values = numbers(file.table, name)
    values = values[~np.isnan(values) & ~placeholders(values)]
    return float(np.ptp(values)) if len(values) else 0.0


def shared(files: Sequence[LogFile], another: LogFile) -> bool:
    """Whether there is a way to read all these files alike: not where one counts in radians, say."""
    return bool(set.intersection(*({_key(way) for way in file.ways} for file in (*files, another))))


def _shared_ways(files: Sequence[LogFile]) -> list[Candidate]:
    """Ways that no file of the layout rules out, with the better ground of any of them for each entry."""
    every = [{_key(way): way for way in file.ways} for file in files]
    keys = [key for key in every[0] if all(key in one for one in every)]
    order = {"told": 0, "tested": 1, "assumed": 2}
    ways = []
    for key in keys:
        found = [one[key] for one in every if key in one]
        guesses = [
            min(alike, key=lambda guess: order[guess.ground])
            for alike in zip(*(way.guesses for way in found), strict=True)
        ]
        ways.append(replace(found[0], guesses=tuple(guesses), rank=max(way.rank for way in found)))
    return sorted(ways, key=lambda way: way.rank)


def _key(way: Candidate) -> tuple[tuple[str, object], ...]:
    return tuple((g.key, g.value) for g in way.guesses if g.key not in ("attitude_of", "quaternion_of"))


def _worth_trying(way: Candidate, tried: Sequence[Tried]) -> bool:
    """Whether a way may still be the best, once others have placed the clip.

    Not where names tell of another body. Not in a unit far from one that fits, nor a quaternion in another
    order: a clip that is placed at the log's own scale cannot be so at another.
    """
    # What fits only with the picture turned over may be a quaternion read in the wrong order.
    fits = [one.way for one in tried if one.clocks and not one.turned_deg]
    if fits and way.values["attitude_of"] in OTHER_BODIES:
        return False
    for other in fits:
        units = [one.values.get("angle_unit") for one in (way, other)]
        scales = [ANGLE_UNITS_DEG.get(unit, unit) for unit in units if unit is not None]
        same = (way.columns, way.values["time"]) == (other.columns, other.values["time"])
        if "quaternion" in way.values and set(way.columns) == set(other.columns):
            return False
        if same and way.values["time_unit"] != other.values["time_unit"]:
            return False
        if same and len(scales) == 2 and abs(np.log(scales[0] / scales[1])) > np.log(LIKE_SCALE):
            return False
    return True


def _read(way: Candidate, files: Sequence[LogFile]) -> Tried:
    logs, sheets, read, refused = [], [], [], {}
    for file in files:
        sheet = way.sheet(file.path)
        try:
            logs.append(file.read(sheet))
        except LogError as error:
            refused[file.path] = str(error).removeprefix(f"{file.path.name}: ")
            continue
        read.append(file)
        sheets.append(sheet)
    return Tried(way, tuple(read), tuple(sheets), tuple(logs), refused)


def _placed(one: Tried, tracks: Sequence[ClipTrack], shoot: Shoot, *, pans: bool | None = None) -> Tried:
    """The clips looked for in the logs, signs and order settled.

    pans : whether to look at the picture's pans; None first with them, then without.
    """
    if not one.logs or not tracks:
        return one
    # A name may err: whether it is another body's is for the footage to say.
    sheets = tuple(replace(sheet, attitude_of=_open(sheet.attitude_of)) for sheet in one.sheets)
    logs = tuple(replace(log, attitude_of=_open(log.attitude_of)) for log in one.logs)
    here = Settled(replace(shoot, logs=sheets), logs, ())
    clocks: dict[str, ClockFit] = {}
    oddly: dict[str, str] = {}
    odd: list[tuple[ClipTrack, Settled]] = []
    panless: set[str] = set()
    for track in tracks:
        found: Settled | None = None
        # Pans that were too quick for the picture must not hide the place that tilts and rolls tell.
        views = (track, without_pans(track))
        for seen in views if pans is None else views[:1] if pans else views[1:]:
            try:
                found = settle([seen], here.logs, here.shoot)
            except ClockError as error:
                oddly.setdefault(track.clip, str(error))
                continue
            if found.clocks[0].own_scale:
                break
        if found is None or found.clocks[0].how != MOTION:
            continue
        clock = found.clocks[0]
        if clock.own_scale:
            clocks[track.clip] = clock
            oddly.pop(track.clip, None)
            panless |= {track.clip} if seen is not track else set()
            here = found
        else:
            oddly[track.clip] = clock.note
            odd.append((track, found))
    inside = [track for track in tracks if track.clip in clocks]
    if not inside:
        verdict, body = _of_odd(odd)
        return replace(one, oddly=oddly, verdict=verdict, body=body)
    if len(inside) > 1:
        here = with_readings(inside, replace(here, clocks=tuple(clocks[track.clip] for track in inside)))
        if any(reading.against for reading in here.readings):
            # What one clip left open was taken for granted when the next was looked at: now all of them
            # together.
            told = [without_pans(track) if track.clip in panless else track for track in inside]
            with suppress(ClockError):
                again = settle(told, here.logs, here.shoot)
                here = again if all(clock.own_scale for clock in again.clocks) else here
    found_here = residuals(inside, here.logs, here.clocks, here.shoot)
    sheets = tuple(
        replace(sheet, attitude_of=before.attitude_of)
        for sheet, before in zip(here.shoot.logs, one.sheets, strict=True)
    )
    return replace(
        one,
        sheets=sheets,
        logs=here.logs,
        clocks=clocks,
        oddly=oddly,
        panless=frozenset(panless),
        misfit_deg=_misfit_deg(inside, here),
        verdict=found_here.belongs,
        tilted=any(max(_range(roll), _range(pitch)) > MOVES_DEG for roll, pitch in _seen(inside)),
        turned_deg=_turned_deg(inside, here),
        readings=here.readings,
        proven=frozenset[str]().union(*proven(inside, here)),
    )


def _open(owner: str) -> str:
    return "unknown" if owner in OTHER_BODIES else owner


def _of_odd(odd: Sequence[tuple[ClipTrack, Settled]]) -> tuple[str, str]:
    """Why the log does not go with clips that were laid against it otherwise, and whose it would be."""
    for track, found in odd:
        verdict = residuals([track], found.logs, found.clocks, found.shoot).belongs
        if verdict in (VERIFIED, NOT_VERIFIED):
            continue
        rows = np.unwrap(_beside([track], found)[track.clip], period=360.0, axis=0)
        rolls_deg, log_rolls_deg = _range(rows[:, 0]), _range(rows[:, 2])
        if log_rolls_deg > BANKS_DEG and rolls_deg < LEVEL_SHARE * log_rolls_deg:
            return verdict, "airframe"
        return verdict, "commanded" if log_rolls_deg < LEVEL_SHARE * rolls_deg else "unknown"
    return NOT_VERIFIED, ""


def _seen(tracks: Sequence[ClipTrack]) -> Iterator[tuple[Array, Array]]:
    """The picture's roll, unbroken, and pitch of each clip."""
    for track in tracks:
        table = track.track.dropna(subset=["roll_deg", "pitch_deg"])
        roll, pitch = (table[name].to_numpy(float) for name in ("roll_deg", "pitch_deg"))
        yield np.unwrap(roll, period=360.0), pitch


def _beside(tracks: Sequence[ClipTrack], here: Settled) -> dict[str, Array]:
    """By clip, a row per frame within the log: the picture's roll and pitch, the log's roll and pitch."""
    out = {}
    for track, clock in zip(tracks, here.clocks, strict=True):
        seen = track.track.dropna(subset=["roll_deg", "pitch_deg"])
        at = attitude_at(here.logs[clock.log_index], seen["t_s"].to_numpy(float) + (clock.offset_s or 0.0))
        rows = np.column_stack([table[["roll_deg", "pitch_deg"]].to_numpy(float) for table in (seen, at)])
        rows = rows[np.isfinite(rows).all(axis=1)]
        if len(rows):
            out[track.clip] = rows
    return out


def _misfit_deg(tracks: Sequence[ClipTrack], here: Settled) -> float:
    """Rms of log against footage but for the few largest, each clip's middle taken off.

    Off the pitch also what a wrong field of view makes of it: a gain, as far as one may err.
    """
    least, most = (0.95, 1.05) if here.shoot.camera != Camera() else GUESSED_GAIN
    sizes = [np.array([np.inf])]
    for roll, pitch, log_roll, log_pitch in (rows.T for rows in _beside(tracks, here).values()):
        apart = _off_quarters(log_roll - roll)
        seen, logged = pitch - np.median(pitch), log_pitch - np.median(log_pitch)
        gain = np.clip((logged @ seen) / max(float(logged @ logged), 1e-9), least, most)
        tilted = seen - gain * logged
        sizes.append(np.hypot(apart - np.median(apart), tilted - np.median(tilted)))
    size = np.sort(np.concatenate(sizes[1:] or sizes))
    return float(np.sqrt(np.mean(size[: max(1, int(KEPT * len(size)))] ** 2)))


def _off_quarters(apart_deg: Array) -> Array:
    """Angles less the quarter turns that their middle holds, wrapped."""
    return np.asarray(wrap_deg(apart_deg - 90 * round(middle_deg(apart_deg) / 90)))


def _turned_deg(tracks: Sequence[ClipTrack], here: Settled) -> dict[str, tuple[float, float]]:
    """By clip that is turned throughout: quarter turns from log to picture, and those of the log itself."""
    out = {}
    for clip, rows in _beside(tracks, here).items():
        apart = wrap_deg(rows[:, 0] - rows[:, 2])
        turn = 90 * round(middle_deg(apart) / 90) % 360
        if turn and np.mean(np.abs(wrap_deg(apart - turn)) < 45) > KEPT:
            out[clip] = float(turn), float(90 * round(middle_deg(rows[:, 2]) / 90) % 360)
    return out


def _turned_board(ways: Sequence[Candidate]) -> Candidate | None:
    """The likeliest angles as of a board a quarter turn about the vertical: roll and pitch change places.

    Rz(yaw) Ry(pitch) Rx(roll) Rz(90 deg) = Rz(yaw + 90 deg) Rx(pitch) Ry(-roll): the other order as well.
    """
    way = next((one for one in ways if {"roll", "pitch"} <= set(one.values)), None)
    if way is None:
        return None
    why = "by the footage: the board sits a quarter turn about the vertical"
    names = way.values
    changes = {
        "roll": Guess("roll", names["pitch"], "tested", why),
        "pitch": Guess("pitch", names["roll"], "tested", why),
    }
    guesses = [changes.get(guess.key, guess) for guess in way.guesses]
    return replace(way, guesses=(*guesses, Guess("angle_order", "yaw_roll_pitch", "assumed", why)))


def _unlikely(way: Candidate) -> int:
    """Place of the way's unit among those that logs are in, the commonest first."""
    unit = way.values.get("angle_unit")
    return UNITS.index(unit) if unit in UNITS else len(UNITS)


def _best(tried: Sequence[Tried]) -> Tried:
    """The way that fits best; entries in which no other way fits as well are tested."""
    most = max(len(one.clocks) for one in tried)
    if not most:
        return min(tried, key=lambda one: (bool(one.oddly) and one.verdict != NOT_VERIFIED, one.way.rank))
    rivals = [one for one in tried if len(one.clocks) == most]
    least_deg = min(one.misfit_deg for one in rivals)
    near = [one for one in rivals if one.misfit_deg <= DECISIVE * least_deg]
    # Of those that fit alike the likeliest: by names, then by how common the unit is.
    best = min(near, key=lambda one: (one.way.rank, _unlikely(one.way)))
    alike = [one for one in near if one is not best]
    values = best.way.values
    untold = {key for one in alike for key, value in one.way.values.items() if value != values.get(key)}
    others = {str(one.way.columns[0]) for one in alike if one.way.columns != best.way.columns}
    return replace(
        best, tested=frozenset(set(values) - untold - {"attitude_of"}), alike=tuple(sorted(others))
    )
