"""The review video and the pictures: what a person looks at is what was measured, at the right time.

Every frame of the test clips carries its number as six blocks, dark or bright, along its upper edge, so that
a picture of the review tells which frame of which clip it shows.
"""

import dataclasses
import struct
from fractions import Fraction
from pathlib import Path

import av
import cv2
import numpy as np
import pandas as pd
import pytest

from attitude import review
from attitude.moments import shown_moments, worst_moments
from attitude.picture import tilt_about_pose
from attitude.report.material import Segment
from attitude.review import SHEET, VIDEO, look_through
from horizon import TRACK_COLUMNS
from horizon.angles import up_from_angles
from horizon.clip import probe, read_frames
from horizon.coded import with_colour_planes, write_clip
from horizon.draw import strip_px
from horizon.lens import lens_from_hfov, scaled
from horizon.measure import ClipTrack
from tests.test_draw import off_level_px

BITS, GROUND = 6, 70


def numbered(number: int, size=(128, 72)) -> np.ndarray:
    width, height = size
    picture = np.full((height, width), GROUND, np.uint8)
    for bit in range(BITS):
        left, right = (width * at // BITS for at in (bit, bit + 1))
        picture[: height // 6, left:right] = 225 if number >> bit & 1 else 16
    return picture


def number_on(luma: np.ndarray, left=0.0, top=0.0, width=640.0, height=360.0) -> int:
    """The number on a picture that lies there in a larger one."""
    row = round(top + height / 12)
    at = [round(left + width * (bit + 0.5) / BITS) for bit in range(BITS)]
    return sum(1 << bit for bit, column in enumerate(at) if luma[row, column] > 120)


def write_timed(path: Path, times_ms, size=(128, 72)) -> Path:
    """Numbered frames shown from these times on."""
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.pix_fmt = *size, "yuv420p"
        stream.options = {"crf": "10"}
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        for number, t_ms in enumerate(times_ms):
            frame = av.VideoFrame.from_ndarray(with_colour_planes(numbered(number, size)), format="yuv420p")
            frame.pts, frame.time_base = t_ms, stream.codec_context.time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    return path


def even(path: Path, count=20, fps=10, size=(128, 72)) -> Path:
    write_clip(path, (with_colour_planes(numbered(k, size)) for k in range(count)), fps, crf=10)
    return path


def tracked(path: Path, looks) -> ClipTrack:
    """A track with looks of (frame, t_s, roll_deg, pitch_deg); NaN roll: not measured."""
    rows = pd.DataFrame(np.nan, index=range(len(looks)), columns=TRACK_COLUMNS).astype(
        {"clip": object, "reason": object, "claims": object}
    )
    rows["clip"], rows["roll_sd_deg"] = path.name, 0.04  # and 0.03 that all frames share: 0.05
    rows["frame"], rows["t_s"], rows["roll_deg"], rows["pitch_deg"] = zip(*looks, strict=True)
    rows["reason"] = np.where(rows["roll_deg"].isna(), "the edge is too faint", "")
    rows = rows.astype({"frame": int})
    return ClipTrack(path.name, rows, probe(path), len(looks), "", "picture", 0.0, pd.DataFrame())


def held(path: Path, roll_deg=2.0, pitch_deg=0.0, count=20, fps=10) -> ClipTrack:
    """Every frame of an even clip looked at, all with this roll and pitch."""
    return tracked(path, [(k, k / fps, roll_deg, pitch_deg) for k in range(count)])


def kept_of(tracks) -> pd.DataFrame:
    parts = []
    for track in tracks:
        table = track.track.dropna(subset=["roll_deg"])
        tilt_deg, pose_deg = tilt_about_pose(table["roll_deg"].to_numpy(float))
        parts.append(table[["clip", "t_s", "roll_sd_deg"]].assign(tilt_deg=tilt_deg, pose_deg=pose_deg))
    return pd.concat(parts, ignore_index=True)


def looked(tracks, folder: Path, *, left_out=None, progress=None, kept=None, earlier=None):
    lenses = {
        track.clip: lens_from_hfov(track.facts.width_px, track.facts.height_px, 70.0) for track in tracks
    }
    frames = pd.concat([track.track for track in tracks], ignore_index=True)
    kept = kept_of(tracks) if kept is None else kept
    left_out = left_out or {}
    return look_through(tracks, lenses, frames, kept, left_out, folder, earlier=earlier, progress=progress)


def lumas(folder: Path) -> list[np.ndarray]:
    return [frame.luma for frame in read_frames(folder / VIDEO)]


def captions(monkeypatch) -> list:
    """Collects what is written below pictures, in the order of writing."""
    said = []
    plain = review.captioned

    def listening(picture, caption, **rest):
        said.append(caption)
        return plain(picture, caption, **rest)

    monkeypatch.setattr(review, "captioned", listening)
    return said


def test_every_picture_is_the_one_that_a_player_shows_at_that_time(tmp_path):
    """Uneven frames, a hole, and a second clip: review time is the segment's begin plus time in the clip."""
    shown_ms = [0, 40, 80, 120, 250, 300, 900, 940, 1530]
    uneven = write_timed(tmp_path / "uneven.mp4", shown_ms)
    fast = even(tmp_path / "fast.mp4", count=50, fps=25)
    nothing = [(0, 0.0, np.nan, np.nan)]
    found = looked([tracked(uneven, nothing), tracked(fast, nothing)], tmp_path, kept=pd.DataFrame())
    first, second = found.review.segments
    assert (first.clip, first.from_s, second.clip) == ("uneven.mp4", 0.0, "fast.mp4")
    assert second.from_s == first.from_s + first.lasts_s
    assert second.lasts_s == 2.0
    shown = [number_on(luma) for luma in lumas(tmp_path)]
    assert len(shown) == round(10 * (second.from_s + second.lasts_s))
    at_s = np.arange(len(shown)) / 10
    in_first = at_s < second.from_s
    expected = np.searchsorted(np.array(shown_ms) / 1000, at_s[in_first] + 1e-6, side="right") - 1
    assert shown[: len(expected)] == expected.tolist()
    in_second_s = at_s[~in_first] - second.from_s
    assert shown[len(expected) :] == np.floor(in_second_s * 25 + 1e-6).astype(int).tolist()
    assert found.pictures == ()
    assert found.worst is None


def test_the_video_is_of_a_kind_that_browsers_play_and_seek_in(tmp_path):
    found = looked([held(even(tmp_path / "a.mp4", count=40), count=40)], tmp_path)
    facts = probe(tmp_path / VIDEO)
    assert (facts.codec, facts.fps, facts.duration_s) == ("h264", 10.0, pytest.approx(4.0, abs=0.02))
    assert (facts.width_px, facts.height_px) == (found.review.width_px, found.review.height_px)
    assert facts.width_px % 2 == facts.height_px % 2 == 0
    data = (tmp_path / VIDEO).read_bytes()
    assert data.index(b"moov") < data.index(b"mdat")
    with av.open(str(tmp_path / VIDEO)) as container:
        stream = container.streams.video[0]
        assert stream.pix_fmt == "yuv420p"
        keys = [
            float(packet.pts * packet.time_base) for packet in container.demux(stream) if packet.is_keyframe
        ]
    assert np.diff([0.0, *sorted(keys), 4.0]).max() <= 1.001
    assert [frame.t_s for frame in read_frames(tmp_path / VIDEO)] == pytest.approx(
        np.arange(40) / 10, abs=1e-3
    )


@pytest.mark.parametrize(
    ("size", "canvas"),
    [((128, 72), (640, 360)), ((72, 128), (360, 640)), ((1280, 718), (960, 538)), ((96, 96), (640, 640))],
)
def test_the_picture_is_never_wider_than_a_page_needs_nor_too_small_to_see(tmp_path, size, canvas):
    found = looked([held(even(tmp_path / "a.mp4", count=3, size=size), count=3)], tmp_path)
    assert (found.review.width_px, found.review.height_px) == (canvas[0], canvas[1] + strip_px(*canvas))


def test_clips_of_other_shapes_stand_in_the_middle_of_the_same_picture(tmp_path):
    wide = even(tmp_path / "wide.mp4", count=30)
    tall = even(tmp_path / "tall.mp4", count=5, size=(72, 128))
    found = looked([held(wide, count=30), held(tall, count=5)], tmp_path)
    assert (found.review.width_px, found.review.height_px) == (640, 360 + strip_px(640, 360))
    luma = lumas(tmp_path)[32]
    assert number_on(luma, left=219, width=202) == 2
    assert luma[:360, :215].max() < 40
    assert luma[:360, 425:].max() < 40
    assert luma[300, 230:410].min() > 50


def turn_flag(path: Path, counterclockwise_deg: int) -> None:
    """Set the rotation in the track header, where players look for it (ISO/IEC 14496-12, 8.3.2)."""
    cos, sin = {0: (1, 0), 90: (0, 1), 180: (-1, 0), 270: (0, -1)}[counterclockwise_deg]
    data = bytearray(path.read_bytes())
    at = data.index(b"tkhd") + 4 + 4 + 20 + 16
    rows = [cos * 65536, -sin * 65536, 0, sin * 65536, cos * 65536, 0, 0, 0, 1 << 30]
    data[at : at + 36] = struct.pack(">9i", *rows)
    path.write_bytes(data)


def slope_deg(luma: np.ndarray) -> float:
    """How much higher the right end of the drawn line stands, by its bright pixels."""
    rows, columns = np.nonzero(luma > 130)
    rise, _ = np.polyfit(columns, -rows, 1)
    return float(np.degrees(np.arctan(rise)))


@pytest.mark.parametrize(
    ("flag_deg", "roll_deg", "seen"),
    [(90, -86.0, ""), (270, 94.0, ""), (180, -176.0, ""), (0, 4.0, ""), (0, -176.0, ", upside down")],
)
def test_pictures_are_seen_as_a_player_turns_them_and_words_fit_what_is_seen(
    tmp_path, flag_deg, roll_deg, seen
):
    clip = even(tmp_path / "a.mp4", count=6)
    turn_flag(clip, flag_deg)
    track = held(clip, roll_deg=roll_deg, count=6)
    assert track.facts.rotation_deg % 360 == flag_deg
    found = looked([track], tmp_path)
    width, height = (360, 640) if flag_deg in (90, 270) else (640, 360)
    assert (found.review.width_px, found.review.height_px) == (width, height + strip_px(width, height))
    luma = lumas(tmp_path)[3][:height]
    # The number stands where the turn brings the stored picture's upper edge.
    upright = np.rot90(luma, -flag_deg // 90)
    assert number_on(upright) == 3
    line = luma.copy()
    np.rot90(line, -flag_deg // 90)[:70] = 0
    assert slope_deg(line) == pytest.approx(4.0, abs=0.3)
    assert [picture.words for picture in found.pictures] == [
        f"right side low by 4.00 ± 0.10 deg{seen}"
    ] * len(found.pictures)


def test_a_damaged_clip_is_shown_as_far_as_it_goes_and_the_next_follows_at_once(tmp_path):
    rng = np.random.default_rng(0)
    whole, cut = tmp_path / "whole.mp4", tmp_path / "cut.mp4"
    images = (with_colour_planes(rng.integers(0, 256, (72, 128)).astype(np.uint8)) for _ in range(60))
    write_clip(whole, images, 20)
    cut.write_bytes(whole.read_bytes()[: int(whole.stat().st_size * 0.6)])
    reached = len(list(read_frames(cut)))
    assert 10 < reached < 50
    nothing, whole_next = [(0, 0.0, np.nan, np.nan)], even(tmp_path / "next.mp4")
    found = looked([tracked(cut, nothing), held(whole_next)], tmp_path, kept=pd.DataFrame())
    first, second = found.review.segments
    assert first.lasts_s == pytest.approx(reached / 20, abs=0.1)
    assert second == Segment("next.mp4", first.lasts_s, 2.0)
    after = lumas(tmp_path)[round(10 * second.from_s) :]
    assert [number_on(luma) for luma in after] == list(range(20))


def off_line_px(luma: np.ndarray, roll_deg: float, pitch_deg: float) -> np.ndarray:
    """How far the bright pixels of a review picture (its numbers aside) lie off that horizon."""
    lens = scaled(lens_from_hfov(128, 72, 70.0), 640, 360)
    rows, columns = np.nonzero(luma[70:360] > 130)
    up_cam = up_from_angles(np.radians(roll_deg), np.radians(pitch_deg))
    return off_level_px(lens, up_cam, 0.0, np.column_stack([columns, rows + 70]))


def test_the_line_is_where_it_was_measured_and_in_between_where_looks_are_close(tmp_path):
    clip = even(tmp_path / "a.mp4", count=40)
    looks = [(0, 0.0, 3.0, -4.0), (4, 0.4, 7.0, 2.0), (5, 0.5, np.nan, np.nan), (8, 0.8, 7.0, 2.0)]
    looks += [(20, 2.0, -5.0, 0.0), (21, 2.1, 100.0, 0.0), (24, 2.4, 1.0, 0.0)]
    looked([tracked(clip, looks)], tmp_path)
    pictures = lumas(tmp_path)
    for number, roll_deg, pitch_deg in (
        (0, 3.0, -4.0),
        (4, 7.0, 2.0),
        (8, 7.0, 2.0),
        (20, -5.0, 0.0),
        (24, 1.0, 0.0),
    ):
        off_px = off_line_px(pictures[number], roll_deg, pitch_deg)
        assert len(off_px) > 200
        assert abs(off_px.mean()) < 0.5
        assert np.abs(off_px).max() < 3.0
    between = off_line_px(pictures[2], 5.0, -1.0)
    assert len(between) > 200
    assert abs(between.mean()) < 1.0
    # Beside a refused look, over a second without looks, where the picture was turned over, after the last.
    for number in (5, 6, 7, 12, 19, 22, 23, 30, 39):
        assert len(off_line_px(pictures[number], 0.0, 0.0)) == 0, number


def test_words_say_what_was_measured_and_what_stretches_are_marked(tmp_path, monkeypatch):
    clip = even(tmp_path / "a.mp4", count=40)
    looks = [(k, k / 10, 1.5 if k < 30 else np.nan, 0.0) for k in range(0, 40, 2)]
    said = captions(monkeypatch)
    looked([tracked(clip, looks)], tmp_path, left_out={"a.mp4": [(2.0, 2.5)]}, kept=pd.DataFrame())
    assert [caption.time for caption in said] == [f"{k / 10:.1f} s" for k in range(40)]
    assert {caption.clip for caption in said} == {"a.mp4"}
    lean = "right side low by 1.50 ± 0.10 deg"
    assert said[3].words == lean
    assert said[22].words == f"left out: {lean}"
    assert said[30].words == said[29].words == "not measured: the edge is too faint"
    assert said[39].words == ""
    assert [k for k, caption in enumerate(said) if caption.left_out] == list(range(20, 26))
    lit = [(luma[361] > 60).mean() for luma in lumas(tmp_path)]
    assert np.mean(lit[:19]) < 0.05
    assert 0.3 < np.mean(lit[20:26]) < 0.7


def test_pictures_are_whole_frames_with_their_own_horizon_and_edge_points(tmp_path):
    """Of a picture with a real edge: full size, the frame's own content, marks along the measured line."""
    clip, rows = (
        tmp_path / "a.mp4",
        np.arange(360)[:, None] + np.tan(np.radians(3.0)) * (np.arange(640)[None] - 319.5),
    )

    def images():
        for number in range(12):
            picture = np.where(rows < 180, 200, 60).astype(np.uint8)
            picture[:60] = numbered(number, (640, 360))[:60]
            yield with_colour_planes(cv2.GaussianBlur(picture, (0, 0), 0.8))

    write_clip(clip, images(), 10, crf=12)
    tracks = [tracked(clip, [(k, k / 10, 3.0 + 0.1 * (k == 7), 0.0) for k in range(12)])]
    tracks[0].track.loc[7, "roll_deg"] = 3.0
    found = looked(tracks, tmp_path)
    assert [picture.caption for picture in found.pictures][:1] == ["Where it leans most"]
    for picture in found.pictures:
        assert picture.words == "right side low by 3.00 ± 0.10 deg"
        assert picture.image.shape[1] == 640
        assert picture.image.shape[0] > 360
        assert number_on(picture.image[:, :, 1]) == round(10 * picture.t_s)
        # Yellow rings reach further off the line than the line is thick.
        yellow = np.abs(picture.image[60:360].astype(int) - [66, 228, 240]).max(axis=2) < 90
        y, x = np.nonzero(yellow)
        up_cam = up_from_angles(np.radians(3.0), 0.0)
        off_px = off_level_px(lens_from_hfov(640, 360, 70.0), up_cam, 0.0, np.column_stack([x, y + 60]))
        assert np.abs(off_px).max() < 8.0
        assert (np.abs(off_px) > 2.0).sum() > 20


def test_a_plumb_line_is_drawn_where_it_was_measured_whichever_sign_its_normals_have(tmp_path, monkeypatch):
    said = captions(monkeypatch)
    path = even(tmp_path / "string.mp4", size=(640, 360))
    # A camera rolled by 6 deg sees a string straight ahead as leaning the other way.
    track = tracked(path, [(k, k / 10, 6.0, 0.0) for k in range(0, 20, 2)])
    signs = np.where(np.arange(10) % 2, -1.0, 1.0)[:, None]
    normals = signs * [np.cos(np.radians(-6)), np.sin(np.radians(-6)), 0.0]
    track = dataclasses.replace(track, reference="plumb_line", normals=normals)
    found = looked([track], tmp_path / "out")
    shown = [found.pictures[0].image[:360]]
    shown += [frame.to_ndarray(format="bgr24")[:360] for frame in decoded(tmp_path / "out" / VIDEO)]
    for picture in shown[:-1]:  # nothing is measured beyond the last look
        blue, green, red = np.moveaxis(picture.astype(int), -1, 0)
        row, column = np.nonzero((red > 150) & (green > 130) & (blue < 110))
        assert np.ptp(row) > 300
        leans = np.polyfit(row - 179.5, column - 319.5, 1)
        assert np.degrees(np.arctan(leans[0])) == pytest.approx(6.0, abs=0.5)
        assert leans[1] == pytest.approx(0, abs=2)
    assert {caption.line for caption in said} == {"plumb line"}
    assert "right side low by 6.00" in found.pictures[0].words


def decoded(path):
    with av.open(str(path)) as container:
        return list(container.decode(video=0))


def test_each_clip_is_decoded_once_for_everything(tmp_path, monkeypatch):
    passes = []
    plain = review.read_shown
    monkeypatch.setattr(review, "read_shown", lambda facts: passes.append(facts.path.name) or plain(facts))
    found = looked([held(even(tmp_path / name, count=60), count=60) for name in ("a.mp4", "b.mp4")], tmp_path)
    assert passes == ["a.mp4", "b.mp4"]
    assert len(found.pictures) == 1  # the worst is the typical one and the first where all lean alike
    assert found.worst is not None


def test_the_sheet_shows_the_worst_moments_with_clip_time_and_lean(tmp_path):
    looks = [(k, k / 10, 5.0 if k > 40 else 1.0, 0.0) for k in range(63)]
    tracks = [
        tracked(even(tmp_path / "a.mp4", count=63), looks),
        held(even(tmp_path / "b.mp4"), roll_deg=-3.0),
    ]
    found = looked(tracks, tmp_path)
    tiles = found.worst.words.split("; ")
    assert len(tiles) == 3
    assert [tile.split(" at ")[0] for tile in tiles] == ["a.mp4", "b.mp4", "a.mp4"]
    assert tiles[0].endswith("s: right side low by 5.00 ± 0.10 deg")
    assert tiles[1].endswith("s: left side low by 3.00 ± 0.10 deg")
    written = cv2.imread(str(tmp_path / SHEET))
    assert written.shape == found.worst.image.shape
    assert written.shape[1] <= 1280
    assert np.abs(written.astype(int) - found.worst.image).mean() < 4
    grey = cv2.cvtColor(found.worst.image, cv2.COLOR_BGR2GRAY)
    third = grey.shape[1] // 3
    shown = [
        number_on(grey, left=8 + k * third, top=8, width=third - 8, height=(third - 8) * 9 / 16)
        for k in range(3)
    ]
    assert shown == [round(10 * float(tile.split(" at ")[1].split(" s")[0])) for tile in tiles]


def test_an_interruption_leaves_what_was_there_and_nothing_half_written(tmp_path, monkeypatch):
    clip, out = even(tmp_path / "a.mp4", count=100), tmp_path / "result"
    out.mkdir()
    (out / VIDEO).write_bytes(b"earlier video")
    (out / SHEET).write_bytes(b"earlier sheet")
    plain, calls = review.letterboxed, []

    def stopped(*args):
        calls.append(args)
        if len(calls) == 95:
            # Late enough for the encoder to have written some of it.
            assert len(list(out.iterdir())) == 3
            raise KeyboardInterrupt
        return plain(*args)

    monkeypatch.setattr(review, "letterboxed", stopped)
    with pytest.raises(KeyboardInterrupt):
        looked([held(clip, count=100)], out)
    assert {path.name: path.read_bytes() for path in out.iterdir()} == {
        VIDEO: b"earlier video",
        SHEET: b"earlier sheet",
    }


def test_without_an_encoder_the_pictures_are_drawn_and_the_rest_is_said(tmp_path, monkeypatch):
    track, out = held(even(tmp_path / "a.mp4")), tmp_path / "result"
    monkeypatch.setattr("horizon.coded.ENCODER", "no_such_encoder")
    out.mkdir()
    (out / VIDEO).write_bytes(b"earlier video")
    found = looked([track], out)
    assert found.review is None
    assert len(found.notes) == 1
    assert "cannot write H.264 video" in found.notes[0]
    assert len(found.pictures) == 1
    assert [path.name for path in out.iterdir()] == [SHEET]


def test_a_shoot_without_any_horizon_has_a_video_and_no_earlier_sheet(tmp_path):
    (tmp_path / SHEET).write_bytes(b"earlier sheet")
    found = looked([held(even(tmp_path / "a.mp4"), roll_deg=np.nan)], tmp_path, kept=pd.DataFrame())
    assert found.review is not None
    assert found.worst is None
    assert not (tmp_path / SHEET).exists()


def test_progress_goes_from_unknown_to_done(tmp_path):
    told = []
    looked(
        [held(even(tmp_path / "a.mp4", count=60))],
        tmp_path,
        progress=lambda text, share: told.append((text, share)),
    )
    assert {text for text, _ in told} == {"drawing the review video"}
    shares = [share for _, share in told if share is not None]
    assert told[0][1] is None
    assert shares == sorted(shares)
    assert shares[-1] == 1.0
    assert len(shares) > 5


@pytest.mark.parametrize(
    "name", ["\u202enpm.4pm", "<script>.mp4", "n" * 200 + ".mp4", "漢字🎥.mp4"], ids=range(4)
)
def test_hostile_clip_names_break_nothing(tmp_path, name):
    track = held(even(tmp_path / "a.mp4"))
    clip = dataclasses.replace(track, clip=name, track=track.track.assign(clip=name))
    found = looked([clip], tmp_path)
    assert found.review.segments == (Segment(name, 0.0, 2.0),)
    assert [number_on(luma) for luma in lumas(tmp_path)] == list(range(20))


def lean_table(clips) -> pd.DataFrame:
    """Rows every 0.2 s of (clip, tilt over time as a function, length in s)."""
    parts = []
    for clip, tilt, length_s in clips:
        t_s = np.arange(0, length_s, 0.2)
        parts.append(
            pd.DataFrame(
                {"clip": clip, "t_s": t_s, "tilt_deg": tilt(t_s), "pose_deg": 0.0, "roll_sd_deg": 0.05}
            )
        )
    return pd.concat(parts, ignore_index=True)


def test_worst_moments_are_apart_spread_over_clips_and_worst_first():
    table = lean_table(
        [
            ("a.mp4", lambda t: 3 + np.sin(t), 100),
            ("b.mp4", lambda t: -0.2 - 0.01 * t, 30),
            ("c.mp4", lambda t: 0 * t + 0.1, 9),
        ]
    )
    found = worst_moments(table)
    assert len(found) == 12
    counts = pd.Series([one.clip for one in found]).value_counts()
    assert counts["c.mp4"] in (2, 3)  # 9 s hold no more that are 4 s apart
    assert counts["b.mp4"] >= 4
    assert counts["a.mp4"] >= 5  # its share, and what the shortest clip left
    for clip in counts.index:
        times = sorted(one.t_s for one in found if one.clip == clip)
        assert np.diff(times).min() >= 3.0
    lean = [
        table[(table["clip"] == one.clip) & (table["t_s"] == one.t_s)]["tilt_deg"].iloc[0] for one in found
    ]
    assert np.all(np.diff(np.abs(lean)) < 0.05)


def test_a_jolt_of_one_look_is_no_worst_moment():
    table = lean_table(
        [("a.mp4", lambda t: np.where((t > 20) & (t < 24), 1.0 - 0.1 * np.abs(t - 22), 0.1), 60)]
    )
    jolts = [int(np.argmin(np.abs(table["t_s"] - at_s))) for at_s in (22, 40)]
    table.loc[jolts, "tilt_deg"] = 2.5
    for moment in (shown_moments(table)[0], worst_moments(table)[0]):
        assert 20 < moment.t_s < 24
    for moment in (*shown_moments(table), *worst_moments(table)):
        assert moment.t_s not in table["t_s"][jolts].tolist()


def test_shown_are_the_worst_a_typical_and_an_upside_down_moment():
    table = lean_table(
        [("a.mp4", lambda t: 0.2 + 0 * t + (t > 8), 10), ("b.mp4", lambda t: -3.0 + 0 * t, 10)]
    )
    table.loc[table["clip"] == "b.mp4", "pose_deg"] = 180.0
    found = shown_moments(table)
    assert [one.caption for one in found] == ["Where it leans most", "A typical frame", "Upside down"]
    assert [one.clip for one in found] == ["a.mp4", "a.mp4", "b.mp4"]
    assert found[0].t_s > 8 > found[1].t_s
    only = shown_moments(table[table["clip"] == "b.mp4"])
    assert only[-1].caption in ("A typical frame", "Where it leans most", "The first frame measured")
    assert shown_moments(table.iloc[:0]) == worst_moments(table.iloc[:0]) == ()
