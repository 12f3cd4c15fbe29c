"""The readout from sheet and command line to the measuring, and what is said of it."""

from dataclasses import replace
from pathlib import Path
from unittest import mock

import numpy as np
import pytest

from attitude.assumptions import assumptions_of
from attitude.infer import infer_without_log
from attitude.optics import readout_s_of
from attitude.sheet import Camera, ClipSheet, SheetError, Shoot, read_sheet
from horizon.clip import ClipError, ClipFacts
from horizon.coded import with_colour_planes, write_clip
from tests.commands import run_here

FACTS = ClipFacts(Path("a.mp4"), 1920, 1080, 10.0, 25.0, 0, "h264", None)
CLIP = ClipSheet(files=(Path("a.mp4"),))


@pytest.fixture
def grey(tmp_path):
    """A folder with a clip of 25 frames a second that shows nothing."""
    picture = with_colour_planes(np.full((120, 160), 120, np.uint8))
    write_clip(tmp_path / "a.mp4", [picture] * 10, 25)
    return tmp_path


@pytest.mark.parametrize(
    ("readout_ms", "sheet", "readout_s"),
    [
        (None, {}, None),
        (16.0, {}, 0.016),
        (0.0, {}, 0.0),
        # Four times slower: so is the readout, in the clip's time.
        (8.0, {"time_scale": 0.25}, 0.032),
        # Pixels that the camera turned over are stored last row first; a quarter turn makes rows columns.
        (16.0, {"picture_turned_deg": 180}, -0.016),
        (16.0, {"picture_turned_deg": 90}, None),
    ],
)
def test_readout_in_the_clips_own_time(readout_ms, sheet, readout_s):
    found = readout_s_of(FACTS, Camera(readout_ms=readout_ms), replace(CLIP, **sheet))
    assert found == (None if readout_s is None else pytest.approx(readout_s))


@pytest.mark.parametrize("readout_ms", [43.0, float("nan")])
def test_a_readout_longer_than_a_frame_is_refused(readout_ms):
    with pytest.raises(SheetError, match=r"^a\.mp4: readout_ms is \S+, but a frame lasts 40 ms; state"):
        readout_s_of(FACTS, Camera(readout_ms=readout_ms), CLIP)
    assert readout_s_of(replace(FACTS, fps=0.0), Camera(readout_ms=43.0), CLIP) == 0.043


def test_check_and_measure_hand_it_on_alike(grey):
    (grey / "shoot.toml").write_text(
        '[camera]\nreadout_ms = 16\n[[clip]]\nfile = "a.mp4"\n', encoding="utf-8"
    )
    stop = ClipError("a.mp4: stopped here; try again")
    for place, words in (
        ("attitude.check.track_of", ("check", grey)),
        ("horizon.measure.measure_clip", ("measure", grey / "a.mp4", "--readout-ms", 16)),
    ):
        with mock.patch(place, side_effect=stop) as measure:
            assert run_here(*words).returncode == 2
        assert measure.call_args.kwargs["readout_s"] == pytest.approx(0.016)
    assert read_sheet(grey).notes == ()


def test_an_impossible_readout_is_one_line_before_anything_is_measured(grey):
    (grey / "shoot.toml").write_text(
        '[camera]\nreadout_ms = 50\n[[clip]]\nfile = "a.mp4"\n', encoding="utf-8"
    )
    with mock.patch("attitude.check.look_at_clip") as measure:
        for words in (("check", grey), ("measure", grey / "a.mp4", "--readout-ms", 50)):
            done = run_here(*words)
            assert done.returncode == 2
            assert len(done.stderr.strip().splitlines()) == 1
            assert "a.mp4: readout_ms is 50, but a frame lasts 40 ms; state the time from" in done.stderr
    assert not measure.called
    assert not (grey / "result").exists()


@pytest.mark.parametrize(
    ("readout_ms", "value", "basis"), [(16.0, "16 ms from", "told"), (None, "8 to 33 ms from", "assumed")]
)
def test_what_was_taken_for_the_readout_is_said(readout_ms, value, basis):
    given = frozenset({"camera", "camera.readout_ms"} if readout_ms else {})
    camera = Camera(readout_ms=readout_ms)
    shoot = Shoot(folder=Path(), path=Path(), title="a", clips=(CLIP,), camera=camera, given=given)
    said = assumptions_of(shoot, (), (), (), None, infer_without_log((), shoot))
    one = next(one for one in said if one.what == "Rows of the picture are read one after another")
    assert one.value.startswith(value)
    assert one.basis == basis
