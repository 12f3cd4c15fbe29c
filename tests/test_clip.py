"""Reading and writing clips: timestamps, damage, files that are not clips."""

import wave
from fractions import Fraction
from itertools import pairwise

import av
import cv2
import numpy as np
import pytest

import horizon.clip
from horizon.clip import (
    ClipError,
    alone,
    damage,
    luma_of,
    opened,
    probe,
    read_frames,
    read_shown,
    use_threads,
)
from horizon.coded import coded, with_colour_planes, write_clip, write_coded


def grey_frames(count: int, size=(64, 48)):
    for k in range(count):
        picture = np.full((size[1], size[0]), 40 + 3 * k, np.uint8)
        picture[:, : 4 + k % 8] = 200
        yield with_colour_planes(picture)


@pytest.fixture
def clip(tmp_path):
    path = tmp_path / "clip.mp4"
    write_clip(path, grey_frames(40), 20, key_every=5)
    return path


def test_written_clip_reads_back(clip):
    facts = probe(clip)
    assert (facts.width_px, facts.height_px, facts.codec) == (64, 48, "h264")
    assert facts.duration_s == pytest.approx(2.0, abs=0.06)
    frames = list(read_frames(clip))
    assert [frame.index for frame in frames] == list(range(40))
    assert [frame.t_s for frame in frames] == pytest.approx(np.arange(40) / 20, abs=1e-4)
    assert frames[7].luma[20, 40] == pytest.approx(61, abs=4)
    assert damage(facts, 40, frames[-1].t_s) == ""


@pytest.mark.parametrize("preset", ["ultrafast", "veryfast"])
def test_stretches_coded_apart_are_one_clip(tmp_path, preset):
    path, settings = tmp_path / "clip.mp4", {"crf": 20, "preset": preset}
    images, lasting = list(grey_frames(20)), (7, 1, 10, 2)
    ends = np.cumsum([0, *lasting])
    stretches = [coded(images[a:b], 10, **settings) for a, b in pairwise(ends)]
    write_coded(path, stretches, 10, **settings)
    assert probe(path).duration_s == pytest.approx(2.0, abs=1e-3)
    frames = list(read_frames(path))
    assert [frame.t_s for frame in frames] == pytest.approx(np.arange(20) / 10, abs=1e-4)
    assert [frame.index for frame in frames if frame.is_key] == ends[:-1].tolist()
    for frame, image in zip(frames, images, strict=True):
        assert frame.fault == ""
        assert np.abs(frame.luma.astype(int) - image[:48]).mean() < 2
    # One head, of a size and settings, serves them all.
    assert len({one.head for one in stretches}) == 1
    with av.open(str(path)) as container:
        kept = bytes(container.streams.video[0].codec_context.extradata)
    # In the file the sets of parameters (ITU-T H.264, 7.3.2) are counted, not parted by start codes.
    sets = [one for one in stretches[0].head.split(b"\x00\x00\x00\x01") if one and one[0] & 31 in (7, 8)]
    assert len(sets) == 2
    assert all(one in kept for one in sets)


def test_a_stretch_of_another_size_or_quality_is_refused(tmp_path):
    settings = {"crf": 20, "preset": "ultrafast"}
    one = coded(list(grey_frames(4)), 10, **settings)
    for other in (
        coded(list(grey_frames(4, (96, 64))), 10, **settings),
        coded(list(grey_frames(4)), 10, crf=35, preset="ultrafast"),
    ):
        with pytest.raises(ValueError, match="coded otherwise"):
            write_coded(tmp_path / "clip.mp4", [one, other], 10, **settings)


def test_times_are_the_streams_own(tmp_path):
    """Frames shown for unequal times keep their times: index / rate would be wrong."""
    path, shown_ms = tmp_path / "vfr.mp4", [0, 17, 50, 150, 167, 400]
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=60)
        stream.width, stream.height, stream.pix_fmt = 64, 48, "yuv420p"
        stream.time_base = stream.codec_context.time_base = Fraction(1, 1000)
        for t_ms, image in zip(shown_ms, grey_frames(len(shown_ms)), strict=True):
            frame = av.VideoFrame.from_ndarray(image, format="yuv420p")
            frame.pts, frame.time_base = t_ms, stream.codec_context.time_base
            container.mux(stream.encode(frame))
        container.mux(stream.encode())
    assert [frame.t_s for frame in read_frames(path)] == pytest.approx(np.array(shown_ms) / 1000, abs=1e-3)


def test_truncated_clip_is_read_as_far_as_it_goes(tmp_path):
    whole = tmp_path / "whole.mp4"
    rng = np.random.default_rng(0)
    write_clip(
        whole, (with_colour_planes(rng.integers(0, 256, (96, 128)).astype(np.uint8)) for _ in range(60)), 20
    )
    cut = tmp_path / "cut.mp4"
    cut.write_bytes(whole.read_bytes()[: int(whole.stat().st_size * 0.6)])
    frames = list(read_frames(cut))
    assert 10 < len(frames) < 50
    said = damage(probe(cut), len(frames), frames[-1].t_s)
    assert said.startswith(f"decoded {len(frames)} frames to ")
    assert said.endswith(" of declared 3.0 s")


def test_rotation_flag_does_not_turn_the_pixels(clip, tmp_path):
    turned = tmp_path / "turned.mp4"
    with av.open(str(clip)) as source, av.open(str(turned), "w") as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        for packet in source.demux(source.streams.video[0]):
            if packet.dts is not None:
                packet.stream = stream
                target.mux(packet)
    assert next(read_frames(turned)).luma.shape == (48, 64)


def test_shown_frames_come_in_colour_in_any_size_and_with_the_time_they_stay(clip):
    shown = list(read_shown(probe(clip)))
    assert [one.index for one in shown] == list(range(40))
    assert [one.until_s for one in shown] == pytest.approx(np.arange(1, 41) / 20, abs=1e-4)
    assert shown[3].colour().shape == (48, 64, 3)
    assert shown[31].colour(32, 24).shape == (24, 32, 3)
    assert np.array_equal(shown[7].luma(), list(read_frames(clip))[7].luma)
    assert shown[7].colour()[20, 40] == pytest.approx([(61 - 16) * 255 / 219] * 3, abs=5)


@pytest.mark.parametrize("bgr", [(200, 120, 40), (30, 90, 200), (128, 128, 128)])
def test_colours_come_back_as_they_were_written(tmp_path, bgr):
    picture = np.zeros((96, 128, 3), np.uint8)
    picture[:] = bgr
    path = tmp_path / "colour.mp4"
    write_clip(path, [cv2.cvtColor(picture, cv2.COLOR_BGR2YUV_I420)] * 3, 10, crf=10)
    assert next(read_shown(probe(path))).colour()[40, 40] == pytest.approx(bgr, abs=5)


def test_an_installation_without_the_encoder_is_said_before_any_picture_is_asked_for(tmp_path, monkeypatch):
    monkeypatch.setattr("horizon.coded.ENCODER", "no_such_encoder")
    images = iter(grey_frames(3))
    with pytest.raises(ClipError, match=r"a\.mp4: this installation cannot write H\.264 video; install av"):
        write_clip(tmp_path / "a.mp4", images, 10)
    assert len(list(images)) == 3


def write_text(path):
    path.write_text("this is not a video")


def write_nothing(path):
    path.write_bytes(b"")


def write_sound_only(path):
    with wave.open(str(path), "wb") as sound:
        sound.setparams((1, 2, 8000, 0, "NONE", ""))
        sound.writeframes(bytes(16000))


def test_a_text_file_is_not_drawn_as_a_video(tmp_path):
    path = tmp_path / "LOG0012.TXT"
    path.write_text("time,roll\n" + "1.0,2.0\n" * 500)
    with pytest.raises(ClipError, match=r"LOG0012\.TXT: not a video"):
        probe(path)


@pytest.mark.parametrize(
    ("make", "message"),
    [
        (write_text, "bad.mp4: not a video this tool can open .*copy it again"),
        (write_nothing, "bad.mp4: not a video this tool can open"),
        (write_sound_only, "bad.mp4: holds no video stream"),
        (lambda path: None, "bad.mp4: no such clip; mend the path"),
        (lambda path: path.mkdir(), "bad.mp4: a folder, not a clip"),
    ],
    ids=["text", "empty", "sound only", "missing", "folder"],
)
def test_what_is_not_a_clip_is_said_in_one_line(tmp_path, make, message):
    path = tmp_path / "bad.mp4"
    make(path)
    with pytest.raises(ClipError, match=message) as caught:
        list(read_frames(path))
    assert "\n" not in str(caught.value)


@pytest.mark.parametrize("ending", ["mp4", "mov", "mkv"])
def test_a_clip_opened_briefly_tells_the_same(tmp_path, monkeypatch, ending):
    path = tmp_path / f"clip.{ending}"
    with av.open(str(path), "w") as file:
        # Sound first, and pictures that lean on later ones.
        sound, stream = file.add_stream("aac", rate=48000), file.add_stream("libx264", rate=25)
        stream.width, stream.height, stream.options = 320, 240, {"bf": "3", "b-adapt": "0"}
        silence = np.zeros((1, 4800), np.float32)
        for k in range(30):
            heard = av.AudioFrame.from_ndarray(silence, format="fltp", layout="mono")
            heard.sample_rate, heard.pts = 48000, 4800 * k
            file.mux(sound.encode(heard))
            image = np.full((240, 320, 3), 5 * k, np.uint8)
            file.mux(stream.encode(av.VideoFrame.from_ndarray(image, format="bgr24")))
        file.mux(sound.encode())
        file.mux(stream.encode())
    facts = probe(path)
    with opened(path, briefly=True) as container:
        first = next(iter(container.demux(container.streams.video[0])))
        (frame,) = alone(container.streams.video[0], first)
        assert (luma_of(frame) == next(iter(read_frames(path))).luma).all()
    monkeypatch.setattr(horizon.clip, "opened", lambda path, *, briefly=False: opened(path))
    assert probe(path) == facts
    assert (facts.fps, facts.width_px, facts.codec) == (25, 320, "h264")


@pytest.mark.parametrize(("codec", "type_of"), [("libx265", "SLICE"), ("libx264", "AUTO")])
def test_no_thread_waits_for_another_ones_frame_of_hevc(tmp_path, codec, type_of):
    """Damaged hevc was waited for without end."""
    with av.open(str(tmp_path / "clip.mkv"), "w") as file:
        stream = file.add_stream(
            codec, rate=10, options={"x265-params": "log-level=none"} if "5" in codec else {}
        )
        stream.width, stream.height = 160, 96
        for k in range(3):
            file.mux(
                stream.encode(av.VideoFrame.from_ndarray(np.full((96, 160, 3), 40 * k, np.uint8), "bgr24"))
            )
        file.mux(stream.encode())
    with opened(tmp_path / "clip.mkv") as container:
        use_threads(container.streams.video[0], 0)
        assert container.streams.video[0].thread_type.name == type_of
