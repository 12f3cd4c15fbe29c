"""What else than the log's attitude tells of the sensor: its raw accelerometer, and holds on the bench."""

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from attitude.bench import BenchError, read_holds
from attitude.infer import MG_PER_DEG, Witnesses, infer, model_of, solution_of
from attitude.plans import Stage, hover, pan, turns, upside_down
from attitude.sheet import BenchSheet, LogSheet
from attitude.simulate import Rig, SensorErrors
from attitude.verdict import judge
from horizon.angles import wrap_deg
from tests.bench.inference import settled_truth
from tests.rates import RAW, film

LEVEL = (*hover(20.0), *pan(6.0, 360.0), *hover(20.0))
TAU_S = 5.0


def shoot_of(seed=0, *, offset_deg=0.0, gyro_deg=0.0, mounting_deg=0.0, plan=LEVEL, rig=None, **filming):
    errors = SensorErrors(
        offset_mg=(offset_deg * MG_PER_DEG, 0.0, 0.0), gyro_bias_dps=(0.0, 0.0, -gyro_deg / TAU_S)
    )
    made = Rig(
        errors=errors, mounting_deg=(mounting_deg, 0.0, 0.0), time_constant_s=TAU_S, leak=0.0, **(rig or {})
    )
    return film(made, plan, np.random.default_rng(seed), settled_truth(made), **filming)


def test_raw_accelerometer_tells_a_gyro_bias_from_the_mounting():
    turned = (*LEVEL, *upside_down(25.0))
    with_it, without = (shoot_of(gyro_deg=0.7, plan=turned, without=gone).infer() for gone in ((), RAW))
    assert with_it.gyro_split
    assert with_it.causes[0].name == "gyro_bias"
    assert with_it.causes[0].probability > 0.9
    assert abs(with_it.mounting_deg["roll"].value) < 0.35
    assert not without.gyro_split
    assert without.causes[0].name != "gyro_bias"
    seat = shoot_of(mounting_deg=0.7, plan=turned, without=()).infer()
    assert seat.gyro_split
    assert {one.name: one.probability for one in seat.causes}["gyro_bias"] < 0.05


def test_readings_older_than_the_calibration_are_not_taken_for_gyro_bias():
    one = shoot_of(offset_deg=0.2, plan=(*LEVEL, *upside_down(25.0)), without=())
    log = one.logs[0]
    table = log.table.assign(accel_right_g=log.table["accel_right_g"] + 0.04)
    found = dataclasses.replace(one, logs=(dataclasses.replace(log, table=table),)).infer()
    assert found.offset_lean.value == pytest.approx(0.2, abs=0.06)
    assert found.lean.value == pytest.approx(0.2, abs=0.04)
    assert {cause.name: cause.probability for cause in found.causes}.get("gyro_bias", 0.0) < 0.1


def test_readings_a_little_older_than_the_calibration_invent_no_cause():
    # 12 mg are 0.7 deg: level, nothing tells them from a gyro bias.
    one = shoot_of(without=())
    log = one.logs[0]
    table = log.table.assign(accel_right_g=log.table["accel_right_g"] + 0.012)
    found = dataclasses.replace(one, logs=(dataclasses.replace(log, table=table),)).infer()
    assert not found.gyro_split
    assert found.causes[0].name == "none"


def test_a_circle_without_logged_velocity_is_no_still_stretch():
    one = shoot_of(plan=(*hover(12.0), *turns(30.0, rate_dps=25.0), *hover(12.0)), without=("velocity",))
    found = one.infer()
    assert abs(found.lean.value) < 0.05
    assert abs(found.offset_lean.value) < 0.2
    assert found.causes[0].name == "none"


def test_turned_mount_turns_the_raw_accelerometer_and_the_holds_with_it(tmp_path):
    """A camera that hangs upside down with its log saying so: the same sensor, seen from its other side."""
    one = shoot_of(offset_deg=0.6, without=())
    holds = [hold(tmp_path, "+x", (1000.0 + 0.6 * MG_PER_DEG, 0.0, 0.0))]
    holds += [hold(tmp_path, "-x", (-1000.0 + 0.6 * MG_PER_DEG, 0.0, 0.0))]
    upright = inferred(one, holds)[0]
    table = one.logs[0].table
    turned = table.assign(
        roll_deg=wrap_deg(table["roll_deg"] + 180.0),
        accel_right_g=-table["accel_right_g"],
        accel_down_g=-table["accel_down_g"],
    )
    tracks = tuple(one.tracks)
    camera = dataclasses.replace(one.shoot.camera, mount_roll_deg=180)
    for track in tracks:
        track.track["roll_deg"] = wrap_deg(track.track["roll_deg"] + 180.0)
    over = dataclasses.replace(
        one,
        logs=(dataclasses.replace(one.logs[0], table=turned),),
        shoot=dataclasses.replace(one.shoot, camera=camera),
        tracks=tracks,
    )
    mirrored = [
        hold(tmp_path, "-x", (-1000.0 - 0.6 * MG_PER_DEG, 0.0, 0.0)),
        hold(tmp_path, "+x", (1000.0 - 0.6 * MG_PER_DEG, 0.0, 0.0)),
    ]
    same = inferred(over, mirrored)[0]
    assert same.lean.value == pytest.approx(upright.lean.value, abs=0.04)
    assert same.offset_lean.value == pytest.approx(upright.offset_lean.value, abs=0.04)
    assert same.mounting_deg["roll"].value == pytest.approx(upright.mounting_deg["roll"].value, abs=0.04)
    assert abs(upright.mounting_deg["roll"].value) < 0.1


def test_holds_heed_sign_and_axes_of_a_log_without_accelerometer(tmp_path):
    one = shoot_of()
    log = LogSheet(file=Path("log.csv"), accelerometer_sign="up_reads_minus", sensor_axes=("y", "z", "x"))
    sheet = hold(tmp_path, "upright", (-2.0, -5.0, 1000.0), unit=1000.0)
    shoot = dataclasses.replace(one.shoot, bench=(sheet,), logs=(log,))
    assert read_holds(shoot)[0].reading_g == pytest.approx([0.005, -1.0, 0.002], abs=5e-4)


def test_vertical_constant_leaves_the_still_blocks_of_either_pose():
    one = shoot_of(plan=(*hover(24.0), *upside_down(24.0)), without=())
    log = one.logs[0]
    table = log.table.assign(accel_down_g=log.table["accel_down_g"] + 0.025)
    logs = (dataclasses.replace(log, table=table),)
    model = model_of(Witnesses(one.residuals(), logs, one.tracks, one.clocks), one.shoot)
    roll = model.blocks["log_roll_deg"].to_numpy()[model.still.block]
    assert np.any(np.abs(roll) < 10)
    assert np.any(np.abs(roll) > 170)


def test_upside_down_by_hand_is_compared_with_upright_by_hand():
    by_hand = (*hover(20.0, shot="upside_down"), *upside_down(20.0))
    flown = shoot_of(offset_deg=0.8).infer()
    assert not flown.offset_lean.determined
    steady = shoot_of(offset_deg=0.8, plan=by_hand).infer()
    trembling = {"rig": {"jitter_deg": 0.4, "bandwidth_hz": 1.0}}
    shaken = shoot_of(offset_deg=0.8, plan=by_hand, **trembling).infer()
    alone = shoot_of(offset_deg=0.8, plan=(Stage("upside_down", 1.0), *upside_down(20.0)), **trembling)
    for found in (steady, shaken):
        assert found.offset_lean.value == pytest.approx(0.8, abs=2 * found.offset_lean.sd)
    # Play that nothing tells of widens the interval.
    assert steady.offset_lean.sd < shaken.offset_lean.sd < alone.infer().offset_lean.sd


def hold(folder, pose, reading_mg, *, unit=1.0, rows=400, drift_mg=0.0, seed=0):
    """A file of one hold; the reading, mg, along camera right, down, forward."""
    rng = np.random.default_rng(seed)
    values = np.array(reading_mg) * 1e-3 + rng.normal(0, 0.0015, (rows, 3))
    values[:, 0] += drift_mg * 1e-3 * np.linspace(0, 1, rows)
    path = Path(folder) / f"{pose.replace('+', 'plus_').replace('-', 'minus_')}.csv"
    lines = [",".join(f"{value * unit:.6f}" for value in row) for row in values]
    path.write_text("ax,ay,az\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return BenchSheet(path, pose, 0.25)


def inferred(one, holds):
    shoot = dataclasses.replace(one.shoot, bench=tuple(holds))
    witnesses = Witnesses(one.residuals(), one.logs, one.tracks, one.clocks, holds=read_holds(shoot))
    return infer(witnesses, shoot, solution_of(witnesses, shoot)), shoot


def test_bench_holds_isolate_the_offset(tmp_path):
    one = shoot_of(offset_deg=0.8)
    offset_mg = 0.8 * MG_PER_DEG
    # Upright and inverted, the cube off level by 0.2 deg (3.5 mg) and -0.1 deg.
    holds = [
        hold(tmp_path, "upright", (offset_mg + 3.5, -1004.0, 2.0)),
        hold(tmp_path, "inverted", (offset_mg - 1.7, 1004.0, -1.0)),
    ]
    found, shoot = inferred(one, holds)
    assert found.offset_lean.value == pytest.approx(0.8, abs=0.15)
    assert 0.15 < found.offset_lean.sd < 0.3
    assert found.offset_shown_by == "bench holds"
    sides = [
        hold(tmp_path, "+x", (1006.0 + offset_mg, 3.0, 4.0)),
        hold(tmp_path, "-x", (-1006.0 + offset_mg, -2.0, 1.0)),
    ]
    found, shoot = inferred(one, sides)
    # Left and right, the bubble drops out.
    assert found.offset_lean.value == pytest.approx(0.8, abs=0.03)
    assert found.offset_lean.sd < 0.06
    assert found.offset_lean.determined
    assert judge(found, shoot).action == "recalibrate"


@pytest.mark.parametrize("unit", [9.80665, 1000.0, 16384.0])
def test_unit_of_a_hold_is_told_by_its_size(tmp_path, unit):
    one = shoot_of()
    shoot = dataclasses.replace(one.shoot, bench=(hold(tmp_path, "upright", (5.0, -1000.0, 0.0), unit=unit),))
    reading = read_holds(shoot)[0].reading_g
    assert reading == pytest.approx([0.005, -1.0, 0.0], abs=5e-4)


def test_columns_and_axes_of_a_hold_are_those_of_the_log(tmp_path):
    one = shoot_of()
    log = LogSheet(
        file=Path("log.csv"),
        accelerometer=("ax", "ay", "az"),
        accelerometer_unit="mg",
        accelerometer_sign="up_reads_minus",
        sensor_axes=("y", "z", "x"),
    )
    # Board axes x, y, z lie along camera forward, right, down; its minus one g stands for up.
    sheet = hold(tmp_path, "upright", (-2.0, -5.0, 1000.0), unit=1000.0)
    shoot = dataclasses.replace(one.shoot, bench=(sheet,), logs=(log,))
    assert read_holds(shoot)[0].reading_g == pytest.approx([0.005, -1.0, 0.002], abs=5e-4)


@pytest.mark.parametrize(
    ("sheet", "words"),
    [
        (lambda folder: hold(folder, "inverted", (0.0, -1000.0, 0.0)), "not the pose"),
        (lambda folder: hold(folder, "upright", (0.0, -1000.0, 0.0), rows=5), "5 readings"),
        (lambda folder: hold(folder, "upright", (0.0, -1000.0, 0.0), drift_mg=80.0), "hold still"),
        (lambda folder: hold(folder, "upright", (0.0, -1000.0, 0.0), unit=3.3), "in no usual unit"),
    ],
)
def test_a_hold_that_cannot_be_used_is_one_line(tmp_path, sheet, words):
    one = shoot_of()
    shoot = dataclasses.replace(one.shoot, bench=(sheet(tmp_path),))
    with pytest.raises(BenchError, match=words) as caught:
        read_holds(shoot)
    assert str(caught.value).startswith(shoot.bench[0].file.name)
    assert "\n" not in str(caught.value)


def test_temperature_is_told_from_a_steady_offset():
    errors = SensorErrors(offset_mg=(3.0, 0.0, 0.0), temperature_coefficient_mg_per_c=(0.8, 0.0, 0.0))
    made = Rig(
        errors=errors,
        time_constant_s=TAU_S,
        leak=0.0,
        temperature_c=10.0,
        temperature_rise_c_per_min=3.0,
    )
    plan = (*hover(20.0), Stage("ordinary", 240.0), *hover(20.0))
    one = film(made, plan, np.random.default_rng(5), settled_truth(made), without=("accel", "gyro"))
    causes = one.infer()
    # 14 deg C in 280 s; the lean that counts is that of the last ten seconds, at 23.75 deg C.
    settled_deg = (3.0 + 0.8 * 3.75) / MG_PER_DEG
    assert causes.lean.value == pytest.approx(settled_deg, abs=0.05)
    # Cold, 0.8 mg/C x 13.5 C = 0.62 deg lower.
    terms = causes.terms
    assert terms.mean[terms.names.index("warm_up")] == pytest.approx(-0.8 * 13.5 / MG_PER_DEG, abs=0.1)
    assert causes.causes[0].name == "warm_up"


def test_a_zoomed_clip_has_a_lens_of_its_own():
    plan = (
        *hover(20.0),
        Stage("tilt", 5.0, pitch_deg=15.0, transition_s=5.0),
        Stage("tilt", 15.0, pitch_deg=15.0),
    )
    one = shoot_of(plan=plan)
    zoomed = dataclasses.replace(one.shoot.clips[1], hfov_deg=30.0)
    shoot = dataclasses.replace(one.shoot, clips=(one.shoot.clips[0], zoomed))
    # Its focal length is 3 % off: 15 deg are read as 14.57 deg.
    one.tracks[1].track["pitch_deg"] *= 0.971
    for which, told in ((shoot, True), (one.shoot, False)):
        witnesses = Witnesses(one.residuals(), one.logs, one.tracks, one.clocks)
        names = solution_of(witnesses, which).model.names
        assert (f"focal:{zoomed.files[0].name}" in names) == told
        assert (f"lens_axis:{zoomed.files[0].name}" in names) == told
