"""Clips cut at their key frames: the same frames as another reader, OpenCV's, finds from beginning to end."""

from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from fractions import Fraction

import av
import cv2
import numpy as np
import pytest

from horizon.clip import probe, read_frames
from horizon.coded import with_colour_planes
from horizon.looking import Sparing, look_through
from horizon.segments import SegmentReader, frames_at, key_segments, look_number

FPS, LASTS_S = 10, 16.0
SIZE = (96, 64)


@dataclass(frozen=True)
class Seen:
    frame: int
    t_s: float
    shows: int


def seen(run, covered):
    """A measurement that reads the number a frame was drawn with."""
    return [Seen(frame.index, frame.t_s, shown(frame.luma)) for frame in run]


def shown(grey):
    """The number in a picture: eight upright bars, dark or bright."""
    bars = grey.astype(float).reshape(len(grey), 8, -1).mean(axis=(0, 2))
    return int(((bars > 125) * 2 ** np.arange(8)).sum())


def numbered(path, *, encoder="libx264", pts_ms=None, key_every=13, **options):
    """A clip every frame of which shows its number."""
    count = round(LASTS_S * FPS)
    pts_ms = np.arange(count) * 1000 // FPS if pts_ms is None else pts_ms
    rng = np.random.default_rng(3)
    with av.open(str(path), "w") as file:
        stream = file.add_stream(encoder, rate=FPS)
        stream.width, stream.height, stream.pix_fmt = *SIZE, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        stream.gop_size, stream.options = key_every, options
        for k, t_ms in enumerate(pts_ms):
            bars = np.where(k >> np.arange(8) & 1, 200.0, 50.0)
            grey = np.clip(np.repeat(bars, SIZE[0] // 8) + rng.normal(0, 8, SIZE[::-1]), 0, 255)
            frame = av.VideoFrame.from_ndarray(with_colour_planes(grey.astype(np.uint8)), format="yuv420p")
            frame.pts, frame.time_base = int(t_ms), stream.codec_context.time_base
            file.mux(stream.encode(frame))
        file.mux(stream.encode())
    return path


def as_opencv_reads(path):
    """Numbers of all frames, one after the other."""
    video, out = cv2.VideoCapture(str(path)), []
    while True:
        there, image = video.read()
        if not there:
            return out
        out.append(shown(cv2.cvtColor(image, cv2.COLOR_BGR2GRAY)))


X264 = {"preset": "veryfast", "bf": "2"}
MAKES = {
    "mp4": (".mp4", X264),
    "matroska": (".mkv", X264),
    "transport stream": (".ts", X264),
    "open groups": (".mp4", X264 | {"x264-params": "open-gop=1"}),
    "every frame a key frame": (".mp4", {"preset": "veryfast", "g": "1"}),
    "hevc, open groups": (".mp4", {"encoder": "libx265", "x265-params": "log-level=none"}),
    "mpeg 4": (".mp4", {"encoder": "mpeg4", "bf": "2"}),
}


@pytest.mark.parametrize("make", MAKES)
def test_segments_hold_the_frames_that_opencv_finds_in_a_row(tmp_path, make):
    ending, options = MAKES[make]
    if options.get("encoder", "libx264") not in av.codecs_available:
        pytest.skip("this av cannot write it")
    path = numbered(tmp_path / f"a{ending}", **options)
    numbers = as_opencv_reads(path)
    assert numbers == list(range(round(LASTS_S * FPS)))
    facts = probe(path)
    looks, _, read = look_through(facts, np.inf, seen, None, None)
    assert (read.frames_read, read.damage) == (len(numbers), "")
    assert [look.shows for look in looks] == [look.frame for look in looks]
    assert [look.t_s for look in looks] == pytest.approx([look.frame / FPS for look in looks], abs=2e-3)
    assert len(looks) == pytest.approx(100, abs=3)


@pytest.mark.parametrize("make", ["mp4", "matroska", "every frame a key frame"])
def test_most_clips_can_be_cut(tmp_path, make):
    ending, options = MAKES[make]
    facts = probe(numbered(tmp_path / f"a{ending}", **options))
    segments = key_segments(facts)
    assert len(segments) >= 4
    readers = [SegmentReader(facts, one, 0.05, 1) for one in segments]
    times = [frame.t_s for reader in readers for frame in reader.frames()]
    assert all(reader.clean for reader in readers)
    with av.open(str(facts.path)) as file:
        packets = [packet for packet in file.demux(video=0) if packet.pts is not None]
    marked = [packet.is_keyframe for packet in sorted(packets, key=lambda one: one.pts)]
    assert [frame.is_key for frame in read_frames(facts.path)] == marked
    assert sum(marked) >= len(segments)
    assert times == pytest.approx([frame.t_s for frame in read_frames(facts.path)], abs=1e-9)


def test_it_does_not_matter_who_looks(tmp_path):
    facts = probe(numbered(tmp_path / "a.mp4", **X264))
    alone = look_through(facts, np.inf, seen, None, None)
    with ThreadPoolExecutor(3) as executor:
        beside = look_through(facts, np.inf, seen, executor, None)
    assert alone[0] == beside[0]
    assert [look.shows for look in alone[0]] == [look.frame for look in alone[0]]
    assert alone[2] == beside[2]


def test_only_the_beginning_is_read_where_no_more_is_wanted(tmp_path):
    facts = probe(numbered(tmp_path / "a.mp4", **X264))
    shares = []
    looks, _, read = look_through(facts, 13.0, seen, None, shares.append)
    assert read.damage == ""
    assert read.frames_read == 131
    assert looks[-1].t_s == pytest.approx(13.0, abs=0.15)
    assert shares == sorted(shares)
    assert shares[-1] == 1.0


def test_a_clip_that_ends_before_that_is_said_to_be_short(tmp_path):
    facts = probe(numbered(tmp_path / "a.mp4", **X264))
    _, _, read = look_through(replace(facts, duration_s=LASTS_S + 3.0), 18.0, seen, None, None)
    assert "16.0 s of declared 19.0 s" in read.damage


def test_frames_that_come_unevenly_are_looked_at_once_each(tmp_path):
    rng = np.random.default_rng(5)
    pts_ms = np.cumsum(rng.integers(17, 190, 160)) - 17
    facts = probe(numbered(tmp_path / "a.mkv", pts_ms=pts_ms, **X264))
    looks, _, read = look_through(facts, np.inf, seen, None, None)
    assert read.frames_read == 160
    times_ms = [round(1000 * look.t_s) for look in looks]
    assert set(times_ms) <= set((pts_ms - pts_ms[0]).tolist())
    assert times_ms == sorted(set(times_ms))
    assert [int(pts_ms[look.frame] - pts_ms[0]) for look in looks] == times_ms


def test_a_damaged_clip_is_read_from_its_beginning_on(tmp_path):
    path = numbered(tmp_path / "a.mkv", **X264)
    data = bytearray(path.read_bytes())
    rubbish = np.random.default_rng(7).integers(0, 256, len(data) // 4, np.uint8)
    data[len(data) // 2 : len(data) // 2 + len(rubbish)] = bytes(rubbish)
    path.write_bytes(data)
    facts = probe(path)
    good = [frame for frame in read_frames(path) if not frame.fault]
    looks, _, read = look_through(facts, np.inf, seen, None, None)
    assert read.frames_read == len(good) < 160
    index_of = {round(frame.t_s, 6): frame.index for frame in good}
    assert all(index_of[round(look.t_s, 6)] == look.frame for look in looks)


def test_a_segment_that_is_not_what_was_cut_is_not_clean(tmp_path):
    facts = probe(numbered(tmp_path / "a.mp4", **X264))
    second = key_segments(facts)[1]
    for wrong in (
        replace(second, begin=second.begin + 1),
        replace(second, end=second.end + 1),
    ):
        reader = SegmentReader(facts, wrong, 0.2, 1)
        list(reader.frames())
        assert not reader.clean
    wide = SegmentReader(replace(facts, width_px=200), second, 0.2, 1)
    assert list(wide.frames()) == []
    assert not wide.clean


@pytest.mark.parametrize(("step_s", "fps"), [(0.2, 30), (0.2, 25), (0.2, 24), (0.2, 10), (0.16, 8), (0.2, 4)])
def test_looks_come_as_often_as_wanted_or_as_frames_do(step_s, fps):
    times = np.arange(round(30 * fps)) / fps
    numbers = [look_number(t_s, step_s, fps) for t_s in times]
    looked = times[np.flatnonzero(np.diff([-1, *numbers]) > 0)]
    assert np.diff(looked).max() <= max(step_s, 1 / fps) + 1 / fps + 1e-9
    assert len(looked) == pytest.approx(30 * min(fps, 1 / step_s), rel=0.01)


# --- key frames only --------------------------------------------------------------------------------------


def sparing(added_deg=0.0):
    """Says of looks what it is told, and that the camera moves more and more."""
    return Sparing(lambda looks: added_deg, lambda looks: looks[0].t_s)


@pytest.fixture
def long_clip(tmp_path, monkeypatch):
    monkeypatch.setattr("horizon.looking.LONG_S", 10.0)
    monkeypatch.setattr("horizon.looking.DENSE", 2)
    return numbered(tmp_path / "a.mp4", key_every=7, **X264)


def test_a_long_clip_is_looked_at_by_its_key_frames(long_clip):
    facts = probe(long_clip)
    with av.open(str(long_clip)) as file:
        keys_s = [
            float(p.pts * p.time_base) for p in file.demux(video=0) if p.is_keyframe and p.pts is not None
        ]
    looks, _, read = look_through(facts, np.inf, seen, None, None, sparing())
    assert [look.shows for look in looks] == [look.frame for look in looks]
    assert read.damage == ""
    assert "key frames" in read.notes[0]
    # Where it moves most, here at the end, and in the last segment every look; else a key frame a second.
    dense_from_s = key_segments(facts)[-2].begins_s
    before = [look.t_s for look in looks if look.t_s < dense_from_s - 1e-6]
    first_of_a_second = {
        int(t_s + 0.5 / facts.fps): t_s for t_s in reversed(keys_s) if t_s < dense_from_s - 1e-6
    }
    assert before == pytest.approx(sorted(first_of_a_second.values()), abs=2e-3)
    after = np.diff([look.t_s for look in looks if look.t_s > dense_from_s])
    assert after.max() < 0.3
    assert read.frames_read < 0.6 * LASTS_S * FPS


@pytest.mark.parametrize("why", ["known less well", "short", "key frames far apart", "not asked for"])
def test_otherwise_all_looks_are_taken(long_clip, tmp_path, monkeypatch, why):
    path, how = long_clip, sparing()
    if why == "known less well":
        how = sparing(0.02)
    elif why == "short":
        monkeypatch.setattr("horizon.looking.LONG_S", 20.0)
    elif why == "key frames far apart":
        path = numbered(tmp_path / "b.mp4", key_every=28, **X264)
    else:
        how = None
    facts = probe(path)
    looks, _, read = look_through(facts, np.inf, seen, None, None, how)
    assert (read.frames_read, read.notes) == (LASTS_S * FPS, ())
    assert looks == look_through(facts, np.inf, seen, None, None)[0]


def test_a_long_clip_that_ends_early_is_said_to(long_clip, tmp_path):
    cut = tmp_path / "cut.ts"
    numbered(cut, key_every=7, **X264)
    facts = replace(probe(cut), duration_s=LASTS_S + 3.0)
    _, _, read = look_through(facts, np.inf, seen, None, None, sparing())
    assert "16.0 s of declared 19.0 s" in read.damage


# --- single frames ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("make", ["mp4", "matroska", "transport stream", "open groups", "mpeg 4"])
def test_frames_are_found_wherever_they_stand(tmp_path, make):
    ending, options = MAKES[make]
    facts = probe(numbered(tmp_path / f"a{ending}", **options))
    numbers = [0, 1, 13, 14, 50, 52, 53, 90, 91, 120, 159]
    found = list(frames_at(facts, [(k, k / FPS) for k in numbers]))
    assert [one.index for one in found] == numbers
    assert [shown(one.luma()) for one in found] == numbers
    assert [one.until_s for one in found[:-1]] == [one.t_s for one in found[1:]]
    assert found[-1].until_s >= found[-1].t_s


@pytest.mark.parametrize("encoder", ["libx264", "libx265"])
def test_a_recording_that_was_cut_begins_with_what_it_shows_first(tmp_path, encoder):
    if encoder not in av.codecs_available:
        pytest.skip("this av cannot write it")
    options = {
        "libx264": {"x264-params": "open-gop=1:b-adapt=0"},
        "libx265": {"x265-params": "log-level=none:open-gop=1:b-adapt=0:bframes=3"},
    }
    whole = numbered(tmp_path / "a.ts", encoder=encoder, bf="2", **options[encoder])
    cut = tmp_path / "b.ts"
    with av.open(str(whole)) as source, av.open(str(cut), "w") as file:
        stream = file.add_stream_from_template(source.streams.video[0])
        keys = 0
        for packet in source.demux(video=0):
            keys += packet.is_keyframe
            if keys > 1 and packet.dts is not None:
                packet.stream = stream
                file.mux(packet)
    frames = [frame for frame in read_frames(cut) if not frame.fault]
    asked = [(frame.index, frame.t_s) for frame in frames[::9]]
    found = [shown(one.luma()) for one in frames_at(probe(cut), asked)]
    assert found == [shown(frame.luma) for frame in frames[::9]]
    assert len(found) > 5


def test_a_frame_that_is_not_there_is_left_out(tmp_path):
    facts = probe(numbered(tmp_path / "a.mp4", **X264))
    found = list(frames_at(facts, [(3, 0.3), (4, 0.35), (5, 0.5), (400, 40.0)]))
    assert [shown(one.luma()) for one in found] == [3, 5]
    assert list(frames_at(facts, [])) == []
