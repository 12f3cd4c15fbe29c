"""What stages tell of how far they are: known words, shares that only grow, an end."""

import numpy as np
import pytest

from attitude.check import check
from attitude.infer import Witnesses, infer, solution_of
from attitude.outlook import lacking_shots
from attitude.plans import hover, upside_down
from attitude.progress import part, stage
from horizon.coded import write_clip
from horizon.lens import lens_from_hfov
from horizon.selfcheck import Sample, self_check
from horizon.synthetic import draw_planar, make_scene
from tests.rates import world

SIZE = (480, 270)
FPS = 5


class Listener:
    """What was told, by stage in the order of their beginnings."""

    def __init__(self):
        self.told = {}

    def __call__(self, text, share):
        self.told.setdefault(text, []).append(share)

    def is_sound(self):
        for text, shares in self.told.items():
            known = [share for share in shares if share is not None]
            assert shares[-1] == 1.0, text
            assert known == sorted(known), text
            assert all(0 <= share <= 1 for share in known), text
        return True


def test_a_stage_begins_unknown_and_ends_whole():
    heard = Listener()
    with stage(heard, "measuring") as told:
        told(0.25)
    assert heard.told == {"measuring": [None, 0.25, 1.0]}


def test_a_stage_that_fails_is_not_said_to_be_done():
    heard = Listener()
    with pytest.raises(ValueError, match="torn"), stage(heard, "measuring"):
        raise ValueError("torn")
    assert heard.told == {"measuring": [None]}


def test_parts_add_up_to_the_whole():
    heard = Listener()
    with stage(heard, "both") as whole:
        for name, begins, ends in (("first", 0.0, 0.2), ("second", 0.2, 1.0)):
            with stage(heard, name, of=part(whole, begins, ends)) as told:
                told(0.5)
    assert heard.told["first"] == heard.told["second"] == [None, 0.5, 1.0]
    assert heard.told["both"][0] is None
    assert heard.told["both"][1:] == pytest.approx([0.0, 0.1, 0.2, 0.2, 0.6, 1.0, 1.0])


def test_nobody_need_listen():
    with stage(None, "measuring") as told:
        told(0.5)


def test_inference_tells_the_share_of_filters_tried_and_of_shots_looked_at():
    one = world(3, plan=(*hover(10.0), *upside_down(10.0)), offset_deg=4.0)
    witnesses = Witnesses(one.residuals(), one.logs, one.tracks, one.clocks)
    heard = Listener()
    solution = solution_of(witnesses, one.shoot, heard)
    assert lacking_shots(infer(witnesses, one.shoot, solution), solution, witnesses, one.shoot, heard)
    assert heard.is_sound()
    first, again, outlook = heard.told.values()
    assert next(iter(heard.told)) == "working out the cause"
    assert len(set(first)) > 20
    assert len(set(again)) > 20  # a lean of more than a degree: products of errors count
    assert len(set(outlook)) > 4


LENS = lens_from_hfov(*SIZE, 65)


def pictures(count):
    """Of a sea, the camera leaning by 0.5 deg."""
    rng = np.random.default_rng(5)
    scene = make_scene("sea", rng=rng, height_m=6, visibility_km=60, noise_sd=1.2, clouds=0.3)
    for k in range(count):
        yield draw_planar(scene, LENS, roll_deg=0.5, pitch_deg=1.0, t_s=k / FPS, rng=rng)


def test_the_self_check_tells_of_every_frame():
    heard = []
    samples = (Sample("a.mp4", float(k), luma, LENS, 0.5) for k, luma in enumerate(pictures(2)))
    self_check(samples, progress=heard.append)
    assert heard == [0.5, 1.0]


def test_a_check_tells_every_stage_in_its_order(tmp_path):
    sheet = ""
    for name, seconds in (("first.mp4", 1), ("second.mp4", 3)):
        write_clip(tmp_path / name, pictures(seconds * FPS), FPS, crf=22)
        sheet += f'[[clip]]\nfile = "{name}"\n'
    (tmp_path / "shoot.toml").write_text(sheet, encoding="utf-8")
    heard = Listener()
    check(tmp_path, progress=heard)
    assert heard.is_sound()
    stages = list(heard.told)
    whole = ["reading the logs", "measuring 2 clips", "measuring first.mp4", "measuring second.mp4"]
    assert stages[:4] == whole
    assert stages[-1] == "drawing the plots and writing the page"
    assert "checking the measuring on turned frames" in stages
    # By length: the first clip is a quarter of the footage.
    assert 0.25 in heard.told["measuring 2 clips"]
    assert any(0.25 < share < 1 for share in heard.told["measuring 2 clips"][1:])
