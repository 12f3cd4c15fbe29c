"""Videos of every make, and damaged ones: the horizon that was drawn, or what is wrong in one line."""

import av
import numpy as np
import pytest

from horizon.clip import ClipError, damage, probe, read_frames, read_shown
from horizon.lens import lens_from_hfov
from horizon.measure import measure_clip
from tests.bench.fuzz_videos import FPS, FRAMES, SIZE, sea, write_video

ROLL_DEG = 3.0  # as drawn
# x264's names of the transfers of ITU-R BT.2100: perceptual quantiser and hybrid log-gamma.
HDR = "colorprim=bt2020:colormatrix=bt2020nc:transfer={}"


@pytest.fixture(scope="module")
def pictures():
    return sea()


def measured(path):
    facts = probe(path)
    track = measure_clip(facts, lens_from_hfov(facts.width_px, facts.height_px, 65))
    return track, track.track["roll_deg"].to_numpy(float)


def option(**options):
    """The encoder's own options."""

    def told(stream):
        stream.options = options

    return told


MAKES = {
    "mov, 10 bit": (".mov", {"pixels": "yuv420p10le"}),
    "4:2:2, 10 bit, HDR by PQ": (
        ".mp4",
        {
            "pixels": "yuv422p10le",
            "also": option(**{"preset": "ultrafast", "x264-params": HDR.format("smpte2084")}),
        },
    ),
    "10 bit, HDR by HLG": (
        ".mp4",
        {
            "pixels": "yuv420p10le",
            "also": option(**{"preset": "ultrafast", "x264-params": HDR.format("arib-std-b67")}),
        },
    ),
    "transport stream": (".ts", {}),
    "matroska, hevc": (".mkv", {"encoder": "libx265"}),
    "hevc, 10 bit": (".mp4", {"encoder": "libx265", "pixels": "yuv420p10le"}),
    "webm, vp9": (".webm", {"encoder": "libvpx-vp9"}),
    "av1": (".mp4", {"encoder": "libsvtav1"}),
    "full range": (".mp4", {"pixels": "yuvj420p"}),
    "grey": (".mp4", {"pixels": "gray"}),
}


@pytest.mark.parametrize("make", MAKES)
def test_videos_of_every_make_show_the_drawn_horizon(pictures, tmp_path, make):
    ending, how = MAKES[make]
    if how.get("encoder", "libx264") not in av.codecs_available:
        pytest.skip(f"this av cannot write {how['encoder']}")
    path = tmp_path / f"a{ending}"
    write_video(path, pictures, **how)
    track, roll_deg = measured(path)
    assert track.damage == ""
    assert track.frames_read == FRAMES
    assert roll_deg == pytest.approx(ROLL_DEG, abs=0.2)  # a quarter of a pixel across half the picture
    assert track.track["t_s"].to_numpy() == pytest.approx(np.arange(FRAMES) / FPS, abs=1e-3)


def test_odd_sizes_are_measured_as_they_are(tmp_path):
    """4:4:4 allows odd sizes; a last row or column is not lost."""
    even = sea((162, 92), frames=3)
    path = tmp_path / "odd.mp4"
    with av.open(str(path), "w") as file:
        stream = file.add_stream("libx264", rate=FPS)
        stream.width, stream.height, stream.pix_fmt = 161, 91, "yuv444p"
        for image in even:
            luma = np.ascontiguousarray(image[:91, :161])
            grey = np.full_like(luma, 128)
            frame = av.VideoFrame.from_ndarray(np.stack([luma, grey, grey]), format="yuv444p")
            file.mux(stream.encode(frame))
        file.mux(stream.encode())
    facts = probe(path)
    assert (facts.width_px, facts.height_px) == (161, 91)
    assert next(read_frames(path)).luma.shape == (91, 161)
    _, roll_deg = measured(path)
    assert roll_deg == pytest.approx(ROLL_DEG, abs=0.2)


def test_a_variable_frame_rate_keeps_its_times(pictures, tmp_path):
    at_ms = [0, 33, 66, 100, 400, 1900, 1933, 1966, 2400, 3300, 3333, 3400]
    write_video(tmp_path / "a.mkv", pictures, pts=at_ms)
    track, roll_deg = measured(tmp_path / "a.mkv")
    assert track.damage == ""
    assert set(track.track["t_s"].round(3)) <= {t / 1000 for t in at_ms}
    assert {0.4, 1.9, 2.4, 3.3} <= set(track.track["t_s"].round(3))
    assert roll_deg == pytest.approx(ROLL_DEG, abs=0.2)


def test_interlaced_video_is_measured_and_said(pictures, tmp_path):
    fields = option(flags="+ilme+ildct", b="4000000")
    write_video(tmp_path / "a.ts", pictures, encoder="mpeg2video", fps=25, also=fields)
    track, roll_deg = measured(tmp_path / "a.ts")
    assert track.facts.interlaced
    assert any("a.ts: interlaced" in note and "film progressive" in note for note in track.notes)
    assert roll_deg == pytest.approx(ROLL_DEG, abs=0.2)
    write_video(tmp_path / "b.ts", pictures)
    assert measured(tmp_path / "b.ts")[0].notes == ()


# --- times that cannot be ---------------------------------------------------------------------------------


def reached(path, facts):
    """Frames fit to be measured, and the sentence on damage."""
    frames = list(read_frames(path))
    good = [frame for frame in frames if not frame.fault]
    faults = {
        fault: sum(frame.fault == fault for frame in frames) for fault in {f.fault for f in frames} - {""}
    }
    return good, damage(facts, len(good), good[-1].t_s, faults)


def stamped(tmp_path, pictures, stamps_s, ending=".nut"):
    """A video whose packets carry these times, whatever they are."""
    plain = tmp_path / "plain.mp4"
    write_video(plain, pictures, also=option(preset="ultrafast", bf="0", g="1"))
    path = tmp_path / f"stamped{ending}"
    with av.open(str(plain)) as source, av.open(str(path), "w", options={"fflags": "+bitexact"}) as target:
        stream = target.add_stream_from_template(source.streams.video[0])
        packets = [packet for packet in source.demux(video=0) if packet.size]
        order = sorted(range(len(packets)), key=lambda k: stamps_s[k])
        assert order == list(range(len(packets))), "a muxer wants rising times"
        for packet, stamp_s in zip(packets, stamps_s, strict=True):
            packet.pts = packet.dts = round(stamp_s / packet.time_base)
            packet.stream = stream
            target.mux(packet)
    return path


def test_times_beyond_a_minute_s_jump_are_not_believed(pictures, tmp_path):
    stamps_s = [0.1 * k for k in range(11)] + [90000.0]
    path = stamped(tmp_path, pictures, stamps_s, ".mkv")
    good, said = reached(path, probe(path))
    assert [frame.t_s for frame in good] == pytest.approx(stamps_s[:-1], abs=2e-3)
    assert "left out 1 frame of a time that jumps" in said
    # Nor does a video of it hold a picture for a day.
    assert max(shown.until_s for shown in read_shown(probe(path))) < 2


def test_a_pause_of_some_seconds_is_believed_where_it_goes_on(pictures, tmp_path):
    stamps_s = [0.1 * k for k in range(6)] + [9.0 + 0.1 * k for k in range(6)]
    path = stamped(tmp_path, pictures, stamps_s, ".mkv")
    good, said = reached(path, probe(path))
    assert [frame.t_s for frame in good] == pytest.approx(stamps_s, abs=2e-3)
    assert said == ""


def test_a_stream_that_starts_anew_is_read_to_there_and_said(pictures, tmp_path):
    """Two transport streams joined byte by byte, as people do: the second one's times begin again."""
    write_video(tmp_path / "a.ts", pictures)
    joined = tmp_path / "joined.ts"
    joined.write_bytes((tmp_path / "a.ts").read_bytes() * 2)
    track, _ = measured(joined)
    assert track.frames_read == FRAMES
    assert f"left out {FRAMES} frames of a time that does not rise" in track.damage


def test_frames_of_another_size_are_left_out(tmp_path):
    """Two streams of different sizes joined: the lens is that of the first."""
    write_video(tmp_path / "a.ts", sea((160, 90), frames=6))
    write_video(tmp_path / "b.ts", sea((192, 108), frames=6))
    joined = tmp_path / "joined.ts"
    joined.write_bytes((tmp_path / "a.ts").read_bytes() + (tmp_path / "b.ts").read_bytes())
    track, roll_deg = measured(joined)
    assert track.frames_read == 6
    assert "of another size" in track.damage
    assert roll_deg == pytest.approx(ROLL_DEG, abs=0.2)


# --- damage -----------------------------------------------------------------------------------------------


def test_flipped_bytes_in_the_pictures_are_left_out_and_said(pictures, tmp_path):
    path = tmp_path / "a.ts"
    write_video(path, pictures)
    data = bytearray(path.read_bytes())
    rng = np.random.default_rng(2)
    for place in rng.integers(len(data) // 3, len(data) * 2 // 3, 60):
        data[place] = rng.integers(256)
    path.write_bytes(data)
    track, roll_deg = measured(path)
    assert "damaged" in track.damage or "an error ended it" in track.damage
    assert len(roll_deg) == track.frames_read < FRAMES
    kept_deg = roll_deg[np.isfinite(roll_deg)]
    assert kept_deg == pytest.approx(ROLL_DEG, abs=0.3)


def test_an_error_at_an_unknown_length_is_said(tmp_path):
    assert "where an error ended it" in damage(probe_of(tmp_path), 4, 0.3, {"stopped": 1}), (
        "without a declared end nothing else tells of it"
    )


def probe_of(tmp_path):
    path = tmp_path / "raw.h264"
    write_video(path, sea(frames=4), container="h264")
    facts = probe(path)
    assert facts.duration_s == 0.0
    return facts


def test_a_codec_that_nothing_decodes_is_one_line(pictures, tmp_path):
    path = tmp_path / "a.mp4"
    write_video(path, pictures)
    # The four letters that name the codec in the sample table (ISO/IEC 14496-12).
    path.write_bytes(path.read_bytes().replace(b"avc1", b"zzz9"))
    with pytest.raises(ClipError, match=r"a\.mp4: this installation cannot decode its video; copy it again"):
        probe(path)


def test_a_picture_too_small_to_be_one_is_one_line(tmp_path):
    path = tmp_path / "dot.mp4"
    write_video(path, [np.full((12, 8), 90, np.uint8)] * 3)
    with pytest.raises(ClipError, match=r"dot\.mp4: its picture is 8 x 8 px"):
        probe(path)
    assert SIZE[1] > 16
