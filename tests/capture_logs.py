"""Invented logs of six-face captures: a board placed, its bubble centred, let go, held, taken off, turned.

Only the direction up along the board's axes is followed, and hands add what they shake. What the tool looks
for is not used here: true holds are the times at which the board was let go and taken.
"""

from dataclasses import dataclass, field

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from attitude.capture import FACES
from tests.captures import RATE_HZ, invented_board, up_of

__all__ = ["Habit", "Log", "Truth", "averages_columns", "invented_log", "log_columns", "table_text"]


@dataclass(frozen=True)
class Habit:
    """How an operator works. tremble : noise while fingers touch the board, in still noises.

    by_hand : share of the holds that are held by hand throughout. rest_s : longest rest on the table in
    between. wander_deg : of a hand that holds still.
    """

    noise_mg: float = 1.5
    hold_s: tuple[float, float] = (8.0, 13.0)
    adjust_s: tuple[float, float] = (2.0, 6.0)
    tremble: float = 4.0
    by_hand: float = 0.0
    wander_deg: float = 0.03
    rests: bool = True
    tilt_deg: float = 0.3


@dataclass(frozen=True)
class Truth:
    """One true hold. label : its face, "rest" on the table. mean_g : what an ideal mean would read."""

    label: str
    start_s: float
    stop_s: float
    mean_g: np.ndarray


@dataclass(frozen=True)
class Log:
    t_s: np.ndarray
    readings_g: np.ndarray
    gyro_dps: np.ndarray
    temperature_c: np.ndarray
    holds: tuple[Truth, ...]


@dataclass
class _Tape:
    """What has happened so far: up (n, 3), noise in mg, shaking in g."""

    up: list = field(default_factory=list)
    noise_mg: list = field(default_factory=list)
    shake_g: list = field(default_factory=list)

    def add(self, up, noise_mg, shake_g=None):
        self.up.append(up)
        self.noise_mg.append(np.full(len(up), noise_mg))
        self.shake_g.append(np.zeros((len(up), 3)) if shake_g is None else shake_g)

    @property
    def rows(self):
        return sum(map(len, self.up))


def _noisy(rng, rows, size, seconds):
    """Smooth noise (rows, 3) of sd size that changes within so many seconds."""
    rough = rng.normal(0, 1, (rows + 400, 3))
    smooth = gaussian_filter1d(rough, seconds * RATE_HZ, axis=0)[200:-200]
    return size * smooth * np.sqrt(2 * np.sqrt(np.pi) * seconds * RATE_HZ)


def _tremble(rng, rows, habit):
    """What fingers shake (rows, 3), g: about ten times a second, hardly anything slower."""
    fast = _noisy(rng, rows, 1.0, 0.015)
    fast -= gaussian_filter1d(fast, 0.05 * RATE_HZ, axis=0)
    return fast / fast.std() * 0.001 * habit.noise_mg * habit.tremble


def _tilted(up, away_deg):
    """Up (n, 3), turned by rotation vectors (n, 3) in degrees."""
    return Rotation.from_rotvec(np.radians(away_deg)).apply(up)


def _turn(rng, tape, habit, start, stop):
    """From one pose to the next by hand."""
    rows = round(rng.uniform(1.2, 3.0) * RATE_HZ)
    share = np.linspace(0, 1, rows)
    share = share**2 * (3 - 2 * share)
    axis = np.cross(start, stop)
    if np.linalg.norm(axis) < 1e-3:
        axis = np.cross(start, rng.normal(0, 1, 3))
    axis /= np.linalg.norm(axis)
    angle = np.arctan2(np.dot(np.cross(start, stop), axis), start @ stop)
    up = Rotation.from_rotvec(share[:, None] * angle * axis).apply(start)
    wobble = _noisy(rng, rows, 4.0, 0.15) * np.sin(np.pi * np.linspace(0, 1, rows))[:, None]
    shake = _noisy(rng, rows, rng.uniform(0.02, 0.1), 0.06)
    tape.add(_tilted(up, wobble), habit.noise_mg * habit.tremble, shake)


def _adjust(rng, tape, habit, up):
    """Placed some degrees off, then turned in steps that get smaller until the bubble is centred."""
    rows = round(rng.uniform(*habit.adjust_s) * RATE_HZ)
    away = np.zeros((rows, 3))
    at, size = 0, rng.uniform(1.0, 4.0)
    while at < rows:
        for_rows = round(rng.uniform(0.3, 1.0) * RATE_HZ)
        left = 1 - at / rows
        away[at : at + for_rows] = rng.normal(0, 1, 3) * max(size * left**2, 0.15)
        at += for_rows
    away = gaussian_filter1d(away, 0.08 * RATE_HZ, axis=0, mode="nearest")
    # The last touch brings it to where it stays.
    ending = np.minimum(1.0, np.arange(rows, 0, -1) / (0.3 * RATE_HZ))
    shake = _tremble(rng, rows, habit)
    tape.add(_tilted(np.tile(up, (rows, 1)), away * ending[:, None]), habit.noise_mg, shake)


def _still(rng, tape, habit, up, lasts_s, by_hand):
    rows = round(lasts_s * RATE_HZ)
    if not by_hand:
        tape.add(np.tile(up, (rows, 1)), habit.noise_mg)
        return
    away = _noisy(rng, rows, habit.wander_deg, 1.0)
    shake = _tremble(rng, rows, habit)
    tape.add(_tilted(np.tile(up, (rows, 1)), away - away.mean(axis=0)), habit.noise_mg, shake)


def invented_log(rng, board=None, *, faces=FACES, habit=None, move_mg=None):
    """A whole capture. move_mg : (t_s,) -> (n, 3), added to every hold, its time from the hold's start."""
    habit = habit or Habit()
    board = board or invented_board(rng)
    table = up_of("+z", rng.normal(0, 3, 2))
    tape, holds = _Tape(), []
    here = table
    _still(rng, tape, habit, here, rng.uniform(0.5, 2.0), False)
    for face in faces:
        up = up_of(face, rng.normal(0, habit.tilt_deg, 2))
        _turn(rng, tape, habit, here, up)
        _adjust(rng, tape, habit, up)
        lasts_s = rng.uniform(*habit.hold_s)
        holds.append((face, tape.rows, tape.rows + round(lasts_s * RATE_HZ), up))
        _still(rng, tape, habit, up, lasts_s, rng.random() < habit.by_hand)
        here = up
        if habit.rests and rng.random() < 0.3:
            _turn(rng, tape, habit, here, table)
            here = _tilted(table, rng.normal(0, 2, 3))
            _turn(rng, tape, habit, table, here)
            # Either too short for a hold or long enough: nothing is said of those in between.
            lasts_s = rng.choice([rng.uniform(0.3, 2.0), rng.uniform(4.0, 7.0)])
            if lasts_s > 3:
                holds.append(("rest", tape.rows, tape.rows + round(lasts_s * RATE_HZ), here))
            _still(rng, tape, habit, here, lasts_s, False)
    _turn(rng, tape, habit, here, table)
    up, noise = np.concatenate(tape.up), np.concatenate(tape.noise_mg)
    t_s = np.arange(len(up)) / RATE_HZ
    readings = up @ board.matrix.T + board.offset_g + np.concatenate(tape.shake_g)
    readings += rng.normal(0, 1e-3, (len(up), 3)) * noise[:, None]
    if move_mg is not None:
        for _, start, stop, _ in holds:
            readings[start:stop] += move_mg(t_s[start:stop] - t_s[start]) / 1000
    turning = np.degrees(np.cross(np.gradient(up, 1 / RATE_HZ, axis=0), up))
    gyro = turning + rng.normal(0, 0.05, (len(up), 3))
    temperature = 30 + 4 * (1 - np.exp(-t_s / 60))
    truths = tuple(
        Truth(label, start / RATE_HZ, stop / RATE_HZ, board.matrix @ up + board.offset_g)
        for label, start, stop, up in holds
    )
    return Log(t_s, readings, gyro, temperature, truths)


def table_text(columns, *, separator=",", comma=False, units=()):
    """Columns by name as a logged table. comma : decimal commas; units : a row of their own."""
    cells = [[_cell(value, comma) for value in column] for column in columns.values()]
    head = [separator.join(columns)] + ([separator.join(units)] if units else [])
    return "\n".join([*head, *map(separator.join, zip(*cells, strict=True))]) + "\n"


def _cell(value, comma):
    if isinstance(value, str):
        return value
    text = str(value) if isinstance(value, int | np.integer) else f"{value:.6f}"
    return text.replace(".", ",") if comma else text


def log_columns(log, names=("ax", "ay", "az"), *, one_g=1.0, counts=None, rows=slice(None)):
    """Columns of a log. one_g : what 1 g reads; counts : (lowest, highest) of whole numbers."""
    readings = log.readings_g[rows] * one_g
    if counts is not None:
        readings = np.clip(np.round(readings), *counts).astype(int)
    return {"t_s": log.t_s[rows], **dict(zip(names, readings.T, strict=True))}


def averages_columns(log, names=("ax", "ay", "az")):
    """Columns of a table of averages, one row per true hold on a face."""
    faces = [hold for hold in log.holds if hold.label != "rest"]
    means = np.array([hold.mean_g for hold in faces])
    return {"face": [hold.label for hold in faces], **dict(zip(names, means.T, strict=True))}
