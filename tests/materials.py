"""Whole shoots for the report's tests: simulated, inferred and judged, with three drawn frames."""

import dataclasses
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from attitude.assumptions import assumptions_of
from attitude.corrections import corrections
from attitude.covariates import covariates
from attitude.findings import Estimate
from attitude.flagged import flagged
from attitude.infer import Witnesses, infer, infer_without_log, solution_of
from attitude.picture import footage_roll, tilt_about_pose
from attitude.report.material import Material, Review, Segment, picture_of
from attitude.result import build_result
from attitude.verdict import judge
from attitude.words import lean_words
from horizon.angles import up_from_angles
from horizon.clip import ClipFacts
from horizon.draw import Caption, captioned, draw_horizon
from horizon.lens import lens_from_hfov
from horizon.measure import ClipTrack
from horizon.synthetic import draw_planar, make_scene
from tests.rates import World, world


def as_clip_track(track, *, size=(1920, 1080), damage=""):
    """A track of the simulation as the measuring gives it."""
    duration_s = float(track.track["t_s"].iloc[-1]) + 0.1
    facts = ClipFacts(Path(track.clip), *size, duration_s, 30.0, 0, "h264", None)
    return ClipTrack(
        track.clip,
        track.track,
        facts,
        round(duration_s * 30),
        damage,
        track.sky,
        track.dip_rad,
        track.yaw_rate,
    )


def drawn_pictures(tracks, count=3):
    """The first measured frame of some clips, drawn at 1280 x 720."""
    rng = np.random.default_rng(5)
    lens = lens_from_hfov(1280, 720, 70.0)
    scene = make_scene("sea", rng=rng, height_m=30.0)
    found = []
    for track in tracks[:count]:
        row = track.track.dropna(subset=["roll_deg"]).iloc[len(track.track) // 2]
        roll, pitch = float(row["roll_deg"]), float(row["pitch_deg"])
        planar = draw_planar(scene, lens, roll_deg=roll, pitch_deg=pitch, rng=rng)
        image = cv2.cvtColor(planar, cv2.COLOR_YUV2BGR_I420)
        up_cam = up_from_angles(np.radians(roll), np.radians(pitch))
        tilt_deg, _ = tilt_about_pose(np.array([roll]))
        time, words = f"{row['t_s']:.1f} s", lean_words(Estimate(float(tilt_deg[0]), row["roll_sd_deg"]))
        drawn = draw_horizon(image, lens, up_cam, dip_rad=scene.dip_rad)
        drawn = captioned(drawn, Caption(words, track.clip, time))
        found.append(picture_of(drawn, f"at {time}", track.clip, float(row["t_s"]), words))
    return tuple(found)


def material_of(one: World, *, with_log=True, damage="", pictures=(), **changes):
    """A shoot through inference, verdict and result. changes : entries of the shoot to replace."""
    shoot = dataclasses.replace(one.shoot, **changes)
    tracks = tuple(
        as_clip_track(track, damage=damage if k == 0 else "") for k, track in enumerate(one.tracks)
    )
    logs, clocks, found = (one.logs, one.clocks, one.residuals()) if with_log else ((), (), None)
    solution = None
    if with_log:
        witnesses = Witnesses(found, logs, one.tracks, clocks)
        solution = solution_of(witnesses, shoot)
        causes = infer(witnesses, shoot, solution)
    else:
        shoot = dataclasses.replace(shoot, logs=())
        causes = infer_without_log(tracks, shoot)
    verdict = judge(causes, shoot)
    assumptions = assumptions_of(shoot, logs, tracks, clocks, found, causes)
    result = build_result(shoot, tracks, clocks, found, causes, verdict, assumptions)
    frames = pd.concat([track.track for track in tracks], ignore_index=True)
    frames["log_roll_deg"] = frames["log_pitch_deg"] = np.nan
    if found is not None:
        frames = frames.drop(columns=["log_roll_deg", "log_pitch_deg"]).merge(
            found.frames[["clip", "frame", "log_roll_deg", "log_pitch_deg"]], on=["clip", "frame"], how="left"
        )
    table = corrections(tracks, shoot, found)
    kept = footage_roll(tracks, shoot, found)
    out = flagged(kept, verdict.tolerance_deg)
    return Material(
        shoot,
        tracks,
        found,
        causes,
        verdict,
        result,
        frames,
        kept,
        table,
        out,
        tuple(pictures),
        covariates=None if solution is None else covariates(solution, logs),
    )


def with_video(material: Material) -> Material:
    """The material as if a review video had been made; the file itself is missing."""
    place, segments = 0.0, []
    for track in material.tracks:
        segments.append(Segment(track.clip, place, track.facts.duration_s))
        place += track.facts.duration_s
    return dataclasses.replace(material, review=Review("review.mp4", 960, 540, tuple(segments)))


@lru_cache(maxsize=8)
def shoot_of(kind: str) -> Material:
    """(a) sensor offset, (b) healthy, (c) mounting, (open) level footage only, (no log)."""
    if kind == "a":
        one = world(3, offset_deg=0.9)
        tracks = [as_clip_track(track) for track in one.tracks]
        return material_of(
            one, pictures=drawn_pictures(tracks), title="Slate Bay, 1 May", calibration="spring"
        )
    if kind == "b":
        return material_of(world(3, offset_deg=0.15))
    if kind == "c":
        return material_of(world(3, mounting_deg=0.8), rig_kind="handheld")
    if kind == "open":
        from attitude.plans import hover

        return material_of(world(4, plan=hover(40.0), offset_deg=0.9))
    if kind == "no log":
        return material_of(world(3, offset_deg=0.9), with_log=False)
    raise KeyError(kind)
