"""``python -m tests.bench.line_to_verdict --shoots 200``: the bench card from simulated line to verdict.

A sensor with an offset, a camera out of square, or neither (0.5 to 1.5 deg, everything else of healthy size,
0.08 deg, cross-axis too; 1 % of scale) is filmed before a plumb line, or before a laser line that is off
level by 0.2 mm/m, on a wall 2.5 deg from square and 1 deg off lens height; its six faces are held by a bubble
of 0.25 deg. What the intervals allow for is drawn of that size: 1 deg of pitch between camera and sensor,
0.5 mg by which the offset differs between cube and line, 0.05 deg of play, 0.03 deg of the picture (lens,
rolling shutter). The
camera's true attitude plus noise stands for the measured line; log, filter and camera are simulated, and
everything after the measuring is the tool's own: the line read at the log's pitch, the check of the six
faces, the inference, the verdict. Which action is right is judged where the lean is 0.15 deg or more from
the tolerance, twice what one shoot differs by from the next.
"""

import argparse
import json
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
import pandas as pd

from attitude.bench import ANOTHER_DAY_G, read_holds
from attitude.capture import CaptureSheet
from attitude.face_check import check_capture
from attitude.face_result import faces_result
from attitude.infer import MG_PER_DEG, PICTURE_SD_DEG, Witnesses, infer, solution_of
from attitude.plans import Stage, hover, upside_down
from attitude.reference_lines import LOGGED_PITCH_SD_DEG, at_logged_pitch
from attitude.residuals import residuals
from attitude.sheet import BenchSheet
from attitude.unknowns import FLEX_DEG, INFLATE
from attitude.verdict import judge
from horizon.clip import ClipFacts
from horizon.level import ROLL_ONLY
from horizon.measure import ClipTrack
from tests.bench.inference import ACTIONS, HEALTHY_DEG, WARM_S, drawn, settled_truth
from tests.bench.tables import bounds
from tests.captures import Board, capture
from tests.lines_scenes import in_camera
from tests.rates import film_flights

__all__ = ["bench_shoot", "rolled"]

SEED, BUBBLE_DEG, LASER_DEG = 8_000, 0.25, float(np.degrees(0.2e-3))
CAUSES = ("sensor_offset", "mounting", "none")
AXES = ("x", "y", "z")
TOLERANCE_DEG, CLEAR_DEG = 0.5, 0.15


def rolled():
    """Three rolls by hand, to either side in turn, with uneven pauses."""
    stages = []
    for roll_deg, pause_s in ((25.0, 0.9), (-25.0, 1.5), (25.0, 0.8)):
        stages += [Stage("wiggle", 3.0, roll_deg=roll_deg, transition_s=3.0)]
        stages += [Stage("wiggle", 3.0 + pause_s, transition_s=3.0)]
    return tuple(stages)


CARD = (*rolled(), *hover(25.0), *hover(25.0, shot="upside_down"), *upside_down(25.0), *rolled())
# Name: what is filmed, before which line, and which faces are held.
SHOOTS = {
    "card, plumb line": (CARD, "plumb_line", 6),
    "card, laser line": (CARD, "level_line", 6),
    "one clip and six faces": (hover(25.0), "plumb_line", 6),
    "turned over, no faces": (CARD, "plumb_line", 0),
    "one clip and two faces": (hover(25.0), "plumb_line", 2),
}


def bench_shoot(rng, cause, name):
    """Verdict and causes of one bench shoot, its truth, and by how much the camera sags upright, deg."""
    plan, kind, faces = SHOOTS[name]
    rig, _, _ = drawn(rng, cause)
    cross = rng.normal(0, np.radians(HEALTHY_DEG), (3, 3)) * (1 - np.eye(3))
    scale = rng.normal(0, 0.01, 3)
    errors = replace(rig.errors, scale=tuple(scale), cross_axis=tuple(map(tuple, cross)))
    roll_deg, _, yaw_deg = rig.mounting_deg
    seat_deg = (roll_deg, float(rng.normal(0, LOGGED_PITCH_SD_DEG)), yaw_deg)
    rig = replace(rig, errors=errors, powered_on_s=WARM_S, mounting_deg=seat_deg)
    truth, flex_deg = settled_truth(rig), float(rng.normal(0, INFLATE * FLEX_DEG))
    noise = (0.02, float(rng.uniform(0.005, 0.03)), 1.0)
    world = film_flights([(rig, plan, None)], rng, truth, noise=noise, fps=5.0, flex_deg=flex_deg)
    line_deg = float(rng.normal(0, LASER_DEG)) if kind == "level_line" else 0.0
    aside, wall, rise = np.tan(rng.uniform(-0.05, 0.05)), *np.radians(rng.normal(0, [2.5, 1.0]))
    picture_deg = float(rng.normal(0, PICTURE_SD_DEG))
    tracks = [line_track(one, kind, line_deg, aside, (wall, rise), picture_deg) for one in world.tracks]
    clips = tuple(replace(clip, reference=kind, level_accuracy_deg=LASER_DEG) for clip in world.shoot.clips)
    shoot = replace(world.shoot, clips=clips, rig_kind="bench")
    tracks = at_logged_pitch(tracks, world.logs, world.clocks, shoot)
    holds = ()
    if faces:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "faces.json"
            path.write_text(json.dumps(captured(rng, errors, faces)), encoding="utf-8")
            shoot = replace(shoot, bench=(BenchSheet(path, constants="none"),))
            holds = read_holds(shoot)
    witnesses = Witnesses(
        residuals(tracks, world.logs, world.clocks, shoot), world.logs, tracks, world.clocks, holds=holds
    )
    causes = infer(witnesses, shoot, solution_of(witnesses, shoot))
    return judge(causes, shoot), causes, truth, flex_deg


def line_track(filmed, kind, line_deg, aside, wall_rise, picture_deg):
    """What a line in place of the horizon shows: its normals, and what is read without the log's pitch.

    line_deg : the laser off level. aside : tangent of the string's azimuth. wall_rise : rad, of the wall
    from square, and of the laser's line above the lens. picture_deg : by which the picture itself is turned.
    """
    table = filmed.track
    rolls_deg, pitches_deg = (table[c].to_numpy() for c in ("roll_deg", "pitch_deg"))
    if kind == "plumb_line":
        ends = [[aside, -0.4, 1.0], [aside, 0.7, 1.0]]
    else:
        wall, rise = wall_rise
        ends = [[x * np.cos(wall), -np.tan(rise), 1 + x * np.sin(wall)] for x in (-0.5, 0.6)]
    seen = [
        in_camera(np.array(ends), roll - line_deg + picture_deg, pitch)
        for roll, pitch in zip(rolls_deg, pitches_deg, strict=True)
    ]
    normals = np.array([np.cross(*one) for one in seen])
    normals /= np.linalg.norm(normals, axis=1)[:, None]
    facts = ClipFacts(Path(filmed.clip), 1920, 1080, len(table) / 5.0, 5.0, 0, "h264", None)
    pans = pd.DataFrame(columns=["t_s", "yaw_rate_dps", "yaw_rate_sd_dps"], dtype=float)
    # What it reads without the log: the log's pitch comes later.
    table = table.assign(roll_deg=0.0, pitch_deg=0.0, claims=ROLL_ONLY)
    if kind == "level_line":
        shared_deg = np.hypot(table["shared_roll_sd_deg"], LASER_DEG)
        roll_deg = np.hypot(table["roll_sd_deg"], LASER_DEG)
        table = table.assign(shared_roll_sd_deg=shared_deg, roll_sd_deg=roll_deg)
    return ClipTrack(filmed.clip, table, facts, len(table), "", "unknown", 0.0, pans, None, kind, normals)


def captured(rng, errors, faces):
    """A checked capture of the same sensor, as ``faces.json`` holds it."""
    offset_mg = np.array(errors.offset_mg) + rng.normal(0, 1000 * ANOTHER_DAY_G, 3)
    board = Board(offset_mg / 1000, 1 + np.array(errors.scale), np.array(errors.cross_axis))
    # Camera down is the board's y: -y up is upright.
    held = ("+x", "-x", "+y", "-y", "+z", "-z") if faces == 6 else ("+y", "-y")
    sheet = CaptureSheet(Path("cube.csv"), (), sensor_axes=AXES, bubble_deg=BUBBLE_DEG)
    tilts = rng.normal(0, BUBBLE_DEG, (len(held), 2))
    return faces_result(check_capture(sheet, capture(rng, board, tilts, faces=held)), "", None, None)


def judged(task):
    """Errors and half-widths of offset, mounting and lean, deg; action, and the right one where clear."""
    name, number = task
    rng = np.random.default_rng([SEED, list(SHOOTS).index(name), number])
    cause = CAUSES[number % len(CAUSES)]
    verdict, causes, truth, flex_deg = bench_shoot(rng, cause, name)
    lean_deg = truth.lean_deg + flex_deg
    offset, seat, lean = causes.offset_mg["sideways"], causes.mounting_deg["roll"], causes.lean
    rows = [
        (offset.value / MG_PER_DEG - truth.offset_deg[0], offset.half_width / MG_PER_DEG),
        (seat.value - truth.mounting_deg[0], seat.half_width),
        (lean.value - lean_deg, lean.half_width),
    ]
    beyond_deg = abs(lean_deg) - TOLERANCE_DEG
    clear = abs(beyond_deg) >= CLEAR_DEG and not (cause == "none" and beyond_deg > 0)
    right = ACTIONS[cause] if beyond_deg > 0 else "leave"
    return rows, verdict.action, right if clear else ""


def main():
    """Print a row per kind of bench shoot."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shoots", type=int, default=200)
    count = parser.parse_args().shoots
    print("| bench shoot | offset held | mounting held | lean held | ± offset, mounting | right action |")
    print("|---|---|---|---|---|---|")
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for name in SHOOTS:
            found = list(pool.map(judged, [(name, k) for k in range(count)], chunksize=5))
            rows = np.array([one[0] for one in found])
            held = np.sum(np.abs(rows[:, :, 0]) <= rows[:, :, 1], axis=0)
            half = np.median(rows[:, :, 1], axis=0)
            said = " | ".join(bounds(int(one), count) for one in held)
            clear = [one[1:] for one in found if one[2]]
            right = bounds(sum(action == best for action, best in clear), len(clear))
            sizes = f"{half[0]:.2f}, {half[1]:.2f} deg"
            print(f"| {name} | {said} | {sizes} | {right} of {len(clear)} |", flush=True)
            others = Counter(f"{action}, not {best}" for action, best in clear if action != best)
            if others:
                print(f"  {dict(others)}", flush=True)


if __name__ == "__main__":
    main()
