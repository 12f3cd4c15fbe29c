"""Logs as loggers in the field write them: what is mended on reading, and what is not."""

import numpy as np
import pandas as pd
import pytest

from attitude.log import read_log
from attitude.repair import placeholders, rows_before_clock, spread_s
from attitude.sheet import LogSheet
from attitude.table import headers, preamble

RATE_HZ = 10.0


def rows(count=200):
    rng = np.random.default_rng(5)
    t_s = np.arange(count) / RATE_HZ
    angles = np.column_stack([4 * np.sin(t_s), -8 + 3 * np.sin(t_s / 2), 20 * t_s / 10])
    table = pd.DataFrame(
        angles + rng.normal(0, 0.02, (count, 3)), columns=["roll_deg", "pitch_deg", "yaw_deg"]
    )
    table.insert(0, "t_s", t_s)
    return table


def read(folder, table, **entries):
    path = folder / "log.csv"
    if isinstance(table, str):
        path.write_text(table)
    else:
        table.to_csv(path, index=False)
    return read_log(LogSheet(path, **entries))


# --- stamps -----------------------------------------------------------------------------------------------


def test_rows_that_share_whole_second_stamps_are_spread_between_them():
    true = np.arange(0.6, 40, 0.1)
    spread, said = spread_s(np.floor(true))
    assert "about 10 rows share each time stamp" in said
    assert np.abs(spread - true - np.median(spread - true)).max() < 0.06


def test_rows_that_arrive_in_bursts_are_spread_back_to_the_burst_before():
    rng = np.random.default_rng(1)
    true = np.arange(300) * 0.05
    arrival = (
        np.repeat(true[4::5], 5) + np.tile(np.arange(5) * 2e-3, 60) + np.repeat(rng.uniform(0, 0.02, 60), 5)
    )
    spread, said = spread_s(arrival)
    assert "bursts of about 5" in said
    assert np.std(spread - true) < 0.012
    assert np.all(np.diff(spread) > 0)


@pytest.mark.parametrize("jitter_s", [0.0, 0.02])
def test_times_that_are_even_or_a_little_uneven_are_left(jitter_s):
    t_s = np.arange(300) * 0.1 + np.random.default_rng(2).uniform(0, jitter_s, 300)
    spread, said = spread_s(t_s)
    assert said == ""
    assert spread is t_s


def test_a_logger_that_changes_its_pace_has_no_bursts():
    t_s = np.concatenate([np.arange(200) * 0.01, 2.0 + np.arange(200) * 0.5])
    assert spread_s(t_s)[1] == ""


def test_a_gap_between_bursts_stays_a_gap():
    stamps = np.repeat(np.concatenate([np.arange(20.0), np.arange(30.0, 50.0)]), 10)
    spread, _ = spread_s(stamps)
    assert np.diff(spread).max() == pytest.approx(10.1, abs=0.01)


@pytest.mark.parametrize(
    "style", ["%d.%m.%Y %H:%M:%S.%f", "%d/%m/%Y %H:%M:%S.%f", "%Y-%m-%d %H:%M:%S.%f UTC", "%H:%M:%S.%f"]
)
def test_stamps_of_every_style_past_midnight(tmp_path, style):
    table = rows()
    stamps = pd.Timestamp("2026-05-30 23:59:50") + pd.to_timedelta(table["t_s"], unit="s")
    log = read(tmp_path, table.assign(t_s=stamps.dt.strftime(style)), time_unit="iso8601")
    np.testing.assert_allclose(log.table["t_s"], table["t_s"], atol=1e-6)


def test_rows_from_before_the_clock_was_set_are_left_out(tmp_path):
    table = rows()
    table["t_s"] += 1.7e9
    table.loc[:19, "t_s"] = 0.0
    log = read(tmp_path, table)
    assert len(log.table) == 180
    assert log.notes[0] == "left out 20 rows before the first attitude"
    assert rows_before_clock(np.array([0.0, 1e6, 1e6 + 1, 1e6 + 2])) == 1
    assert rows_before_clock(np.array([0.0, 1.0, 2.0, 1e6])) == 0


# --- values -----------------------------------------------------------------------------------------------


def test_a_table_of_sensors_of_several_rates_is_read_at_the_attitude_s(tmp_path):
    table = rows(400)
    table["acc"] = 1.0
    table.loc[table.index % 4 != 0, ["roll_deg", "pitch_deg", "yaw_deg"]] = np.nan
    log = read(tmp_path, table)
    assert len(log.table) == 100
    table.loc[100:180, ["roll_deg", "pitch_deg", "yaw_deg"]] = np.nan
    assert len(read(tmp_path, table).table) == 79


def test_a_large_number_is_a_placeholder_where_it_jumps():
    leads_up = np.arange(32000.0, 33500.0, 1.0)
    assert not placeholders(leads_up).any()
    jumps = np.sin(np.arange(200) / 9) * 2000
    jumps[50:54], jumps[120] = 32767, 9999
    assert np.flatnonzero(placeholders(jumps)).tolist() == [50, 51, 52, 53, 120]
    assert not placeholders(np.array([-1.0, -1.0, 0.0, 1.0])).any()


def test_placeholders_of_slow_quantities_are_no_temperature(tmp_path):
    table = rows().assign(temp=30.0, vn=1.0, ve=0.0)
    table.loc[40:60, ["temp", "vn"]] = [[9999.0, 32767.0]] * 21
    log = read(tmp_path, table, temperature_c="temp", velocity_mps=("vn", "ve"))
    assert log.table["temperature_c"].max() == 30.0
    assert log.table["velocity_north_mps"].max() == 1.0


# --- headers ----------------------------------------------------------------------------------------------


def test_headers_of_rows_of_several_kinds(tmp_path):
    path = tmp_path / "log.csv"
    path.write_text("recorder 3\nIMU,t,ax,ay,az\nATT,t,roll,pitch,yaw\nIMU,0,1,2,3\nATT,0,1,2,3\n")
    assert headers(path) == [["IMU", "t", "ax", "ay", "az"], ["ATT", "t", "roll", "pitch", "yaw"]]
    assert preamble(path).splitlines()[0] == "recorder 3"
    assert len(preamble(path).splitlines()) == 3
