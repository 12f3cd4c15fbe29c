"""``result.json``: every key of the contract, plain numbers, null where unknown, and what was assumed."""

import dataclasses
import json

import numpy as np
import pytest

from attitude.assumptions import assumptions_of
from attitude.infer import infer_without_log
from attitude.plans import hover
from attitude.result import build_result
from attitude.sheet import Camera, Surface
from attitude.verdict import judge
from tests.rates import world
from tests.test_selfcheck import checked

TOP = [
    "format", "version", "title", "rig", "calibration", "date", "frames", "references", "clock",
    "picture_lean_deg", "known_lean_deg", "lean_deg", "out_of_tolerance", "pitch_offset_deg", "verdict",
    "causes", "sensor_offset_mg", "mounting_deg", "skyline_tilt_deg", "turns", "warm_up_deg", "undetermined",
    "after_recalibration_deg", "assumptions", "self_check",
]  # fmt: skip
INTERVAL = {"value", "sd", "low", "high"}
CAUSES = {
    "sensor_offset", "mounting", "turns", "warm_up", "ground_not_level", "not_held", "gyro_bias", "none",
}  # fmt: skip
ACTIONS = {
    "leave", "recalibrate", "square_up", "gentler_turns", "wait_before_filming", "balance_or_tune", "open",
}  # fmt: skip


def result_of(one, causes, found):
    verdict = judge(causes, one.shoot)
    given = assumptions_of(one.shoot, one.logs, one.tracks, one.clocks, found, causes)
    result = build_result(one.shoot, one.tracks, one.clocks, found, causes, verdict, given)
    return json.loads(json.dumps(result, allow_nan=False)), result


@pytest.fixture(scope="module")
def careless():
    return world(31, offset_deg=0.9)


@pytest.fixture(scope="module")
def full(careless):
    return result_of(careless, careless.infer(), careless.residuals())[0]


def test_self_check_is_null_where_it_was_not_done_and_plain_where_it_was(careless, full):
    keys = ["turned", "refused", "scale", "scale_sd", "bias_deg", "bias_sd_deg", "worst_deg", "defects"]
    assert full["self_check"] == dict.fromkeys(keys)
    causes, verdict = careless.infer(), judge(careless.infer(), careless.shoot)
    one = checked(np.random.default_rng(4))
    raw = build_result(
        careless.shoot, careless.tracks, careless.clocks, careless.residuals(), causes, verdict, (), one
    )["self_check"]
    assert list(raw) == keys
    assert plain(raw)
    assert raw["turned"] == 24
    assert raw["defects"] == []
    assert raw["refused"] == 0
    assert raw["scale"] == pytest.approx(1.0, abs=5 * raw["scale_sd"])
    assert 0 < raw["bias_sd_deg"] < 0.1


def plain(value):
    """Whether a value is made of what JSON knows, numpy's own numbers not among them."""
    if isinstance(value, dict):
        return all(type(key) is str and plain(inner) for key, inner in value.items())
    if isinstance(value, list):
        return all(plain(inner) for inner in value)
    return value is None or type(value) in (str, int, float, bool)


def test_keys_of_the_contract(full):
    assert list(full) == TOP
    assert full["format"] == "horizon-drift result"
    assert full["version"] == 1
    assert set(full["frames"]) == {"read", "measured", "not_measured"}
    assert [set(clock) for clock in full["clock"]] == [{"clip", "offset_s", "sd_s", "how"}] * 4
    for key in ("picture_lean_deg", "known_lean_deg", "lean_deg", "pitch_offset_deg"):
        assert set(full[key]) == INTERVAL
        assert full[key]["low"] < full[key]["value"] < full[key]["high"]
    assert set(full["out_of_tolerance"]) == {"seconds", "share", "worst_5s_deg"}
    assert list(full["verdict"]) == [
        "action", "p_within_tolerance", "tolerance_deg", "headline", "reasons", "next_shot",
    ]  # fmt: skip
    assert full["verdict"]["action"] in ACTIONS
    for key, members in (
        ("sensor_offset_mg", {"sideways", "vertical", "along_lens"}),
        ("mounting_deg", {"roll", "pitch", "yaw"}),
        ("skyline_tilt_deg", {"north", "east"}),
    ):
        assert set(full[key]) == members
        assert all(set(one) == INTERVAL | {"determined"} for one in full[key].values())
    assert set(full["after_recalibration_deg"]) == {"value", "sd"}
    assert all(set(one) == {"what", "value", "basis"} for one in full["assumptions"])
    assert {one["basis"] for one in full["assumptions"]} <= {"told", "tested", "assumed"}


def test_causes_are_named_as_agreed_and_sum_to_one(full):
    assert {one["name"] for one in full["causes"]} <= CAUSES
    assert sum(one["probability"] for one in full["causes"]) == pytest.approx(1.0)
    assert full["causes"][0]["name"] == "sensor_offset"
    assert full["turns"]["value"] is None
    assert full["warm_up_deg"]["time_constant_s"] is None


def test_numbers_are_plain(careless):
    assert plain(result_of(careless, careless.infer(), careless.residuals())[1])


def test_without_a_log_what_is_unknown_is_null(careless):
    bare = dataclasses.replace(
        careless, clocks=(), logs=(), shoot=dataclasses.replace(careless.shoot, logs=())
    )
    result, raw = result_of(bare, infer_without_log(bare.tracks, bare.shoot), None)
    assert list(result) == TOP
    assert plain(raw)
    assert result["lean_deg"] == {"value": None, "sd": None, "low": None, "high": None}
    assert result["known_lean_deg"]["value"] is None
    assert result["sensor_offset_mg"]["sideways"]["value"] is None
    assert result["sensor_offset_mg"]["sideways"]["determined"] is False
    assert result["causes"] == []
    assert result["undetermined"] == []
    assert result["clock"] == []
    assert result["picture_lean_deg"]["value"] is not None
    assert result["verdict"]["action"] in ("leave", "open")


def test_sum_that_cannot_be_split(careless):
    one = world(32, plan=hover(15.0), offset_deg=0.9)
    result, _ = result_of(one, one.infer(), one.residuals())
    roll = result["undetermined"][0]
    assert set(roll) == {"combination", "value_deg", "sd_deg", "members", "ranges", "film"}
    assert roll["members"] == ["sensor_offset.sideways", "mounting.roll"]
    assert [part["member"] for part in roll["combination"]] == roll["members"]
    assert roll["film"] == "upside_down"
    assert [one["member"] for one in roll["ranges"]] == roll["members"]
    for one in roll["ranges"]:
        assert one["low_deg"] < 0 < roll["value_deg"] < one["high_deg"]  # all of it in either, and beyond
    # Never a number for a member that is not determined: its range is all that is said.
    for one in (result["sensor_offset_mg"]["sideways"], result["mounting_deg"]["roll"]):
        assert one["determined"] is False
        assert one["value"] is None
        assert one["sd"] is None
        assert one["low"] < 0 < one["high"]
    assert result["after_recalibration_deg"]["value"] is None


def test_no_unknown_has_a_value_without_being_determined(full):
    """In any part of the result, however deep."""

    def members(value):
        if isinstance(value, dict):
            yield from [value] if "determined" in value else []
            for inner in value.values():
                yield from members(inner)

    found = list(members(full))
    assert {one["determined"] for one in found} == {True, False}
    for one in found:
        assert (one["value"] is not None) == (one["sd"] is not None) == one["determined"]


def test_clock_that_was_not_needed_is_null(careless):
    clocks = (dataclasses.replace(careless.clocks[0], sd_s=None, how="not needed and not known"),)
    one = dataclasses.replace(careless, clocks=clocks, tracks=careless.tracks[:1])
    clock = result_of(one, one.infer(), one.residuals())[0]["clock"][0]
    assert clock == {
        "clip": "0_hover.mp4", "offset_s": None, "sd_s": None, "how": "not needed and not known",
    }  # fmt: skip


def test_frames_are_counted_with_their_reasons(careless):
    track = careless.tracks[0].track.copy()
    track.loc[:4, ["roll_deg", "pitch_deg"]] = np.nan
    track.loc[:4, "reason"] = "sky fills frame"
    first = type(careless.tracks[0])(**{**vars(careless.tracks[0]), "track": track})
    one = dataclasses.replace(careless, tracks=(first, *careless.tracks[1:]))
    frames = result_of(one, one.infer(), one.residuals())[0]["frames"]
    assert frames["not_measured"] == {"sky fills frame": 5}
    assert frames["read"] == frames["measured"] + 5


def told(result, what):
    return {one["what"]: one for one in result["assumptions"]}[what]


def test_what_the_sheet_does_not_say_is_assumed(careless):
    shoot = dataclasses.replace(careless.shoot, camera=Camera(), horizon=Surface(), given=frozenset())
    one = dataclasses.replace(careless, shoot=shoot)
    result, _ = result_of(one, one.infer(), one.residuals())
    assert told(result, "Field of view") == {
        "what": "Field of view", "value": "75 ± 20 deg across the picture", "basis": "assumed",
    }  # fmt: skip
    assert told(result, "Skyline")["basis"] == "assumed"
    assert told(result, "Height above the surface")["basis"] == "assumed"
    assert told(result, "The log belongs to the picture")["basis"] == "tested"


def test_what_the_sheet_says_is_told(careless):
    given = frozenset({"camera", "camera.hfov_deg", "horizon.surface", "tolerance_deg", "log[1].attitude_of"})
    one = dataclasses.replace(careless, shoot=dataclasses.replace(careless.shoot, given=given, trim_deg=0.2))
    result, _ = result_of(one, one.infer(), one.residuals())
    assert told(result, "Field of view")["value"] == "hfov_deg = 70.0"
    for what in (
        "Field of view",
        "Skyline",
        "Largest acceptable lean",
        "log.csv is the attitude of",
        "Horizon trim",
    ):
        assert told(result, what)["basis"] == "told"
    assert told(result, "Clock of 0_hover.mp4")["basis"] == "told"
