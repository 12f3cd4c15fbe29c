"""Whole shoots for the report's tests: simulated, inferred and judged, with three drawn frames."""

import dataclasses
from functools import lru_cache
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from attitude.assumptions import assumptions_of
from attitude.corrections import corrections
from attitude.flagged import flagged
from attitude.infer import infer_without_log
from attitude.picture import footage_roll
from attitude.report.material import Material, Picture
from attitude.result import build_result
from attitude.verdict import judge
from horizon.angles import up_from_angles
from horizon.clip import ClipFacts
from horizon.draw import draw_horizon
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
        drawn = draw_horizon(image, lens, up_cam, dip_rad=scene.dip_rad)
        found.append(Picture(f"at {row['t_s']:.1f} s", track.clip, float(row["t_s"]), drawn))
    return tuple(found)


def material_of(one: World, *, with_log=True, damage="", pictures=(), **changes):
    """A shoot through inference, verdict and result. changes : entries of the shoot to replace."""
    shoot = dataclasses.replace(one.shoot, **changes)
    tracks = tuple(
        as_clip_track(track, damage=damage if k == 0 else "") for k, track in enumerate(one.tracks)
    )
    logs, clocks, found = (one.logs, one.clocks, one.residuals()) if with_log else ((), (), None)
    if with_log:
        causes = dataclasses.replace(one, shoot=shoot).infer()
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
    out = flagged(footage_roll(tracks, shoot, found), verdict.tolerance_deg)
    return Material(shoot, tracks, found, causes, verdict, result, frames, table, out, tuple(pictures))


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
