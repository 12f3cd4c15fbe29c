import datetime as dt
import tomllib
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from scipy.spatial.transform import Rotation

from attitude.columns import is_demanded, recognise, unit_in_name, unit_of
from attitude.log import read_logs
from attitude.sheet import LogSheet, Shoot, read_sheet
from attitude.starter import StarterError, Told, ask_operator, look_at, write_starter
from horizon.angles import up_from_angles, wrap_deg
from tests.filming import at, clip, surveyed

NOTHING = Told()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    folder = tmp_path / "harbour wall"
    folder.mkdir()
    return folder


def start(
    folder: Path, *, name: str = "one.mp4", duration_s: float = 40.0, told=NOTHING
) -> tuple[str, Shoot]:
    """Text of a new sheet for one clip of which nothing was measured, and the sheet as it is read."""
    found = surveyed(folder, clip(folder / name, duration_s, created=at(0)))
    path = write_starter(found, {}, told).path
    assert path == folder / "shoot.toml"
    assert not [one for one in folder.iterdir() if one.suffix in (".part", ".trial")]
    return path.read_text(encoding="utf-8"), read_sheet(folder)


def only_log(folder: Path) -> tuple[str, LogSheet]:
    text, shoot = start(folder)
    assert len(shoot.logs) == 1, text
    read_logs(shoot)
    return text, shoot.logs[0]


def grounds(text: str) -> dict[str, str]:
    """Key -> told, tested or assumed, in force or not."""
    found = {}
    for line in text.splitlines():
        entry, _, ground = line.removeprefix("# ").partition(" # ")
        if "=" in entry and ":" in ground:
            found[entry.split(" = ")[0]] = ground.split(":")[0].strip()
    return found


def flight(count: int = 1500, rate_hz: float = 25.0) -> dict[str, np.ndarray]:
    """A camera that pans twice around while it tilts and rolls a little, with its raw sensor."""
    t_s = np.arange(count) / rate_hz
    rng = np.random.default_rng(4)
    roll, pitch = 4 * np.sin(t_s / 3) + rng.normal(0, 0.05, count), -10 + 9 * np.sin(t_s / 5)
    yaw = wrap_deg(12.3 * t_s)
    up_cam = up_from_angles(np.radians(roll), np.radians(pitch)) + rng.normal(0, 0.01, (count, 3))
    body = Rotation.from_euler("ZYX", np.column_stack([yaw, pitch, roll]), degrees=True)
    rate_body = (body[:-1].inv() * body[1:]).as_rotvec(degrees=True) * rate_hz
    rate_body = np.vstack([rate_body, rate_body[-1]])
    return {
        "t": t_s,
        "roll": roll,
        "pitch": pitch,
        "yaw": yaw,
        "up": up_cam,
        "rate": rate_body,
        "q": body.as_quat(),
    }


# --- column names


@pytest.mark.parametrize(
    ("name", "kind", "part", "unit"),
    [
        ("roll_deg", "angle", "roll", "deg"),
        ("Roll", "angle", "roll", ""),
        ("gimbal.roll [deg]", "angle", "roll", "deg"),
        ("phi (rad)", "angle", "roll", "rad"),
        ("camTilt", "angle", "pitch", ""),
        ("theta_cdeg", "angle", "pitch", "cdeg"),
        ("gimbalpan", None, "", ""),
        ("pan/°", "angle", "yaw", "deg"),
        ("heading", "angle", "yaw", ""),
        ("ATT_Yaw", "angle", "yaw", ""),
        ("rollrate", "gyro", "x", ""),
        ("pitch_dps", "gyro", "y", "deg/s"),
        ("roll_calibrated", "angle", "roll", ""),
        ("gx", "gyro", "x", ""),
        ("GyrY", "gyro", "y", ""),
        ("imu gyro z [rad/s]", "gyro", "z", "rad/s"),
        ("omega_x", "gyro", "x", ""),
        ("ax", "accelerometer", "x", ""),
        ("AccY", "accelerometer", "y", ""),
        ("acc_z [m/s²]", "accelerometer", "z", "m/s2"),
        ("imu_acceleration_x_m_s2", "accelerometer", "x", "m/s2"),
        ("a_y_mg", "accelerometer", "y", "mg"),
        ("linear_acc_x", None, "", ""),
        ("mag_x", None, "", ""),
        ("vel_x", None, "", ""),
        ("qw", "quaternion", "w", ""),
        ("q0", "quaternion", "0", ""),
        ("quat.z", "quaternion", "z", ""),
        ("imu_temp_c", "temperature", "", "degC"),
        ("vn", "velocity", "north", ""),
        ("vel_e [m/s]", "velocity", "east", "m/s"),
        ("t", "time", "time", ""),
        ("t_s", "time", "time", "s"),
        ("millis", "time", "time", "ms"),
        ("TimeUS", "time", "time", "us"),
        ("time_boot_ms", "time", "time", "ms"),
        ("timestamp [µs]", "time", "time", "us"),
        ("date", "time", "date", ""),
        ("elapsed", "time", "time", ""),
        ("roll_target", None, "", ""),
        ("cmd roll", None, "", ""),
        ("set_pitch", None, "", ""),
        ("DesYaw", None, "", ""),
        ("desroll", None, "", ""),
        ("roll_sd_deg", None, "", ""),
        ("battery", None, "", ""),
    ],
)
def test_names_are_understood(name, kind, part, unit):
    found = [(c.kind, c.part, c.unit) for c in recognise([name], [unit_in_name(name)])]
    assert found == ([] if kind is None else [(kind, part, unit)])


def test_single_letters_are_read_by_their_company():
    rates = {c.name: c.part for c in recognise(["p", "q", "r"], [""] * 3)}
    assert rates == {"p": "x", "q": "y", "r": "z"}
    angles = {c.name: c.part for c in recognise(["r", "p", "y"], [""] * 3)}
    assert angles == {"r": "roll", "p": "pitch", "y": "yaw"}
    assert recognise(["r", "x"], ["", ""]) == ()


def test_units_are_read_in_their_spellings():
    assert [unit_of(u) for u in ("°", "µs", "μs", "m/s^2", "deg C", "°/s", "0.01 deg", "furlong")] == [
        "deg",
        "us",
        "us",
        "m/s2",
        "degC",
        "deg/s",
        "cdeg",
        "",
    ]


def test_demanded_values_are_told_from_measured_ones():
    assert [is_demanded(n) for n in ("roll_cmd", "targetPitch", "yaw sp", "roll", "offset")] == [
        True,
        True,
        True,
        False,
        False,
    ]


# --- whole logs


def test_units_in_brackets_targets_beside_and_several_bodies_side_by_side(folder):
    f = flight()
    table = pd.DataFrame(
        {
            "time [ms]": np.round(f["t"] * 1000),
            "aircraft_roll [deg]": 15 * np.sin(f["t"]),
            "aircraft_pitch [deg]": 0.1 * f["t"],
            "target_camera_roll [deg]": 0,
            "target_camera_pitch [deg]": -10,
            "camera_roll [deg]": f["roll"],
            "camera_pitch [deg]": f["pitch"],
            "camera_yaw [deg]": f["yaw"],
        }
    )
    table.to_csv(folder / "log.csv", index=False)
    text, log = only_log(folder)
    assert (log.roll, log.pitch, log.yaw) == ("camera_roll [deg]", "camera_pitch [deg]", "camera_yaw [deg]")
    assert (log.time, log.time_unit, log.angle_unit, log.attitude_of) == (
        "time [ms]",
        "ms",
        "deg",
        "camera_sensor",
    )
    found = grounds(text)
    assert (found["attitude_of"], found["angle_unit"], found["time_unit"]) == ("told", "told", "told")
    # Signs cannot be found out, and stay out of force so that they still count as assumed.
    assert {found[k] for k in ("roll_positive", "pitch_positive", "yaw_positive", "angle_order")} == {
        "assumed"
    }
    assert {"roll_positive", "angle_order"}.isdisjoint(log.given)


def test_decimal_commas_a_row_of_units_and_a_preamble(folder):
    f = flight()
    out = ["recorder 3", "", "t;Roll;Tilt;Pan", "s;rad;rad;rad"]
    for row in np.column_stack([f["t"], np.radians(f["roll"]), np.radians(f["pitch"]), np.radians(f["yaw"])]):
        out.append(";".join(f"{v:.5f}" for v in row).replace(".", ","))
    (folder / "log.txt").write_text("\n".join(out) + "\n")
    text, log = only_log(folder)
    assert (log.roll, log.pitch, log.yaw, log.angle_unit, log.time_unit) == (
        "Roll",
        "Tilt",
        "Pan",
        "rad",
        "s",
    )
    assert "or down, as a tilt often counts" in text
    table = read_logs(read_sheet(folder))[0].table
    np.testing.assert_allclose(table["roll_deg"], f["roll"], atol=0.001)


@pytest.mark.parametrize(
    ("scale", "unit", "ground"),
    [
        (1.0, "deg", "tested"),
        (np.radians(1.0), "rad", "tested"),
        (10.0, 0.1, "tested"),
        (100.0, 0.01, "tested"),
        (65536 / 360, 360 / 65536, "tested"),
    ],
)
def test_the_unit_of_angles_shows_where_yaw_wraps(folder, scale, unit, ground):
    f = flight()
    angles = {k: f[k] * scale for k in ("roll", "pitch", "yaw")}
    if scale >= 10:
        angles = {k: np.round(v) for k, v in angles.items()}
    pd.DataFrame({"t": f["t"], **angles}).to_csv(folder / "log.csv", index=False)
    text, log = only_log(folder)
    assert log.angle_unit == pytest.approx(unit) if isinstance(unit, float) else log.angle_unit == unit
    assert grounds(text)["angle_unit"] == ground


def test_units_of_angles_without_a_wrap_are_assumed(folder):
    f = flight()
    hundredths = {k: np.round(f[k] * 100) for k in ("roll", "pitch")}
    pd.DataFrame({"t": f["t"], **hundredths, "yaw": np.round(f["t"] * 100)}).to_csv(
        folder / "a.csv", index=False
    )
    text, log = only_log(folder)
    assert log.angle_unit == 0.01
    assert "# assumed: whole numbers too large for degrees" in text
    for name in ("shoot.toml", "a.csv"):
        (folder / name).unlink()
    radians = {k: np.radians(f[k]) for k in ("roll", "pitch")}
    pd.DataFrame({"t": f["t"], **radians, "yaw": f["t"] / 30}).to_csv(folder / "b.csv", index=False)
    text, log = only_log(folder)
    assert log.angle_unit == "rad"
    assert grounds(text)["angle_unit"] == "assumed"


@pytest.mark.parametrize(
    ("factor", "start_at", "unit", "ground"),
    [
        (1.0, 0.0, "s", "tested"),
        (1e3, 0.0, "ms", "tested"),
        (1e6, 5e7, "us", "tested"),
        (1e9, 0.0, "ns", "tested"),
        (1e3, 1.7e12, "ms", "tested"),
        (1.0, 1.7e9, "s", "tested"),
    ],
)
def test_the_unit_of_time_shows_in_rate_and_length(folder, factor, start_at, unit, ground):
    f = flight()
    pd.DataFrame(
        {"timestamp": f["t"] * factor + start_at, **{k: f[k] for k in ("roll", "pitch", "yaw")}}
    ).to_csv(folder / "log.csv", index=False)
    text, log = only_log(folder)
    assert log.time_unit == unit
    assert grounds(text)["time_unit"] == ground


def test_date_and_time_apart(folder):
    f = flight()
    stamps = pd.Timestamp("2026-05-01 10:00") + pd.to_timedelta(f["t"], unit="s")
    table = pd.DataFrame({k: f[k] for k in ("roll", "pitch", "yaw")})
    table.insert(0, "time", stamps.strftime("%H:%M:%S.%f"))
    table.insert(0, "date", stamps.strftime("%Y-%m-%d"))
    table.to_csv(folder / "log.csv", index=False)
    _, log = only_log(folder)
    assert (log.time, log.time_unit) == ("date + time", "iso8601")
    assert read_logs(read_sheet(folder))[0].table["t_s"].to_numpy() == pytest.approx(f["t"], abs=1e-5)


@pytest.mark.parametrize("first", ["w", "x"])
def test_quaternions_with_the_scalar_first_or_last(folder, first):
    f = flight()
    order = [3, 0, 1, 2] if first == "w" else [0, 1, 2, 3]
    table = pd.DataFrame(f["q"][:, order], columns=["q0", "q1", "q2", "q3"])
    table.insert(0, "t", f["t"])
    table.to_csv(folder / "log.tsv", sep="\t", index=False)
    text, log = only_log(folder)
    assert log.quaternion == (("q0", "q1", "q2", "q3") if first == "w" else ("q3", "q0", "q1", "q2"))
    assert log.quaternion_of == "body_to_ned"
    assert grounds(text)["quaternion"] == "tested"
    np.testing.assert_allclose(read_logs(read_sheet(folder))[0].table["roll_deg"], f["roll"], atol=1e-6)


def test_a_stretch_upside_down_does_not_turn_the_quaternion_round(folder):
    """A third of the log is filmed upside down, as the full set of shots asks."""
    f = flight()
    roll = np.where(np.arange(len(f["t"])) > 0.66 * len(f["t"]), f["roll"] + 180.0, f["roll"])
    q = Rotation.from_euler("ZYX", np.column_stack([f["yaw"], f["pitch"], roll]), degrees=True).as_quat()
    table = pd.DataFrame(q[:, [3, 0, 1, 2]], columns=["q0", "q1", "q2", "q3"])
    table.insert(0, "t", f["t"])
    table.to_csv(folder / "log.csv", index=False)
    _, log = only_log(folder)
    assert log.quaternion == ("q0", "q1", "q2", "q3")
    assert log.quaternion_of == "body_to_ned"


@pytest.mark.parametrize(
    ("reading", "unit"), [(1.0, "g"), (9.80665, "m/s2"), (1000.0, "mg"), (16384.0, 16384.0), (2048.0, 2048.0)]
)
def test_accelerometer_unit_and_how_the_board_is_mounted(folder, reading, unit):
    f = flight()
    # Board x forward, y right, z down, level reading +1 downwards.
    board = f["up"][:, [2, 0, 1]] * -reading
    gyro = f["rate"]
    table = pd.DataFrame({"t": f["t"], **{k: f[k] for k in ("roll", "pitch", "yaw")}})
    table[["ax", "ay", "az"]], table[["p", "q", "r"]] = board, np.radians(gyro)
    table["temp"], table["vn"], table["ve"] = 31.0, 1.0, 0.5
    table.to_csv(folder / "log.csv", index=False)
    text, log = only_log(folder)
    assert (log.accelerometer, log.accelerometer_unit) == (("ax", "ay", "az"), unit)
    assert (log.accelerometer_sign, log.sensor_axes) == ("up_reads_minus", ("y", "z", "x"))
    assert (log.gyro, log.gyro_unit) == (("p", "q", "r"), "rad/s")
    assert (log.temperature_c, log.velocity_mps) == ("temp", ("vn", "ve"))
    found = grounds(text)
    assert (found["accelerometer_unit"], found["gyro_unit"]) == ("tested", "tested")
    table = read_logs(read_sheet(folder))[0].table
    up = table[["accel_right_g", "accel_down_g", "accel_forward_g"]].to_numpy()
    np.testing.assert_allclose(up, f["up"], atol=0.01)
    np.testing.assert_allclose(table["gyro_down_dps"], gyro[:, 2], atol=1e-6)


def test_told_units_of_the_raw_sensor_are_taken_and_a_level_board_leaves_its_axes_open(folder):
    f = flight()
    table = pd.DataFrame({"t": f["t"], "roll": 0.0, "pitch": 0.0, "yaw": f["yaw"]})
    table[["ax [g]", "ay [g]", "az [g]"]] = [0.0, -1.0, 0.0]
    table[["gx [deg/s]", "gy [deg/s]", "gz [deg/s]"]] = f["rate"]
    table.to_csv(folder / "log.csv", index=False)
    text, log = only_log(folder)
    assert (log.accelerometer_unit, log.gyro_unit, log.sensor_axes) == ("g", "deg/s", ("x", "y", "z"))
    found = grounds(text)
    assert (found["accelerometer_unit"], found["gyro_unit"], found["sensor_axes"]) == (
        "told",
        "told",
        "assumed",
    )


def test_an_accelerometer_that_disagrees_with_the_attitude_is_said_to(folder):
    f = flight()
    table = pd.DataFrame({"t": f["t"], **{k: f[k] for k in ("roll", "pitch", "yaw")}})
    table[["ax", "ay", "az"]] = [0.6, 0.6, 0.53]
    table.to_csv(folder / "log.csv", index=False)
    assert "no way to mount the board agrees well with the attitude" in only_log(folder)[0]


def test_columns_with_many_gaps_are_no_sensor(folder):
    f = flight()
    table = pd.DataFrame({"t": f["t"], **{k: f[k] for k in ("roll", "pitch", "yaw")}})
    table[["ax", "ay", "az", "gx", "gy", "gz"]] = 1.0
    table.loc[::3, ["ax", "gx"]] = np.nan
    table.to_csv(folder / "log.csv", index=False)
    _, log = only_log(folder)
    assert (log.accelerometer, log.gyro) == (None, None)


def test_whole_degrees_and_an_undecided_clock_are_assumed(folder):
    table = pd.DataFrame({"t": np.arange(300) * 1000, "roll": 1, "pitch": -30 + np.arange(300) % 7, "yaw": 3})
    table.to_csv(folder / "log.csv", index=False)
    text, _ = start(folder, duration_s=0.1)
    assert "# assumed: tenths would also be whole numbers" in text
    assert 'time_unit = "us"' in text
    assert 'file = "log.csv"' in text
    assert "# assumed: gives 1e+03 rows a second" in text


def test_an_accelerometer_that_reads_nothing_sensible_is_left_out(folder):
    f = flight()
    table = pd.DataFrame(
        {"t": f["t"], **{k: f[k] for k in ("roll", "pitch", "yaw")}, "ax": 3.0, "ay": 4.0, "az": 0.0}
    )
    table.assign(gx=0.0, gy=0.0, gz=0.0).to_csv(folder / "log.csv", index=False)
    _, log = only_log(folder)
    assert (log.accelerometer, log.gyro) == (None, None)


def test_a_roll_like_an_aircraft_s_is_remarked_on(folder):
    f = flight()
    table = pd.DataFrame({"t": f["t"], "roll": 20 * np.sin(f["t"]), "pitch": f["pitch"], "yaw": f["yaw"]})
    table.to_csv(folder / "log.csv", index=False)
    text, log = only_log(folder)
    assert log.attitude_of == "unknown"
    assert "assumed: it rolls as an aircraft does" in text


# --- the sheet itself


def test_a_folder_of_clips_alone(folder):
    text, shoot = start(folder)
    assert shoot.logs == ()
    assert (shoot.title, shoot.date) == ("harbour wall", dt.date(2026, 5, 1))
    assert shoot.clips[0].files == (folder / "one.mp4",)
    assert "1920 x 1080, 29.97 frames a second, 40.0 s" in text
    assert "Without a log the cause of a lean stays open" in text
    # What nobody knows yet must not count as told.
    assert shoot.given == {"title", "date", "horizon", "camera", "clip", "clip[1].file"}
    assert grounds(text)["tolerance_deg"] == "assumed"


def test_every_commented_entry_is_a_valid_one_of_its_table(folder):
    flight_table = flight()
    pd.DataFrame({k: flight_table[k] for k in ("t", "roll", "pitch", "yaw")}).to_csv(
        folder / "log.csv", index=False
    )
    text, _ = start(folder)
    (folder / "a.mp4").write_text("x")
    (folder / "b.mp4").write_text("x")
    revived = []
    for line in text.splitlines():
        entry = line.removeprefix("# ")
        is_entry = " = " in entry and not entry.startswith((" ", "files"))
        revived.append(entry if is_entry else line)
    (folder / "shoot.toml").write_text("\n".join(revived).replace('"..."', '"a"'))
    assert read_sheet(folder).camera.hfov_deg == 70.0


def test_files_that_hold_no_attitude_are_named_with_the_reason(folder):
    (folder / "notes.txt").write_text("dear diary\n")
    (folder / "gps.csv").write_text("t,vn,ve\n0,1,2\n1,1,2\n")
    (folder / "timeless.csv").write_text("roll,pitch\n0,1\n1,2\n")
    (folder / "frames.csv").write_text("clip,frame,t_s,roll_deg,pitch_deg\na.mp4,0,0,1,2\na.mp4,1,1,2,3\n")
    (folder / "back.csv").write_text(
        "t_s,roll_deg,pitch_deg\n" + "".join(f"{t},{t},1\n" for t in [*range(90), 5, 91])
    )
    (folder / "empty.csv").write_text("t,roll,pitch\n0,,\n1,,\n")
    (folder / "void.csv").write_text("t,q0,q1,q2,q3\n0,,,,\n1,,,,\n")
    (folder / "._log.csv").write_bytes(b"\0\1")
    text, shoot = start(folder)
    assert shoot.logs == ()
    assert "# notes.txt: not used as a log: no rows of numbers found" in text
    assert "# gps.csv: not used as a log: neither roll and pitch nor a quaternion is recognised" in text
    assert "# timeless.csv: not used as a log: no time column recognised" in text
    assert "# back.csv: not used as a log: line 92: time goes backwards, 89 s to 5 s" in text
    assert "# empty.csv: not used as a log: the columns of its attitude hold no numbers" in text
    assert "# void.csv: not used as a log: the columns of its attitude hold no numbers" in text
    assert "frames.csv" not in text
    assert "._log" not in text


def test_awkward_names_are_written_so_that_they_can_be_read(folder):
    name = 'a "b" ü\t.mp4'
    (folder / "log.csv").write_text(
        't_s,"roll ""a"" [deg]","pitch ""a"" [deg]"\n' + "".join(f"{i},{i},1\n" for i in range(9))
    )
    text, shoot = start(folder, name=name)
    assert shoot.clips[0].files == (folder / name,)
    assert shoot.logs[0].roll == 'roll "a" [deg]'
    tomllib.loads(text)


def test_a_sheet_that_is_there_is_never_overwritten(folder):
    (folder / "shoot.toml").write_text("mine")
    with pytest.raises(
        StarterError, match=r"shoot\.toml: exists already and is left as it is; edit it, or move it"
    ):
        look_at(folder)
    assert (folder / "shoot.toml").read_text() == "mine"


def test_folders_without_clips_are_refused(folder):
    with pytest.raises(
        StarterError, match=r"no clips in it .*; put the clips and the log of one shoot there"
    ):
        look_at(folder)
    with pytest.raises(StarterError, match="no such folder; give the folder that holds the clips and logs"):
        look_at(folder / "gone")
    (folder / "torn.mp4").write_bytes(b"not a film")
    with pytest.raises(StarterError, match=r"torn\.mp4: not a video this tool can open"):
        look_at(folder)
    assert not (folder / "shoot.toml").exists()


@pytest.mark.parametrize(
    ("answers", "entries"),
    [
        (["82", "12,5 m"], {"hfov_deg": 82.0, "height_m": 12.5}),
        (["d84", "0"], {"diagonal_fov_deg": 84.0, "height_m": 0.0}),
        (["84 diagonal", ""], {"diagonal_fov_deg": 84.0}),
        (["", ""], {}),
        (["wide", "70 deg", "high", "very high"], {"hfov_deg": 70.0}),
        (["400", "400", ""], {}),
    ],
)
def test_answers_are_told_and_empty_ones_left_as_assumed(folder, answers, entries):
    asked, rest = [], list(answers)

    def ask(question: str) -> str:
        asked.append(question)
        return rest.pop(0)

    told = ask_operator(ask)
    assert {guess.key: guess.value for guess in (*told.camera, *told.horizon)} == entries
    assert rest == []
    assert max(map(len, asked)) <= 80
    text, shoot = start(folder, told=told)
    assert shoot.camera.hfov_deg == entries.get("hfov_deg")
    assert shoot.horizon.height_m == entries.get("height_m")
    assert text.count("# told: as answered") == len(entries)


def test_nobody_is_asked_where_nobody_can_answer():
    assert ask_operator(None) == Told()


def test_a_clock_that_was_never_set_tells_no_date(folder):
    unset = dt.datetime(2000, 1, 1, 0, 12, tzinfo=dt.UTC)
    found = surveyed(folder, clip(folder / "one.mp4", created=unset))
    text = write_starter(found, {}, NOTHING).path.read_text(encoding="utf-8")
    assert "date = " not in text
