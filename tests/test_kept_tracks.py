"""Clips are measured once: again only where content, lens or the measuring itself changed."""

import dataclasses
import os
import shutil

import numpy as np
import pandas as pd
import pytest

import attitude.check
from attitude.check import examine
from attitude.kept_tracks import CACHE_VARIABLE, keep, keep_looks, kept, kept_looks, track_key
from attitude.self_checked import Looked, check_begun
from horizon.clip import ClipError, probe
from horizon.cone import KeptLine
from horizon.lens import lens_from_hfov
from horizon.measure import look_at_clip, measure_clip
from tests.footage import known_lens, tilting_shoot

LASTS_S = 5.0


@pytest.fixture(scope="module")
def filmed(tmp_path_factory):
    """A short shoot, its clip and the clip's track."""
    folder = tmp_path_factory.mktemp("kept")
    rng = np.random.default_rng(5)
    sheet = tilting_shoot(
        folder, known_lens(60, 320, 180), reach_deg=5.0, rng=rng, lasts_s=LASTS_S, hfov_deg=60
    )
    facts = probe(folder / "tilt.mp4")
    return sheet, facts, measure_clip(facts, lens_from_hfov(320, 180, 60.0))


@pytest.fixture
def own(tmp_path, monkeypatch):
    """A folder of kept tracks of this test's own."""
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "tracks"))
    return tmp_path / "tracks"


@pytest.fixture
def measured(monkeypatch):
    """Names of the clips that were measured, in order."""
    names = []

    def noted(facts, *args, **told):
        names.append(facts.path.name)
        return look_at_clip(facts, *args, **told)

    monkeypatch.setattr(attitude.check, "look_at_clip", noted)
    return names


@pytest.fixture(scope="module")
def looked(filmed):
    """The looks at that clip."""
    _, facts, _ = filmed
    return look_at_clip(facts, lens_from_hfov(320, 180, 60.0))


@pytest.fixture(scope="module")
def checked(filmed, tmp_path_factory):
    """What a check of the shoot finds, and the folder of what it kept."""
    kept_in = tmp_path_factory.mktemp("checked") / "tracks"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(CACHE_VARIABLE, str(kept_in))
        return examine(filmed[0]), kept_in


def test_a_track_comes_back_as_it_was(filmed, own):
    _, facts, track = filmed
    whole = dataclasses.replace(
        track,
        notes=("tilt.mp4: one note",),
        normals=np.eye(3),
        covered=np.zeros((2, 3), np.uint8),
        damage="half",
    )
    key = track_key(facts, {"lens": "this"})
    assert kept(key, facts) is None
    keep(key, whole)
    back = kept(key, facts)
    pd.testing.assert_frame_equal(back.track, whole.track)
    pd.testing.assert_frame_equal(back.yaw_rate, whole.yaw_rate)
    for field in dataclasses.fields(whole):
        if field.name not in ("track", "yaw_rate"):
            assert np.array_equal(getattr(back, field.name), getattr(whole, field.name)), field.name


def test_looks_come_back_as_they_were(filmed, looked, own):
    _, facts, _ = filmed
    whole = dataclasses.replace(
        looked, notes=("tilt.mp4: one note",), covered=np.zeros((2, 3), np.uint8), damage="half"
    )
    key = track_key(facts, {"lens": "this"})
    assert kept_looks(key, facts) is None
    keep_looks(key, whole, "tilt.mp4")
    back = kept_looks(key, facts)
    for field in dataclasses.fields(KeptLine):
        one, other = getattr(back.line, field.name), getattr(whole.line, field.name)
        assert one.dtype == other.dtype, field.name
        assert np.array_equal(one, other, equal_nan=True), field.name
    for field in dataclasses.fields(whole):
        one, other = getattr(back, field.name), getattr(whole, field.name)
        if isinstance(other, np.ndarray):
            assert one.dtype == other.dtype, field.name
            assert np.array_equal(one, other, equal_nan=one.dtype.kind == "f"), field.name
        elif field.name != "line":
            assert one == other, field.name
    there = dataclasses.replace(facts, path=facts.path.with_name("moved.mp4"))
    assert kept_looks(key, there).notes == ("moved.mp4: one note",)
    # A track of the same key is no set of looks.
    keep(key, filmed[2])
    assert kept_looks(key, facts) is None


def test_a_clip_of_another_name_is_the_same_clip(filmed, own, tmp_path):
    _, facts, track = filmed
    there = tmp_path / "moved.mp4"
    os.link(facts.path, there)
    moved = dataclasses.replace(facts, path=there)
    keep(track_key(facts, {}), dataclasses.replace(track, notes=("tilt.mp4: one note",)))
    back = kept(track_key(moved, {}), moved)
    assert (back.clip, back.notes) == ("moved.mp4", ("moved.mp4: one note",))
    assert set(back.track["clip"]) == {"moved.mp4"}


def test_what_the_measuring_depends_on_is_in_the_key(filmed, tmp_path):
    _, facts, _ = filmed
    lens = lens_from_hfov(320, 180, 60.0)
    key = track_key(facts, {"lens": lens, "dip_rad": 0.0})
    assert key == track_key(facts, {"dip_rad": 0.0, "lens": lens_from_hfov(320, 180, 60.0)})
    assert key != track_key(facts, {"lens": lens_from_hfov(320, 180, 60.001), "dip_rad": 0.0})
    assert key != track_key(facts, {"lens": lens, "dip_rad": 1e-9})
    data = bytearray(facts.path.read_bytes())
    data[len(data) // 2] ^= 1
    changed = tmp_path / "tilt.mp4"
    changed.write_bytes(data)
    assert key != track_key(dataclasses.replace(facts, path=changed), {"lens": lens, "dip_rad": 0.0})
    assert track_key(dataclasses.replace(facts, path=tmp_path / "gone.mp4"), {}) == ""


def as_changed(sheet, name, *changes):
    """A sheet beside another, with words put in place of others."""
    text = sheet.read_text(encoding="utf-8")
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    other = sheet.with_name(name)
    other.write_text(text, encoding="utf-8")
    return other


CHANGES = {
    "tolerance": ('title = "tilting"', 'title = "tilting"\ntolerance_deg = 0.2'),
    "height": ("height_m = 20.0", "height_m = 140.0"),
    "no height": ("height_m = 20.0\n", ""),
    "surface": ('surface = "sea"', 'surface = "lake"\nshore_m = [900.0, 1500.0]'),
    "readout": ("[camera]", "[camera]\nreadout_ms = 12.0"),
    "log": ('[[log]]\nfile = "log.csv"\nattitude_of = "camera_sensor"\n', ""),
}


@pytest.mark.parametrize("change", sorted(CHANGES))
def test_what_the_sheet_says_of_all_else_costs_no_measuring_and_changes_no_result(
    filmed, checked, own, monkeypatch, change
):
    """Equal numbers to those of a check that finds nothing kept, and no frame is read."""
    sheet, _, _ = filmed
    other = as_changed(sheet, f"{change.replace(' ', '_')}.toml", CHANGES[change])
    fresh = examine(other)
    first, kept_in = checked
    shutil.rmtree(own)
    shutil.copytree(kept_in, own)

    def unread(*args, **told):
        raise AssertionError("a clip was read")

    with monkeypatch.context() as patch:
        for name in (
            "horizon.looking.read_frames",
            "horizon.looking.key_segments",
            "horizon.looking.spread_lumas",
        ):
            patch.setattr(name, unread)
        again = examine(other)
    one, two = again.footage.tracks[0], fresh.footage.tracks[0]
    pd.testing.assert_frame_equal(one.track, two.track, check_exact=True)
    pd.testing.assert_frame_equal(one.yaw_rate, two.yaw_rate, check_exact=True)
    assert (one.sky, one.dip_rad, one.notes) == (two.sky, two.dip_rad, two.notes)
    with np.printoptions(threshold=np.inf, precision=17):
        assert repr(again.causes) == repr(fresh.causes)
    assert (first.footage.tracks[0].dip_rad == one.dip_rad) == (change in ("tolerance", "readout", "log"))


def test_another_field_of_view_is_measured_anew(filmed, own, measured):
    sheet, _, _ = filmed
    examine(sheet)
    examine(as_changed(sheet, "other.toml", ("hfov_deg = 60", "hfov_deg = 61")))
    assert measured == ["tilt.mp4"] * 2


def test_an_interrupted_check_goes_on_where_it_was(filmed, own, measured, tmp_path):
    _, facts, _ = filmed
    for name in ("a.mp4", "b.mp4"):
        (tmp_path / name).write_bytes(facts.path.read_bytes() + name.encode())
    entries = "".join(f'[[clip]]\nfile = "{name}"\n' for name in ("a.mp4", "b.mp4"))
    (tmp_path / "shoot.toml").write_text(f"[camera]\nhfov_deg = 60\n{entries}", encoding="utf-8")
    whole = attitude.check.look_at_clip

    def stopped(clip, *args, **told):
        if clip.path.name == "b.mp4":
            raise ClipError("b.mp4: the card was pulled")
        return whole(clip, *args, **told)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(attitude.check, "look_at_clip", stopped)
        with pytest.raises(ClipError):
            examine(tmp_path / "shoot.toml")
    examine(tmp_path / "shoot.toml")
    assert measured == ["a.mp4", "b.mp4"]


@pytest.mark.parametrize("spoilt", [b"", b"PK\x03\x04 no archive", "half", "pickle"])
def test_a_damaged_file_counts_as_none(filmed, own, spoilt):
    _, facts, track = filmed
    key = track_key(facts, {})
    keep(key, track)
    path = own / f"{key}.npz"
    if spoilt == "half":
        path.write_bytes(path.read_bytes()[: path.stat().st_size // 2])
    elif spoilt == "pickle":
        np.savez(path, about=np.array([{"clip": 1}], dtype=object))
    else:
        path.write_bytes(spoilt)
    assert kept(key, facts) is None
    keep(key, track)
    assert kept(key, facts) is not None


def test_a_folder_that_cannot_be_made_costs_nothing(filmed, tmp_path, monkeypatch):
    _, facts, track = filmed
    (tmp_path / "file").write_text("")
    monkeypatch.setenv(CACHE_VARIABLE, str(tmp_path / "file"))
    key = track_key(facts, {})
    keep(key, track)
    assert kept(key, facts) is None


def test_what_was_used_longest_ago_makes_room(filmed, own, monkeypatch):
    _, facts, track = filmed
    keys = [track_key(facts, {"number": number}) for number in range(3)]
    for age, key in zip((300, 200, 100), keys, strict=True):
        keep(key, track)
        past = (own / f"{key}.npz").stat().st_mtime - age
        os.utime(own / f"{key}.npz", (past, past))
    assert kept(keys[0], facts) is not None
    size = (own / f"{keys[0]}.npz").stat().st_size
    monkeypatch.setattr("attitude.kept_tracks.MOST_BYTES", int(2.5 * size))
    keep(keys[2], track)
    left = {path.stem for path in own.glob("*.npz")}
    assert left == {keys[0], keys[2]}


@pytest.mark.parametrize("enough", [1, 10_000])
def test_the_self_check_turns_key_frames_where_there_are_enough(filmed, looked, own, monkeypatch, enough):
    _, facts, _ = filmed
    lens = lens_from_hfov(facts.width_px, facts.height_px, 60.0)
    asked = []

    def noted(facts, wanted, threads):
        asked.extend(number for number, _ in wanted)
        return iter(())

    monkeypatch.setattr("attitude.self_checked.ENOUGH", enough)
    monkeypatch.setattr("attitude.self_checked.frames_at", noted)
    check_begun([Looked(facts, lens, looked, "")])(lambda share: None)
    assert asked
    assert (set(asked) <= set(looked.frame[looked.is_key].tolist())) == (enough == 1)
