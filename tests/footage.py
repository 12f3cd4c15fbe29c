"""A shoot filmed through a known lens while the camera tilts: what a lens found in footage is tested on."""

import cv2
import numpy as np
import pandas as pd

from attitude.dip import dip_rad
from horizon.angles import directions, up_from_angles
from horizon.bundle import SeenHorizon
from horizon.coded import write_clip
from horizon.lens import Lens
from horizon.synthetic import draw_planar, make_scene

FPS, HEIGHT_M = 8.0, 20.0
ASIDE_DEG = 0.7  # pitch of the camera over its sensor


def tilting_shoot(folder, lens, *, reach_deg, rng, lasts_s=40.0, hfov_deg=None, log_sd_deg=0.03, entries=""):
    """Write clip, log and sheet: two slow tilts by ``reach_deg`` to either side, the second rolled by 15 deg.

    Returns the sheet.
    """
    folder.mkdir(parents=True, exist_ok=True)
    t_s = np.arange(0, lasts_s, 1 / FPS)
    true = pd.DataFrame(attitude(t_s, lasts_s, reach_deg))
    scene = make_scene("sea", rng=rng, height_m=HEIGHT_M, dip_rad=dip_rad(HEIGHT_M), visibility_km=60.0)
    frames = (
        draw_planar(scene, lens, roll_deg=row.roll_deg, pitch_deg=row.pitch_deg, t_s=row.t_s, rng=rng)
        for row in true.itertuples()
    )
    write_clip(folder / "tilt.mp4", frames, FPS)
    log_t_s = np.arange(-5.0, lasts_s + 5.0, 0.02)
    log = pd.DataFrame(attitude(log_t_s, lasts_s, reach_deg))
    log["pitch_deg"] += -ASIDE_DEG + rng.normal(0, log_sd_deg, len(log))
    log["roll_deg"] += rng.normal(0, log_sd_deg, len(log))
    log["t_s"] += 105.0
    log[["t_s", "roll_deg", "pitch_deg", "yaw_deg"]].to_csv(folder / "log.csv", index=False)
    stated = f"[camera]\nhfov_deg = {hfov_deg}\n" if hfov_deg else ""
    sheet = folder / "shoot.toml"
    sheet.write_text(
        f'title = "tilting"\n[horizon]\nsurface = "sea"\nheight_m = {HEIGHT_M}\n{stated}{entries}'
        '[[log]]\nfile = "log.csv"\nattitude_of = "camera_sensor"\n[[clip]]\nfile = "tilt.mp4"\n',
        encoding="utf-8",
    )
    return sheet


def attitude(t_s, lasts_s, reach_deg):
    """Roll, pitch and yaw at clip times, deg."""
    at = np.clip(t_s, 0, lasts_s) / lasts_s
    pitch_deg = reach_deg * np.sin(4 * np.pi * at)
    roll_deg = 15.0 / (1 + np.exp(-(at - 0.5) * 40)) + 1.5 * np.sin(2 * np.pi * 7 * at)
    return {"t_s": t_s, "roll_deg": roll_deg, "pitch_deg": pitch_deg, "yaw_deg": 5.0 * at}


def known_lens(hfov_deg, width_px=1920, height_px=1080):
    """A lens that covers this angle: Brown's first term at 60 and 90 deg, a fisheye at 120."""
    middle = ((width_px - 1) / 2, (height_px - 1) / 2)
    half_rad = np.radians(hfov_deg / 2)
    if hfov_deg > 100:
        terms = (-0.02, 0.004, 0.0, 0.0)
        f_px = width_px / 2 / (half_rad * (1 + terms[0] * half_rad**2 + terms[1] * half_rad**4))
        return Lens(width_px, height_px, f_px, f_px, *middle, "fisheye", terms)
    k1, side = -0.12, np.tan(half_rad)
    f_px = width_px / 2 / (side * (1 + k1 * side**2))
    return Lens(width_px, height_px, f_px, f_px, *middle, "brown", (k1, 0.0, 0.0, 0.0, 0.0))


def projected(lens, ray):
    """Pixels (n, 2) of rays, by OpenCV's own projection; NaN behind the camera."""
    still, flat = np.zeros(3), np.ascontiguousarray(ray, float).reshape(-1, 1, 3)
    if lens.model == "fisheye":
        seen = cv2.fisheye.projectPoints(flat, still, still, lens.matrix, np.array(lens.distortion))[0]
    else:
        seen = cv2.projectPoints(flat, still, still, lens.matrix, np.array(lens.distortion))[0]
    return np.where(ray[:, 2:] > 0.05, seen.reshape(-1, 2), np.nan)


def seen_horizons(
    lens,
    hfov_deg,
    rng,
    *,
    count=20,
    reach=0.15,
    log_sd_deg=0.1,
    white_px=0.3,
    bound_px=0.3,
    windows=2,
    points_each=90,
):
    """Horizons over +-``reach`` of the field of view, rolled by up to 25 deg, with a log beside a constant.

    Their points err by so much alone, and by so much together with their neighbours. windows : of the log, in
    each of which its constant is another unknown.
    """
    seen = []
    for k in range(count):
        pitch = np.radians(hfov_deg * rng.uniform(-reach, reach))
        roll = np.radians(rng.uniform(-25, 25))
        ray = directions(up_from_angles(roll, pitch), np.linspace(-1.3, 1.3, 3000))
        # Far outside the picture the polynomial turns back.
        points = projected(lens, ray[ray[:, 2] > np.cos(np.radians(0.62 * hfov_deg))])
        inside = (points > 2).all(axis=1) & (points < [lens.width_px - 3, lens.height_px - 3]).all(axis=1)
        points = points[inside]
        along = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
        at = np.linspace(0, along[-1], points_each)
        points = np.column_stack([np.interp(at, along, points[:, i]) for i in (0, 1)])
        way = np.gradient(points, axis=0)
        across = np.column_stack([-way[:, 1], way[:, 0]]) / np.linalg.norm(way, axis=1)[:, None]
        bound = np.convolve(rng.normal(size=points_each + 8), np.ones(9) / 3, "valid")
        points = points + across * (white_px * rng.normal(size=points_each) + bound_px * bound)[:, None]
        rough = up_from_angles(roll + rng.normal(0, 0.01), pitch + rng.normal(0, 0.01))
        logged = pitch + np.radians(1.0 + rng.normal(0, log_sd_deg))
        seen.append(SeenHorizon(points, rough, 0.0, logged, np.radians(0.1), windows * k // count))
    return seen
