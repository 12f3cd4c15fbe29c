from dataclasses import replace

import numpy as np
import pytest

from attitude.capture import FACES, CaptureError, CaptureSheet, face_of
from attitude.capture_columns import times_s
from attitude.capture_log import read_capture
from attitude.capture_sheet import read_capture_sheet
from attitude.holds_in_log import at_rail, spike_rows, still_stretches
from attitude.table import read_table
from tests.capture_logs import Habit, averages_columns, invented_log, log_columns, table_text
from tests.captures import Board, up_of

BRIEF = Habit(hold_s=(5.0, 6.0), adjust_s=(1.5, 2.5), rests=False)
FULL_TURN = 2.0**15
NOISES = (0.3, 0.7, 1.5, 3.0)


def drift(t_s):
    """0.1 deg in ten seconds."""
    return np.outer(0.175 * t_s, [1.0, 0.0, -0.5])


def knock(t_s):
    """5 mg for 0.3 s."""
    return np.where(np.abs(t_s - 3.5) < 0.15, 5.0, 0.0)[:, None] * np.array([0.0, 1.0, 0.0])


@pytest.fixture(scope="module")
def brief():
    """A short capture, its board with clear errors, so that no face reads quite 1 g."""
    rng = np.random.default_rng(6)
    cross = 0.004 * (1 - np.eye(3))
    board = Board(np.array([0.02, -0.03, 0.04]), np.array([1.01, 0.99, 1.02]), cross)
    return invented_log(rng, board, habit=BRIEF)


@pytest.fixture
def read(tmp_path):
    """Write columns as a table and read the capture in it."""

    def write_and_read(columns, name="cube.csv", **told):
        writing = {key: told.pop(key) for key in ("separator", "comma", "units") if key in told}
        path = tmp_path / name
        path.write_text(table_text(columns, **writing), encoding="utf-8")
        return read_capture(CaptureSheet(path, (path,), given=frozenset(told), **told))

    return write_and_read


def alike(holds, log, within_mg=1.0):
    """Whether holds are the true ones, in their order."""
    assert [face_of(hold.mean_g) for hold in holds] == [truth.label for truth in log.holds]
    for hold, truth in zip(holds, log.holds, strict=True):
        assert np.abs(hold.mean_g - truth.mean_g).max() < 0.001 * within_mg
    return True


# ---- holds in a log


@pytest.mark.parametrize("move_mg", [None, drift, knock], ids=["still", "drift", "knock"])
@pytest.mark.parametrize("seed", range(24))
def test_true_holds_are_found_and_nothing_else(seed, move_mg):
    rng = np.random.default_rng(seed)
    habit = Habit(NOISES[seed % 4], rests=move_mg is None, tremble=(3.0, 8.0)[seed % 2])
    log = invented_log(rng, habit=habit, move_mg=move_mg)
    found = still_stretches(log.t_s, log.readings_g)
    assert len(found) == len(log.holds)
    for rows, truth in zip(found, log.holds, strict=True):
        start_s, stop_s = log.t_s[[rows.start, rows.stop - 1]]
        # Half a block on either side, and up to one that straddles the end.
        assert truth.start_s <= start_s + 0.5
        assert stop_s <= truth.stop_s
        assert stop_s - start_s > truth.stop_s - truth.start_s - 2.1
        if move_mg is None:
            off_mg = 1000 * np.abs(log.readings_g[rows].mean(axis=0) - truth.mean_g)
            assert off_mg.max() < 0.1 + 5 * habit.noise_mg / np.sqrt(rows.stop - rows.start)


@pytest.mark.parametrize("seed", range(6))
def test_holds_by_hand(seed):
    log = invented_log(np.random.default_rng(seed), habit=Habit(NOISES[seed % 3], by_hand=1.0, rests=False))
    found = still_stretches(log.t_s, log.readings_g)
    assert len(found) == len(log.holds)
    for rows, truth in zip(found, log.holds, strict=True):
        assert np.abs(log.readings_g[rows].mean(axis=0) - truth.mean_g).max() < 1e-3


def still(rng, up, lasts_s, noise_mg=1.0):
    return up + rng.normal(0, noise_mg / 1000, (round(50 * lasts_s), 3))


def stretches_of(*parts):
    readings = np.concatenate(parts)
    return still_stretches(np.arange(len(readings)) / 50, readings)


def test_taken_off_and_held_again_is_two_holds():
    rng, up = np.random.default_rng(0), up_of("+x")
    away = still(rng, up_of("+x", (20.0, 10.0)), 2.0, 20.0)
    assert len(stretches_of(still(rng, up, 8), away, still(rng, up, 8))) == 2


@pytest.mark.parametrize(
    ("apart_deg", "lasts_s", "holds"), [(0.0, 0.6, 1), (0.05, 0.6, 1), (0.4, 0.6, 2), (0.0, 3.0, 2)]
)
def test_a_short_disturbance_parts_a_hold_only_where_it_moved_it(apart_deg, lasts_s, holds):
    rng = np.random.default_rng(1)
    shaken = still(rng, up_of("+x", (0.0, 1.5)), lasts_s, 10.0)
    before, after = still(rng, up_of("+x"), 8, 0.5), still(rng, up_of("+x", (apart_deg, 0.0)), 8, 0.5)
    assert len(stretches_of(before, shaken, after)) == holds


@pytest.mark.parametrize(("lasts_s", "holds"), [(1.9, 0), (4.0, 1)])
def test_a_hold_lasts_three_seconds(lasts_s, holds):
    rng = np.random.default_rng(2)
    turning = [still(rng, up_of("+y", (angle, 0.0)), 0.1, 5.0) for angle in range(-60, 60, 3)]
    assert len(stretches_of(*turning, still(rng, up_of("+y"), lasts_s), *turning)) == holds


def test_only_what_reads_near_one_g_is_a_hold():
    rng = np.random.default_rng(3)
    assert len(stretches_of(1.1 * still(rng, up_of("+z"), 8))) == 1
    assert len(stretches_of(1.3 * still(rng, up_of("+z"), 8))) == 0


@pytest.mark.parametrize("rate_hz", [10.0, 25.0, 400.0])
def test_other_rates(brief, rate_hz):
    t_s = np.arange(0, brief.t_s[-1], 1 / rate_hz)
    readings = np.column_stack([np.interp(t_s, brief.t_s, column) for column in brief.readings_g.T])
    assert len(still_stretches(t_s, readings)) == 6


def test_gaps_and_stamps_that_stand_still_do_no_harm():
    rng = np.random.default_rng(4)
    readings = np.concatenate([still(rng, up_of("+x"), 10), still(rng, up_of("-x"), 10)])
    t_s = np.arange(1000) / 50
    t_s[500:] += 1e9
    t_s[200:203] = t_s[200]
    assert len(still_stretches(t_s, readings)) == 2
    assert still_stretches(np.zeros(1000), readings) == ()
    assert still_stretches(t_s[:1], readings[:1]) == ()


def test_single_rows_far_out():
    readings = still(np.random.default_rng(5), up_of("+x"), 4)
    readings[50, 1] = 0.5
    readings[100:102, 1] = 0.5
    assert list(np.flatnonzero(spike_rows(readings))) == [50]


def test_a_rail_is_told_from_coarse_counts():
    rng = np.random.default_rng(7)
    reading = rng.normal([0, 0, 2047], 6, (500, 3)).round()
    lowest, highest = reading.min(axis=0), reading.max(axis=0)
    assert at_rail(reading, lowest, highest) is None
    limited = np.minimum(reading, 2047)
    axis, limit, count = at_rail(limited, lowest, np.minimum(highest, 2047))
    assert (axis, limit) == (2, 2047)
    assert count == np.sum(limited[:, 2] == 2047)
    coarse = rng.normal([0, 0, 100], 0.3, (500, 3)).round()
    assert at_rail(coarse, coarse.min(axis=0), coarse.max(axis=0)) is None


# ---- columns, units, times


def test_a_log_is_read_whole(brief, read):
    columns = log_columns(brief) | dict(
        zip(("gx_dps", "gy_dps", "gz_dps"), brief.gyro_dps.T, strict=True), temp_c=brief.temperature_c
    )
    capture = read(columns)
    assert alike(capture.holds, brief)
    for hold, truth in zip(capture.holds, brief.holds, strict=True):
        assert hold.label == ""
        assert hold.period_s == pytest.approx(0.02)
        assert hold.name == f"cube.csv, {hold.start_s:.1f} to {hold.start_s + hold.lasts_s - 0.02:.1f} s"
        assert truth.start_s <= hold.start_s + 0.5
        rows = slice(round(hold.start_s * 50), round(hold.start_s * 50) + len(hold.readings_g))
        assert np.allclose(hold.readings_g, brief.readings_g[rows], atol=1e-6)
        assert np.allclose(hold.gyro_dps, brief.gyro_dps[rows], atol=1e-6)
        assert np.allclose(hold.temperature_c, brief.temperature_c[rows], atol=1e-6)


@pytest.mark.parametrize(
    ("names", "one_g", "told"),
    [
        (("ax", "ay", "az"), 1.0, {}),
        (("ax", "ay", "az"), 9.80665, {}),
        (("ax", "ay", "az"), 1000.0, {}),
        (("x", "y", "z"), 9.80665, {}),
        (("X [mg]", "Y [mg]", "Z [mg]"), 1000.0, {}),
        (("x_g", "y_g", "z_g"), 1.0, {}),
        (("acc_x (m/s^2)", "acc_y (m/s^2)", "acc_z (m/s^2)"), 9.80665, {}),
        (("p", "q", "s"), 1000.0, {"accelerometer": ("p", "q", "s")}),
        (("ax", "ay", "az"), 2048.0, {"accelerometer_unit": 2048.0}),
        (("ax", "ay", "az"), 9.80665, {"accelerometer_unit": "m/s2"}),
    ],
)
def test_units_by_name_by_reading_and_as_told(brief, read, names, one_g, told):
    capture = read(log_columns(brief, names, one_g=one_g), **told)
    assert alike(capture.holds, brief)
    guessed = not told.get("accelerometer_unit") and not any(mark in names[0] for mark in "[(_")
    assert any("no unit told" in note for note in capture.notes) == guessed


def test_a_row_of_units(brief, read):
    capture = read(log_columns(brief, one_g=1000.0), units=("s", "mg", "mg", "mg"))
    assert alike(capture.holds, brief)
    assert capture.notes == ()


@pytest.mark.parametrize(("full_scale_g", "bits"), [(2.0, 16), (4.0, 16), (16.0, 16), (8.0, 12)])
def test_counts_with_their_range(brief, read, full_scale_g, bits):
    top = 2 ** (bits - 1)
    columns = log_columns(brief, one_g=top / full_scale_g, counts=(-top, top - 1))
    capture = read(columns, full_scale_g=full_scale_g, bits=bits)
    assert alike(capture.holds, brief)
    assert capture.notes == ()


@pytest.mark.parametrize(
    ("one_g", "fits"),
    [
        (8192.0, "full_scale_g = 4 in faces.toml would fit (16 bits)"),
        (16384.0, "full_scale_g = 2 in faces.toml would fit (16 bits)"),
        (256.0, "full_scale_g = 8 and bits = 12 in faces.toml would fit (12 bits)"),
    ],
)
def test_counts_without_a_range_are_refused(brief, read, one_g, fits):
    with pytest.raises(CaptureError, match="counts without a range: it reads") as refused:
        read(log_columns(brief, one_g=one_g, counts=(-FULL_TURN, FULL_TURN - 1)))
    assert fits in str(refused.value)
    assert "\n" not in str(refused.value)


@pytest.mark.parametrize(
    ("one_g", "names", "told", "says"),
    [
        (9.80665, ("ax", "ay", "az"), {"accelerometer_unit": "g"}, 'accelerometer_unit = "m/s2" in faces'),
        (1.0, ("ax", "ay", "az"), {"accelerometer_unit": "mg"}, 'accelerometer_unit = "g" in faces.toml'),
        (8192.0, ("ax", "ay", "az"), {"full_scale_g": 8.0}, "full_scale_g = 4 in faces.toml would fit"),
        (8192.0, ("ax", "ay", "az"), {"accelerometer_unit": 4096.0}, "full_scale_g = 4 in faces.toml"),
        (1000.0, ("x_g", "y_g", "z_g"), {}, 'accelerometer_unit = "mg" in faces.toml would fit'),
        (0.77, ("ax", "ay", "az"), {"accelerometer_unit": "g"}, "and must be 1 g"),
    ],
)
def test_a_unit_in_which_no_gravity_comes_out_is_refused(brief, read, one_g, names, told, says):
    with pytest.raises(CaptureError, match=r"cube\.csv: a reading of") as refused:
        read(log_columns(brief, names, one_g=one_g), **told)
    assert says in str(refused.value)


def test_whole_numbers_near_1024_may_be_counts(brief, read):
    columns = log_columns(brief, one_g=1024.0, counts=(-2048, 2047))
    with pytest.raises(CaptureError, match=r'write accelerometer_unit = 1024 or accelerometer_unit = "mg"'):
        read(columns)
    assert alike(read(columns, accelerometer_unit=1024.0).holds, brief, 1.5)
    # With mg told the same numbers are a sensor whose scale is 2.4 % off.
    assert len(read(columns, accelerometer_unit="mg").holds) == len(brief.holds)


@pytest.mark.parametrize(("one_g", "counts", "step_g"), [(256.0, (-512, 511), 1 / 256), (1.0, None, 1e-6)])
def test_the_last_digit_of_a_log_is_known(brief, read, one_g, counts, step_g):
    told = {} if counts is None else {"accelerometer_unit": one_g}
    holds = read(log_columns(brief, one_g=one_g, counts=counts), **told).holds
    assert holds[0].step_g == pytest.approx(step_g)


def test_a_gap_within_a_hold_is_spoken_of(brief, read):
    columns = log_columns(brief)
    first = brief.holds[2]
    from_s = first.start_s + 2.0
    kept = (columns["t_s"] < from_s) | (columns["t_s"] > from_s + 0.8)
    capture = read({name: column[kept] for name, column in columns.items()})
    assert alike(capture.holds, brief)
    (note,) = [one for one in capture.notes if "no readings" in one]
    assert note.startswith("cube.csv: no readings for 0.8 s from ")


def test_a_slow_log_wants_longer_holds(tmp_path):
    rng = np.random.default_rng(3)
    habit = Habit(hold_s=(40.0, 45.0), adjust_s=(4.0, 8.0), rests=False)
    log = invented_log(rng, habit=habit)
    slow = log_columns(log, rows=slice(None, None, 25))
    (tmp_path / "slow.csv").write_text(table_text(slow))
    capture = read_capture(read_capture_sheet([tmp_path / "slow.csv"]))
    assert alike(capture.holds, log, 5.0)
    assert any(
        "only 2 readings a second: rests of less than 8 s are overlooked" in one for one in capture.notes
    )


def test_a_column_is_accelerometer_or_gyro(brief, read):
    with pytest.raises(CaptureError, match="ay is given as accelerometer and as gyro; correct gyro"):
        read(log_columns(brief), accelerometer=("ax", "ay", "az"), gyro=("t_s", "ay", "az"))


def test_a_log_whose_up_reads_minus(brief, read):
    capture = read(log_columns(brief, one_g=-9.80665), accelerometer_sign="up_reads_minus")
    assert alike(capture.holds, brief)


def test_the_gyro_in_radians_and_without_a_unit(brief, read):
    names = ("gx", "gy", "gz")
    columns = log_columns(brief) | dict(zip(names, np.radians(brief.gyro_dps).T, strict=True))
    capture = read(columns)
    assert all(hold.gyro_dps is None for hold in capture.holds)
    assert "cube.csv: gx, gy, gz are left out: their unit is not told; give gyro_unit" in capture.notes
    for told in ({"gyro_unit": "rad/s"}, {"gyro_unit": "rad/s", "gyro": names}):
        turned = read(columns, **told).holds[0]
        start = round(turned.start_s * 50)
        wanted = brief.gyro_dps[start : start + len(turned.readings_g)]
        assert np.allclose(turned.gyro_dps, wanted, atol=1e-4)


@pytest.mark.parametrize(
    ("name", "unit", "told", "note"),
    [
        ("t_s", 1.0, {}, ""),
        ("time_ms", 1000.0, {}, ""),
        ("stamp", 1e6, {"time": "stamp", "time_unit": "us"}, ""),
        ("time", 1000.0, {}, ""),
        ("stamp", 1000.0, {"time": "stamp"}, ""),
        (None, 1.0, {}, "no time column: 50 readings a second assumed"),
        (None, 1.0, {"rate_hz": 50.0}, ""),
    ],
)
def test_times(brief, read, name, unit, told, note):
    columns = log_columns(brief, ("x_g", "y_g", "z_g"))
    t_s = columns.pop("t_s")
    capture = read(columns if name is None else {name: unit * (t_s + 7.0), **columns}, **told)
    assert alike(capture.holds, brief)
    assert [hold.period_s for hold in capture.holds] == pytest.approx([0.02] * 6)
    assert bool(capture.notes) == bool(note)
    assert not note or note in capture.notes[0]


def test_a_time_that_fits_two_units_is_noted(tmp_path):
    path = tmp_path / "cube.csv"
    path.write_text(table_text({"time": np.arange(6000), "ax": np.ones(6000)}))
    t_s, notes = times_s(CaptureSheet(path, (path,)), read_table(path))
    assert t_s[1] == pytest.approx(1e-3)
    assert notes == ["cube.csv: time taken for ms: it gives 1e+03 rows a second; else give time_unit"]


def test_the_told_rate_counts(brief, read):
    columns = log_columns(brief)
    del columns["t_s"]
    assert read(columns, rate_hz=25.0).holds[0].period_s == pytest.approx(0.04)


def test_dates_as_times(brief, read):
    columns = log_columns(brief)
    stamps = np.datetime64("2031-05-01T10:00:00") + (1000 * columns.pop("t_s")).round().astype(
        "timedelta64[ms]"
    )
    for told in ({}, {"time": "when", "time_unit": "iso8601"}):
        name = told.get("time", "timestamp")
        capture = read({name: [str(stamp) for stamp in stamps], **columns}, **told)
        assert alike(capture.holds, brief)
        assert capture.holds[0].period_s == pytest.approx(0.02)


def test_times_that_fall_back_and_rows_without_a_reading(brief, read):
    columns = log_columns(brief)
    half = len(columns["t_s"]) // 12
    columns["t_s"] = np.concatenate([columns["t_s"][:half], columns["t_s"][:-half]])
    columns["ax"] = ["" if i % 40 == 0 else f"{value:.6f}" for i, value in enumerate(columns["ax"])]
    capture = read(columns)
    assert len(capture.holds) == 6
    assert any("time goes backwards in 1 rows" in note for note in capture.notes)
    assert any("rows without a reading" in note for note in capture.notes)


def test_readings_logged_several_times_over_count_once(brief, read):
    capture = read(log_columns(brief, rows=np.arange(len(brief.t_s)) // 4 * 4))
    once = read(log_columns(brief, rows=np.arange(0, len(brief.t_s), 4)))
    assert "cube.csv: each reading is logged about 4.0 times over" in capture.notes
    for hold, other in zip(capture.holds, once.holds, strict=True):
        assert len(hold.readings_g) == pytest.approx(len(other.readings_g), abs=8)
        assert hold.period_s == pytest.approx(0.08, rel=0.1)


def test_a_spike_is_left_out_of_its_hold(brief, read):
    truth = brief.holds[2]
    row = round(50 * (truth.start_s + truth.stop_s) / 2)
    readings = brief.readings_g.copy()
    readings[row] = 15.99
    capture = read(log_columns(replace(brief, readings_g=readings)))
    assert alike(capture.holds, brief)
    assert "cube.csv: left out a single reading far out within a hold" in capture.notes


def limited(brief, face, limit):
    """The capture with the axis of a face limited, in a hold whose reading comes near the limit."""
    axis = "xyz".index(face[1])
    readings = brief.readings_g.copy()
    readings[:, axis] = np.clip(readings[:, axis], -limit, limit)
    return replace(brief, readings_g=readings)


@pytest.mark.parametrize("counts", [True, False], ids=["counts", "g"])
def test_a_hold_at_the_limit_is_refused(brief, read, counts):
    if counts:
        columns = log_columns(brief, one_g=32767 / 1.019, counts=(-FULL_TURN, FULL_TURN - 1))
        told = {"full_scale_g": 1.019}
    else:
        columns, told = log_columns(limited(brief, "+z", 1.058)), {}
    with pytest.raises(
        CaptureError, match=r"cube.csv, \d+\.\d to \d+\.\d s: \d+ of \d+ readings of axis"
    ) as no:
        read(columns, **told)
    assert "sit at the limit" in str(no.value)
    assert "; set a larger range and log anew" in str(no.value)


TWO_ROWS = {"ax": [0.0, 0.0], "ay": [0.0, 0.0], "az": [1.0, 1.0]}
MANY_ROWS = {name: cells * 40 for name, cells in TWO_ROWS.items()}


@pytest.mark.parametrize(
    ("columns", "told", "says"),
    [
        ({"t_s": [0.0, 1.0], "roll": [1.0, 2.0], "q": [1.0, 2.0]}, {}, "no accelerometer recognised in the"),
        (TWO_ROWS, {"accelerometer": ("ax", "ay", "aaz")}, "no column 'aaz'; nearest: az"),
        (TWO_ROWS, {"time": "when"}, "no column 'when'"),
        (TWO_ROWS, {"gyro": ("u", "v", "w")}, "correct gyro in faces.toml"),
        (MANY_ROWS | {"ax": ["-"] * 80}, {}, "ax, ay, az hold no numbers"),
        (TWO_ROWS, {}, "no hold in 0 s: looked for 3 s near 1 g"),
        ({"t": ["a", "b"], **TWO_ROWS}, {"time": "t"}, "t holds no times, such as 'a'"),
        (
            MANY_ROWS,
            {"face": "ax"},
            "face goes with one row per pose, and this holds 80 rows; leave face out",
        ),
        (TWO_ROWS, {"face": "side"}, "no column 'side'; correct face, or leave it out"),
    ],
)
def test_what_is_wrong_with_a_log_is_said_in_one_line(read, columns, told, says):
    with pytest.raises(CaptureError) as refused:
        read(columns, **told)
    message = str(refused.value)
    assert says in message
    assert message.startswith("cube.csv: ")
    assert "\n" not in message


def test_a_log_of_nothing_but_motion(read):
    rng = np.random.default_rng(8)
    up = rng.normal(0, 1, (2000, 3))
    up /= np.linalg.norm(up, axis=1)[:, None]
    with pytest.raises(CaptureError, match=r"no hold in 40 s: .*; let the board rest for ten seconds"):
        read({"t_s": np.arange(2000) / 50, **dict(zip(("ax", "ay", "az"), up.T, strict=True))})


@pytest.mark.parametrize(
    ("name", "says"), [("cube.mp4", "is read from .csv, .tsv, .txt"), ("no.csv", "read")]
)
def test_what_is_no_table(tmp_path, name, says):
    with pytest.raises(CaptureError, match=says):
        read_capture(CaptureSheet(tmp_path / name, (tmp_path / name,)))


# ---- a file per pose


def pose_files(folder, log, parts):
    """Files named after faces, each of some true holds and what is around them."""
    paths = []
    for name, first, last in parts:
        rows = slice(round(50 * log.holds[first].start_s - 60), round(50 * log.holds[last].stop_s + 40))
        paths.append(folder / f"{name}.csv")
        paths[-1].write_text(table_text(log_columns(log, rows=rows)))
    return paths


def test_six_files(tmp_path, brief):
    paths = pose_files(tmp_path, brief, [(f"face {i}", i, i) for i in range(6)])
    capture = read_capture(read_capture_sheet(paths))
    assert alike(capture.holds, brief)
    assert [hold.label for hold in capture.holds] == [f"face {i}" for i in range(6)]
    assert capture.holds[0].name.startswith("face 0.csv, ")


def test_a_file_with_two_faces_gives_both_and_says_so(tmp_path, brief):
    paths = pose_files(tmp_path, brief, [("a", 0, 1), *((f"{i}", i, i) for i in range(2, 6))])
    capture = read_capture(read_capture_sheet(paths))
    assert alike(capture.holds, brief)
    assert "a.csv: holds 2 stretches in different poses; all of them are used" in capture.notes


def test_what_is_said_of_many_files_is_said_once(tmp_path, brief):
    paths = pose_files(tmp_path, brief, [(f"face {i}", i, i) for i in range(6)])
    notes = [one for one in read_capture(read_capture_sheet(paths)).notes if "no unit told" in one]
    assert notes == ["6 files: no unit told; taken for g, in which it reads about 1 g at rest"]


def test_the_longest_stretch_of_a_pose_is_used(tmp_path):
    rng = np.random.default_rng(9)
    readings = np.concatenate(
        [still(rng, up_of("+x"), 4), still(rng, up_of("+x", (9.0, 0.0)), 2, 30.0), still(rng, up_of("+x"), 9)]
    )
    for name in ("one", "two"):
        columns = {"t_s": np.arange(len(readings)) / 50, **dict(zip("xyz", readings.T, strict=True))}
        (tmp_path / f"{name}.csv").write_text(table_text(columns))
    capture = read_capture(read_capture_sheet([tmp_path / "one.csv", tmp_path / "two.csv"]))
    assert [hold.label for hold in capture.holds] == ["one", "two"]
    assert all(hold.start_s > 5 for hold in capture.holds)
    assert "one.csv, two.csv: the longest of 2 still stretches is used" in capture.notes


def test_the_file_without_a_hold_is_named(tmp_path, brief):
    paths = pose_files(tmp_path, brief, [("good", 0, 0)])
    paths.append(tmp_path / "bad.csv")
    paths[1].write_text(table_text(log_columns(brief, rows=slice(0, 100))))
    with pytest.raises(CaptureError, match=r"bad.csv: no hold in"):
        read_capture(read_capture_sheet(paths))


# ---- a table of averages


@pytest.mark.parametrize(
    ("separator", "comma", "ending"),
    [(",", False, "\n"), (";", True, "\n"), ("\t", True, ""), (",", False, "")],
)
def test_a_table_of_averages(tmp_path, brief, separator, comma, ending):
    path = tmp_path / "averages.csv"
    path.write_text(
        table_text(averages_columns(brief), separator=separator, comma=comma).rstrip("\n") + ending
    )
    capture = read_capture(read_capture_sheet([path]))
    assert alike(capture.holds, brief, within_mg=0.01)
    assert [hold.label for hold in capture.holds] == list(FACES)
    assert [hold.name for hold in capture.holds] == [f"averages.csv, line {line}" for line in range(2, 8)]
    assert all(hold.readings_g.shape == (1, 3) and hold.period_s is None for hold in capture.holds)


def test_words_after_the_last_number_of_a_table_without_a_last_line_end(tmp_path, brief):
    columns = averages_columns(brief)
    columns["pose"] = [f"lens {face}" for face in columns.pop("face")]
    path = tmp_path / "averages.csv"
    path.write_text(table_text(columns).rstrip("\n"))
    capture = read_capture(read_capture_sheet([path]))
    assert [hold.label for hold in capture.holds] == [f"lens {face}" for face in FACES]


@pytest.mark.parametrize(
    "names",
    [
        ("mean_x", "mean_y", "mean_z"),
        ("ax mean", "ay mean", "az mean"),
        ("avg X (g)", "avg Y (g)", "avg Z (g)"),
    ],
)
def test_names_of_averages(read, brief, names):
    assert alike(read(averages_columns(brief, names)).holds, brief, within_mg=0.01)


@pytest.mark.parametrize(
    ("extra", "told", "label"),
    [
        ({"by": ["hand"] * 6, "side": list("abcdef")}, {}, "a"),
        ({"by": list("uvwxyz")}, {}, "u"),
        ({"by": list("uvwxyz"), "side": list("abcdef")}, {"face": "by"}, "u"),
        ({}, {}, ""),
    ],
)
def test_which_column_names_the_faces(read, brief, extra, told, label):
    columns = averages_columns(brief)
    del columns["face"]
    assert read({**extra, **columns}, **told).holds[0].label == label


@pytest.mark.parametrize(("written", "step_g"), [("%.2f", 0.01), ("%.5f", 1e-5), ("%.3e", 0.0)])
def test_the_last_digit_of_averages_is_known(brief, read, written, step_g):
    columns = averages_columns(brief)
    texts = {n: c if n == "face" else [written % value for value in c] for n, c in columns.items()}
    assert read(texts).holds[0].step_g == pytest.approx(step_g)


def test_more_poses_than_six_and_their_temperature(read, brief):
    up = np.array([up_of(face, (45.0 * k, 0.0)) for face in FACES for k in range(3)])
    columns = {**dict(zip(("ax", "ay", "az"), up.T, strict=True)), "temp_c": np.linspace(20, 25, 18)}
    holds = read(columns).holds
    assert len(holds) == 18
    assert holds[-1].temperature_c == pytest.approx([25.0])


@pytest.mark.parametrize(
    ("column", "value", "says"),
    [
        ("ay", 0.8, "line 4: reads 1.31 g in all, at rest it is 1 g; correct its numbers"),
        ("ay", "", "line 4: reads '"),
    ],
)
def test_a_wrong_row_of_averages_is_named(read, column, value, says):
    columns = {
        "face": list(FACES),
        **dict(zip(("ax", "ay", "az"), np.array([up_of(f) for f in FACES]).T, strict=True)),
    }
    cells = [*columns[column]]
    cells[2] = value if value == "" else 1.31
    with pytest.raises(CaptureError) as refused:
        read(columns | {column: cells})
    assert says in str(refused.value)


def test_a_last_row_that_is_cut_off(tmp_path, brief):
    path = tmp_path / "averages.csv"
    path.write_text(table_text(averages_columns(brief)).rstrip("\n").rpartition(",")[0])
    with pytest.raises(CaptureError, match="the last line is cut off; complete it, or delete it"):
        read_capture(read_capture_sheet([path]))


def test_averages_at_the_limit(read):
    up = np.array([up_of(face) for face in FACES]) * 32767
    columns = dict(zip(("ax", "ay", "az"), up.round().astype(int).T, strict=True))
    with pytest.raises(CaptureError, match="line 2: the reading of axis x sits at the limit 32767"):
        read(columns, full_scale_g=1.0)
