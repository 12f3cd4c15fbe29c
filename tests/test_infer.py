"""Simulated shoots with known errors: the truth within the interval, and nothing claimed beyond the data."""

import dataclasses

import numpy as np
import pytest

from attitude.clock import ClockFit
from attitude.infer import MG_PER_DEG, PICTURE_SD_DEG, infer_without_log
from attitude.plans import Stage, hover, pan, turns, upside_down
from attitude.sheet import Camera
from attitude.simulate import Rig, SensorErrors
from attitude.unknowns import INFLATE
from attitude.verdict import judge
from horizon.angles import wrap_deg
from tests.rates import Truth, film, run, with_uncertainty, world

HOVER_PAN = (*hover(20.0), *pan(6.0, 360.0))
TURNED_BY_HAND = (*hover(10.0), *upside_down(20.0), *hover(10.0))


def within(estimate, true):
    return estimate.low <= true <= estimate.high


def named(causes):
    return {one.name: one.probability for one in causes.causes}


@pytest.fixture(scope="module")
def careless():
    return world(11, offset_deg=0.9)


@pytest.fixture(scope="module")
def found(careless):
    return careless.infer()


def test_offset_is_found_and_separated(careless, found):
    true = careless.truth
    assert within(found.lean, true.lean_deg)
    assert abs(found.lean.value - true.lean_deg) < 0.05
    assert found.lean.half_width < 0.15
    assert within(found.pitch_offset, true.pitch_offset_deg)
    sideways = found.offset_mg["sideways"]
    assert sideways.determined
    assert abs(sideways.value - true.offset_deg[0] * MG_PER_DEG) < 2.0
    assert sideways.half_width < 3.0
    assert within(found.offset_mg["along_lens"], true.offset_deg[2] * MG_PER_DEG)
    assert within(found.mounting_deg["roll"], true.mounting_deg[0])
    assert within(found.mounting_deg["pitch"], true.mounting_deg[1])
    assert not found.mounting_deg["yaw"].determined  # a level camera does not show it
    assert found.offset_shown_by == "upside_down"
    assert found.undetermined == ()
    assert within(found.after_recalibration, true.mounting_deg[0])
    assert within(found.time_constant_s, true.time_constant_s)


def test_parts_of_the_lean_add_up(found):
    parts = found.offset_lean.value + found.mounting_deg["roll"].value
    assert parts == pytest.approx(found.lean.value, abs=2e-3)  # play and products of errors aside
    assert found.known_lean.value == pytest.approx(0.0, abs=0.02)
    # The pan smears the offset's lean, so the footage leans by less than the settled camera.
    assert 0.4 < found.picture_lean.value < found.lean.value


def test_careless_calibration_is_to_be_repeated(careless, found):
    assert named(found)["sensor_offset"] > 0.9
    verdict = judge(found, careless.shoot)
    assert verdict.action == "recalibrate"
    assert verdict.p_within_tolerance < 0.05
    assert verdict.next_shot is None
    assert verdict.headline.startswith("Right side low by 0.")


def stating(one, shared_sd_deg):
    """The same footage, its frames stating another share of their line's error as common to a heading."""
    tracks = []
    for track in one.tracks:
        sd_deg = float(np.hypot(0.03, shared_sd_deg))
        table = with_uncertainty(track.track, sd_deg=sd_deg, shared_sd_deg=shared_sd_deg)
        tracks.append(type(track)(**{**vars(track), "track": table}))
    return dataclasses.replace(one, tracks=tuple(tracks)).infer()


def test_sharp_line_at_sea_changes_nothing(careless):
    none, sea = stating(careless, 0.0), stating(careless, 0.003)
    assert sea.lean.value == pytest.approx(none.lean.value, abs=0.002)
    assert sea.lean.sd == pytest.approx(none.lean.sd, rel=0.02)
    assert sea.offset_mg["sideways"].sd == pytest.approx(none.offset_mg["sideways"].sd, rel=0.02)


def without_floors(lean):
    """Sd that the model itself gives the lean, deg."""
    return np.sqrt(lean.sd**2 - PICTURE_SD_DEG**2) / INFLATE


def test_frames_of_one_heading_do_not_average_their_line():
    one = world(15, plan=hover(20.0), offset_deg=0.0)
    assert len(one.residuals().frames) == pytest.approx(200, abs=2)
    sharp, vague = stating(one, 0.0), stating(one, 0.05)
    # What the start of the filter leaves open comes on top.
    assert np.sqrt(without_floors(vague.lean) ** 2 - without_floors(sharp.lean) ** 2) >= 0.0495
    assert sharp.picture_lean.sd < 0.05 < vague.picture_lean.sd


@pytest.mark.parametrize("seed", [15, pytest.param(16, marks=pytest.mark.long)])
def test_twelve_headings_average_their_lines(seed):
    one = world(seed, plan=(*hover(20.0), *pan(3.0, 360.0)), offset_deg=0.0)
    assert 0.05 / np.sqrt(12) < without_floors(stating(one, 0.05).lean) < 0.035


def test_offset_does_not_depend_on_a_line_seen_upright_and_upside_down():
    # The line's error is the same both ways up, the offset's lean is not: it stays with the mounting.
    one = world(17, plan=TURNED_BY_HAND, offset_deg=0.9)
    sharp, vague = stating(one, 0.0), stating(one, 0.05)
    assert vague.offset_mg["sideways"].sd < 1.2 * sharp.offset_mg["sideways"].sd
    assert vague.mounting_deg["roll"].sd > np.hypot(sharp.mounting_deg["roll"].sd, 0.05)


def test_small_offset_is_left_alone():
    one = world(12, offset_deg=0.15)
    causes = one.infer()
    assert within(causes.lean, one.truth.lean_deg)
    assert max(named(causes), key=named(causes).get) == "none"
    assert judge(causes, one.shoot).action == "leave"


def test_camera_out_of_square_is_not_recalibrated():
    one = world(13, mounting_deg=0.8)
    causes = one.infer()
    assert within(causes.mounting_deg["roll"], 0.8)
    assert within(causes.offset_mg["sideways"], one.truth.offset_deg[0] * MG_PER_DEG)
    assert named(causes)["mounting"] > 0.9
    assert judge(causes, one.shoot).action == "square_up"


@pytest.mark.parametrize("surface", ["sea", "unknown"])
def test_without_turning_over_only_the_sum_is_known(surface):
    one = world(
        14,
        plan=HOVER_PAN,
        offset_deg=0.9,
        surface=surface,
        skyline_deg=(0.1, -0.2) if surface != "sea" else (0, 0),
    )
    causes = one.infer()
    assert within(causes.lean, one.truth.lean_deg)
    assert causes.lean.half_width < 0.22
    assert not causes.offset_mg["sideways"].determined
    assert not causes.mounting_deg["roll"].determined
    assert causes.after_recalibration is None
    roll = causes.undetermined[0]
    assert [name for name, _ in roll.weights] == ["sensor_offset.sideways", "mounting.roll"]
    assert [weight for _, weight in roll.weights] == pytest.approx([1.0, 1.0], abs=0.1)
    assert abs(roll.value_deg - one.truth.lean_deg) < 2 * roll.sd_deg
    assert roll.film == "upside_down"
    verdict = judge(causes, one.shoot)
    assert (verdict.action, verdict.next_shot) == ("open", "upside_down")
    assert "Right side low by" in verdict.headline  # the lean is known, whatever its cause
    if surface == "unknown":
        assert within(causes.skyline_deg["north"], 0.1)
        assert within(causes.skyline_deg["east"], -0.2)


def test_one_heading_over_unknown_ground_asks_for_a_pan():
    one = world(15, plan=hover(20.0), offset_deg=0.9, surface="unknown", skyline_deg=(0.0, 0.3))
    causes = one.infer()
    assert within(causes.lean, one.truth.lean_deg)
    assert causes.lean.sd > 0.2
    assert causes.undetermined[0].film == "pan"
    assert "ground_not_level.east" in [name for name, _ in causes.undetermined[0].weights]
    verdict = judge(causes, one.shoot)
    assert (verdict.action, verdict.next_shot) == ("open", "pan")
    assert "the ground's is open" in verdict.headline


def test_portrait_both_ways_stands_in_for_upside_down():
    sides = [Stage("upside_down", 20.0, roll_deg=side, transition_s=1.5) for side in (90.0, -90.0)]
    between = Stage("ordinary", 3.0, transition_s=3.0)
    one = world(16, plan=(*HOVER_PAN, sides[0], between, sides[1], between), offset_deg=0.9)
    causes = one.infer()
    assert causes.offset_shown_by == "portrait both ways"
    assert within(causes.offset_mg["sideways"], one.truth.offset_deg[0] * MG_PER_DEG)
    assert judge(causes, one.shoot).action == "recalibrate"


def test_offset_and_mounting_together_are_two_remedies_in_order():
    causes = (one := world(17, offset_deg=0.9, mounting_deg=0.7)).infer()
    verdict = judge(causes, one.shoot)
    assert verdict.action == "recalibrate"
    assert any("in this order: recalibrate" in reason and "shim" in reason for reason in verdict.reasons)


def test_offset_and_mounting_that_cancel_are_warned_of():
    causes = (one := world(18, offset_deg=0.8, mounting_deg=-0.8)).infer()
    verdict = judge(causes, one.shoot)
    assert verdict.action == "leave"
    assert any("cancel at level" in reason for reason in verdict.reasons)


def plain_truth():
    return Truth((0.0, 0.0, 0.0), (0.0, 0.0, 0.0), 5.0)


def test_gimbal_that_does_not_hold_is_told_from_the_sensor():
    one = film(Rig(hold_deg=(1.0, 0.0)), TURNED_BY_HAND, np.random.default_rng(19), plain_truth())
    causes = one.infer()
    assert within(causes.lean, 0.0)
    assert causes.known_lean.value == pytest.approx(1.0, abs=0.03)
    assert causes.picture_lean.value == pytest.approx(1.0, abs=0.1)
    assert named(causes)["not_held"] > 0.9
    verdict = judge(causes, one.shoot)
    assert verdict.action == "balance_or_tune"
    assert any("The log itself shows: right side low by 1.0" in reason for reason in verdict.reasons)


@pytest.mark.parametrize("in_log", [False, True])
def test_trim_is_known_lean_and_not_the_sensors(in_log):
    errors = SensorErrors(offset_mg=(0.9 * MG_PER_DEG, 0.0, 0.0))
    rig = Rig(errors=errors, hold_deg=(-0.6 if in_log else 0.0, 0.0))
    sheet = {"trim_deg": -0.6, "trim_in_log": in_log}
    one = film(rig, TURNED_BY_HAND, np.random.default_rng(20), plain_truth(), sheet=sheet)
    if not in_log:
        for track in one.tracks:
            track.track["roll_deg"] = wrap_deg(track.track["roll_deg"] - 0.6)
    causes = one.infer()
    assert within(causes.lean, 0.9)
    assert causes.known_lean.value == pytest.approx(-0.6, abs=0.03)
    assert "not_held" not in judge(causes, one.shoot).action
    assert any(
        "take the trim (left side down 0.6 deg) back" in reason for reason in judge(causes, one.shoot).reasons
    )


def test_leaning_in_turns_is_measured_per_acceleration():
    rig = Rig(leak=0.3)
    plan = (*hover(10.0), *turns(25.0, rate_dps=25.0), *hover(10.0))
    one = film(rig, plan, np.random.default_rng(21), plain_truth())
    causes = one.infer()
    assert within(causes.turns, 0.3 * np.rad2deg(1 / 9.80665))
    assert named(causes)["turns"] > 0.9
    assert within(causes.lean, 0.0)
    assert judge(causes, one.shoot).action == "gentler_turns"


def test_warming_up_is_told_from_a_steady_offset():
    errors = SensorErrors(warm_up_mg=(25.0, 0.0, 0.0))
    plan = (*hover(15.0), Stage("ordinary", 400.0), *hover(15.0))
    rig = Rig(errors=errors, powered_on_s=-10.0)
    one = film(rig, plan, np.random.default_rng(22), plain_truth(), powered_on_s=90.0)
    causes = one.infer()
    assert within(causes.warm_up, 25.0 / MG_PER_DEG)
    assert within(causes.lean, 0.0)
    assert judge(causes, one.shoot).action == "wait_before_filming"


def test_log_that_begins_with_each_clip(careless):
    logs, clocks = [], []
    for k, (track, clock) in enumerate(zip(careless.tracks, careless.clocks, strict=True)):
        table = careless.logs[0].table
        inside = table["t_s"].between(
            clock.offset_s - 0.02, clock.offset_s + track.track["t_s"].iloc[-1] + 0.1
        )
        logs.append(
            dataclasses.replace(careless.logs[0], name=f"{k}.csv", table=table[inside].reset_index(drop=True))
        )
        clocks.append(ClockFit(clock.clip, f"{k}.csv", clock.offset_s, clock.sd_s, "given", k))
    shoot = dataclasses.replace(careless.shoot, logs=careless.shoot.logs * len(logs))
    causes = dataclasses.replace(careless, logs=tuple(logs), clocks=tuple(clocks), shoot=shoot).infer()
    # What the filter holds when a log begins is unknown: it costs width, not truth.
    assert within(causes.offset_mg["sideways"], careless.truth.offset_deg[0] * MG_PER_DEG)
    assert within(causes.lean, careless.truth.lean_deg)


def test_slow_rounded_log(found):
    one = world(11, offset_deg=0.9, flying={"log_rate_hz": 5.0, "rounding_deg": 0.1})
    causes = one.infer()
    assert within(causes.lean, one.truth.lean_deg)
    assert causes.lean.sd > found.lean.sd


def with_body(one, attitude_of):
    sheets = tuple(dataclasses.replace(log, attitude_of=attitude_of) for log in one.shoot.logs)
    return dataclasses.replace(one, shoot=dataclasses.replace(one.shoot, logs=sheets))


@pytest.mark.parametrize("attitude_of", ["gimbal_frame", "unknown", "commanded"])
def test_other_bodies_give_the_lean_but_no_cause(careless, attitude_of):
    one = with_body(careless, attitude_of)
    causes = one.infer()
    assert within(causes.lean, careless.truth.lean_deg)
    assert causes.causes == ()
    assert causes.offset_mg == {}
    assert "camera sensor's own" in causes.notes[-1]
    assert judge(causes, one.shoot).action == "open"


@pytest.mark.parametrize("attitude_of", ["airframe", "joints"])
def test_bodies_that_know_nothing_of_the_picture(careless, attitude_of):
    causes = with_body(careless, attitude_of).infer()
    assert causes.lean is None
    assert causes.known_lean is None
    assert causes.picture_lean is not None
    assert "another body" in causes.notes[0]


def test_log_of_unproven_body_and_stabilised_picture_give_the_picture_only():
    still = world(23, plan=hover(10.0), offset_deg=0.9)
    assert with_body(still, "unknown").infer().lean is None
    turned = dataclasses.replace(still, shoot=dataclasses.replace(still.shoot, stabilised=True))
    causes = turned.infer()
    assert causes.lean is None
    assert "stabilised" in causes.notes[0]
    assert causes.picture_lean is not None


def test_shot_that_the_camera_turned_itself_is_left_out_and_said(careless):
    clips = [dataclasses.replace(c) for c in careless.shoot.clips]
    track = careless.tracks[2]
    kept = track.track["roll_deg"].copy()
    track.track["roll_deg"] = wrap_deg(kept + 180.0)  # the camera turned its picture upright itself
    causes = careless.infer()
    told = dataclasses.replace(clips[2], picture_turned_deg=180)
    shoot = dataclasses.replace(careless.shoot, clips=(*clips[:2], told, *clips[3:]))
    causes_told = dataclasses.replace(careless, shoot=shoot).infer()
    track.track["roll_deg"] = kept
    assert any("set picture_turned_deg = 180" in note for note in causes.notes)
    assert "upside_down" not in causes.shots
    assert not causes.offset_mg["sideways"].determined
    assert within(causes.lean, careless.truth.lean_deg)
    assert causes_told.offset_mg["sideways"].determined
    assert within(causes_told.lean, careless.truth.lean_deg)


def test_without_a_log(careless, found):
    causes = infer_without_log(careless.tracks, careless.shoot)
    assert causes.lean is None
    assert causes.causes == ()
    assert causes.picture_lean.value == pytest.approx(found.picture_lean.value, abs=1e-6)
    out = causes.out_of_tolerance
    assert 0 < out.share < 1
    assert out.seconds == pytest.approx(out.share * 123.0, rel=0.05)
    assert abs(out.worst_5s_deg) > 0.7
    verdict = judge(causes, careless.shoot)
    assert verdict.action == "open"
    assert any("cause stays open" in reason for reason in verdict.reasons)


def test_level_picture_without_a_log_is_left():
    one = film(Rig(), hover(15.0), np.random.default_rng(24), plain_truth())
    assert judge(infer_without_log(one.tracks, one.shoot), one.shoot).action == "leave"


def test_picture_that_does_not_show_the_sky_is_not_measured_without_a_log(careless):
    unknown = [type(t)(**{**vars(t), "sky": "unknown"}) for t in careless.tracks]
    assert infer_without_log(unknown, careless.shoot).picture_lean is None


@pytest.mark.parametrize("mount_deg", [90, 180, 270])
def test_camera_meant_to_sit_turned(careless, found, mount_deg):
    tracks = []
    for track in careless.tracks:
        table = track.track.assign(roll_deg=wrap_deg(track.track["roll_deg"] + mount_deg))
        tracks.append(type(track)(**{**vars(track), "track": table}))
    shoot = dataclasses.replace(careless.shoot, camera=Camera(hfov_deg=70.0, mount_roll_deg=mount_deg))
    causes = dataclasses.replace(careless, tracks=tuple(tracks), shoot=shoot).infer()
    assert causes.lean.value == pytest.approx(found.lean.value, abs=1e-6)
    assert causes.picture_lean.value == pytest.approx(found.picture_lean.value, abs=1e-6)


def test_a_clip_of_two_seconds_still_gives_the_lean():
    one = film(Rig(), hover(2.0), np.random.default_rng(25), plain_truth())
    causes = one.infer()
    assert within(causes.lean, 0.0)
    assert causes.lean.half_width > 0.15  # one block: the start of the filter is hardly settled


def test_nothing_measured_says_so():
    one = film(Rig(), hover(5.0), np.random.default_rng(26), plain_truth())
    one.tracks[0].track[["roll_deg", "pitch_deg"]] = np.nan
    one.tracks[0].track["reason"] = "sky fills frame"
    causes = one.infer()
    assert causes.picture_lean is None
    verdict = judge(causes, one.shoot)
    assert verdict.action == "open"
    assert verdict.p_within_tolerance is None
    assert "No frame with a horizon was measured" in verdict.headline


def test_nothing_is_changed_by_the_order_of_clips(careless, found):
    back = dataclasses.replace(careless, tracks=careless.tracks[::-1], clocks=careless.clocks[::-1])
    causes = back.infer()
    assert causes.lean.value == pytest.approx(found.lean.value, abs=2e-3)


@pytest.mark.long
def test_shared_errors_of_the_line_stay_within_their_interval():
    z = []
    for seed in range(40):
        one = world(seed, plan=(*HOVER_PAN, *upside_down(20.0)), offset_deg=0.3, shared_sd_deg=0.1)
        lean = one.infer().lean
        z.append((lean.value - one.truth.lean_deg) / lean.half_width)
    assert np.mean(np.abs(z) <= 1) >= 0.9
    assert np.std(z) > 0.15  # nor so wide that it says nothing


@pytest.mark.long
def test_rates_over_twenty_seeds(capsys):
    run(20)
    lines = capsys.readouterr().out
    for name, action in (("a", "recalibrate"), ("b", "leave"), ("c", "square_up")):
        assert f"({name}) {action}: 20 of 20" in lines
    assert "covered 0." not in lines.replace("covered 0.95", "")
