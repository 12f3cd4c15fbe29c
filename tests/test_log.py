import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial.transform import Rotation, Slerp

from attitude import LOG_COLUMNS
from attitude.entries import QUATERNIONS, SENSOR_AXES
from attitude.frames import angles_from_rotation, camera_angles_deg, rotation_from_angles
from attitude.log import AttitudeLog, LogError, attitude_at, read_log, read_logs
from attitude.repair import fresh_rows, gap_limit_s, rounding_step, unwrapped_s
from attitude.sheet import ClipSheet, LogSheet, Shoot
from horizon.angles import up_from_angles, wrap_deg

HEADER = "t_s,roll_deg,pitch_deg,yaw_deg"


def rows(count: int, rate_hz: float = 10.0) -> pd.DataFrame:
    """A live log: no two rows alike, no angle on a grid."""
    t_s = np.arange(count) / rate_hz
    rng = np.random.default_rng(5)
    angles = [rng.normal(0, 0.1, count), -10 + rng.normal(0, 0.1, count), 3.0 * t_s]
    return pd.DataFrame(dict(zip(LOG_COLUMNS, [t_s, *angles], strict=True)))


def lines(count: int) -> list[str]:
    return [HEADER, *(f"{i / 10:.1f},0.{i:03d}1,-10.{i:03d}3,{i}.125" for i in range(count))]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    return tmp_path


def log_of(folder: Path, content: str | bytes | list[str] | pd.DataFrame, **entries) -> AttitudeLog:
    path = folder / entries.pop("name", "attitude.csv")
    if isinstance(content, pd.DataFrame):
        content.to_csv(path, index=False)
    elif isinstance(content, bytes):
        path.write_bytes(content)
    else:
        path.write_text("\n".join(content) + "\n" if isinstance(content, list) else content, encoding="utf-8")
    return read_log(LogSheet(path, **entries))


def refusal(folder: Path, content, **entries) -> str:
    with pytest.raises(LogError) as caught:
        log_of(folder, content, **entries)
    message = str(caught.value)
    assert "\n" not in message
    assert message.startswith(entries.get("name", "attitude.csv") + ": ")
    return message


def ned_from_camera(roll_deg: float, pitch_deg: float, yaw_deg: float) -> np.ndarray:
    """Matrix camera to north-east-down from where its axes point, written out without Euler matrices."""
    r, p, y = np.radians([roll_deg, pitch_deg, yaw_deg])
    forward = np.array([np.cos(p) * np.cos(y), np.cos(p) * np.sin(y), -np.sin(p)])
    level_right = np.array([-np.sin(y), np.cos(y), 0.0])
    level_down = np.cross(forward, level_right)
    right = np.cos(r) * level_right + np.sin(r) * level_down
    down = np.cos(r) * level_down - np.sin(r) * level_right
    return np.column_stack([right, down, forward])


# --- what a plain log gives


def test_default_columns_are_read_as_they_stand(folder):
    table = rows(50)
    log = log_of(folder, table, attitude_of="camera_sensor", powered_on_s=-3.0)
    pd.testing.assert_frame_equal(log.table, table)
    assert (log.name, log.attitude_of, log.powered_on_s, log.has_yaw) == (
        "attitude.csv",
        "camera_sensor",
        -3.0,
        True,
    )
    assert log.notes == ()
    assert log.rounding_deg == 0.0


SHAPES = {
    "comma": "t_s,roll_deg,pitch_deg,yaw_deg\n0.5,1.5,-10.25,30\n1.0,2.5,-11.25,31\n",
    "blanks after commas": "t_s, roll_deg, pitch_deg, yaw_deg\n0.5, 1.5, -10.25, 30\n1.0, 2.5, -11.25, 31\n",
    "tab": "t_s\troll_deg\tpitch_deg\tyaw_deg\n0.5\t1.5\t-10.25\t30\n1.0\t2.5\t-11.25\t31\n",
    "decimal comma": "t_s;roll_deg;pitch_deg;yaw_deg\n0,5;1,5;-10,25;30\n1,0;2,5;-11,25;31\n",
    "blanks": "# t_s  roll_deg pitch_deg yaw_deg\n0.5  1.5 -10.25 30\n1.0  2.5 -11.25 31\n",
    "windows": "t_s,roll_deg,pitch_deg,yaw_deg\r\n0.5,1.5,-10.25,30\r\n1.0,2.5,-11.25,31\r\n",
    "quotes": '"t_s","roll_deg","pitch_deg","yaw_deg"\n'
    '"0.5","1.5","-10.25","30"\n"1.0","2.5","-11.25","31"\n',
    "unit row": "t_s;roll_deg;pitch_deg;yaw_deg\n"
    "[s];[deg];[deg];[deg]\n0,5;1,5;-10,25;30\n1,0;2,5;-11,25;31\n",
    "preamble": "recorder,3\nserial 12; firmware 4,5\n\nt_s,roll_deg,pitch_deg,yaw_deg\n0.5,1.5,-10.25,30\n"
    "1.0,2.5,-11.25,31\n",
    "blank lines": "\nt_s,roll_deg,pitch_deg,yaw_deg\n\n0.5,1.5,-10.25,30\n\n\n1.0,2.5,-11.25,31\n\n",
    "other columns": "mode,yaw_deg,t_s,x,roll_deg,pitch_deg\n"
    "hold,30,0.5,a b,1.5,-10.25\nhold,31,1.0,,2.5,-11.25\n",
    "rows named by kind": "IMU,t_s,ax\nATT,t_s,roll_deg,pitch_deg,yaw_deg\nIMU,0.4,9\nATT,0.5,1.5,-10.25,30\n"
    "IMU,0.8,9\nATT,1.0,2.5,-11.25,31\n",
    "units in brackets": "t_s [s],roll_deg (deg),pitch_deg,yaw_deg\n0.5,1.5,-10.25,30\n1.0,2.5,-11.25,31\n",
    "trailing separator": "t_s,roll_deg,pitch_deg,yaw_deg\n0.5,1.5,-10.25,30,\n1.0,2.5,-11.25,31,\n",
}


@pytest.mark.parametrize("text", SHAPES.values(), ids=SHAPES.keys())
@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16"])
def test_the_same_table_in_every_shape(folder, text, encoding):
    table = log_of(folder, text.encode(encoding)).table
    assert table.to_numpy().tolist() == [[0.5, 1.5, -10.25, 30.0], [1.0, 2.5, -11.25, 31.0]]


def test_a_quoted_cell_too_long_for_a_csv_reader_is_split_plainly(folder):
    text = [HEADER, '0.5,1.5,2.5,30,"' + "x" * 200_000 + '"', "1.0,1.5,2.5,30"]
    assert len(log_of(folder, [text[0] + ",remark", *text[1:]]).table) == 2


def test_latin_text_in_the_preamble_is_no_obstacle(folder):
    assert len(log_of(folder, "Gerät: Nr. 5\n".encode("latin-1") + "\n".join(lines(5)).encode()).table) == 5


# --- units, signs, order


@pytest.mark.parametrize(("unit", "scale"), [("s", 1.0), ("ms", 1e3), ("us", 1e6), ("ns", 1e9)])
def test_time_units(folder, unit, scale):
    table = rows(20).assign(t_s=lambda d: np.round(d["t_s"] * scale, 3)).rename(columns={"t_s": "clock"})
    log = log_of(folder, table, time="clock", time_unit=unit)
    np.testing.assert_allclose(log.table["t_s"], rows(20)["t_s"], atol=1e-9)


@pytest.mark.parametrize(
    "stamps",
    [
        ["2026-05-01T10:00:00.000Z", "2026-05-01T10:00:00.250Z", "2026-05-01T10:00:02Z"],
        ["2026-05-01T12:00:00.000+02:00", "2026-05-01T12:00:00.250+02:00", "2026-05-01T12:00:02+02:00"],
        ["2026-05-01 10:00:00", "2026-05-01 10:00:00.25", "2026-05-01 10:00:02"],
        ["2026/05/01 10:00:00,000", "2026/05/01 10:00:00,250", "2026/05/01 10:00:02,000"],
    ],
)
def test_iso_times_count_from_the_first_row(folder, stamps):
    text = "when;roll_deg;pitch_deg\n" + "".join(f"{s};0.5;{i}\n" for i, s in enumerate(stamps))
    log = log_of(folder, text, time="when", time_unit="iso8601")
    assert log.table["t_s"].tolist() == [0.0, 0.25, 2.0]


def test_date_and_time_in_two_columns(folder):
    text = "date,time,roll_deg,pitch_deg\n2026-05-01,23:59:59.5,0,0\n2026-05-02,00:00:00.5,0,1\n"
    log = log_of(folder, text, time="date + time", time_unit="iso8601")
    assert log.table["t_s"].tolist() == [0.0, 1.0]
    message = refusal(folder, text, time="roll_deg", time_unit="iso8601")
    assert "line 2: roll_deg is '0'; expected a time such as 2026-05-01T10:15:00.250; correct time" in message
    message = refusal(folder, text, time="date + clock", time_unit="iso8601")
    assert "no column 'clock'" in message


def shoot_of(folder: Path, *sheets: LogSheet) -> Shoot:
    return Shoot(folder, folder / "shoot.toml", "", (ClipSheet((folder / "a.mp4",)),), logs=sheets)


def test_iso_times_of_all_logs_count_from_the_first_log(folder):
    sheets = []
    for name, start in (
        ("b.csv", dt.datetime(2026, 5, 1, 10, 0, 5)),
        ("a.csv", dt.datetime(2026, 5, 1, 10, 0)),
    ):
        stamps = [(start + dt.timedelta(seconds=i)).isoformat() for i in range(3)]
        rows(3).assign(t_s=stamps).to_csv(folder / name, index=False)
        sheets.append(LogSheet(folder / name, time_unit="iso8601"))
    first, second = read_logs(shoot_of(folder, *sheets))
    assert first.table["t_s"].tolist() == [0.0, 1.0, 2.0]
    assert second.table["t_s"].tolist() == [-5.0, -4.0, -3.0]
    rows(3).assign(t_s=["2026-05-01T10:00:00Z"] * 3).to_csv(folder / "a.csv", index=False)
    with pytest.raises(LogError, match=r"a\.csv: line 2: .* one has a time zone .*\(first stamp of b\.csv\)"):
        read_logs(shoot_of(folder, *sheets))


def test_angle_unit_as_degrees_per_count_and_in_radians(folder):
    table = rows(30)
    counts = table.assign(**{c: np.round(table[c] * 100).astype(int) for c in LOG_COLUMNS[1:]})
    log = log_of(folder, counts, angle_unit=0.01)
    np.testing.assert_allclose(log.table, table, atol=0.0051)
    assert log.rounding_deg == pytest.approx(0.01)
    radians = table.assign(**{c: np.radians(table[c]) for c in LOG_COLUMNS[1:]})
    radians.columns = ["t", "r", "p", "y"]
    log = log_of(folder, radians, time="t", roll="r", pitch="p", yaw="y", angle_unit="rad")
    np.testing.assert_allclose(log.table, table, atol=1e-9)


def test_signs_turn_each_angle(folder):
    table = rows(30)
    table["yaw_deg"] -= 170
    log = log_of(
        folder,
        -table.abs() * np.sign(table) + [2, 0, 0, 0] * table["t_s"].to_numpy()[:, None],
        roll_positive="left_down",
        pitch_positive="down",
        yaw_positive="left",
    )
    np.testing.assert_allclose(log.table, table, atol=1e-12)


def test_one_degree_of_roll_logged_before_a_tilt_of_30_is_more_in_the_picture(folder):
    # tan(picture roll) = tan(logged roll) / cos(tilt): 1 deg becomes 1.15 deg at 30 deg.
    table = pd.DataFrame(
        dict(zip(LOG_COLUMNS, [[0.0, 1.0], [1.0, 1.0], [-30.0, 0.0], [0.0, 0.0]], strict=True))
    )
    log = log_of(folder, table, angle_order="yaw_roll_pitch")
    assert log.table["roll_deg"].tolist() == pytest.approx([1.15, 1.0], abs=0.005)


def test_pitch_beyond_90_is_the_same_attitude_turned_over(folder):
    table = pd.DataFrame([[0.0, 0, 100, 30], [1.0, 0, 80, 30]], columns=LOG_COLUMNS)
    assert log_of(folder, table).table.iloc[0].tolist() == pytest.approx([0.0, -180, 80, -150])


ANGLE = st.floats(-179.0, 179.0)


@settings(max_examples=60, deadline=None)
@given(roll=ANGLE, pitch=st.floats(-89.9, 89.9), yaw=ANGLE)
def test_our_angles_make_the_same_up_vector_and_heading_as_the_horizon_side(roll, pitch, yaw):
    angles = np.array([[roll, pitch, yaw]])
    matrix = rotation_from_angles(angles).as_matrix()[0]
    np.testing.assert_allclose(matrix, ned_from_camera(roll, pitch, yaw), atol=1e-12)
    up_cam = up_from_angles(np.radians(roll), np.radians(pitch))
    np.testing.assert_allclose(matrix.T @ [0, 0, -1], up_cam, atol=1e-12)
    np.testing.assert_allclose(
        wrap_deg(angles_from_rotation(rotation_from_angles(angles)) - angles), 0, atol=1e-6
    )


@settings(max_examples=60, deadline=None)
@given(roll=ANGLE, pitch=ANGLE, yaw=ANGLE)
def test_yaw_roll_pitch_becomes_our_angles_of_the_same_rotation(roll, pitch, yaw):
    sheet = LogSheet(Path("a.csv"), angle_order="yaw_roll_pitch")
    ours = camera_angles_deg(sheet, np.array([[roll, pitch, yaw]]))

    def turn(axis: int, angle_deg: float) -> Rotation:
        return Rotation.from_rotvec(np.radians(angle_deg) * np.eye(3)[axis])

    body = turn(2, yaw) * turn(0, roll) * turn(1, pitch)
    forward, right, down = body.as_matrix().T
    np.testing.assert_allclose(ned_from_camera(*ours[0]), np.column_stack([right, down, forward]), atol=1e-9)


@settings(max_examples=25, deadline=None)
@given(roll=ANGLE, pitch=st.floats(-90.0, 90.0), yaw=ANGLE, scale=st.sampled_from([1.0, -1.0, 0.98]))
def test_quaternions_in_all_frames_and_both_directions(roll, pitch, yaw, scale):
    truth = ned_from_camera(roll, pitch, yaw)
    right, down, forward = truth.T
    device = {"camera": truth, "body": np.column_stack([forward, right, down])}
    worlds = {"ned": np.eye(3), "enu": np.array([[0.0, 1.0, 0.0], [1.0, 0.0, 0.0], [0.0, 0.0, -1.0]])}
    for frames in QUATERNIONS:
        a, _, b = frames.partition("_to_")
        to_ned = device | worlds
        x, y, z, w = Rotation.from_matrix(to_ned[b].T @ to_ned[a]).as_quat()
        sheet = LogSheet(Path("a.csv"), quaternion=("w", "x", "y", "z"), quaternion_of=frames)
        ours = camera_angles_deg(sheet, scale * np.array([[w, x, y, z]]))
        np.testing.assert_allclose(ned_from_camera(*ours[0]), truth, atol=1e-7, err_msg=frames)


@pytest.mark.parametrize(
    ("frames", "level"),
    [
        ("body_to_ned", (1, 0, 0, 0)),
        ("camera_to_ned", (0.5, 0.5, 0.5, 0.5)),
        ("ned_to_camera", (0.5, -0.5, -0.5, -0.5)),
    ],
)
def test_level_facing_north_in_quaternions(frames, level):
    sheet = LogSheet(Path("a.csv"), quaternion=("w", "x", "y", "z"), quaternion_of=frames)
    np.testing.assert_allclose(camera_angles_deg(sheet, np.array([level], float)), [[0, 0, 0]], atol=1e-12)


# Published examples of the function angle2quat on its reference page, scalar first, four decimals.
# The order of turns changes the sign of the second element: a test of order and frame.
PUBLISHED_ZYX = ((0.7854, 0.1, 0.0), (0.9227, -0.0191, 0.0462, 0.3822))
PUBLISHED_YXZ = [
    ((0.1, 0.0, 0.7854), (0.9227, 0.0191, 0.0462, 0.3822)),
    ((0.3, 0.1, 0.5), (0.9587, 0.0848, 0.1324, 0.2371)),
]


def test_published_zyx_example_is_our_yaw_pitch_roll_of_the_body(folder):
    (yaw, pitch, roll), quaternion = PUBLISHED_ZYX
    table = pd.DataFrame([[t, *quaternion] for t in (0.0, 1.0)], columns=["t_s", "w", "x", "y", "z"])
    log = log_of(folder, table, quaternion=("w", "x", "y", "z"))
    expected = np.degrees([roll, pitch, yaw])
    # Half a unit of the fourth decimal of a quaternion turns by up to 0.01 deg.
    np.testing.assert_allclose(log.table.iloc[0, 1:], expected, atol=0.01)


@pytest.mark.parametrize(("angles", "quaternion"), PUBLISHED_YXZ)
def test_published_yxz_example_is_our_yaw_pitch_roll_about_camera_axes(angles, quaternion):
    # Yaw about down (y), pitch about right (x), roll about forward (z), from level facing north.
    yaw, pitch, roll = angles
    w, x, y, z = quaternion
    level = Rotation.from_quat([0.5, 0.5, 0.5, 0.5])
    x, y, z, w = (level * Rotation.from_quat([x, y, z, w])).as_quat()
    sheet = LogSheet(Path("a.csv"), quaternion=("w", "x", "y", "z"), quaternion_of="camera_to_ned")
    ours = camera_angles_deg(sheet, np.array([[w, x, y, z]]))
    np.testing.assert_allclose(ours[0], np.degrees([roll, pitch, yaw]), atol=0.01)


# --- raw sensor columns


@pytest.mark.parametrize("axes", SENSOR_AXES, ids="".join)
@pytest.mark.parametrize("sign", [1, -1])
def test_a_still_level_board_reads_up_in_camera_axes_however_it_is_mounted(folder, axes, sign):
    # The camera leans 20 deg and looks up 10 deg, so that no axis can be taken for another.
    up_cam = up_from_angles(np.radians(20.0), np.radians(10.0))
    rate_cam = np.array([1.0, -2.0, 3.0])
    board = {}
    for axis, up, rate in zip(axes, up_cam, rate_cam, strict=True):
        turn = -1 if axis.startswith("-") else 1
        board[f"a{axis[-1]}"], board[f"g{axis[-1]}"] = sign * turn * up * 9.80665, turn * np.radians(rate)
    log = log_of(
        folder,
        rows(3).assign(**board),
        accelerometer=("ax", "ay", "az"),
        accelerometer_unit="m/s2",
        accelerometer_sign="up_reads_plus" if sign > 0 else "up_reads_minus",
        gyro=("gx", "gy", "gz"),
        gyro_unit="rad/s",
        sensor_axes=axes,
    )
    sides = ("right", "down", "forward")
    np.testing.assert_allclose(log.table[[f"accel_{s}_g" for s in sides]].iloc[1], up_cam, atol=1e-12)
    np.testing.assert_allclose(log.table[[f"gyro_{s}_dps" for s in sides]].iloc[1], rate_cam, atol=1e-12)


def test_a_level_board_with_x_right_y_down_reads_minus_one_down(folder):
    table = rows(3).assign(ax=0.0, ay=-16384, az=0)
    log = log_of(folder, table, accelerometer=("ax", "ay", "az"), accelerometer_unit=16384.0)
    assert log.table[["accel_right_g", "accel_down_g", "accel_forward_g"]].iloc[0].tolist() == [
        0.0,
        -1.0,
        0.0,
    ]


@pytest.mark.parametrize(("unit", "reading"), [("g", 1.0), ("mg", 1000.0), (2048.0, 2048.0)])
def test_accelerometer_units(folder, unit, reading):
    table = rows(3).assign(ax=0.0, ay=-reading, az=0)
    log = log_of(folder, table, accelerometer=("ax", "ay", "az"), accelerometer_unit=unit)
    assert log.table["accel_down_g"].tolist() == pytest.approx([-1.0] * 3)


def test_gyro_in_counts(folder):
    table = rows(3).assign(gx=131.0, gy=0, gz=-262.0)
    log = log_of(folder, table, gyro=("gx", "gy", "gz"), gyro_unit=131.0)
    assert log.table["gyro_right_dps"].iloc[0] == pytest.approx(1.0)
    assert log.table["gyro_forward_dps"].iloc[0] == pytest.approx(-2.0)


def test_slow_quantities_are_filled_in_between_and_fast_ones_refused(folder):
    table = rows(40).assign(temp=np.nan, vn=np.nan, ve=1.5, ax=0.0, ay=1.0, az=0.0)
    table.loc[[0, 20, 39], ["temp", "vn"]] = [[20.0, 0.0], [30.0, 10.0], [30.0, 10.0]]
    log = log_of(folder, table, temperature_c="temp", velocity_mps=("vn", "ve"))
    assert log.table["temperature_c"].iloc[10] == pytest.approx(25.0)
    assert log.table["velocity_north_mps"].iloc[10] == pytest.approx(5.0)
    assert log.table["velocity_east_mps"].iloc[10] == 1.5
    table.loc[10:20, "ay"] = np.nan
    message = refusal(folder, table, accelerometer=("ax", "ay", "az"))
    assert (
        "line 12: ay is ''; expected a number (11 of 40 rows are like this); correct accelerometer" in message
    )
    assert "temp is ''" in refusal(folder, table.assign(temp=np.nan), temperature_c="temp")


# --- rows that are no rows


@pytest.mark.parametrize(
    "bad", ["nan,0,0", ",0,0", "0,abc,0", "0,0,null", "-1,-1,-1", "9999,0,0", "0,0,32767", "400,0,0"]
)
def test_few_unusable_rows_are_left_out_and_noted(folder, bad):
    text = lines(60)
    text[20] = f"1.9,{bad}"
    log = log_of(folder, text)
    assert len(log.table) == 59
    assert 1.9 not in log.table["t_s"].tolist()
    assert log.notes == ("left out 1 row without a readable attitude, the first in line 21",)


@pytest.mark.parametrize(
    ("bad", "expected"),
    [
        ("{t},nan,0,0", "line 11: roll_deg is 'nan'; expected a usable number (20 of 60 rows"),
        ("{t},0,x1,0", "line 11: pitch_deg is 'x1'; expected a usable number (20 of 60 rows"),
        (",0,1,0", "line 11: t_s is ''; expected a usable number (20 of 60 rows"),
        ("{t},700,1,0", "line 11: roll_deg is '700'; expected a usable number"),
        (
            "{t},1,2,3,4,5,6",
            "line 11: more cells than the header has (20 of 60 rows are unusable); with decimal commas",
        ),
    ],
)
def test_many_unusable_rows_are_refused_with_line_column_and_value(folder, bad, expected):
    text = lines(60)
    text[10:30] = [bad.format(t=i / 10) for i in range(9, 29)]
    assert expected in refusal(folder, text)


def test_a_log_of_nothing_but_gaps_is_refused(folder):
    message = refusal(folder, [HEADER, *(f"{i},,," for i in range(10))])
    assert "line 2: roll_deg is ''; expected a usable number (10 of 10 rows are unusable)" in message
    assert "t_s is 'abc'; expected a number; for dates write time_unit" in refusal(
        folder, [HEADER, "abc,1,2,3"]
    )


@pytest.mark.parametrize("start", ["nan,nan,nan", ",,", "0,0,0"])
def test_rows_before_the_sensor_started_are_left_out(folder, start):
    text = lines(60)
    text[1:11] = [f"{i / 10},{start}" for i in range(10)]
    log = log_of(folder, text)
    assert len(log.table) == 50
    assert log.notes == ("left out 10 rows before the first attitude",)


def test_a_level_start_is_not_taken_for_a_sensor_that_had_not_started(folder):
    table = rows(60).assign(roll_deg=0.0, pitch_deg=0.0, yaw_deg=lambda d: np.maximum(0, d["t_s"] - 2) * 5)
    assert len(log_of(folder, table).table) == 60


def test_quaternions_of_no_length_are_left_out(folder):
    quaternion = np.tile([1.0, 0.0, 0.0, 0.0], (60, 1))
    quaternion[:5] = 0.0
    quaternion[40] = [0.3, 0, 0, 0]
    table = pd.DataFrame(quaternion, columns=list("wxyz")).assign(t_s=np.arange(60) / 10)
    log = log_of(folder, table, quaternion=tuple("wxyz"))
    assert len(log.table) == 54
    assert len(log.notes) == 2


def test_a_torn_last_line_is_left_out(folder):
    text = ["mode," + HEADER, *(f"hold,{i},0,{i},0" for i in range(5)), "ho"]
    assert len(log_of(folder, "\n".join(text)).table) == 5
    log = log_of(folder, "\n".join([*lines(12), "1.2,0.01"]))
    assert len(log.table) == 12
    assert log.notes == ("left out the last line, which was cut off",)
    log = log_of(folder, "\n".join([*lines(12), "1.2,0.01,-10.0,4e"]))
    assert len(log.table) == 12
    assert len(log_of(folder, "\n".join(lines(12))).table) == 12


# --- time


def test_repeated_times_keep_the_first_row(folder):
    table = rows(20)
    table.loc[5, "t_s"] = table.loc[4, "t_s"]
    log = log_of(folder, table)
    assert log.table["roll_deg"].tolist() == table["roll_deg"].drop(5).tolist()
    assert log.notes == ("left out 1 row with the time of the row before",)


def test_time_going_backwards_names_the_line(folder):
    table = rows(20)
    table.loc[10, "t_s"] = 0.7
    message = refusal(folder, table)
    assert "line 12: time goes backwards, 0.9 s to 0.7 s; sort the rows by time" in message
    table = pd.concat([rows(400).assign(t_s=lambda d: d["t_s"] + 100), rows(20)])
    message = refusal(folder, table)
    assert "line 402: time goes backwards, 139.9 s to 0 s; the clock restarted: save each power-on" in message


@pytest.mark.parametrize(("unit", "per_second"), [("us", 1e6), ("ms", 1e3)])
def test_a_32_bit_counter_that_ran_over_is_continued(folder, unit, per_second):
    counts = (2**32 - 3000 + np.arange(100) * 100) % 2**32
    log = log_of(
        folder, rows(100).assign(t_s=counts).rename(columns={"t_s": "tick"}), time="tick", time_unit=unit
    )
    np.testing.assert_allclose(np.diff(log.table["t_s"]), 100 / per_second, rtol=1e-6)
    assert log.notes[0] == "the clock ran over 1 time; it was continued"


def test_several_run_overs_are_all_undone():
    truth = np.arange(0, 9000, 30.0) + 4000
    undone, count = unwrapped_s(truth % (2**32 / 1e6))
    np.testing.assert_allclose(undone - undone[0], truth - truth[0], atol=1e-6)
    assert count == 3


def test_gaps_are_noted_and_not_bridged(folder):
    table = rows(200)
    table.loc[100:, "t_s"] += 3.0
    log = log_of(folder, table)
    assert log.notes == ("a gap of 3.1 s after log time 9.9 s",)
    at = attitude_at(log, [9.9, 9.95, 11.0, 13.0])
    assert np.isnan(at["roll_deg"]).tolist() == [False, True, True, False]


def test_rows_that_arrive_in_bursts_are_not_all_gaps():
    bursts = np.concatenate([second + np.arange(8) * 0.002 for second in range(40)])
    assert gap_limit_s(bursts) == pytest.approx(5 * 0.986, rel=0.01)
    assert gap_limit_s(np.arange(1000) / 100) == 0.5
    assert gap_limit_s(np.arange(30.0)) == 5.0


# --- held and rounded values


def test_held_values_are_thinned_to_the_rate_at_which_they_change(folder):
    fresh = rows(100, rate_hz=10.0)
    held = fresh.loc[fresh.index.repeat(5)].reset_index(drop=True).assign(t_s=np.arange(500) / 50)
    log = log_of(folder, held)
    pd.testing.assert_frame_equal(log.table, fresh)
    assert log.notes == ("each attitude is logged about 5.0 times over; only the first of each is used",)


def test_a_still_stretch_in_a_held_log_is_no_gap(folder):
    fresh = rows(100, rate_hz=10.0)
    fresh.loc[40:60, LOG_COLUMNS[1:]] = fresh.loc[40, LOG_COLUMNS[1:]].to_numpy()
    held = fresh.loc[fresh.index.repeat(4)].reset_index(drop=True).assign(t_s=np.arange(400) / 40)
    log = log_of(folder, held)
    assert len(log.table) == 100
    assert not any("gap" in note for note in log.notes)


def test_uneven_beats_of_a_held_log_are_recognised():
    counts = np.tile([2, 3], 60)
    angles = np.repeat(np.random.default_rng(0).normal(size=(120, 3)), counts, axis=0)
    assert fresh_rows(angles).sum() == 120


def test_coarse_rounding_of_a_still_camera_is_not_taken_for_held_values():
    rng = np.random.default_rng(3)
    slow = np.convolve(rng.normal(size=2100), np.ones(100) / 10, "valid")
    assert fresh_rows(np.round(slow, 1)[:, None] * [1, 0, 0]) is None
    assert fresh_rows(np.zeros((500, 3))) is None


@pytest.mark.parametrize(("step", "decimals"), [(0.1, 1), (0.01, 2), (1 / 16, 4), (0.5, 3)])
def test_rounding_is_found(folder, step, decimals):
    rng = np.random.default_rng(1)
    table = rows(400).assign(roll_deg=rng.normal(0, 20 * step, 400), pitch_deg=rng.normal(-9, 20 * step, 400))
    for column in ("roll_deg", "pitch_deg"):
        table[column] = [f"{round(v / step) * step:.{decimals}f}" for v in table[column]]
    assert log_of(folder, table).rounding_deg == pytest.approx(step)


def test_rounding_of_few_values_is_the_last_decimal_written():
    assert rounding_step(["0.0", "0.2", "0.6"]) == pytest.approx(0.1)
    assert rounding_step(["0.0"] * 50) == 0.0
    assert rounding_step(["1e-5", "2.5", "0.6"]) == 0.0


# --- columns and units that do not fit


def test_a_missing_column_names_the_nearest_ones(folder):
    message = refusal(folder, rows(5).rename(columns={"roll_deg": "Roll_Deg"}))
    assert message == "attitude.csv: no column 'roll_deg'; nearest: Roll_Deg; correct roll in its [[log]]"
    message = refusal(folder, rows(5), temperature_c="zzz")
    assert message.endswith(
        "columns there: t_s, roll_deg, pitch_deg, yaw_deg; correct temperature_c in its [[log]]"
    )
    assert "no column 'qz'" in refusal(folder, rows(5), quaternion=("t_s", "roll_deg", "pitch_deg", "qz"))


def test_only_an_unmentioned_yaw_may_be_missing(folder):
    table = rows(20).drop(columns="yaw_deg")
    log = log_of(folder, table)
    assert not log.has_yaw
    assert log.table["yaw_deg"].tolist() == [0.0] * 20
    assert log.notes == ("no yaw column: turns of the camera are not known",)
    assert "no column 'yaw_deg'" in refusal(folder, table, given=frozenset({"yaw"}))


def test_a_column_name_that_stands_twice_is_refused(folder):
    message = refusal(folder, [HEADER + ",roll_deg", "0,1,2,3,4", "1,1,2,3,4"])
    assert "line 1: two columns are called 'roll_deg'; rename one of them" in message


def test_units_in_names_are_compared_with_the_sheet(folder):
    table = rows(5).rename(columns={"roll_deg": "roll [rad]", "t_s": "time_ms"})
    message = refusal(folder, table, roll="roll [rad]", time="time_ms", time_unit="ms")
    assert """column 'roll [rad]' is not in deg; write angle_unit = "rad" in its [[log]]""" in message
    assert "column 'time_ms' is not in s; write time_unit = \"ms\"" in refusal(
        folder, table, roll="roll [rad]", time="time_ms"
    )
    entries = {"roll": "roll [rad]", "time": "time_ms", "time_unit": "ms", "given": frozenset({"angle_unit"})}
    assert (
        log_of(folder, table, **entries).notes[0] == "column 'roll [rad]' is read in deg, as the sheet says"
    )


def test_degrees_read_as_radians_are_noticed(folder):
    table = rows(100).rename(columns={"roll_deg": "r", "pitch_deg": "p", "yaw_deg": "y"})
    entries = {"roll": "r", "pitch": "p", "yaw": "y", "angle_unit": "rad"}
    message = refusal(folder, table, **entries)
    assert 'are too large for radians; write angle_unit = "deg" in its [[log]]' in message
    wrapping = table.assign(p=0.1, y=wrap_deg(table["t_s"] * 30))
    assert "too large for radians" in refusal(folder, wrapping, **entries)


def test_radians_read_as_degrees_are_noticed_where_yaw_wraps(folder):
    table = rows(400).rename(columns={"roll_deg": "r", "pitch_deg": "p", "yaw_deg": "y"})
    radians = np.radians(table.assign(y=wrap_deg(table["t_s"] * 12))).assign(t_s=table["t_s"])
    message = refusal(folder, radians, roll="r", pitch="p", yaw="y")
    assert 'yaw wraps at 2 pi; these are radians: write angle_unit = "rad" in its [[log]]' in message
    assert len(log_of(folder, radians, roll="r", pitch="p", yaw="y", angle_unit="rad").table) == 400


def test_commanded_and_frozen_attitudes_are_remarked_on(folder):
    table = rows(100).rename(columns={"roll_deg": "roll_target"})
    assert "sounds like a commanded angle" in log_of(folder, table, roll="roll_target").notes[0]
    assert log_of(folder, table, roll="roll_target", attitude_of="commanded").notes == ()
    table = rows(400)
    table.loc[350:, LOG_COLUMNS[1:]] = table.loc[350, LOG_COLUMNS[1:]].to_numpy()
    assert "does not change at all in the last 4.9 s" in log_of(folder, table).notes[0]


# --- files that are no logs


@pytest.mark.parametrize(
    ("content", "expected"),
    [
        (b"", "the file is empty; export the log again"),
        (b" \n\n", "the file is empty"),
        (b"\x00\x01\x02binary", "not a text table; export the log as comma-separated text"),
        (b"A letter\nto somebody, written by hand\nwith greetings\n", "no rows of numbers found"),
        (
            b"0.0,1.0,2.0,3.0\n0.1,1.0,2.0,3.0\n",
            "line 1: numbers without a header line above them; name the columns",
        ),
        (HEADER.encode() + b"\n", "line 1: a header but no rows below it; export the log again"),
        (
            b"kind,t_s,roll_deg,pitch_deg\nA,0,1,2\nB,0,1,2,3,4,5\nA,1,1,2\n",
            "rows of several kinds are mixed (A, B); save those",
        ),
    ],
)
def test_files_that_are_no_logs(folder, content, expected):
    assert expected in refusal(folder, content)


def test_other_file_types_are_refused(folder):
    message = refusal(folder, b"PAR1", name="attitude.parquet")
    assert "Parquet needs an extra that a later version brings; export it as .csv" in message
    assert "a log is read from .csv, .tsv, .txt; export it as .csv" in refusal(
        folder, b"x", name="attitude.xlsx"
    )
    with pytest.raises(LogError, match=r"gone\.csv: cannot be read \(No such file"):
        read_log(LogSheet(folder / "gone.csv"))


# --- attitude at a time


def plain(angles: list[list[float]], t_s: list[float]) -> AttitudeLog:
    table = pd.DataFrame(np.column_stack([t_s, angles]), columns=LOG_COLUMNS)
    return AttitudeLog("a.csv", "camera_sensor", table, 0.0, None, True, ())


def test_interpolation_goes_the_short_way_across_180():
    log = plain([[170, 0, -179], [-170, 0, 179]], [0.0, 0.4])
    at = attitude_at(log, 0.2)
    assert abs(at["roll_deg"][0]) == pytest.approx(180)
    log = plain([[0, 0, 179], [0, 0, -179]], [0.0, 0.4])
    assert attitude_at(log, [0.1])["yaw_deg"][0] == pytest.approx(179.5)


def test_interpolation_agrees_with_a_spherical_one_and_keeps_the_rows():
    rng = np.random.default_rng(2)
    t_s = np.sort(rng.uniform(0, 4, 40))
    angles = np.cumsum(rng.normal(0, 8, (40, 3)), axis=0)
    angles[:, 1] = np.clip(angles[:, 1], -80, 80)
    log = plain(wrap_deg(angles).tolist(), t_s.tolist())
    wanted = rng.uniform(t_s[0], t_s[-1], 200)
    at = attitude_at(log, wanted)
    assert at["t_s"].tolist() == wanted.tolist()
    matrices = [ned_from_camera(*row) for row in angles]
    reference = Slerp(t_s, Rotation.from_matrix(matrices))(wanted)
    bridged = at["roll_deg"].notna().to_numpy()
    assert bridged.sum() > 150
    found = Rotation.from_matrix([ned_from_camera(*row) for row in at.to_numpy()[bridged, 1:]])
    assert np.degrees((found.inv() * reference[bridged]).magnitude()).max() < 1e-6
    pd.testing.assert_frame_equal(attitude_at(log, t_s), log.table)


def test_nothing_is_invented_beyond_the_ends():
    log = plain([[1, 2, 3], [1, 2, 3]], [5.0, 5.2])
    at = attitude_at(log, [4.99, 5.0, 5.1, 5.2, 5.21])
    assert np.isnan(at["pitch_deg"]).tolist() == [True, False, False, False, True]
    single = plain([[1, 2, 3]], [5.0])
    assert np.isnan(attitude_at(single, [4.0, 5.0, 6.0])["roll_deg"]).tolist() == [True, False, True]
