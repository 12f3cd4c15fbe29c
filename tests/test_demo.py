"""The main job end to end on the demo shoots: each truth is named, within the interval that is stated."""

import tomllib
from pathlib import Path

import pytest

from attitude.check import check

DEMO = Path(__file__).parents[1] / "demo_clips"


@pytest.mark.parametrize(
    "name", ["1_after_careless_calibration", "2_after_careful_calibration", "3_camera_out_of_square"]
)
def test_demo_shoot_names_its_truth(name, tmp_path):
    truth = tomllib.loads((DEMO / name / "truth.toml").read_text(encoding="utf-8"))
    material, folder = check(DEMO / name, tmp_path / "result")
    result = material.result
    assert result["verdict"]["action"] == truth["action"]
    lean, offset = result["lean_deg"], result["sensor_offset_mg"]["sideways"]
    assert lean["low"] <= truth["lean_deg"] <= lean["high"]
    assert abs(lean["value"] - truth["lean_deg"]) <= 0.05
    assert (lean["high"] - lean["low"]) / 2 <= 0.15
    assert offset["low"] <= truth["sideways_offset_mg"] <= offset["high"]
    assert abs(offset["value"] - truth["sideways_offset_mg"]) <= 2.0
    assert (offset["high"] - offset["low"]) / 2 <= 3.0
    assert offset["determined"]
    mounting = result["mounting_deg"]["roll"]
    assert mounting["low"] <= truth["mounting_roll_deg"] <= mounting["high"]
    for clock in result["clock"]:
        assert clock["how"] in ("given", "motion")
    page = (folder / "report.html").read_text(encoding="utf-8")
    assert "<script src" not in page
    assert "http://" not in page
    assert "https://" not in page


def test_demo_is_small():
    assert sum(path.stat().st_size for path in DEMO.rglob("*") if path.is_file()) < 20e6


def test_demo_says_that_it_is_invented():
    for sheet in DEMO.glob("*/shoot.toml"):
        assert "invented" in sheet.read_text(encoding="utf-8")
