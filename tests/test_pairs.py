"""Parts of takes, places by the times of files, and what is a copy of what."""

import datetime as dt
import os
from dataclasses import replace

import pytest

from attitude.pairs import hours_apart, joined, name_stamp, places_by_stamp
from attitude.survey import shown_path, survey
from horizon.clip import ClipError
from tests.filming import at, clip, surveyed

DAY = at(0).timestamp()


def names(takes):
    return [[one.path.name for one in take.clips] for take in takes]


@pytest.fixture
def folder(tmp_path):
    return tmp_path


# --- parts of a take --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("C0009.mp4", "C0010.mp4"),
        ("wall_1.mp4", "wall_2.mp4"),
        ("wall part1.mp4", "wall part2.mp4"),
        ("XX010012.mp4", "XX020012.mp4"),
        ("take-a.mp4", "take-b.mp4"),
        ("wall.mp4", "wall_1.mp4"),
        ("A199.mp4", "A200.mp4"),
    ],
)
def test_consecutive_names_that_follow_on_in_time_are_one_take(folder, first, second):
    for stamps in ((at(0), at(20)), (at(20), at(35))):  # of the starts, of the ends
        clips = [
            clip(folder / first, 20.0, created=stamps[0]),
            clip(folder / second, 15.0, created=stamps[1]),
        ]
        (take,) = joined(clips, {})
        assert (take.name, take.duration_s, take.ground) == (first, 35.0, "assumed")


def test_every_part_may_carry_the_time_of_the_take(folder):
    clips = [clip(folder / f"C000{k}.mp4", 20.0, created=at(0)) for k in (1, 2, 3)]
    assert len(joined(clips, {})) == 1


@pytest.mark.parametrize(
    "changes",
    [
        {"created": at(25)},
        {"size": (1280, 720)},
        {"fps": 25.0},
        {"codec": "hevc"},
    ],
)
def test_separate_takes_stay_apart(folder, changes):
    other = {"created": at(20)} | changes
    clips = [clip(folder / "C0001.mp4", 20.0, created=at(0)), clip(folder / "C0002.mp4", 15.0, **other)]
    assert len(joined(clips, {})) == 2


def test_names_that_do_not_follow_on_are_no_parts_of_a_take(folder):
    clips = [clip(folder / "C0001.mp4", 20.0, created=at(0)), clip(folder / "C0003.mp4", created=at(20))]
    assert len(joined(clips, {})) == 2


def test_names_that_hold_the_time_follow_on_by_it(folder):
    clips = [
        clip(folder / "20260501_100000.mp4", 20.0),
        clip(folder / "20260501_100020.mp4", 9.0),
        clip(folder / "20260501_100041.mp4", 9.0),
    ]
    assert names(joined(clips, {})) == [
        ["20260501_100000.mp4", "20260501_100020.mp4"],
        ["20260501_100041.mp4"],
    ]


def test_the_log_s_clock_has_the_last_word(folder):
    clips = [clip(folder / f"C000{k}.mp4", 20.0, created=at(20 * k)) for k in (1, 2, 3)]
    starts_s = {"C0001.mp4": (0, 100.0), "C0002.mp4": (0, 121.2), "C0003.mp4": (0, 141.25)}
    takes = joined(clips, starts_s)
    assert names(takes) == [["C0001.mp4"], ["C0002.mp4", "C0003.mp4"]]
    assert takes[1].ground == "tested"
    other_log = starts_s | {"C0003.mp4": (1, 141.25)}
    assert len(joined(clips, other_log)) == 3


def test_file_times_join_only_what_has_no_other_time(folder):
    clips = [clip(folder / f"C000{k}.mp4", 20.0) for k in (1, 2)]
    for k, one in enumerate(clips):
        os.utime(one.path, (DAY + 20 * k, DAY + 20 * k))
    assert len(joined(clips, {})) == 1
    told = [replace(one, created=at(60 * k)) for k, one in enumerate(clips)]
    assert len(joined(told, {})) == 2


# --- places by clock --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("stem", "moment"),
    [
        ("20260501_100203", dt.datetime(2026, 5, 1, 10, 2, 3)),
        ("log_2026-05-01_10-02-03", dt.datetime(2026, 5, 1, 10, 2, 3)),
        ("2026-05-01T1002 wall", dt.datetime(2026, 5, 1, 10, 2)),
        ("C0001", None),
        ("20269901_100203", None),
    ],
)
def test_times_in_names(stem, moment):
    expected = None if moment is None else moment.replace(tzinfo=dt.UTC).timestamp()
    assert name_stamp(stem) == expected


def test_a_clip_s_place_beside_another_s_by_starts_and_by_ends(folder):
    known = clip(folder / "a.mp4", 30.0, created=at(0))
    other = clip(folder / "b.mp4", 20.0, created=at(100))
    source, places = places_by_stamp(other, {"a.mp4": 500.0}, [known, other])
    assert source == "record"
    assert places == pytest.approx((600.0, 610.0))  # later by 100 s, or by 100 + 30 - 20


def test_two_clips_in_place_tell_starts_from_ends(folder):
    clips = [
        clip(folder / "a.mp4", 30.0, created=at(30)),
        clip(folder / "b.mp4", 10.0, created=at(70)),
        clip(folder / "c.mp4", 20.0, created=at(200)),
    ]
    _, places = places_by_stamp(clips[2], {"a.mp4": 500.0, "b.mp4": 560.0}, clips)
    assert places == pytest.approx((680.0,))


def test_times_of_copying_are_no_times_of_filming(folder):
    clips = [clip(folder / f"{name}.mp4", 30.0) for name in "ab"]
    for k, one in enumerate(clips):
        os.utime(one.path, (DAY + k, DAY + k))
    assert places_by_stamp(clips[1], {"a.mp4": 500.0}, clips) == ("", ())
    for k, one in enumerate(clips):
        os.utime(one.path, (DAY + 40 * k, DAY + 40 * k))
    assert places_by_stamp(clips[1], {"a.mp4": 500.0}, clips)[0] == "file"


@pytest.mark.parametrize(("shift_h", "off_s"), [(0, 0), (2, 0), (-5, 0), (5.5, 0), (1, 18)])
def test_hours_between_two_clocks(folder, shift_h, off_s):
    logs = [(DAY, DAY + 300), (DAY + 900, DAY + 1300)]
    moments = (dt.timedelta(seconds=s - off_s, hours=shift_h) for s in (60, 1000))
    clips = [clip(folder / f"{k}.mp4", 100.0, created=at(0) + moment) for k, moment in enumerate(moments)]
    assert hours_apart(clips, logs, "record") == (-shift_h, 0)


def test_clocks_that_no_hours_bring_together(folder):
    logs = [(DAY, DAY + 300)]
    assert hours_apart([clip(folder / "a.mp4", created=at(1200))], logs, "record") is None
    assert hours_apart([clip(folder / "a.mp4")], logs, "record") is None


# --- what lies in a folder --------------------------------------------------------------------------------


def test_own_results_hidden_files_and_other_shoots_are_passed_over(folder):
    film = clip(folder / "wall.mp4")
    for name in ("result", "another shoot", "card", "card/deep", ".trash"):
        (folder / name).mkdir()
    for name in ("result/review.mp4", "another shoot/b.mp4", "card/deep/c.mp4", ".trash/d.mp4", ".e.mp4"):
        (folder / name).write_text("x")
    (folder / "result" / "result.json").write_text("{}")
    (folder / "another shoot" / "shoot.toml").write_text("")
    (folder / "card" / "log.TXT").write_text("t,roll\n")
    (folder / "flight.xlsx").write_text("x")
    found = surveyed(folder, film)
    assert found.clips == (film,)
    assert [path.name for path in found.tables] == ["log.TXT"]
    assert [(one.path.name, one.why.split(";")[0]) for one in found.aside] == [
        ("flight.xlsx", "a log is read from .csv, .tsv or .txt")
    ]
    assert shown_path(found.tables[0], folder) == "card/log.TXT"


def test_clips_that_cannot_be_opened_are_put_aside_with_the_reason(folder):
    (folder / "a.mp4").write_text("x")

    def probe(path):
        raise ClipError(f"{path.name}: not a video this tool can open")

    found = survey(folder, probe)
    assert found.clips == ()
    assert found.aside[0].why == "not a video this tool can open"


def test_two_cards_with_files_of_one_name(folder):
    first = clip(folder / "card 1" / "C0001.mp4", 20.0)
    other = clip(folder / "card 2" / "C0001.mp4", 25.0)
    found = surveyed(folder, first, other)
    assert found.clips == (first,)
    assert "rename one of them" in found.aside[0].why


def test_a_smaller_copy_is_known_by_its_name_or_its_time(folder):
    first = clip(folder / "wall.mp4", created=at(0))
    proxies = [
        clip(folder / "proxy" / "wall_p.mp4", size=(640, 360)),
        clip(folder / "small.mp4", size=(640, 360), created=at(0)),
    ]
    another = clip(folder / "sea.mp4", size=(640, 360))
    found = surveyed(folder, first, *proxies, another)
    assert set(found.clips) == {first, another}
    assert {one.why for one in found.aside} == {"a smaller copy of ../wall.mp4", "a smaller copy of wall.mp4"}
