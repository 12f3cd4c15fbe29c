"""The harness of whole shoots: when a shoot is right, open, wrong, noticed, missed; and one through it."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from attitude.sheet import read_sheet
from tests.bench import shoots
from tests.bench.shoots import SPOILT, Outcome, line, one, scene_of, totals, written_log

LEAN = {"value": 0.9, "low": 0.8, "high": 1.0}
RIGHT = Outcome("sensor_offset", 0, 0.9, "recalibrate", "sensor_offset", 0.99, LEAN, 0.95, "why")
SEEN = Outcome("joint_angles", 0, 0.9, "open", "", 0.0, {"value": None}, 0.95, "another body, joint angles")


@pytest.mark.parametrize(
    ("found", "standing"),
    [
        (RIGHT, "right"),
        (replace(RIGHT, action="square_up"), "wrong"),
        (replace(RIGHT, action="leave"), "wrong"),
        (replace(RIGHT, action="open"), "open"),
        (replace(RIGHT, action="refused"), "open"),
        (SEEN, "noticed"),
        (replace(SEEN, reasons="the lean is open"), "missed"),
        (replace(SEEN, action="recalibrate"), "missed"),
        (replace(SEEN, cause="mounting", probability=0.95), "missed"),
        (replace(SEEN, cause="mounting", probability=0.5), "noticed"),
    ],
)
def test_standing(found, standing):
    assert found.standing == standing
    assert f": {standing}: {found.action};" in line(found)


def test_totals_count_faults_and_spoilt_ones_apart():
    far = replace(RIGHT, truth_deg=1.2, cause="mounting")
    found = [RIGHT, far, replace(RIGHT, action="open", probability=0.6), SEEN, replace(SEEN, reasons="")]
    assert totals(found) == [
        "action: right 2, wrong 0, open 1 of 3",
        "cause: right 1, wrong 1, open 1 of 3",
        "lean inside its interval: 2 of 3",
        "spoilt shoots noticed: 1 of 2",
    ]


def test_land_leans_to_one_side_by_the_size_of_the_fault():
    scene = scene_of("plain", 1.2, np.random.default_rng(3))
    height_deg = np.degrees(scene.skyline)
    assert np.ptp(height_deg) == pytest.approx(2.4, abs=0.01)
    assert height_deg.mean() == pytest.approx(0.0, abs=1e-4)
    assert not scene_of("sea", 1.2, np.random.default_rng(3)).skyline.any()


def test_joint_angles_undo_the_body_and_another_body_is_no_camera():
    n = 4000
    log = pd.DataFrame({"t_s": np.arange(n) / 50.0, "roll_deg": 0.0, "pitch_deg": 0.0, "yaw_deg": 30.0})
    body = written_log("another_body", log, np.random.default_rng(1))
    joint = written_log("joint_angles", log, np.random.default_rng(1))
    assert body["roll_deg"].std() == pytest.approx(6.0, abs=0.01)
    # A level camera: the first-order joint angle is minus the body's.
    assert np.abs(joint["roll_deg"] + body["roll_deg"]).max() < 1.0
    assert written_log("none", log, np.random.default_rng(1))["roll_deg"].eq(0.0).all()


@pytest.mark.parametrize(
    "name",
    [
        "mounting",
        "joint_angles",
        *(
            pytest.param(one, marks=pytest.mark.long)
            for one in ("turns", "warm_up", "ground_not_level", "none")
        ),
    ],
)
def test_every_shoot_is_one_that_can_be_read(name, tmp_path, monkeypatch):
    monkeypatch.setattr(shoots, "FPS", 0.1)  # what the sheet and the log say does not depend on the pictures
    monkeypatch.setattr(shoots, "WAIT", shoots.WALK)
    size_deg, lean_deg = shoots.make_shoot(name, 0, tmp_path)
    assert 0.6 <= abs(size_deg) <= 1.5 or name == "none"
    shoot = read_sheet(tmp_path)
    assert len(shoot.clips) == (2 if name == "warm_up" else 1)
    assert {clip.shot for clip in shoot.clips} == {"ordinary"}
    assert (shoot.logs[0].velocity_mps is not None) == (name == "turns")
    leans = name in ("sensor_offset", "mounting", *SPOILT)
    assert abs(lean_deg - size_deg * leans) < 0.4  # the healthy rest


@pytest.mark.long
def test_one_shoot_goes_all_the_way():
    found = one("sensor_offset", 0)
    assert found.standing == "right"
    assert found.covered
