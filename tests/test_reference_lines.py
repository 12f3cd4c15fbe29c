"""Plumb and level lines beside the log: how they are read, what they tell, and what they must not claim."""

import dataclasses
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from attitude.assumptions import assumptions_of
from attitude.bench import Hold
from attitude.clock import ClockFit, align
from attitude.infer import Witnesses, infer, model_of, solution_of
from attitude.log import AttitudeLog
from attitude.outlook import lacking_shots
from attitude.plans import hover, pan, upside_down
from attitude.reference_lines import (
    CONTRADICTED,
    NOT_PLUMB,
    OPEN_PITCH_DEG,
    UNLOGGED,
    at_logged_pitch,
    read_words,
    reference_words,
    references_words,
)
from attitude.residuals import residuals
from attitude.sheet import Camera, ClipSheet, LogSheet, Shoot
from attitude.shots import describe
from attitude.verdict import judge
from horizon import TRACK_COLUMNS
from horizon.angles import wrap_deg
from horizon.clip import ClipFacts
from horizon.level import PITCH_TOO, ROLL_ONLY
from horizon.measure import ClipTrack
from horizon.reference import place_sd_rad
from tests.lines_scenes import in_camera
from tests.rates import world

ANGLE = st.floats(-12, 12)


def line_track(kind, normals, *, claims=ROLL_ONLY, roll_deg=0.0, pitch_deg=0.0, reason=None, fps=5.0):
    """A clip's track as :func:`horizon.reference.measure_reference` gives it."""
    n = len(normals)
    table = pd.DataFrame(0.01, index=range(n), columns=TRACK_COLUMNS)
    table = table.assign(clip="line.mp4", frame=range(n), t_s=np.arange(n) / fps, claims=claims)
    table = table.assign(roll_deg=roll_deg, pitch_deg=pitch_deg, reason="" if reason is None else reason)
    table.loc[table["reason"] != "", ["roll_deg", "pitch_deg"]] = np.nan
    facts = ClipFacts(Path("line.mp4"), 640, 360, n / fps, fps, 0, "h264", None)
    pans = pd.DataFrame(columns=["t_s", "yaw_rate_dps", "yaw_rate_sd_dps"], dtype=float)
    return ClipTrack("line.mp4", table, facts, n, "", "unknown", 0.0, pans, None, kind, np.asarray(normals))


def normal_of(kind, roll_deg, pitch_deg, azimuth_deg=0.0):
    """Of the plane through the lens and a line; a level line stands at lens height."""
    aside = np.tan(np.radians(azimuth_deg))
    plumb = [[aside, -0.4, 1.0], [aside, 0.7, 1.0]]
    level = [[-0.5, 0.0, 1.0], [0.6, 0.0, 1.0]]
    normal = np.cross(*in_camera(np.array(plumb if kind == "plumb_line" else level), roll_deg, pitch_deg))
    return normal / np.linalg.norm(normal)


def log_of(roll_deg, pitch_deg, t_s):
    table = pd.DataFrame({"t_s": t_s, "roll_deg": wrap_deg(roll_deg), "pitch_deg": pitch_deg, "yaw_deg": 7.0})
    return AttitudeLog("log.csv", "camera_sensor", table, 0.0, None, True, ())


def shoot_of(kind, *, body="camera_sensor", **changes):
    clip = ClipSheet((Path("line.mp4"),), reference=kind, **changes.pop("clip", {}))
    logs = (LogSheet(Path("log.csv"), attitude_of=body),)
    return Shoot(Path(), Path("shoot.toml"), "bench", (clip,), logs=logs, **changes)


def read(track, shoot, log, offset_s=0.0):
    clock = ClockFit("line.mp4", "log.csv", offset_s, 0.01, "given", 0)
    return at_logged_pitch([track], [log], [clock], shoot)[0]


@settings(max_examples=150, deadline=None)
@given(
    kind=st.sampled_from(["plumb_line", "level_line"]),
    roll_deg=ANGLE,
    pitch_deg=ANGLE,
    azimuth_deg=st.floats(-6, 6),
    lean_deg=st.floats(-3, 3),
    over=st.booleans(),
    mount_deg=st.sampled_from([0, 180]),
    turned_deg=st.sampled_from([0, 180]),
    sign=st.sampled_from([-1.0, 1.0]),
)
def test_a_line_read_at_the_logged_pitch_gives_the_cameras_own_roll(
    kind, roll_deg, pitch_deg, azimuth_deg, lean_deg, over, mount_deg, turned_deg, sign
):
    """Whichever way up it is, however it hangs in its mount, and whether it turned the picture itself."""
    true_deg = roll_deg + 180 * over + mount_deg
    # A camera that turns its picture by half a turn leaves pixels as of a camera rolled by half a turn.
    normals = [sign * normal_of(kind, true_deg - turned_deg, pitch_deg, azimuth_deg)] * 12
    log = log_of(np.full(20, true_deg - mount_deg - lean_deg), np.full(20, pitch_deg), np.arange(20) / 5)
    shoot = shoot_of(kind, clip={"picture_turned_deg": turned_deg}, camera=Camera(mount_roll_deg=mount_deg))
    table = read(line_track(kind, normals), shoot, log).track
    assert wrap_deg(table["roll_deg"].to_numpy() + turned_deg - true_deg) == pytest.approx(0, abs=1e-6)
    assert table["pitch_deg"].to_numpy() == pytest.approx(pitch_deg)
    assert (table["pitch_sd_deg"] == OPEN_PITCH_DEG).all()


def test_one_clip_may_hold_both_ways_up_and_the_log_tells_them_apart():
    rolls_deg = np.where(np.arange(30) < 15, 1.5, 181.5)
    normals = [normal_of("plumb_line", roll, -4.0, 3.0) for roll in rolls_deg]
    log = log_of(rolls_deg - 0.7, np.full(30, -4.0), np.arange(30) / 5)
    found = read(line_track("plumb_line", normals), shoot_of("plumb_line"), log)
    assert wrap_deg(found.track["roll_deg"] - rolls_deg) == pytest.approx(0, abs=1e-6)
    assert found.sky == "log"


def test_looks_that_the_log_does_not_reach_count_as_not_measured():
    normals = [normal_of("plumb_line", 2.0, 5.0)] * 19 + [[np.nan] * 3]
    reasons = [""] * 19 + ["no thin line through the picture's middle"]
    track = line_track("plumb_line", normals, reason=reasons, roll_deg=2.0)
    table = read(
        track, shoot_of("plumb_line"), log_of(np.full(10, 2.0), np.full(10, 5.0), np.arange(10) / 5)
    ).track
    assert table["reason"].tolist() == [""] * 10 + [UNLOGGED] * 9 + reasons[-1:]
    assert table["roll_deg"].isna().tolist() == [False] * 10 + [True] * 10
    assert table.loc[10:, "claims"].tolist() == [""] * 10


def test_a_line_that_cannot_be_plumb_at_the_logged_pitch_is_refused():
    track = line_track("plumb_line", [[0.1, 0.0, 0.995]] * 5)
    table = read(track, shoot_of("plumb_line"), log_of(np.zeros(9), np.full(9, 30.0), np.arange(9) / 5)).track
    assert set(table["reason"]) == {NOT_PLUMB}
    assert read_words([dataclasses.replace(track, track=table, sky="log")]) == []


def test_two_lines_keep_the_pitch_that_they_show():
    normals = [normal_of("plumb_line", 181.0, 3.0, -15.0)] * 8
    track = line_track("plumb_line", normals, claims=PITCH_TOO, roll_deg=1.0, pitch_deg=-3.0)
    log = log_of(np.full(9, 180.4), np.full(9, 2.0), np.arange(9) / 5)
    table = read(track, shoot_of("plumb_line", clip={"lines": 2}), log).track
    assert wrap_deg(table["roll_deg"] - 181.0) == pytest.approx(0)
    assert table["pitch_deg"].to_numpy() == pytest.approx(3.0)
    assert table["pitch_sd_deg"].to_numpy() == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("rise_deg", "pitch_deg"), [(0.0, 0.0), (0.0, 9.0), (8.0, 8.0), (8.0, 0.0), (-5.0, 4.0)]
)
@pytest.mark.parametrize("over", [False, True])
def test_a_level_line_is_as_uncertain_as_it_stands_above_the_lens(rise_deg, pitch_deg, over):
    """Not as it stands off the picture's middle: a camera may look up at a line that is far above it."""
    turned = np.radians(2.5)
    ends = np.array(
        [[x * np.cos(turned), -np.tan(np.radians(rise_deg)), 1 + x * np.sin(turned)] for x in (-0.5, 0.5)]
    )
    normal = np.cross(*in_camera(ends, 180.0 * over + 1.0, pitch_deg))
    normals = np.array([normal / np.linalg.norm(normal)] * 6)
    track = line_track("level_line", normals)
    placed = place_sd_rad("level_line", normals, np.zeros(6), pitch_sd_rad=np.radians(1.0))
    sd = np.hypot(0.01, np.degrees(placed))
    track = dataclasses.replace(track, track=track.track.assign(shared_roll_sd_deg=sd, roll_sd_deg=sd))
    log = log_of(np.full(9, 180.0 * over), np.full(9, pitch_deg), np.arange(9) / 5)
    table = read(track, shoot_of("level_line"), log).track
    error_deg = abs(float(wrap_deg(table["roll_deg"].iloc[0] - 180 * over - 1.0)))
    expected_deg = np.degrees(
        np.hypot(np.tan(np.radians(rise_deg)), np.tan(np.radians(1.0))) * np.sin(turned)
    )
    # The wall is turned by just the sd that is allowed for.
    assert error_deg == pytest.approx(
        np.degrees(np.tan(np.radians(abs(rise_deg))) * np.sin(turned)), rel=0.06
    )
    for column in ("shared_roll_sd_deg", "roll_sd_deg"):
        assert table[column].to_numpy() == pytest.approx(np.hypot(0.01, expected_deg), rel=0.06)


@pytest.mark.parametrize("changes", [{"body": "airframe"}, {"stabilised": True}])
def test_a_log_of_another_body_or_picture_does_not_tell_the_pitch(changes):
    track = line_track("plumb_line", [normal_of("plumb_line", 2.0, 5.0)] * 8)
    log = log_of(np.full(9, 2.0), np.full(9, 5.0), np.arange(9) / 5)
    assert read(track, shoot_of("plumb_line", **changes), log) is track


def test_the_clock_is_found_by_the_roll_alone():
    """The pitch of a single line is no measurement: tilts of the log must not count against it."""
    log_t_s = np.arange(0, 60, 0.05)
    moves_deg = 6 * np.exp(-(((log_t_s - 22) / 0.6) ** 2)) - 5 * np.exp(-(((log_t_s - 27.3) / 0.5) ** 2))
    log = log_of(moves_deg, 8 * np.sin(log_t_s), log_t_s)
    t_s = np.arange(100) / 5
    roll_deg = 0.6 + np.interp(t_s + 15.0, log_t_s, moves_deg)
    track = line_track(
        "plumb_line", [normal_of("plumb_line", roll, 0.0) for roll in roll_deg], roll_deg=roll_deg
    )
    (fit,) = align([track], [log], shoot_of("plumb_line"))
    assert fit.offset_s == pytest.approx(15.0, abs=0.02)


def test_the_clock_is_found_across_a_roll_over():
    """A line looks the same upside down: the half turn of the log is none to the picture."""
    log_t_s = np.arange(0, 60, 0.05)
    moves_deg = 20 * np.exp(-(((log_t_s - 22) / 1.6) ** 2)) - 18 * np.exp(-(((log_t_s - 27.3) / 1.5) ** 2))
    over = log_t_s > 31
    log = log_of(moves_deg + np.where(over, 180.0, 0.0), np.zeros(len(log_t_s)), log_t_s)
    t_s = np.arange(120) / 5
    roll_deg = np.interp(t_s + 15.0, log_t_s, moves_deg) + np.where(t_s + 15 > 31, -0.2, 0.6)
    normals = [normal_of("plumb_line", roll, 0.0) for roll in roll_deg]
    (fit,) = align([line_track("plumb_line", normals, roll_deg=roll_deg)], [log], shoot_of("plumb_line"))
    assert fit.offset_s == pytest.approx(15.0, abs=0.04)
    assert fit.own_scale


@pytest.mark.parametrize(("pitch_deg", "kept"), [(4.0, True), (12.0, False)])
def test_two_lines_that_contradict_the_logged_pitch_are_refused(pitch_deg, kept):
    normals = np.tile(normal_of("plumb_line", 1.0, pitch_deg), (9, 1))
    track = line_track("plumb_line", normals, claims=PITCH_TOO, roll_deg=1.0, pitch_deg=pitch_deg)
    log = log_of(np.zeros(9), np.full(9, 2.0), np.arange(9) / 5)
    table = read(track, shoot_of("plumb_line", clip={"lines": 2}), log).track
    assert table["roll_deg"].notna().all() == kept
    assert (table["reason"] == ("" if kept else CONTRADICTED)).all()


def test_the_pitch_that_a_string_aside_leans_with_is_one_for_all_clips():
    """Camera and log differ in pitch by the same in every clip: more of them do not average it away."""
    one = world(3, plan=(*hover(20.0), *hover(20.0), *hover(20.0), *hover(20.0)))
    clips = tuple(dataclasses.replace(clip, reference="plumb_line") for clip in one.shoot.clips)
    half_widths = []
    for count in (1, 4):
        tracks = one.tracks[:count]
        for track in tracks:
            track.reference = "plumb_line"
            track.track["shared_roll_sd_deg"] = 0.12
        shoot = dataclasses.replace(one.shoot, clips=clips[:count])
        witnesses = Witnesses(
            residuals(tracks, one.logs, one.clocks[:count], shoot), one.logs, tracks, one.clocks[:count]
        )
        half_widths.append(infer(witnesses, shoot, solution_of(witnesses, shoot)).lean.half_width)
    assert half_widths[1] > 1.9 * 0.12


def test_a_reference_is_named_as_people_say_it():
    clips = (
        ClipSheet((Path("a.mp4"), Path("b.mp4")), reference="level_line"),
        ClipSheet((Path("c.mp4"),), reference="plumb_line", lines=2),
        ClipSheet((Path("d.mp4"),)),
    )
    assert [reference_words(clip) for clip in clips] == [
        "level line, good to 0.3 mm/m",
        "two plumb lines",
        "horizon",
    ]
    shoot = dataclasses.replace(shoot_of("plumb_line"), clips=clips)
    assert references_words(shoot)[0] == "level line, good to 0.3 mm/m (a.mp4, b.mp4)"
    assert references_words(dataclasses.replace(shoot, clips=clips[2:])) == []


# --- what a shoot before a line tells, without pictures ---------------------------------------------------


def before_a_line(one, kind="plumb_line", *, clips=None, accuracy_deg=0.0, error_deg=0.0):
    """A simulated shoot of which some clips (all) were filmed before a line; error_deg : of that line."""
    chosen = [track.clip for track in one.tracks] if clips is None else clips
    tracks = []
    for track in one.tracks:
        if track.clip in chosen:
            table = track.track.assign(pitch_sd_deg=OPEN_PITCH_DEG, line_pitch_sd_deg=OPEN_PITCH_DEG)
            table = table.assign(
                shared_pitch_sd_deg=0.0, claims=ROLL_ONLY, roll_deg=table["roll_deg"] + error_deg
            )
            shared = np.hypot(table["shared_roll_sd_deg"], accuracy_deg)
            own = table["line_roll_sd_deg"] ** 2 - table["shared_roll_sd_deg"] ** 2
            table = table.assign(shared_roll_sd_deg=shared, line_roll_sd_deg=np.sqrt(own + shared**2))
            track = type(track)(**vars(track) | {"track": table, "reference": kind, "sky": "log"})
        tracks.append(track)
    sheets = tuple(
        dataclasses.replace(clip, reference=kind) if clip.files[0].name in chosen else clip
        for clip in one.shoot.clips
    )
    return dataclasses.replace(one, shoot=dataclasses.replace(one.shoot, clips=sheets), tracks=tuple(tracks))


def inferred(one, holds=()):
    witnesses = Witnesses(one.residuals(), one.logs, one.tracks, one.clocks, holds=holds)
    solution = solution_of(witnesses, one.shoot)
    return infer(witnesses, one.shoot, solution), solution, witnesses


HELD = (*hover(20.0), *upside_down(20.0))


@pytest.fixture(scope="module")
def plumb():
    return before_a_line(world(5, plan=HELD, offset_deg=0.9, surface="unknown"))


@pytest.fixture(scope="module")
def found(plumb):
    return inferred(plumb)


def test_a_plumb_line_tells_lean_and_offset(plumb, found):
    causes, _, _ = found
    assert abs(causes.lean.value - plumb.truth.lean_deg) < causes.lean.half_width < 0.2
    assert abs(causes.offset_lean.value - plumb.truth.offset_deg[0]) < causes.offset_lean.half_width
    assert causes.causes[0].name == "sensor_offset"
    assert judge(causes, plumb.shoot).action == "recalibrate"


def test_its_pitch_stays_open(plumb, found):
    causes = found[0]
    assert causes.pitch_offset is None
    assert not causes.offset_mg["along_lens"].determined
    assert not causes.mounting_deg["pitch"].determined
    assert causes.lean.t95 < 2.3
    # Whatever stands in the pitch of a single line makes no difference.
    moved = [
        type(track)(**vars(track) | {"track": track.track.assign(pitch_deg=track.track["pitch_deg"] + 2)})
        for track in plumb.tracks
    ]
    other = inferred(dataclasses.replace(plumb, tracks=tuple(moved)))[0]
    assert other.lean.value == pytest.approx(causes.lean.value, abs=1e-3)
    assert other.lean.sd == pytest.approx(causes.lean.sd, rel=0.02)


def test_a_shoot_before_lines_says_nothing_of_a_skyline(plumb, found):
    causes, solution, witnesses = found
    assert plumb.shoot.horizon.surface == "unknown"
    assert not [name for name in solution.model.names if name.startswith(("skyline", "dip"))]
    assert causes.skyline_deg == {}
    assert "ground_not_level" not in [one.name for one in causes.causes]
    assert not [one for one in causes.undetermined if one.film == "pan"]
    said = assumptions_of(plumb.shoot, plumb.logs, plumb.tracks, plumb.clocks, witnesses.found, causes)
    assert not {"Skyline", "Height above the surface"} & {one.what for one in said}
    assert "plumb but for its swing" in next(one.value for one in said if one.what.startswith("Reference of"))
    assert {one.value for one in said if one.what == "Which way up the camera was"} == {
        f"{track.clip}: a plumb line does not tell, settled by the log" for track in plumb.tracks
    }
    headline = judge(dataclasses.replace(causes, lean=None, picture_lean=None), plumb.shoot).headline
    assert headline.startswith("No frame with a plumb or level line was measured")


def test_nothing_is_asked_for_that_turns_away_from_the_line(plumb):
    causes, solution, witnesses = inferred(before_a_line(world(6, plan=hover(10.0), mounting_deg=0.8)))
    shoot = dataclasses.replace(plumb.shoot, clips=plumb.shoot.clips[:1])
    shots = {one.shot for one in lacking_shots(causes, solution, witnesses, shoot)}
    assert shots
    assert shots <= {"hover", "upside_down", "warm_up"}
    assert judge(causes, shoot).next_shot in (None, "hover", "upside_down")
    for shot in ("hover", "tilt"):
        told = describe(shot, "bench", indoors=True).how
        assert "line" in told
        assert not {"horizon", "sea", "skyline"} & set(told.replace(",", "").split())


@pytest.mark.parametrize("clips", [1, 3])
def test_more_clips_of_one_level_line_do_not_make_it_truer(clips):
    accuracy_deg = 0.1
    plan = tuple(stage for _ in range(clips) for stage in (*hover(12.0), *hover(2.0, shot="ordinary")))
    one = before_a_line(world(8, plan=plan, offset_deg=0.4), "level_line", accuracy_deg=accuracy_deg)
    assert len(one.tracks) == clips
    causes = inferred(one)[0]
    for lean in (causes.lean, causes.picture_lean):
        assert lean.sd >= accuracy_deg
        assert lean.half_width >= 1.96 * accuracy_deg


def test_a_level_line_that_leans_is_found_by_a_horizon_beside_it():
    """Its error is one unknown among the others: where the sea tells the lean, the line's is told too."""
    one = world(9, plan=(*hover(15.0), *pan(12.0, 360.0)), offset_deg=0.3, surface="sea")
    mixed = before_a_line(one, "level_line", clips=[one.tracks[0].clip], accuracy_deg=0.3, error_deg=0.4)
    causes, solution, _ = inferred(mixed)
    assert abs(causes.lean.value - one.truth.lean_deg) < causes.lean.half_width < 0.25
    error = solution.estimate(solution.vector(**{"line_roll:level_line": 1.0}), floor=0.0, limit=np.inf)
    assert abs(error.value) == pytest.approx(0.4, abs=0.15)


def test_only_what_shows_a_horizon_sees_the_skyline():
    one = world(10, plan=(*hover(15.0), *pan(12.0, 360.0)), surface="unknown")
    mixed = before_a_line(one, clips=[one.tracks[0].clip])
    witnesses = Witnesses(mixed.residuals(), mixed.logs, mixed.tracks, mixed.clocks)
    model = model_of(witnesses, mixed.shoot)
    solution = solution_of(witnesses, mixed.shoot)
    line = (model.blocks["clip"] == one.tracks[0].clip).to_numpy()
    assert 0 < line.sum() < len(line)
    sky = [k for k, name in enumerate(solution.model.names) if name.startswith(("skyline", "dip"))]
    both = np.tile(line, 2)
    rows = solution.best_columns[: 2 * len(line)][:, sky]
    assert (rows[both] == 0).all()
    assert (np.abs(rows[~both]).max(axis=0) > 0).all()
    assert {"skyline_north", "dip", "line_roll:plumb_line upright"} <= set(solution.model.names)


def test_the_noise_of_pitch_is_that_of_pitch_that_was_measured():
    """The zeros of a single line's pitch must not make the horizon's look better than it is."""
    one = world(12, plan=(*hover(8.0), *pan(12.0, 360.0), *hover(30.0)), surface="sea")
    alone = dataclasses.replace(one, tracks=one.tracks[:2], clocks=one.clocks[:2])
    mixed = before_a_line(one, clips=[one.tracks[2].clip])
    plain, lined = inferred(alone)[1], inferred(mixed)[1]
    assert lined.fits[lined.best].sd[1] == pytest.approx(plain.fits[plain.best].sd[1], rel=0.15)
    n = len(lined.model.blocks)
    line = lined.model.blocks["clip"].isin(lined.model.lines).to_numpy()
    assert set(lined.noise.component[n : 2 * n][line]) == {2}
    assert set(lined.noise.component[n : 2 * n][~line]) == {1}


def test_bench_holds_split_what_one_plumb_line_shows_in_sum():
    one = before_a_line(world(11, plan=hover(20.0), offset_deg=0.7))
    offset_g = np.radians(0.7)
    holds = [
        Hold(name, np.array([way, 0.0, 0.0]), np.array([way + offset_g, 0.0, 0.0]), 2e-4, 0.1)
        for name, way in (("left.csv", 1.0), ("right.csv", -1.0))
    ]
    alone, both = inferred(one)[0], inferred(one, holds)[0]
    assert not alone.offset_mg["sideways"].determined
    assert both.offset_mg["sideways"].determined
    assert both.offset_shown_by == "bench holds"
    assert abs(both.offset_lean.value - 0.7) < both.offset_lean.half_width < 0.2
    assert abs(both.lean.value - one.truth.lean_deg) < both.lean.half_width


@pytest.mark.long
def test_the_stated_uncertainty_of_the_lean_is_honest():
    errors = []
    for seed in range(8):
        one = before_a_line(world(40 + seed, plan=HELD))
        lean = inferred(one)[0].lean
        errors.append((lean.value - one.truth.lean_deg) / lean.half_width)
    assert np.abs(errors).max() < 1.3
    assert np.mean(np.abs(errors) < 1) >= 7 / 8
