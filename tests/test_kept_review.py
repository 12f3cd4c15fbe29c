"""A video that still shows the truth is not drawn again; one that does not, is."""

import dataclasses
import json
import shutil

import numpy as np
import pandas as pd
import pytest

import attitude.check
import attitude.result_files
from attitude import review
from attitude.check import check
from attitude.review import SHEET, VIDEO
from horizon.angles import directions, up_from_angles
from horizon.lens import lens_from_hfov
from tests.footage import known_lens, tilting_shoot
from tests.test_review import even, kept_of, looked, tracked

LOOKS = [(k, k / 10, 5.0 if 12 < k < 20 else 1.0 + 0.1 * np.sin(k), 2.0) for k in range(30)]
LENS = lens_from_hfov(128, 72, 70.0)


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    return even(tmp_path_factory.mktemp("clip") / "a.mp4", count=30)


@pytest.fixture
def drawn(clip, tmp_path, monkeypatch):
    """What was drawn for a track with these looks, as a check leaves it; and the clips read from then on."""
    track, out = tracked(clip, LOOKS), tmp_path / "result"
    found = looked([track], out)
    for number, picture in enumerate(found.pictures, 1):
        (out / f"frame_{number}.jpg").write_bytes(picture.file)
    reads, plain = [], review.read_shown

    def noted(facts):
        reads.append(facts.path.name)
        return plain(facts)

    monkeypatch.setattr(review, "read_shown", noted)
    return track, out, found, reads


def again(track, out, tmp_path, **changes):
    """The same once more, into a folder of its own."""
    return looked([track], tmp_path / "waiting", earlier=out, **changes)


def changed(track, **columns):
    return dataclasses.replace(track, track=track.track.assign(**columns))


def test_what_did_not_change_stands_with_its_pictures(drawn, tmp_path):
    track, out, found, reads = drawn
    then = again(track, out, tmp_path)
    assert reads == []
    assert then.stands
    assert not found.stands
    assert dataclasses.replace(then, stands=False) == found
    assert (tmp_path / "waiting" / SHEET).read_bytes() == (out / SHEET).read_bytes()
    assert not (tmp_path / "waiting" / VIDEO).exists()


@pytest.mark.parametrize(
    ("off_deg", "sd", "stands"),
    [(0.009, 1.0, True), (0.0, 1.06, True), (0.02, 1.0, False), (0.0, 1.3, False)],
)
def test_it_stands_while_no_difference_can_be_seen(drawn, tmp_path, off_deg, sd, stands):
    track, out, _, reads = drawn
    table = track.track
    other = changed(track, roll_deg=table["roll_deg"] + off_deg, roll_sd_deg=table["roll_sd_deg"] * sd)
    assert again(other, out, tmp_path).stands == stands
    assert reads == ([] if stands else ["a.mp4"])


@pytest.mark.parametrize(
    ("dip_deg", "off_deg", "stands"), [(0.1, 0.0, True), (0.1, 0.12, False), (1.5, 0.0, False)]
)
def test_the_line_itself_counts_and_not_the_dip_that_it_was_read_with(
    drawn, tmp_path, dip_deg, off_deg, stands
):
    """A deeper horizon is the same line seen from a lens that is raised by as much; a bent one it is not."""
    track, out, _, _ = drawn
    dip_rad = np.radians(dip_deg)
    pitch_deg = track.track["pitch_deg"] - dip_deg + off_deg
    other = dataclasses.replace(changed(track, pitch_deg=pitch_deg), dip_rad=dip_rad)
    half_px_deg = 0.5 * np.degrees(LENS.pixel_rad) * 128 / 640
    up = [up_from_angles(0.0, np.radians(2.0 - lower + off)) for lower, off in ((0, 0), (dip_deg, off_deg))]
    ends = directions(up[1], np.radians([-35.0, 0.0, 35.0]), -dip_rad)
    apart_deg = np.degrees(np.abs(np.arcsin(ends @ up[0]))).max()
    assert (apart_deg < half_px_deg) == stands
    assert again(other, out, tmp_path).stands == stands


def test_uncertainties_of_single_looks_may_differ_by_what_they_are_known_to(drawn, tmp_path):
    track, out, _, reads = drawn
    sd_deg = track.track["roll_sd_deg"]
    one_in_twelve = np.arange(len(sd_deg)) % 12 == 5
    assert again(changed(track, roll_sd_deg=sd_deg * np.where(one_in_twelve, 2.0, 1.0)), out, tmp_path).stands
    one_in_four = np.arange(len(sd_deg)) % 4 == 1
    assert not again(
        changed(track, roll_sd_deg=sd_deg * np.where(one_in_four, 2.0, 1.0)), out, tmp_path
    ).stands
    assert reads == ["a.mp4"]


def test_another_stretch_left_out_is_drawn_anew(drawn, tmp_path):
    track, out, _, reads = drawn
    assert not again(track, out, tmp_path, left_out={"a.mp4": [(0.5, 0.7)]}).stands
    assert reads == ["a.mp4"]


@pytest.mark.parametrize("name", [VIDEO, SHEET, "frame_1.jpg"])
@pytest.mark.parametrize("gone", [True, False])
def test_files_that_are_not_those_that_were_written_are_made_anew(drawn, tmp_path, name, gone):
    track, out, _, reads = drawn
    if gone:
        (out / name).unlink()
    else:
        data = bytearray((out / name).read_bytes())
        data[len(data) // 2] ^= 1
        (out / name).write_bytes(data)
    assert not again(track, out, tmp_path).stands
    assert reads == ["a.mp4"]


def test_moments_of_the_same_lean_are_as_good(drawn, tmp_path):
    """Which of many frames is the typical one hangs on a thousandth of a degree, what it shows does not."""
    track, out, _, reads = drawn
    kept = kept_of([track])
    near = kept["tilt_deg"] + np.where(np.arange(len(kept)) % 2, 0.004, -0.004)
    assert again(track, out, tmp_path, kept=kept.assign(tilt_deg=near)).stands
    turned = kept["tilt_deg"].to_numpy()[::-1]
    assert not again(track, out, tmp_path, kept=kept.assign(tilt_deg=turned)).stands
    assert reads == ["a.mp4"]


# --- the whole job ----------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def shoot(tmp_path_factory):
    folder = tmp_path_factory.mktemp("shoot")
    rng = np.random.default_rng(5)
    return tilting_shoot(folder, known_lens(60, 320, 180), reach_deg=5.0, rng=rng, lasts_s=5.0, hfov_deg=60)


@pytest.fixture(scope="module")
def whole(shoot, tmp_path_factory):
    """The result of a check of that shoot, and what it kept."""
    folder = tmp_path_factory.mktemp("whole")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("HORIZON_DRIFT_CACHE", str(folder / "tracks"))
        check(shoot, folder / "result")
    return folder


@pytest.fixture
def out(whole, tmp_path, monkeypatch):
    """A copy of that result, as if the check had been made there and then."""
    shutil.copytree(whole / "tracks", tmp_path / "tracks")
    monkeypatch.setenv("HORIZON_DRIFT_CACHE", str(tmp_path / "tracks"))
    return shutil.copytree(whole / "result", tmp_path / "again")


CHANGES = {
    "tolerance": ('title = "tilting"', 'title = "another"\ntolerance_deg = 0.2'),
    "height": ("height_m = 20.0", "height_m = 24.0"),
}


def unread(*args, **told):
    raise AssertionError("a clip was read")


@pytest.mark.parametrize("change", sorted(CHANGES))
def test_a_check_again_reads_no_frame_and_finds_what_a_first_one_does(
    shoot, out, tmp_path, monkeypatch, change
):
    sheet = shoot.with_name(f"{change}.toml")
    sheet.write_text(shoot.read_text(encoding="utf-8").replace(*CHANGES[change]), encoding="utf-8")
    assert sheet.read_text(encoding="utf-8") != shoot.read_text(encoding="utf-8")
    video = (out / VIDEO).stat()
    with monkeypatch.context() as patch:
        unused = ("looking.read_frames", "looking.key_segments", "looking.spread_lumas", "clip.read_shown")
        for name in (*unused, "clip.read_frames"):
            patch.setattr(f"horizon.{name}", unread)
        patch.setattr("attitude.self_checked.frames_at", unread)
        patch.setattr("attitude.review.read_shown", unread)
        after, _ = check(sheet, out)
    left = (out / VIDEO).stat()
    assert (left.st_ino, left.st_mtime_ns) == (video.st_ino, video.st_mtime_ns)
    monkeypatch.setenv("HORIZON_DRIFT_CACHE", str(tmp_path / "nothing"))
    first, _ = check(sheet, tmp_path / "first")
    results = [
        json.loads((tmp_path / name / "result.json").read_text(encoding="utf-8"))
        for name in ("again", "first")
    ]
    assert results[0] == results[1]
    for name in ("frames.csv", "corrections.csv"):
        assert (tmp_path / "again" / name).read_bytes() == (tmp_path / "first" / name).read_bytes()
    assert {path.name for path in out.iterdir()} == {path.name for path in (tmp_path / "first").iterdir()}
    assert after.review == first.review
    assert after.self_check.turned == first.self_check.turned > 0
    pd.testing.assert_frame_equal(after.self_check.rows, first.self_check.rows, check_exact=True)
    pages = [(tmp_path / name / "report.html").read_text(encoding="utf-8") for name in ("again", "first")]
    assert pages[0].count("data:image/jpeg") == pages[1].count("data:image/jpeg") > 1


def test_a_check_again_that_is_stopped_leaves_the_folder_whole(shoot, out, tmp_path, monkeypatch):
    before = {path.name: path.read_bytes() for path in out.iterdir()}

    def stopped(*args):
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr(attitude.result_files, "write_frames", stopped)
        with pytest.raises(KeyboardInterrupt):
            check(shoot, out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    # Results that were put elsewhere are found by what they are, not by where they lie.
    shutil.copytree(out, tmp_path / "moved")
    monkeypatch.setattr("attitude.review.read_shown", unread)
    material, _ = check(shoot, tmp_path / "moved")
    assert material.review is not None
