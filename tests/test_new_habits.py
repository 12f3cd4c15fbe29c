"""``new`` on the habits of real logs and cards: each is told, tested, or left open in so many words."""

import os
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from attitude.log import read_logs
from attitude.sheet import LogSheet, Shoot, read_sheet
from attitude.starter import Told, write_starter
from horizon.angles import wrap_deg
from tests.filming import (
    ROLLS,
    TILTS,
    WIGGLE,
    at,
    board_of,
    clip,
    filmed,
    flown,
    logged,
    moved,
    quaternion_of,
    surveyed,
)

ANGLES = ["roll", "pitch", "yaw"]
LONG = pytest.mark.long


def few(quick, *others):
    """Cases of which the quick run takes the first ones only."""
    return [
        *quick,
        *(pytest.param(*(one if isinstance(one, tuple) else (one,)), marks=LONG) for one in others),
    ]


FLIGHT = flown(60, *moved(WIGGLE, 12), *moved(ROLLS, 20))


@dataclass(frozen=True)
class New:
    """A new sheet: its text, as it reads, and what was said."""

    text: str
    shoot: Shoot
    said: dict[str, str]

    @property
    def log(self) -> LogSheet:
        (log,) = self.shoot.logs
        return log

    def ground(self, key: str) -> str:
        """What the first entry of a key rests on."""
        for line in self.text.splitlines():
            entry, _, ground = line.removeprefix("# ").partition(" # ")
            if entry.split(" = ")[0] == key:
                return ground.split(":")[0].strip()
        return ""

    def why(self, key: str) -> str:
        return next(
            line for line in self.text.splitlines() if line.removeprefix("# ").startswith(f"{key} = ")
        )


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path / "day"


def start(folder: Path, tracks, *others) -> New:
    """A new sheet for clips that were measured, and others that were not."""
    found = surveyed(folder, *(track.facts for track in tracks), *others)
    started = write_starter(found, {track.clip: track for track in tracks}, Told())
    shoot = read_sheet(folder)
    read_logs(shoot)
    assert not list(folder.rglob("*.part"))
    assert not list(folder.rglob("*.trial"))
    said = {name: " / ".join(lines) for name, lines in started.said}
    return New(started.path.read_text(encoding="utf-8"), shoot, said)


def one_clip(folder: Path, flight=FLIGHT, from_s=10.0, duration_s=30.0, name="one.mp4", **film):
    return filmed(flight, from_s, clip(folder / name, duration_s), **film)


def new_of(folder: Path, table: pd.DataFrame, flight=FLIGHT, *, name="log.csv", **film) -> New:
    """A new sheet for one clip that moves, and one log."""
    track = one_clip(folder, flight, **film)
    table.to_csv(folder / name, index=False)
    return start(folder, [track])


def agrees(new: New, flight=FLIGHT, *, lean_deg=0.6, at_s=(12.0, 40.0), shift_s=0.0) -> None:
    """The log as the sheet reads it is the flight's attitude: every entry is right at once."""
    table = read_logs(new.shoot)[0].table
    t_s = table["t_s"] - table["t_s"].iloc[0] + shift_s
    true = flight.at(np.clip(t_s, 0, float(flight.truth["t_s"].iloc[-1])))
    inside = (t_s > at_s[0]) & (t_s < at_s[1])
    for name, offset in (("roll_deg", -lean_deg), ("pitch_deg", 0.3)):
        apart = (table[name] - true[name] - offset)[inside]
        assert np.sqrt(np.mean(apart**2)) < 0.5, name
    apart = wrap_deg((table["yaw_deg"] - true["yaw_deg"])[inside].to_numpy())
    assert np.std(wrap_deg(apart - apart[0])) < 0.6


# --- names, units, targets --------------------------------------------------------------------------------


def test_everything_at_once_in_tenths_lens_down_positive_and_a_raw_board(folder):
    table = logged(FLIGHT)
    table = table.join(board_of(table))
    table["pitch"] *= -1
    table[ANGLES] = np.round(table[ANGLES] * 10).astype(int)
    table["t"] = np.round(table["t"] * 1000 + 5000).astype(int)
    new = new_of(folder, table)
    agrees(new)
    log = new.log
    assert (log.time_unit, log.angle_unit, log.pitch_positive) == ("ms", 0.1, "down")
    assert (log.accelerometer, log.accelerometer_unit) == (("ax", "ay", "az"), "g")
    assert (log.gyro_unit, log.sensor_axes, log.accelerometer_sign) == (
        "deg/s",
        ("y", "z", "x"),
        "up_reads_plus",
    )
    for key in ("time_unit", "angle_unit", "pitch_positive", "roll_positive", "yaw_positive", "sensor_axes"):
        assert new.ground(key) == "tested", key
    assert new.ground("attitude_of") == "assumed"
    assert "rounded to 0.1 deg" in new.text
    assert new.shoot.clips[0].files == (folder / "one.mp4",)


@pytest.mark.parametrize(
    ("names", "unit"),
    few(
        [
            (("Roll [°]", "Tilt [°]", "Pan [°]"), "deg"),
            (("imu2.r", "imu2.p", "imu2.y"), "deg"),
            (("bank (1/100 deg)", "pitch (1/100 deg)", "heading (1/100 deg)"), 0.01),
        ],
        (("phi_rad", "theta_rad", "psi_rad"), "rad"),
        (("camRoll_cdeg", "camPitch_cdeg", "camHeading_cdeg"), 0.01),
        (("gimbalroll/deg", "gimbalpitch/deg", "gimbalyaw/deg"), "deg"),
        (("r", "p", "y"), "deg"),
        (("roll_x10", "pitch_x10", "yaw_x10"), 0.1),
        (("roll thousandths", "pitch thousandths", "yaw thousandths"), 0.001),
    ),
)
def test_names_and_their_units(folder, names, unit):
    scale = {"deg": 1.0, "rad": np.radians(1.0)}.get(unit) or 1 / unit
    table = logged(FLIGHT)
    table[ANGLES] *= scale
    if scale > 1:
        table[ANGLES] = np.round(table[ANGLES]).astype(int)
    targets = {f"target_{name}": 0.0 for name in names}
    named = dict(zip(ANGLES, names, strict=True)) | {"t": "elapsed"}
    new = new_of(folder, table.assign(**targets).rename(columns=named))
    agrees(new)
    assert new.log.angle_unit == unit
    assert (new.log.roll, new.log.pitch, new.log.yaw) == names


@pytest.mark.parametrize(
    "unit", few(["rad", 360 / 65536], "deg", 0.1, 0.01, 0.001, 360 / 32768, 360 / 16384, 360 / 4096)
)
def test_untold_units_of_a_yaw_that_never_wraps_are_tested_against_the_footage(folder, unit):
    table = logged(FLIGHT)
    table["yaw"] = np.unwrap(table["yaw"], period=360) - 90
    scale = {"deg": 1.0, "rad": np.radians(1.0)}.get(unit) or 1 / unit
    table[ANGLES] *= scale
    if scale > 1:
        table[ANGLES] = np.round(table[ANGLES]).astype(int)
    new = new_of(folder, table)
    agrees(new)
    assert (
        new.log.angle_unit == pytest.approx(unit) if not isinstance(unit, str) else new.log.angle_unit == unit
    )
    assert new.ground("angle_unit") == "tested"


def test_units_that_a_tilt_alone_cannot_tell_apart_stay_assumed(folder):
    """4096 counts per turn and tenths differ by 14 %: so may a guessed field of view."""
    flight = flown(60, *moved(WIGGLE, 12))
    table = logged(flight)
    table[ANGLES] = np.round((table[ANGLES] - [0, 0, 40]) * 4096 / 360).astype(int)
    new = new_of(folder, table, flight)
    assert new.ground("angle_unit") == "assumed"
    assert "angle_unit" in new.said["Assumed"]


def test_targets_are_never_picked_nor_what_a_motor_draws(folder):
    table = logged(FLIGHT)
    for word in ("target", "cmd", "set", "des"):
        for name in ANGLES:
            table[f"{word}_{name}"] = 0.0
    table = table.assign(roll_current=0.3, pitch_offset=0.1, roll_err=0.0)
    new = new_of(folder, table[sorted(table)])
    assert (new.log.roll, new.log.pitch, new.log.yaw) == ("roll", "pitch", "yaw")


def test_a_log_of_commands_alone_is_no_log(folder):
    track = one_clip(folder)
    table = logged(FLIGHT).rename(columns={name: f"{name}_cmd" for name in ANGLES})
    table.to_csv(folder / "log.csv", index=False)
    new = start(folder, [track])
    assert new.shoot.logs == ()
    assert "only commanded angles are recognised (roll_cmd, ...)" in new.text
    assert "commanded" in new.said["Logs"]


# --- whose attitude ---------------------------------------------------------------------------------------


BANKS = tuple((axis, s, by) for s in (15.0, 33.0) for axis, by in (("roll", 16.0), ("yaw", 35.0)))
BANKS += tuple(("roll", s + 5, -16.0) for s in (15.0, 33.0))


def test_of_sensors_side_by_side_the_one_that_moves_with_the_picture_is_taken(folder):
    """Two like sets of names: the first is the frame's, which banks and never tilts with the camera."""
    frame = logged(flown(60, *BANKS, seed=8))
    camera = logged(FLIGHT)
    table = pd.DataFrame({"t": camera["t"]})
    for name in ANGLES:
        table[f"imu1_{name}"], table[f"imu2_{name}"] = frame[name], camera[name]
    new = new_of(folder, table)
    assert new.log.roll == "imu2_roll"
    agrees(new)


def test_like_sets_that_nothing_tells_apart_are_said_to_be(folder):
    still = flown(60)
    table = pd.DataFrame({"t": logged(still)["t"]})
    for seed, one in ((3, "a"), (4, "b")):
        for name in ANGLES:
            table[f"{one}_{name}"] = logged(still, seed=seed)[name]
    new = new_of(folder, table, still)
    assert new.ground("roll") == "assumed"
    assert "b_roll" in new.why("roll")


@pytest.mark.long
def test_an_aircraft_s_log_is_recognised_by_its_banks_in_turns_while_the_picture_stays_level(folder):
    flight = flown(60, *BANKS)
    new = new_of(folder, logged(flight), flight, level=True, duration_s=45.0)
    assert new.log.attitude_of == "airframe"
    assert new.ground("attitude_of") == "assumed"
    assert "while the picture stays level" in new.text
    assert "airframe" in new.said["Assumed"]


@pytest.mark.long
def test_the_camera_s_log_is_taken_and_the_aircraft_s_left_out(folder):
    track = one_clip(folder)
    logged(flown(60, *BANKS, seed=8)).to_csv(folder / "a_flight.csv", index=False)
    logged(FLIGHT).rename(columns={"t": "time"}).to_csv(folder / "head.csv", index=False)
    new = start(folder, [track])
    assert new.log.file.name == "head.csv"
    assert "a_flight.csv is not used" in new.text
    agrees(new)


def test_names_tell_the_aircraft_s_log_where_nothing_moves(folder):
    still = flown(60)
    track = one_clip(folder, still)
    for name in ("aircraft.csv", "camera.csv"):
        logged(still).rename(columns={"t": f"time_{name[0]}"}).to_csv(folder / name, index=False)
    new = start(folder, [track])
    assert new.log.file.name == "camera.csv"
    assert "aircraft.csv is not used" in new.text


def test_joint_angles_by_their_names_are_told(folder):
    table = logged(FLIGHT).rename(columns={name: f"motor_{name}" for name in ANGLES})
    new = new_of(folder, table)
    assert (new.log.attitude_of, new.ground("attitude_of")) == ("joints", "told")


def test_noise_free_steps_are_commands(folder):
    steps = logged(FLIGHT)
    steps[ANGLES] = np.where(steps["t"].to_numpy()[:, None] < 30, [0.0, -5.0, 0.0], [0.0, 10.0, 35.0])
    track = one_clip(folder, flown(60))
    steps.to_csv(folder / "log.csv", index=False)
    new = start(folder, [track])
    assert 'attitude_of = "commanded"' in new.text
    assert "never trembles" in new.text


@pytest.mark.long
def test_names_that_lie_are_contradicted(folder):
    """Camera columns that bank while the picture stays level."""
    flight = flown(60, *BANKS)
    table = logged(flight).rename(columns={name: f"camera_{name}" for name in ANGLES})
    new = new_of(folder, table, flight, level=True, duration_s=45.0)
    assert new.log.attitude_of == "camera_sensor"
    assert "while the picture stays level" in new.text


# --- signs and order --------------------------------------------------------------------------------------


@pytest.mark.parametrize("flip", ["ryp", pytest.param("p", marks=LONG), pytest.param("y", marks=LONG)])
def test_signs_are_tested_where_the_camera_moved(folder, flip):
    table = logged(FLIGHT)
    for name in ANGLES:
        table[name] *= -1 if name[0] in flip else 1
    new = new_of(folder, table)
    agrees(new)
    other = {"roll": "left_down", "pitch": "down", "yaw": "left"}
    for name in ANGLES:
        key = f"{name}_positive"
        assert new.ground(key) == "tested"
        assert (getattr(new.log, key) == other[name]) == (name[0] in flip)


def test_the_sign_of_roll_is_unproven_without_a_roll(folder):
    flight = flown(60, *moved(WIGGLE, 12))
    table = logged(flight)
    table["roll"] *= -1
    new = new_of(folder, table, flight)
    assert "# roll_positive" in new.text
    assert new.ground("roll_positive") == "assumed"
    assert "unproven" in new.why("roll_positive")
    assert "unproven" in new.said["Assumed"]
    assert "roll_positive" in new.said["Assumed"]
    assert new.ground("pitch_positive") == "tested"


def test_roll_before_tilt_is_told_from_tilt_before_roll(folder):
    tilted = (("pitch", 12.0, 35.0), *moved(TILTS, 12.5), *moved(ROLLS, 11.0), ("pitch", 36.0, -35.0))
    flight = flown(60, *tilted)
    table = logged(flight)
    body = Rotation.from_euler("ZYX", table[["yaw", "pitch", "roll"]].to_numpy(), degrees=True)
    yaw, roll, pitch = body.as_euler("ZXY", degrees=True).T
    table = table.assign(roll=roll, pitch=pitch, yaw=yaw)
    new = new_of(folder, table, flight)
    assert (new.log.angle_order, new.ground("angle_order")) == ("yaw_roll_pitch", "tested")
    agrees(new, flight)


@pytest.mark.long
def test_a_board_turned_by_a_quarter_swaps_roll_and_pitch(folder):
    table = logged(FLIGHT)
    table = table.rename(columns={"roll": "pitch", "pitch": "roll"})
    table["pitch"] *= -1
    new = new_of(folder, table)
    assert (new.log.roll, new.log.pitch, new.ground("roll")) == ("pitch", "roll", "tested")
    agrees(new)


@pytest.mark.parametrize(
    ("last", "frames"),
    few(
        [(True, "camera_to_enu")],
        (False, "body_to_ned"),
        (False, "ned_to_camera"),
        (True, "ned_to_camera"),
        (True, "body_to_ned"),
    ),
)
def test_quaternions_scalar_first_or_last_in_several_frames(folder, last, frames):
    table = logged(FLIGHT)
    w, x, y, z = quaternion_of(table).T
    rotation = Rotation.from_quat(np.column_stack([x, y, z, w]))
    cyclic = Rotation.from_matrix([[0.0, 0.0, 1.0], [1.0, 0.0, 0.0], [0.0, 1.0, 0.0]])
    swapped = Rotation.from_matrix([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])
    if "camera" in frames:
        rotation = rotation * cyclic
    if "enu" in frames:
        rotation = swapped * rotation
    if frames.startswith("ned"):
        rotation = rotation.inv()
    parts = rotation.as_quat()
    if not last:
        parts = parts[:, [3, 0, 1, 2]]
    q = pd.DataFrame(parts, columns=["q0", "q1", "q2", "q3"])
    q.insert(0, "timestamp", table["t"])
    new = new_of(folder, q)
    agrees(new)
    assert new.log.quaternion == (("q3", "q0", "q1", "q2") if last else ("q0", "q1", "q2", "q3"))
    assert new.log.quaternion_of == frames


@pytest.mark.long
def test_a_quaternion_of_a_board_that_sits_otherwise_is_left_out_not_misread(folder):
    """x forward, y left, z up against east, north, up: the sheet has no word for it."""
    table = logged(FLIGHT)
    q = pd.DataFrame(quaternion_of(table) * [1, 1, -1, -1], columns=["qw", "qx", "qy", "qz"])
    q.insert(0, "t", table["t"])
    new = new_of(folder, q)
    assert new.shoot.logs == ()
    assert "log.csv is not used" in new.text


# --- shapes of tables -------------------------------------------------------------------------------------


def test_a_preamble_a_row_of_units_semicolons_and_decimal_commas(folder):
    table = logged(FLIGHT).round(3)
    track = one_clip(folder)
    rows = [";".join(f"{v:.3f}" for v in row).replace(".", ",") for row in table.to_numpy()]
    head = ["recorder 3; serial 12", "started 2026-05-01", "", "Zeit;Roll;Pitch;Yaw", "s;deg;deg;deg"]
    head[3] = "time;Roll;Pitch;Yaw"
    (folder / "log.txt").write_text("\n".join([*head, *rows]) + "\n")
    new = start(folder, [track])
    assert (new.log.time_unit, new.log.angle_unit, new.ground("angle_unit")) == ("s", "deg", "told")
    agrees(new)


def test_rows_of_several_kinds_with_their_names_in_the_first_field(folder):
    track = one_clip(folder)
    lines = ["RAW,t,ax,ay,az,gx,gy,gz", "ATT,t,roll,pitch,yaw"]
    for t, roll, pitch, yaw in logged(FLIGHT).to_numpy():
        lines += [f"RAW,{t + 0.01 * k:.3f},0,0,1,{k},0,0" for k in range(3)]
        lines.append(f"ATT,{t:.3f},{roll:.3f},{pitch:.3f},{yaw:.3f}")
    (folder / "log.csv").write_text("\n".join(lines) + "\n")
    new = start(folder, [track])
    agrees(new)
    assert new.log.accelerometer is None


def test_rows_of_two_sensors_that_take_turns_are_refused_with_the_mend(folder):
    track = one_clip(folder)
    camera, frame = logged(FLIGHT), logged(flown(60, *BANKS, seed=8))
    both = pd.concat([camera.assign(source="cam"), frame.assign(source="base")]).sort_values(
        "t", kind="stable"
    )
    both.to_csv(folder / "log.csv", index=False)
    new = start(folder, [track])
    assert new.shoot.logs == ()
    assert "rows of several sensors take turns (column source: cam, base)" in new.text


def test_sensors_of_several_rates_in_one_table_with_blanks(folder):
    table = logged(FLIGHT, 100.0)
    table.loc[table.index % 5 != 0, ANGLES] = np.nan
    table["ax"], table["ay"], table["az"] = 0.0, 0.0, -1.0
    new = new_of(folder, table)
    agrees(new)


def test_held_values_a_torn_last_line_and_placeholders(folder):
    table = logged(FLIGHT, 10.0)
    held = table.loc[table.index.repeat(5)].reset_index(drop=True)
    held["t"] = np.arange(len(held)) / 50
    held.loc[700:702, ANGLES] = -1
    held.loc[900:904, "pitch"] = 9999
    held.loc[1200:1203, "roll"] = 32767
    held.loc[:20, ANGLES] = 0.0
    track = one_clip(folder)
    text = held.to_csv(index=False)
    (folder / "log.csv").write_text(text[:-25])
    new = start(folder, [track])
    agrees(new, shift_s=21 / 50)
    assert "10 attitudes a second" in new.text


def test_placeholders_in_hundredths_that_an_angle_could_be(folder):
    table = logged(FLIGHT)
    table[ANGLES] = np.round(table[ANGLES] * 100).astype(int)
    table.loc[400:404, "roll"] = 9999
    table.loc[700:709, ["roll", "pitch"]] = 32767
    new = new_of(folder, table)
    agrees(new)
    assert new.log.angle_unit == 0.01


# --- clocks of logs ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "factor", "zero", "unit"),
    few(
        [("timestamp", 1e3, 1.7776e12, "ms"), ("micros", 1e6, 2**32 - 20e6, "us")],
        ("millis", 1e3, 12345, "ms"),
        ("time", 1e6, 5e7, "us"),
        ("timestamp", 1e6, 1.2e9, "us"),
        ("t", 1.0, 1.7776e9, "s"),
    ),
)
def test_clocks_of_logs(folder, name, factor, zero, unit):
    table = logged(FLIGHT)
    counts = table["t"] * factor + zero
    table["t"] = np.round(counts % 2**32 if name == "micros" else counts, 3)
    new = new_of(folder, table.rename(columns={"t": name}))
    assert new.log.time_unit == unit
    agrees(new)


def test_whole_second_stamps_are_spread(folder):
    table = logged(FLIGHT, 10.0)
    stamps = pd.Timestamp("2026-05-01 10:00:00") + pd.to_timedelta(np.floor(table["t"] + 0.3), unit="s")
    table["t"] = stamps.dt.strftime("%Y-%m-%d %H:%M:%S")
    new = new_of(folder, table.rename(columns={"t": "utc"}))
    assert new.log.time_unit == "iso8601"
    agrees(new, shift_s=0.0)


def test_of_two_clocks_the_even_one_is_taken(folder):
    """Stamps of arrival come in bursts of five."""
    table = logged(FLIGHT)
    arrival = table["t"].to_numpy()[np.minimum(np.arange(len(table)) // 5 * 5 + 4, len(table) - 1)]
    table.insert(0, "time", np.round(arrival + np.arange(len(table)) % 5 * 1e-3, 4))
    table = table.rename(columns={"t": "t_us"})
    table["t_us"] = np.round(table["t_us"] * 1e6).astype(int)
    new = new_of(folder, table)
    assert new.log.time == "t_us"
    new_of(folder.with_name("other"), table.drop(columns="t_us"))
    other = read_logs(read_sheet(folder.with_name("other")))[0]
    assert np.std(np.diff(other.table["t_s"])) < 0.005


@pytest.mark.parametrize("style", few(["%d.%m.%Y"], "%Y-%m-%d", "%d/%m/%Y"))
def test_date_and_time_apart(folder, style):
    table = logged(FLIGHT)
    stamps = pd.Timestamp("2026-05-21 23:59:30") + pd.to_timedelta(table["t"], unit="s")
    table.insert(0, "date", stamps.dt.strftime(style))
    table["t"] = stamps.dt.strftime("%H:%M:%S.%f")
    new = new_of(folder, table.rename(columns={"t": "time"}))
    assert (new.log.time, new.log.time_unit) == ("date + time", "iso8601")
    agrees(new)


def test_a_time_of_day_without_a_date_passes_midnight(folder):
    table = logged(FLIGHT)
    stamps = pd.Timestamp("2026-05-21 23:59:30") + pd.to_timedelta(table["t"], unit="s")
    new = new_of(folder, table.assign(t=stamps.dt.strftime("%H:%M:%S.%f")).rename(columns={"t": "time"}))
    agrees(new)


def test_rows_from_before_the_clock_was_set(folder):
    table = logged(FLIGHT)
    table["t"] += 1.7776e9
    table.loc[:30, "t"] = np.arange(31) * 0.04
    new = new_of(folder, table)
    assert new.log.time_unit == "s"
    agrees(new, shift_s=31 * 0.04)


def test_a_clock_that_restarts_within_a_file_is_refused_with_the_mend(folder):
    table = pd.concat([logged(FLIGHT), logged(FLIGHT, to_s=30.0)])
    new = new_of(folder, table)
    assert new.shoot.logs == ()
    assert "save each power-on as a file of its own" in new.text


# --- several logs and clips -------------------------------------------------------------------------------


def power_ons(folder, *, wall=False):
    """Two flights with a log each, that starts at zero; a clip that moves in either."""
    flights = [flown(60, *moved(WIGGLE, 12), seed=1), flown(50, *moved(ROLLS, 8), *moved(TILTS, 5), seed=7)]
    tracks = []
    for number, flight in enumerate(flights, 1):
        table = logged(flight)
        table["pitch"] *= -1
        table.to_csv(folder / f"log_{number}.csv", index=False)
        tracks.append(one_clip(folder, flight, 6.0, 28.0, name=f"clip_{number}.mp4", seed=number))
    return flights, tracks


@pytest.mark.long
def test_a_battery_change_is_a_new_log_read_like_the_first(folder):
    folder.mkdir()
    _, tracks = power_ons(folder)
    new = start(folder, tracks)
    assert [log.file.name for log in new.shoot.logs] == ["log_1.csv", "log_2.csv"]
    assert {log.pitch_positive for log in new.shoot.logs} == {"down"}
    assert "clip_2.mp4 lies in log_2.csv from 6.0 s on" in new.said["Pairs"]


def test_a_log_of_another_day_is_left_out(folder):
    folder.mkdir()
    _, tracks = power_ons(folder)
    tracks[1].facts.path.unlink()
    new = start(folder, tracks[:1])
    assert new.log.file.name == "log_1.csv"
    assert "log_2.csv is not used: no clip lies in it" in new.text


def test_copies_of_cards_in_folders_beside(folder):
    track = one_clip(folder / "card a")
    (folder / "card a").joinpath("one.mp4")
    copy = clip(folder / "card b" / "one.mp4", 30.0)
    copy.path.write_text((folder / "card a" / "one.mp4").read_text())
    small = clip(folder / "card a" / "one_small.mp4", 30.0, size=(640, 360))
    (folder / "logs").mkdir()
    logged(FLIGHT).to_csv(folder / "logs" / "head.csv", index=False)
    (folder / "logs" / "copy.csv").write_bytes((folder / "logs" / "head.csv").read_bytes())
    (folder / "logs" / ".head.csv").write_text("x")
    new = start(folder, [track], copy, small)
    assert [c.files for c in new.shoot.clips] == [(folder / "card a" / "one.mp4",)]
    assert "card b/one.mp4: the same file as" in new.text
    assert "one_small.mp4: a smaller copy of one.mp4" in new.text
    assert len(new.shoot.logs) == 1
    agrees(new)


def test_a_split_take_is_joined_by_the_time_of_its_files(folder):
    first = clip(folder / "C0010.mp4", 16.0, created=at(0))
    second = clip(folder / "C0011.mp4", 14.0, created=at(16))
    third = clip(folder / "C0012.mp4", 14.0, created=at(40))
    logged(FLIGHT).to_csv(folder / "log.csv", index=False)
    tracks = [filmed(FLIGHT, 10.0, first), filmed(FLIGHT, 26.0, second)]
    new = start(folder, tracks, third)
    assert [[f.name for f in c.files] for c in new.shoot.clips] == [["C0010.mp4", "C0011.mp4"], ["C0012.mp4"]]
    assert new.ground("files") == "tested"
    agrees(new)


def test_a_still_clip_is_placed_beside_one_that_moves_by_the_times_of_their_files(folder):
    flight = flown(120, *moved(WIGGLE, 12), seed=4, shake_deg=0.02)
    wiggle = clip(folder / "a.mp4", 30.0, created=at(0, hour=12))
    hover = clip(folder / "b.mp4", 25.0, created=at(60, hour=12))
    logged(flight).to_csv(folder / "log.csv", index=False)
    tracks = [filmed(flight, 10.0, wiggle), filmed(flight, 70.0, hover, white_deg=0.15)]
    new = start(folder, tracks)
    assert len(new.shoot.clips) == 2
    assert new.shoot.clips[1].log_start_s == pytest.approx(70.0, abs=2.5)
    assert new.why("log_start_s").startswith("# ")  # of the clip that moves
    assert "assumed: to about 2 s by the time in the files" in new.text


def test_a_still_clip_whose_place_nothing_tells_is_left_out_and_said(folder):
    flight = flown(120, *moved(WIGGLE, 12), *moved(ROLLS, 60), seed=4, shake_deg=0.02)
    wiggle = clip(folder / "a.mp4", 30.0)
    hover = clip(folder / "b.mp4", 25.0)
    for one in (wiggle, hover):
        os.utime(one.path, (1.7e9, 1.7e9))
    logged(flight).to_csv(folder / "log.csv", index=False)
    tracks = [filmed(flight, 10.0, wiggle), filmed(flight, 88.0, hover, white_deg=0.15)]
    new = start(folder, tracks)
    assert [c.files[0].name for c in new.shoot.clips] == ["a.mp4"]
    assert "b.mp4 is not used" in new.text
    assert "b.mp4 is left out" in new.said["Pairs"]


@pytest.mark.parametrize(
    ("zone_h", "at_end", "ahead_s"),
    few([(2, True, 18.0)], (0, False, 0.0), (2, False, 0.0), (0, True, 0.0)),
)
def test_a_still_clip_is_placed_by_the_wall_clock_alone(folder, zone_h, at_end, ahead_s):
    flight = flown(200, ("yaw", 12.0, 60.0), seed=4, shake_deg=0.02)
    table = logged(flight)
    stamps = pd.Timestamp(at(ahead_s)) + pd.to_timedelta(table["t"], unit="s")
    table["t"] = stamps.dt.strftime("%Y-%m-%dT%H:%M:%S.%fZ")
    hover = clip(folder / "b.mp4", 30.0, created=at(90 + 30 * at_end, hour=10 + zone_h))
    table.rename(columns={"t": "time"}).to_csv(folder / "log.csv", index=False)
    new = start(folder, [filmed(flight, 90.0, hover, white_deg=0.2)])
    assert len(new.shoot.logs) == 1
    assert new.shoot.clips[0].log_start_s == pytest.approx(90.0, abs=50)
    assert new.ground("log_start_s") == "assumed"
    assert "b.mp4: log_start_s" in new.said["Assumed"]


@pytest.mark.long
def test_slowed_footage_is_recognised_by_its_motion(folder):
    slow = clip(folder / "slow.mp4", 80.0)
    full = filmed(FLIGHT, 10.0, clip(folder / "one.mp4", 30.0))
    other = filmed(FLIGHT, 12.0, clip(folder / "tmp.mp4", 20.0), fps=24.0, seed=9)
    (folder / "tmp.mp4").unlink()
    rate = other.yaw_rate.assign(
        t_s=other.yaw_rate["t_s"] * 4, yaw_rate_dps=other.yaw_rate["yaw_rate_dps"] / 4
    )
    track = other.track.assign(t_s=other.track["t_s"] * 4, clip="slow.mp4")
    slowed = replace(other, clip="slow.mp4", facts=slow, track=track, yaw_rate=rate)
    logged(FLIGHT).to_csv(folder / "log.csv", index=False)
    new = start(folder, [full, slowed])
    assert new.shoot.clips[1].time_scale == 0.25
    assert new.ground("time_scale") == "tested"


def test_a_picture_that_the_camera_turned_itself(folder):
    flight = flown(90, *moved(WIGGLE, 10), ("roll", 40.0, 90.0), ("roll", 40.7, 90.0), *moved(WIGGLE, 45))
    up = filmed(flight, 8.0, clip(folder / "a.mp4", 26.0))
    over = filmed(flight, 44.0, clip(folder / "b.mp4", 26.0), turned_deg=180.0, seed=6)
    logged(flight).to_csv(folder / "log.csv", index=False)
    new = start(folder, [up, over])
    assert [c.picture_turned_deg for c in new.shoot.clips] == [0, 180]
    assert "your camera turned it itself" in new.text


def test_a_camera_mounted_upright_in_a_portrait_seat(folder):
    new = new_of(folder, logged(FLIGHT), turned_deg=90.0)
    assert new.shoot.camera.mount_roll_deg == 90
    assert new.ground("mount_roll_deg") == "assumed"
