"""Where clips lie in the logs is kept by all that it is found from, and by nothing else."""

from dataclasses import replace
from functools import lru_cache

import pytest

from attitude import kept_clocks
from attitude.kept_clocks import settled
from attitude.kept_tracks import CACHE_VARIABLE
from attitude.readings import Settled, settle
from tests.commands import run
from tests.test_clock import log_of
from tests.test_readings import EULER, filmed, shoot_of


@lru_cache
def given():
    """A clip, its log and sheet."""
    flight, clip, _ = filmed(5)
    return [clip], [log_of(flight)], shoot_of(EULER)


def given_with_start():
    """The same with the start that is found told in the sheet."""
    tracks, logs, shoot = given()
    start_s = settle(tracks, logs, shoot).clocks[0].offset_s
    clips = (replace(shoot.clips[0], log_start_s=start_s), *shoot.clips[1:])
    return tracks, logs, replace(shoot, clips=clips)


@pytest.fixture(autouse=True)
def own(tmp_path, monkeypatch):
    """A folder of this test's own."""
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "tracks"))


@pytest.fixture
def laid(monkeypatch):
    """How often the clips were laid against the logs."""
    times = []

    def counted(*told):
        times.append(told)
        return settle(*told)

    monkeypatch.setattr(kept_clocks, "settle", counted)
    return times


def test_what_was_kept_is_what_would_be_found_and_is_not_sought_again(laid):
    tracks, logs, shoot = given()
    found = settled(tracks, logs, shoot)
    other = replace(shoot, tolerance_deg=shoot.tolerance_deg + 0.3)
    again = settled(tracks, logs, other)
    assert len(laid) == 1
    assert found.clocks
    assert found.readings
    assert (again.clocks, again.readings) == (found.clocks, found.readings)
    assert again.shoot is other
    assert all(one is log for one, log in zip(again.logs, logs, strict=True))


SHOWN = """
from dataclasses import replace
from attitude.kept_columns import content_of
from tests.test_readings import EULER, shoot_of
given = frozenset({"time", "roll", "pitch", "yaw", "angle_unit", "time_unit"})
print(content_of(shoot_of(replace(EULER, given=given), exclude_s=((1.0, 2.0),))), sorted(given))
"""


def test_a_sheet_is_the_same_to_another_process():
    """Words in a set come in another order there."""
    lines = {run(code=SHOWN, PYTHONHASHSEED=str(seed)).stdout for seed in range(4)}
    assert len(lines) == 1
    assert "'time_unit'" in lines.pop()


def moved(track, column, by_deg, rows=None):
    """The clip with some of its rows moved."""
    table = track.track.copy()
    table.loc[table.index[:rows], column] += by_deg
    return replace(track, track=table)


def lower(tracks, logs, shoot):
    """The same from another height: the pitch of the whole clip is another."""
    table = tracks[0].track
    sunk = replace(tracks[0], track=table.assign(pitch_deg=table["pitch_deg"] - 0.3), dip_rad=0.005)
    surface = replace(shoot.horizon, height_m=90.0)
    return (
        [sunk, *tracks[1:]],
        logs,
        replace(shoot, horizon=surface, given=shoot.given | {"horizon.height_m"}),
    )


def test_a_start_that_is_told_is_not_tried_again_from_another_height(laid):
    tracks, logs, told = given_with_start()
    found = settled(tracks, logs, told)
    again = settled(*lower(tracks, logs, told))
    assert len(laid) == 1
    assert again.clocks == found.clocks
    afresh = settle(*lower(tracks, logs, told))
    assert (again.clocks, again.readings) == (afresh.clocks, afresh.readings)
    assert again.readings != found.readings


def changed_track(tracks, logs, shoot):
    return [moved(tracks[0], "roll_deg", 1e-9), *tracks[1:]], logs, shoot


def one_look_moved(tracks, logs, shoot):
    return [moved(tracks[0], "roll_deg", 0.1, rows=1), *tracks[1:]], logs, shoot


def less_certain(tracks, logs, shoot):
    return [moved(tracks[0], "pitch_sd_deg", 0.3), *tracks[1:]], logs, shoot


def changed_log(tracks, logs, shoot):
    return tracks, [replace(logs[0], table=logs[0].table.iloc[:-1]), *logs[1:]], shoot


def changed_sheet(tracks, logs, shoot):
    return (
        tracks,
        logs,
        replace(shoot, clips=(replace(shoot.clips[0], exclude_s=((1.0, 1.1),)), *shoot.clips[1:])),
    )


def without_pans(tracks, logs, shoot):
    return [replace(tracks[0], yaw_rate=tracks[0].yaw_rate.iloc[:0]), *tracks[1:]], logs, shoot


@pytest.mark.parametrize(
    "change", [changed_track, less_certain, lower, changed_log, changed_sheet, without_pans]
)
def test_clips_are_laid_again_when_anything_else_changed(laid, change):
    settled(*given())
    settled(*change(*given()))
    assert len(laid) == 2


@pytest.mark.parametrize("change", [one_look_moved, less_certain, without_pans])
def test_a_told_start_is_tried_again_when_other_angles_are_seen(laid, change):
    settled(*given_with_start())
    settled(*change(*given_with_start()))
    assert len(laid) == 2


def test_a_log_that_is_read_otherwise_is_asked_again(laid, monkeypatch):
    tracks, logs, shoot = given()

    def read_otherwise(*_):
        laid.append(())
        return Settled(replace(shoot, title="another"), tuple(logs), ())

    monkeypatch.setattr(kept_clocks, "settle", read_otherwise)
    assert [settled(tracks, logs, shoot).shoot.title for _ in range(2)] == ["another"] * 2
    assert len(laid) == 2
