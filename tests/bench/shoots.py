"""How often whole shoots come out right, one cause each: python -m tests.bench.shoots --seeds 2.

A simulated sensor with one fault of 0.6 to 1.5 deg among healthy errors levels a simulated camera; what that
sees is drawn, encoded, decoded, measured, aligned and judged. The sheet tells no shot: what was filmed must
be found. Then four shoots that must not be judged, because log and picture do not belong together.
Everything in them is invented.

An action is right when it is the one that the fault calls for, open when the question is left open or the
input refused, wrong otherwise. A cause is named from 90 in 100. A spoilt shoot is noticed when no cause is
claimed and the reasons say what is wrong with it.
"""

import argparse
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context
from pathlib import Path

import numpy as np
from scipy.ndimage import gaussian_filter1d
from scipy.spatial.transform import Rotation

from attitude.check import check
from attitude.dip import dip_rad
from attitude.infer import MG_PER_DEG
from attitude.plans import Plan, Stage, figure_of_eight, hover, pan, upside_down, wiggle
from attitude.simulate import Rig, SensorErrors, fly, log_time_s, truth_at
from horizon.coded import write_clip
from horizon.lens import lens_from_hfov
from horizon.synthetic import draw_planar, make_scene
from tests.bench.inference import ACTIONS as CALLED_FOR

SIZE_PX, FPS, HFOV_DEG, HEIGHT_M = (640, 360), 10.0, 70.0, 9.0
UNSEEN = 8_000_000
HEALTHY_SD_DEG, GYRO_SD_DPS = 0.05, 0.004
NAMED = 0.9
SPEED_MPS, TURN_DPS = 8.0, 30.0
LEAN_PER_LEAK_DEG = np.degrees(SPEED_MPS * np.radians(TURN_DPS) / 9.80665)
SMOOTH_S = 1.5

# Cause -> action that it calls for. A skyline that leans is no fault of the rig: it is left alone.
ACTIONS = {name: action for name, action in CALLED_FOR.items() if not name.startswith("gyro_bias")}
# What is wrong with the shoot -> words of which one must stand in the reasons.
SPOILT = {
    "another_body": ("another body",),
    "joint_angles": ("joint angles",),
    "stabilised": ("stabilised", "turned afterwards"),
    "turned_by_camera": ("turned the picture",),
}

LEVEL: Plan = (*hover(3.0), *wiggle(), *hover(22.0), *pan(8.0, 360.0))
FULL: Plan = (*LEVEL, *upside_down(25.0))
# Held by hand: small quick rolls, which stabilising takes out of the picture and leaves in the log.
UNSTEADY: Plan = tuple(
    Stage("ordinary", 0.6, roll_deg=float(roll_deg), transition_s=0.6)
    for roll_deg in 0.8 * np.sin(2.4 * np.arange(60))
)
WAIT: Plan = (Stage("ordinary", 480.0),)
WALK: Plan = (Stage("ordinary", 6.0, yaw_rate_dps=4.0), Stage("ordinary", 4.0))


@dataclass(frozen=True)
class Outcome:
    """One shoot judged. lean, truth_deg: found (as in the result) and put in. reasons: all in one text."""

    name: str
    seed: int
    size_deg: float
    action: str
    cause: str
    probability: float
    lean: dict
    truth_deg: float
    reasons: str

    @property
    def standing(self) -> str:
        """``right``, ``open`` or ``wrong``; ``noticed`` or ``missed`` of a spoilt one."""
        if self.name in SPOILT:
            # What is left of a shoot that the camera turned in part is sound: the true cause may be named.
            harmless = ("", "none", "sensor_offset" if self.name == "turned_by_camera" else "")
            claimed = self.action not in ("open", "leave", "refused") or self.cause_named not in harmless
            said = any(words in self.reasons for words in SPOILT[self.name])
            return "noticed" if said and not claimed else "missed"
        if self.action in ("open", "refused"):
            return "open"
        return "right" if self.action == ACTIONS[self.name] else "wrong"

    @property
    def cause_named(self) -> str:
        """The cause if it is probable enough to be named."""
        return self.cause if self.probability >= NAMED else ""

    @property
    def covered(self) -> bool | None:
        """Whether the lean's interval holds the truth; None where no lean is given."""
        if self.lean is None or self.lean["value"] is None:
            return None
        return self.lean["low"] <= self.truth_deg <= self.lean["high"]


def takes_of(name: str) -> tuple[tuple[Plan, Plan], ...]:
    """What is filmed, and what is flown after it unfilmed, of each clip of a shoot."""
    if name == "turns":
        eight = figure_of_eight(speed_mps=SPEED_MPS, rate_dps=TURN_DPS)
        return (((*FULL, *hover(4.0, shot="ordinary"), *eight), WALK),)
    if name == "warm_up":
        return (((*hover(3.0), *wiggle(), *hover(22.0)), WAIT), (FULL, WALK))
    if name == "stabilised":
        return (((*LEVEL, *UNSTEADY), WALK),)
    return (((LEVEL if name in ("another_body", "joint_angles") else FULL), WALK),)


def rig_of(name: str, size_deg: float, rng: np.random.Generator) -> tuple[Rig, float]:
    """A rig of healthy errors with one fault, and the lean it has when settled, warm and level, deg."""
    offset, mounting = rng.normal(0, HEALTHY_SD_DEG, (2, 3))
    gyro_dps = rng.normal(0, GYRO_SD_DPS, 3)
    tau_s = float(rng.uniform(3, 5))
    if name == "sensor_offset" or name in SPOILT:
        offset[0] = size_deg
    elif name == "mounting":
        mounting[0] = size_deg
    warm_mg = (size_deg * MG_PER_DEG, 0.0, 0.0) if name == "warm_up" else (0.0, 0.0, 0.0)
    errors = SensorErrors(
        offset_mg=(*(offset * MG_PER_DEG),), gyro_bias_dps=(*gyro_dps,), warm_up_mg=warm_mg, warm_up_s=300.0
    )
    # In a steady turn the filter lets 1 / (1 + (rate x tau)^2) of the lean through.
    smear = 1 + (np.radians(TURN_DPS) * tau_s) ** 2
    rig = Rig(
        errors=errors,
        mounting_deg=(*mounting,),
        time_constant_s=tau_s,
        leak=abs(size_deg) * smear / LEAN_PER_LEAK_DEG if name == "turns" else 0.02,
        hold_deg=(size_deg, 0.0) if name == "not_held" else (0.0, 0.0),
        powered_on_s=0.0 if name == "warm_up" else -1800.0,
    )
    # A bias of the gyro about the lens axis leans the camera like a turned seat: -tau times the bias.
    return rig, float(offset[0] + mounting[0] - tau_s * gyro_dps[2])


def scene_of(surface: str, size_deg: float, rng: np.random.Generator):
    """The surroundings, with a skyline that leans by ``size_deg`` to one side wherever there is land."""
    scene = make_scene(
        surface,
        rng=rng,
        height_m=HEIGHT_M,
        dip_rad=dip_rad(HEIGHT_M),
        visibility_km=float(rng.uniform(30, 70)),
        hill_deg=0.3,
        noise_sd=1.2,
    )
    if surface == "sea":
        return scene
    azimuth_deg = np.arange(-180, 180) - rng.uniform(-180, 180)
    slope = np.radians(size_deg) * np.cos(np.radians(azimuth_deg))
    return replace(scene, skyline=(scene.skyline + slope).astype(np.float32))


def surface_of(name: str, seed: int) -> str:
    """Land where the skyline is to blame, open sea elsewhere."""
    return ("plain", "hills")[seed % 2] if name == "ground_not_level" else "sea"


def written_log(name: str, log, rng: np.random.Generator):
    """The log as written: rounded, with velocity where the turns are filmed, of another body where spoilt."""
    table = log[["t_s", "roll_deg", "pitch_deg", "yaw_deg"]].copy()
    if name in ("another_body", "joint_angles"):
        rock = gaussian_filter1d(rng.normal(size=(2, len(table))), 75, axis=1)
        rock *= np.array([[6.0], [4.0]]) / rock.std(axis=1, keepdims=True)
        if name == "another_body":
            table["roll_deg"], table["pitch_deg"] = rock
        else:
            # The arm takes back what the body does; the body turns with the camera's heading.
            body = Rotation.from_euler("YXZ", np.column_stack([0 * rock[0], rock[1], rock[0]]), degrees=True)
            camera = table[["yaw_deg", "pitch_deg", "roll_deg"]].assign(yaw_deg=0.0)
            arm = body.inv() * Rotation.from_euler("YXZ", camera.to_numpy(), degrees=True)
            table[["yaw_deg", "pitch_deg", "roll_deg"]] = arm.as_euler("YXZ", degrees=True)
    if name == "turns":
        table["vn"], table["ve"] = log["velocity_north_mps"], log["velocity_east_mps"]
    return table.round(3)


def make_shoot(name: str, seed: int, folder: Path) -> tuple[float, float]:
    """Write one shoot; returns the size of its fault and its settled lean, deg."""
    number = [*ACTIONS, *SPOILT].index(name)
    rng = np.random.default_rng(UNSEEN + 1000 * number + seed)
    size_deg = float(rng.choice([-1, 1]) * rng.uniform(0.6, 1.5)) * (name != "none")
    rig, lean_deg = rig_of(name, size_deg, rng)
    takes = takes_of(name)
    plan: Plan = tuple(stage for filmed, after in takes for stage in (*filmed, *after))
    flight = fly(rig, plan, rng=rng, clock_offset_s=float(rng.uniform(40, 300)), clock_ppm=20.0)
    surface = surface_of(name, seed)
    scene, lens = scene_of(surface, size_deg, rng), lens_from_hfov(*SIZE_PX, HFOV_DEG)
    sheet = [
        'title = "Invented shoot"',
        f'[horizon]\nsurface = "{surface}"\nheight_m = {HEIGHT_M}',
        f"[camera]\nhfov_deg = {HFOV_DEG}",
        '[[log]]\nfile = "attitude.csv"\nattitude_of = "camera_sensor"',
    ]
    if name == "turns":
        sheet.append('velocity_mps = ["vn", "ve"]')
    if name == "warm_up":
        sheet.append(f"powered_on_s = {log_time_s(flight, 0.0):.2f}")
    start_s = 0.0
    for k, (filmed, after) in enumerate(takes):
        length_s = sum(stage.duration_s for stage in filmed)
        write_clip(
            folder / f"{k}.mp4", _pictures(name, scene, lens, flight, start_s, length_s, rng), FPS, crf=26
        )
        sheet.append(f'[[clip]]\nfile = "{k}.mp4"')
        if name in SPOILT or len(takes) > 1:
            # Two takes that begin with the very same motion cannot be placed by it. And whose log it is must
            # be noticed even where the sheet tells when it was filmed.
            sheet.append(f"log_start_s = {log_time_s(flight, start_s):.2f}")
        start_s += length_s + sum(stage.duration_s for stage in after)
    written_log(name, flight.log, rng).to_csv(folder / "attitude.csv", index=False)
    (folder / "shoot.toml").write_text("\n".join(sheet) + "\n", encoding="utf-8")
    return size_deg, lean_deg


def _pictures(name, scene, lens, flight, start_s, length_s, rng):
    times_s = start_s + np.arange(round(length_s * FPS)) / FPS
    true = truth_at(flight, times_s)
    if name == "stabilised":
        for column in ("roll_deg", "pitch_deg", "yaw_deg"):
            angle_deg = np.unwrap(true[column], period=360.0)
            true[column] = gaussian_filter1d(angle_deg, SMOOTH_S * FPS, mode="nearest")
    for row in true.itertuples():
        roll_deg, pitch_deg = row.roll_deg, row.pitch_deg
        turned = name == "turned_by_camera" and abs(roll_deg) > 90
        yield draw_planar(
            scene,
            lens,
            roll_deg=float(roll_deg) + 180.0 * turned,
            pitch_deg=float(pitch_deg),
            yaw_deg=float(row.yaw_deg),
            t_s=float(row.t_s),
            rng=rng,
        )


def one(name: str, seed: int) -> Outcome:
    """Make and judge one shoot."""
    with tempfile.TemporaryDirectory() as made:
        size_deg, lean_deg = make_shoot(name, seed, Path(made))
        try:
            result = check(Path(made))[0].result
        except ValueError as error:
            nothing = {"value": None}
            return Outcome(name, seed, size_deg, "refused", "", 0.0, nothing, lean_deg, str(error))
    causes = result["causes"]
    first = causes[0] if causes else {"name": "", "probability": 0.0}
    return Outcome(
        name,
        seed,
        size_deg,
        result["verdict"]["action"],
        first["name"],
        first["probability"],
        result["lean_deg"],
        lean_deg,
        " | ".join([result["verdict"]["headline"], *result["verdict"]["reasons"]]),
    )


def line(found: Outcome) -> str:
    """One shoot in a line, with its reasons where it is not as it should be."""
    lean = "no lean"
    if found.covered is not None:
        half = (found.lean["high"] - found.lean["low"]) / 2
        lean = f"lean {found.lean['value']:+.3f} ± {half:.3f}, truth {found.truth_deg:+.3f} deg"
    cause = f"{found.cause} {100 * found.probability:.0f} in 100" if found.cause else "no cause"
    words = f"{found.name} {found.seed} ({found.size_deg:+.2f} deg): {found.standing}: {found.action}; "
    words += f"{cause}; {lean}"
    return words if found.standing in ("right", "noticed") else f"{words}\n    {found.reasons}"


def totals(found: list[Outcome]) -> list[str]:
    """Counts over the faults and over the spoilt ones."""
    faults = [one for one in found if one.name in ACTIONS]
    standing = Counter(one.standing for one in found)
    named = Counter(
        "open" if not one.cause_named else "right" if one.cause_named == one.name else "wrong"
        for one in faults
    )
    known = [one.covered for one in faults if one.covered is not None]
    spoilt = standing["noticed"] + standing["missed"]
    action, cause = (
        f"right {count['right']}, wrong {count['wrong']}, open {count['open']} of {len(faults)}"
        for count in (standing, named)
    )
    return [
        f"action: {action}",
        f"cause: {cause}",
        f"lean inside its interval: {sum(known)} of {len(known)}",
        f"spoilt shoots noticed: {standing['noticed']} of {spoilt}",
    ]


def main() -> None:
    """Print a line per shoot, then the totals."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=2, help="shoots per cause; spoilt ones are made once")
    seeds = parser.parse_args().seeds
    jobs = [(name, seed) for name in ACTIONS for seed in range(seeds)] + [(name, 0) for name in SPOILT]
    found = []
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for outcome in pool.map(one, *zip(*jobs, strict=True)):
            found.append(outcome)
            print(line(outcome), flush=True)
    print("\n".join(totals(found)))


if __name__ == "__main__":
    main()
