"""A long log in pieces against the same log as one piece of text: same numbers, words and refusals."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from attitude import LOG_COLUMNS
from attitude import long_table as long
from attitude.log import AttitudeLog, LogError, read_log
from attitude.long_table import long_table
from attitude.sheet import LogSheet
from attitude.table import read_table
from tests.bench.long_log import WAYS, read_once, write_log

HEADER = "t_s,roll_deg,pitch_deg,yaw_deg,state,volts"
COUNT = 12_000


@pytest.fixture
def in_pieces(monkeypatch):
    """Long from 500 rows on, in pieces that lie as they may among the rows."""
    monkeypatch.setattr(long, "LONG_ROWS", 500)
    monkeypatch.setattr(long, "PIECE_BYTES", 50_021)
    monkeypatch.setattr(long, "HEAD_BYTES", 10_007)
    monkeypatch.setattr(long, "ODD_BYTES", 3_001)


def rows(count: int = COUNT, *, seed: int = 1) -> list[str]:
    rng = np.random.default_rng(seed)
    t_s = np.arange(count) / 200
    roll, pitch, yaw = 3 * np.sin(t_s / 7), 5 * np.sin(t_s / 11), (t_s * 20 + 180) % 360 - 180
    noisy = np.column_stack([t_s, *(a + 0.02 * rng.standard_normal(count) for a in (roll, pitch, yaw))])
    return [f"{row[0]:.3f},{row[1]:.4f},{row[2]:.4f},{row[3]:.4f},hover,15.2" for row in noisy.tolist()]


def text_of(lines: list[str], end: str = "\n") -> bytes:
    return (end.join([HEADER, *lines]) + end).encode()


def outcome(sheet: LogSheet) -> AttitudeLog | str:
    try:
        return read_log(sheet)
    except LogError as error:
        return str(error)


def both_ways(path: Path, content: bytes, **entries) -> tuple[AttitudeLog | str, AttitudeLog | str, bool]:
    """What comes of it in pieces, and as one piece of text; and whether pieces were used at all."""
    path.write_bytes(content)
    sheet = LogSheet(path, **entries)
    wanted = [sheet.time, sheet.roll, sheet.pitch, sheet.yaw]
    try:
        used = long_table(path, wanted) is not None
    except ValueError:
        used = True
    in_pieces = outcome(sheet)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(long, "LONG_ROWS", 10**9)
        assert long_table(path, wanted) is None
        return in_pieces, outcome(sheet), used


def assert_alike(one: AttitudeLog | str, other: AttitudeLog | str) -> None:
    if isinstance(one, str) or isinstance(other, str):
        assert one == other
        return
    pd.testing.assert_frame_equal(one.table, other.table, check_exact=True)
    assert (one.notes, one.rounding_deg, one.has_yaw) == (other.notes, other.rounding_deg, other.has_yaw)


def spoilt(lines: list[str], places: dict[int, str]) -> list[str]:
    return [places.get(i, line) for i, line in enumerate(lines)]


def with_cell(line: str, column: int, cell: str) -> str:
    cells = line.split(",")
    cells[column] = cell
    return ",".join(cells)


CLEAN = rows()
# What is wrong, and words that the note or the refusal must hold.
DAMAGE = {
    "plain": (text_of(CLEAN), ""),
    "windows line ends": (text_of(CLEAN, "\r\n"), ""),
    "mixed line ends": (text_of(CLEAN).replace(b"\n", b"\r\n", 5000), ""),
    "byte order mark": (b"\xef\xbb\xbf" + text_of(CLEAN), ""),
    "latin letters": (text_of(CLEAN).replace(b"hover", b"\xfcber", 7000), ""),
    "semicolons and decimal commas": (text_of(CLEAN).replace(b",", b";").replace(b".", b","), ""),
    "tabs": (text_of(CLEAN).replace(b",", b"\t"), ""),
    "blanks": (text_of(CLEAN).replace(b",", b"  "), ""),
    "blanks after commas": (text_of(CLEAN).replace(b",", b", "), ""),
    "quoted": (text_of([",".join(f'"{cell}"' for cell in line.split(",")) for line in CLEAN]), ""),
    "units in a row": (text_of(["s,deg,deg,deg,-,V", *CLEAN]), ""),
    "preamble": (b"made by hand\n\n" + text_of(CLEAN), ""),
    "empty lines": (text_of(spoilt(CLEAN, {700: "", 8000: "  "})), ""),
    "comments": (text_of(spoilt(CLEAN, {701: "# note, of, some, kind", 8001: "#"})), ""),
    "cells left empty": (
        text_of([with_cell(line, 1, "") if i % 97 == 5 else line for i, line in enumerate(CLEAN)]),
        "left out 124 rows without a readable attitude, the first in line 7",
    ),
    "words for nothing": (
        text_of(spoilt(CLEAN, {i: with_cell(CLEAN[i], 2, w) for i, w in [(3000, "NaN"), (9000, "--")]})),
        "left out 2 rows without a readable attitude, the first in line 3002",
    ),
    "a word": (text_of(spoilt(CLEAN, {9000: with_cell(CLEAN[9000], 2, "oops")})), "the first in line 9002"),
    "infinite": (text_of(spoilt(CLEAN, {9000: with_cell(CLEAN[9000], 2, "-inf")})), "the first in line 9002"),
    "too large": (
        text_of(spoilt(CLEAN, {9000: with_cell(CLEAN[9000], 2, "1e200")})),
        "the first in line 9002",
    ),
    "a cell too many": (text_of(spoilt(CLEAN, {9000: CLEAN[9000] + ",1"})), "the first in line 9002"),
    "too few cells": (text_of(spoilt(CLEAN, {9000: "45.0,1.0"})), "the first in line 9002"),
    "placeholders": (
        text_of(spoilt(CLEAN, {i: with_cell(CLEAN[i], 1, "-999") for i in range(6000, 6010)})),
        "left out 10 rows without a readable attitude, the first in line 6002",
    ),
    "zeros at first": (
        text_of(
            [f"{i / 200:.3f},0,0,0,hover,15" for i in range(30)]
            + [line.replace(",", ",9", 1).replace("9-", "-9", 1) for line in CLEAN[30:]]
        ),
        "left out 30 rows before the first attitude",
    ),
    "a gap": (text_of(CLEAN[:5000] + CLEAN[6000:]), "a gap of 5.0 s after log time 25.0 s"),
    "the same time twice": (
        text_of(spoilt(CLEAN, {7000: with_cell(CLEAN[7000], 0, CLEAN[6999].split(",")[0])})),
        "left out 1 row with the time of the row before",
    ),
    "time goes back": (text_of(CLEAN[6000:] + CLEAN[:6000]), "line 6002: time goes backwards"),
    "each attitude four times": (
        text_of([f"{i / 200:.3f}," + CLEAN[i // 4 * 4].split(",", 1)[1] for i in range(COUNT)]),
        "logged about 4.0 times over",
    ),
    "stood still": (
        text_of(
            [with_cell(line, 0, f"{i / 200:.3f}") for i, line in enumerate(CLEAN[:9000])]
            + [f"{i / 200:.3f}," + CLEAN[8999].split(",", 1)[1] for i in range(9000, COUNT)]
        ),
        "does not change at all in the last 15.0 s",
    ),
    "coarse": (
        text_of(
            [
                ",".join([line.split(",")[0], *(f"{float(c):.1f}" for c in line.split(",")[1:4]), "h", "1"])
                for line in CLEAN
            ]
        ),
        "",
    ),
    "cut off": (text_of(CLEAN)[:-25], "left out the last line, which was cut off"),
    "no last line end": (text_of(CLEAN)[:-1], ""),
    "empty lines at the end": (text_of(CLEAN) + b"\n \n\n", ""),
    "no numbers in most rows": (
        text_of([with_cell(line, 1, "oops") if i > 5000 else line for i, line in enumerate(CLEAN)]),
        "line 5003: roll_deg is 'oops'; expected a usable number (6999 of 12000 rows are unusable)",
    ),
    "two kinds of rows": (
        text_of([with_cell(line, 0, "IMU") if i % 2 else "GPS,1,2" for i, line in enumerate(CLEAN)]),
        "",
    ),
    "beside a slower sensor": (
        text_of(
            [
                with_cell(with_cell(with_cell(line, 1, ""), 2, ""), 3, "") if i % 4 else line
                for i, line in enumerate(CLEAN)
            ]
        ),
        "",
    ),
}


@pytest.mark.parametrize(
    "what", [pytest.param(one, marks=pytest.mark.long if k % 2 else ()) for k, one in enumerate(DAMAGE)]
)
def test_pieces_give_what_one_piece_gives(in_pieces, tmp_path, what):
    content, words = DAMAGE[what]
    one, other, used = both_ways(tmp_path / "attitude.csv", content)
    assert used
    assert_alike(one, other)
    assert words in (one if isinstance(one, str) else "; ".join(one.notes))


def test_units_signs_and_quaternions_in_pieces(in_pieces, tmp_path):
    path = tmp_path / "attitude.csv"
    one, other, used = both_ways(path, text_of(CLEAN), angle_unit=0.1, angle_order="yaw_roll_pitch")
    assert used
    assert_alike(one, other)
    one, other, _ = both_ways(path, text_of(CLEAN), pitch_positive="down", time_unit="ms")
    assert_alike(one, other)
    one, other, _ = both_ways(path, text_of(CLEAN), angle_unit="rad", given=frozenset({"angle_unit"}))
    assert isinstance(one, str)
    assert "angle_unit" in one
    assert one == other
    names = ("roll_deg", "pitch_deg", "yaw_deg", "volts")
    one, other, _ = both_ways(path, text_of(CLEAN), quaternion=names, temperature_c="volts")
    assert_alike(one, other)


def test_a_short_log_stays_as_text(tmp_path):
    path = tmp_path / "attitude.csv"
    path.write_bytes(text_of(CLEAN))
    assert long_table(path, ["t_s"]) is None


@settings(max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    damage=st.dictionaries(
        st.integers(0, 2999),
        st.tuples(
            st.integers(0, 5), st.sampled_from(["", "nan", "x", "1e3", " 2.5 ", "1_0", "7,5", "#", '"', "٣"])
        ),
        max_size=12,
    ),
    end=st.sampled_from(["\n", "\r\n"]),
    piece_bytes=st.integers(2_000, 40_000),
    cut=st.integers(0, 40),
)
def test_damaged_cells_read_alike(in_pieces, tmp_path, damage, end, piece_bytes, cut):
    """Every cell of every row is the number that the rules for short logs give; its line is right too."""
    lines = [with_cell(line, *damage[i]) if i in damage else line for i, line in enumerate(CLEAN[:3000])]
    content = text_of(lines, end)
    path = tmp_path / "attitude.csv"
    path.write_bytes(content[: len(content) - cut])
    wanted = ["t_s", "roll_deg", "yaw_deg"]
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(long, "PIECE_BYTES", piece_bytes)
        found, plain = long_table(path, wanted), read_table(path, wanted)
    assert found is not None
    np.testing.assert_array_equal(found.lines, plain.lines)
    assert (found.torn, found.units) == (plain.torn, plain.units)
    assert found.odd_lines == plain.odd_lines
    np.testing.assert_array_equal(found.blank_rows(wanted), plain.blank_rows(wanted))
    for name in wanted:
        np.testing.assert_array_equal(found.numbers(name), plain.numbers(name))
    for row in (0, 1500, len(found.lines) - 1):
        assert found.cell("yaw_deg", row) == plain.cell("yaw_deg", row)


def test_the_benchmark_reads_what_it_wrote_either_way(in_pieces, tmp_path):
    path = tmp_path / "attitude.csv"
    write_log(path, 3000)
    found = [read_once(way, path) for way in WAYS]
    assert [one["rows"] for one in found] == [3000, 3000]
    assert all(10 < one["peak_mib"] < 1e5 for one in found)
    written = pd.read_csv(path, usecols=LOG_COLUMNS)
    pd.testing.assert_frame_equal(read_log(LogSheet(path)).table, written, check_exact=True)
