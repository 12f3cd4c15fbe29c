"""A shoot filmed through a known lens while the camera tilts: what a lens found in footage is tested on."""

import numpy as np
import pandas as pd

from attitude.dip import dip_rad
from horizon.clip import write_clip
from horizon.synthetic import draw_planar, make_scene

FPS, HEIGHT_M = 8.0, 20.0
ASIDE_DEG = 0.7  # pitch of the camera over its sensor


def tilting_shoot(folder, lens, *, reach_deg, rng, lasts_s=40.0, hfov_deg=None, log_sd_deg=0.03, entries=""):
    """Write clip, log and sheet: two slow tilts by ``reach_deg`` to either side, the second rolled by 15 deg.

    Returns the sheet and the true attitude of every frame.
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
    return sheet, true


def attitude(t_s, lasts_s, reach_deg):
    """Roll, pitch and yaw at clip times, deg."""
    at = np.clip(t_s, 0, lasts_s) / lasts_s
    pitch_deg = reach_deg * np.sin(4 * np.pi * at)
    roll_deg = 15.0 / (1 + np.exp(-(at - 0.5) * 40)) + 1.5 * np.sin(2 * np.pi * 7 * at)
    return {"t_s": t_s, "roll_deg": roll_deg, "pitch_deg": pitch_deg, "yaw_deg": 5.0 * at}
