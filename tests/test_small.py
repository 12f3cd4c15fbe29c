"""Small pictures made on the way show what the clip itself shows, read once more from its beginning."""

from io import BytesIO

import cv2
import numpy as np
import pytest

from horizon.clip import probe, read_shown
from horizon.looking import look_through
from horizon.small import Sizing, SmallPictures
from tests.test_looking import LASTS_S, X264, numbered, seen, shown

PER_S = 7.0


def pictures_of(path, longest_px=96):
    pictures = SmallPictures(Sizing(PER_S, longest_px), BytesIO())
    facts = probe(path)
    looks, _, _ = look_through(facts, np.inf, seen, None, None, pictures=pictures)
    return facts, looks, pictures


def shown_at(pictures, times_s):
    """Numbers of the frames that are shown at these times."""
    spans = [(one.t_s, one.until_s, one.index) for one in pictures]
    return [next(index for begin, end, index in spans if begin <= t_s + 1e-4 < end) for t_s in times_s]


def uneven():
    rng = np.random.default_rng(5)
    return np.sort(rng.choice(np.arange(0, round(LASTS_S * 1000), 11), 160, replace=False))


@pytest.mark.parametrize("pts_ms", [None, uneven()], ids=["even", "uneven"])
def test_at_every_time_the_frame_is_that_which_a_player_shows(tmp_path, pts_ms):
    facts, looks, pictures = pictures_of(numbered(tmp_path / "a.mp4", pts_ms=pts_ms, **X264))
    assert pictures.whole
    wanted_s = np.arange(0, facts.duration_s - 0.2, 1 / PER_S)
    assert shown_at(pictures, wanted_s) == shown_at(read_shown(facts), wanted_s)
    # What was looked at is among them, whether it is due or not, and they are what they are numbered.
    assert {look.frame for look in looks} <= {one.index for one in pictures}
    for one in pictures:
        assert shown(cv2.cvtColor(one.colour(), cv2.COLOR_BGR2GRAY)) == one.index


def test_they_are_as_large_as_wanted_and_scaled_from_there(tmp_path):
    facts, _, pictures = pictures_of(numbered(tmp_path / "a.mp4", **X264), longest_px=48)
    one, whole = next(iter(pictures)), next(iter(read_shown(facts)))
    assert one.colour().shape == (32, 48, 3)
    assert np.abs(one.colour().astype(float) - whole.colour(48, 32)).mean() < 3.0
    assert one.colour(24, 16).shape == (16, 24, 3)


def test_a_clip_that_is_read_in_one_leaves_none(tmp_path):
    path = numbered(tmp_path / "a.mp4", key_every=1000, **X264)
    _, looks, pictures = pictures_of(path)
    assert looks
    assert not pictures.whole
    assert not list(pictures)


class Full(BytesIO):
    """A file on a full disk."""

    def write(self, data):
        raise OSError(28, "No space left on device")


def test_a_full_disk_costs_time_only(tmp_path):
    pictures = SmallPictures(Sizing(PER_S, 96), Full())
    facts = probe(numbered(tmp_path / "a.mp4", **X264))
    looks, _, read = look_through(facts, np.inf, seen, None, None, pictures=pictures)
    assert (len(looks) > 90, read.damage, pictures.whole) == (True, "", False)
