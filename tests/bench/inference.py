"""How often the inference names the right cause: python -m tests.bench.inference --shoots 300.

Shoots are simulated by the project's own simulator (which shares no formula with the estimator) with one
cause of 0.5 to 1.5 deg and everything else of healthy size, 0.08 deg (the gyro's axes too); sea or plain;
filter constant 2 to 9 s; horizon noise of 0.02 to 0.1 deg. The camera's true attitude plus noise stands for
the measured horizon. ``--plan``: full (the whole protocol), free (four minutes of flying about, nothing
turned over), hover (one of 20 s). ``--what coverage``: how often the 95 % intervals hold the truth in worlds
that the model does not assume. ``--what upside_down``: what that shot alone tells of the offset. ``--what
decisions``: how many of the clear cases are decided.
"""

import argparse
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from multiprocessing import get_context

import numpy as np
from scipy.stats import beta

from attitude.infer import MG_PER_DEG, PICTURE_SD_DEG, Witnesses, solution_of
from attitude.plans import Stage, half_turn, hover, pan, tilt, turns, upside_down, wiggle
from attitude.simulate import Rig, SensorErrors, fly
from attitude.solution import resized
from attitude.unknowns import FLEX_DEG, INFLATE
from attitude.verdict import judge
from tests.rates import RAW, Truth, film_flights

HEALTHY_DEG, SEED = 0.08, 40_000
ACTIONS = {
    "sensor_offset": "recalibrate",
    "mounting": "square_up",
    "turns": "gentler_turns",
    "warm_up": "wait_before_filming",
    "ground_not_level": "leave",
    "not_held": "balance_or_tune",
    "gyro_bias": "square_up",
    "gyro_bias_with_accelerometer": "square_up",
    "none": "leave",
}
NUMBER = {cause: number for number, cause in enumerate(ACTIONS)}
COLD_S, WARM_S = -20.0, -540.0
CIRCLE = {"speed_mps": 8.0, "rate_dps": 30.0}
EIGHT = (*turns(24.0, **CIRCLE)[:1], *turns(24.0, **CIRCLE | {"rate_dps": -30.0}))
FULL = (
    *wiggle(),
    *hover(20.0),
    *pan(6.0, 360.0),
    *upside_down(25.0),
    *half_turn(),
    *half_turn(),
    *EIGHT,
    *tilt(15.0),
    *wiggle(),
)
# Four minutes of flying about; nothing is turned over, nothing is named.
ABOUT = (
    Stage("ordinary", 4.0),
    *hover(12.0, shot="free"),
    *(replace(stage, shot="free") for stage in turns(20.0, speed_mps=6.0, rate_dps=18.0)),
    *(replace(stage, shot="free") for stage in pan(-10.0, 200.0)),
    *hover(10.0, pitch_deg=-8.0, shot="free"),
    Stage("free", 15.0, speed_mps=9.0, transition_s=6.0),
    Stage("free", 12.0, speed_mps=9.0, course_rate_dps=-20.0, yaw_rate_dps=-20.0, transition_s=2.0),
    Stage("free", 15.0, speed_mps=0.0, transition_s=6.0),
    *(replace(stage, shot="free") for stage in half_turn()),
    *hover(15.0, shot="free"),
    *(replace(stage, shot="free") for stage in tilt(15.0)),
    *(replace(stage, shot="free") for stage in turns(25.0, speed_mps=8.0, rate_dps=-25.0)),
    *(replace(stage, shot="free") for stage in half_turn()),
    *(replace(stage, shot="free") for stage in pan(12.0, 300.0)),
    *hover(15.0, shot="free"),
)


def drawn(rng, cause, *, tau_s=None, second=None, **rig):
    """A rig with one cause of 0.5 to 1.5 deg, a second at half that, and the rest healthy; the skyline."""
    tau_s = float(np.exp(rng.uniform(np.log(2.0), np.log(9.0)))) if tau_s is None else tau_s
    offset, mounting, gyro = rng.normal(0, HEALTHY_DEG, (3, 3))
    warm_mg, warm_gyro, hold = np.zeros(3), np.zeros(3), rng.normal(0, 0.02, 2)
    skyline, leak = np.zeros(2), abs(rng.normal(0, 0.005))
    for name, share in ((cause, 1.0), (second, 0.5)):
        size = share * rng.uniform(0.5, 1.5) * rng.choice([-1, 1])
        if name == "sensor_offset":
            offset[0] = size
        elif name == "mounting":
            mounting[0] = size
        elif name == "gyro_bias":
            gyro[2] = -np.sign(size) * share * 0.5
        elif name == "turns":
            steady = np.rad2deg(8.0 * np.deg2rad(30.0) / 9.81) / np.hypot(1, np.deg2rad(30.0) * tau_s)
            leak = abs(size) / steady
        elif name == "warm_up":
            if rng.random() < 0.5:
                warm_mg[0] = size * MG_PER_DEG
            else:
                warm_gyro[2] = -size / tau_s
        elif name == "ground_not_level":
            towards = rng.uniform(0, 2 * np.pi)
            skyline = abs(size) * np.array([np.cos(towards), np.sin(towards)])
        elif name == "not_held":
            hold[0] = size
    errors = SensorErrors(
        offset_mg=tuple(offset * MG_PER_DEG),
        gyro_bias_dps=tuple(gyro / tau_s),
        warm_up_mg=tuple(warm_mg),
        gyro_warm_up_dps=tuple(warm_gyro),
        gyro_misalignment_deg=tuple(rng.normal(0, HEALTHY_DEG, 3)),
    )
    rig = Rig(
        errors=errors,
        mounting_deg=tuple(mounting),
        time_constant_s=tau_s,
        leak=leak,
        hold_deg=tuple(hold),
        powered_on_s=COLD_S,
        **rig,
    )
    return rig, skyline, settled_truth(rig)


def settled_truth(rig):
    """Offset, and lean at level settled and warm, read off the simulator itself."""
    quiet = replace(
        rig.errors, accel_noise_mg_rthz=0.0, gyro_noise_dps_rthz=0.0, gyro_warm_up_dps=(0.0, 0.0, 0.0)
    )
    still = replace(rig, errors=quiet, jitter_deg=0.0, powered_on_s=-1e6, hold_deg=(0.0, 0.0))
    flight = fly(still, hover(0.5), rng=np.random.default_rng(0))
    true, log = flight.truth.iloc[0], flight.log.iloc[0]
    offset = np.array(rig.errors.offset_mg) / MG_PER_DEG
    seat = np.array([true["roll_deg"] - log["roll_deg"] - offset[0], 0.0, 0.0])
    return Truth(tuple(offset), tuple(seat), rig.time_constant_s)


def filmed(rng, cause, plan="full", *, surface=None, noise=None, without=RAW, **world):
    """A drawn rig on its shoot."""
    drawing = {
        key: world.pop(key) for key in list(world) if key in ("tau_s", "second", "integral_time_s", "gate_g")
    }
    rig, skyline, truth = drawn(rng, cause, **drawing, **world.pop("rig", {}))
    warm = replace(rig, powered_on_s=WARM_S)
    if surface is None:
        level = "sea" if rng.random() < 0.6 else "plain"
        surface = "hills" if "ground_not_level" in (cause, drawing.get("second")) else level
    sigma_deg = rng.uniform(0.02, 0.1)
    flex_deg = world.pop("flex_deg", None)
    flex_deg = rng.normal(0, FLEX_DEG) if flex_deg is None else flex_deg
    truth = replace(truth, mounting_deg=(truth.mounting_deg[0] + flex_deg, 0.0, 0.0))
    flights = {
        "full": [(rig, FULL, 100.0 + COLD_S), (warm, hover(20.0), 100.0 + WARM_S)],
        "free": [(rig, ABOUT, 100.0 + COLD_S)],
        "hover": [(warm, hover(20.0), None)],
        "upside_down": [
            (warm, (Stage("ordinary", 30.0), *hover(20.0, shot="upside_down"), *upside_down(20.0)), None)
        ],
    }[plan]
    world = {"skyline_deg": tuple(skyline)} | world
    return film_flights(
        flights,
        rng,
        truth,
        surface=surface,
        noise=(0.02, sigma_deg, 1.0) if noise is None else noise,
        fps=5.0,
        told=plan != "free",
        without=without,
        flex_deg=flex_deg,
        **world,
    )


def judged(task):
    """One shoot: cause named ("open" for none), action, whether the mounting comes with its caveat."""
    cause, plan, seed, world = task
    if cause == "gyro_bias_with_accelerometer":
        cause, world = "gyro_bias", world | {"without": ()}
    shoot = filmed(np.random.default_rng([SEED, NUMBER[cause], seed]), cause, plan, **world)
    causes = shoot.infer()
    verdict = judge(causes, shoot.shoot)
    top = causes.causes[0] if causes.causes else None
    named = top.name if top is not None and top.probability >= 0.9 else "open"
    caveat = any("steady gyro bias" in reason for reason in verdict.reasons)
    lean, offset = causes.lean, causes.offset_mg.get("sideways")
    true = shoot.truth
    return {
        "seed": seed,
        "named": named,
        "top": [(one.name, one.probability) for one in causes.causes[:3]],
        "action": verdict.action,
        "caveat": caveat,
        "headline": verdict.headline,
        "lean": None if lean is None else (lean.value - true.lean_deg, lean.sd, lean.half_width),
        "offset": None
        if offset is None
        else (
            offset.value / MG_PER_DEG - true.offset_deg[0],
            offset.sd / MG_PER_DEG,
            offset.half_width / MG_PER_DEG,
        ),
    }


def bounds(count, of):
    """95 % Clopper-Pearson interval of a share, per cent."""
    low = beta.ppf(0.025, count, of - count + 1) if count else 0.0
    high = beta.ppf(0.975, count + 1, of - count) if count < of else 1.0
    return 100 * low, 100 * high


def share(count, of):
    """Share with its 95 % bounds, in words."""
    low, high = bounds(count, of)
    return f"{100 * count / of:5.1f} % ({low:.1f} to {high:.1f})"


def is_right(cause, row):
    """Whether what was named is the truth; a steady gyro bias may be called mounting with its caveat."""
    if cause.startswith("gyro_bias"):
        return row["named"] == "gyro_bias" or (row["named"] == "mounting" and row["caveat"])
    if cause == "none":
        return row["named"] in ("none", "open") and row["action"] == "leave"
    return row["named"] == cause


def is_wrong(cause, row):
    """Whether a cause was named that is not there."""
    if cause.startswith("gyro_bias"):
        return row["named"] not in ("open", "gyro_bias") and not is_right(cause, row)
    return row["named"] not in ("open", cause)


def table_of_causes(plan, shoots, pool, *, names=None, verbose=False, **world):
    """Lines of the table: per cause what was named and done."""
    totals = Counter()
    for cause in names or ACTIONS:
        tasks = [(cause, plan, seed, world) for seed in range(shoots)]
        rows = list(pool.map(judged, tasks, chunksize=4))
        right, wrong = (sum(count(cause, row) for row in rows) for count in (is_right, is_wrong))
        acted = sum(row["action"] == ACTIONS[cause] for row in rows)
        totals += Counter(right=right, wrong=wrong, shoots=len(rows))
        if cause == "sensor_offset":
            totals += Counter(missed=wrong, offsets=len(rows))
        else:
            totals += Counter(others=len(rows), false=sum(row["action"] == "recalibrate" for row in rows))
        print(
            f"{cause:17s} right {share(right, len(rows))}  wrong {wrong}  open "
            f"{sum(row['named'] == 'open' for row in rows)}  {ACTIONS[cause]} {share(acted, len(rows))}",
            flush=True,
        )
        others = Counter(row["action"] for row in rows if row["action"] != ACTIONS[cause])
        named = Counter(row["named"] for row in rows if not is_right(cause, row))
        if others or named:
            print(f"{'':17s} named instead: {dict(named)}, done instead: {dict(others)}")
        for row in rows if verbose else ():
            if not is_right(cause, row) or row["action"] != ACTIONS[cause]:
                likely = [(name, round(probability, 2)) for name, probability in row["top"]]
                print(f"    {row['seed']:3d} {row['action']:12s} {row['headline'][:70]} {likely}")
    print(
        f"all: right {share(totals['right'], totals['shoots'])}, wrong "
        f"{share(totals['wrong'], totals['shoots'])}, recalibrate without cause "
        f"{share(totals['false'], max(totals['others'], 1))}, offset taken for another "
        f"{share(totals['missed'], max(totals['offsets'], 1))}"
    )


def hills(rng):
    """A hilly skyline, heading to height and slope: harmonics 1 to 4 with slopes of 0.15 deg."""
    k = np.arange(1, 5)
    size = rng.normal(0, 0.15 / np.sqrt(k), (2, 4))

    def profile_deg(heading_rad):
        cos, sin = np.cos(np.outer(heading_rad, k)), np.sin(np.outer(heading_rad, k))
        return sin @ (size[0] / k) - cos @ (size[1] / k), cos @ size[0] + sin @ size[1]

    return profile_deg


NOISE = (0.0, 0.05, 1.0)
MATCHED = ("AR(1) noise, 1 s", "and white noise")
WORLDS = {
    "AR(1) noise, 1 s": lambda rng: {"noise": NOISE},
    "and white noise": lambda rng: {"noise": (0.05, 0.05, 1.0)},
    "and slow noise, 10 s": lambda rng: {"noise": (0.05, 0.05, 1.0), "drift": (0.03, 10.0)},
    "filter constant 0.5 to 18 s": lambda rng: {
        "tau_s": float(np.exp(rng.uniform(np.log(0.5), np.log(18.0))))
    },
    "hills": lambda rng: {"surface": "hills", "skyline_deg": hills(rng)},
    "a second cause at half size": lambda rng: {
        "second": str(rng.choice(["sensor_offset", "mounting", "turns", "warm_up"]))
    },
    "a filter that learns, 10 to 60 s": lambda rng: {"integral_time_s": float(rng.uniform(10.0, 60.0))},
    "5 % of frames wrong": lambda rng: {"outliers": 0.05},
}


def covered(task):
    """One shoot of one world: errors, sds and half-widths of lean and offset."""
    name, seed = task
    rng = np.random.default_rng([SEED, list(WORLDS).index(name), seed])
    cause = str(rng.choice(["sensor_offset", "mounting", "turns", "warm_up", "none"]))
    shoot = filmed(rng, cause, **WORLDS[name](rng))
    return errors_of(shoot)


def errors_of(shoot):
    """Errors of lean and offset, deg: error, half-width, half-width without inflation and floor."""
    causes = shoot.infer()
    lean, offset = causes.lean, causes.offset_lean
    raw = lean.t95 * np.sqrt(lean.sd**2 - PICTURE_SD_DEG**2) / INFLATE
    return [
        (lean.value - shoot.truth.lean_deg, lean.half_width, raw),
        (offset.value - shoot.truth.offset_deg[0], offset.half_width, offset.half_width / INFLATE),
    ]


def table_of_coverage(shoots, pool, names=None):
    """Lines of the table: how often the intervals hold, per world."""
    for name in names or WORLDS:
        rows = np.array(list(pool.map(covered, [(name, seed) for seed in range(shoots)], chunksize=4)))
        error, half, raw = np.abs(rows[:, :, 0]), rows[:, :, 1], rows[:, :, 2]
        held = [share(int(np.sum(error[:, k] <= half[:, k])), shoots) for k in range(2)]
        plain = [100 * np.mean(error[:, k] <= raw[:, k]) for k in range(2)]
        print(
            f"{name:32s} lean {held[0]} offset {held[1]}  plain {plain[0]:.0f}, {plain[1]:.0f} %  "
            f"half-width {np.median(half[:, 0]):.3f} deg, {np.median(half[:, 1]) * MG_PER_DEG:.1f} mg  "
            f"rms error {np.sqrt(np.mean(error[:, 0] ** 2)):.3f} deg, "
            f"{np.sqrt(np.mean(error[:, 1] ** 2)) * MG_PER_DEG:.2f} mg",
            flush=True,
        )


def turned_over(task):
    """The upside-down shot alone; ``by_hand`` with play of 0.1 deg."""
    seed, by_hand = task
    rng = np.random.default_rng([SEED, 99, seed])
    tau_s = float(rng.uniform(0.5, 5.0))
    rig = {"jitter_deg": 0.4, "bandwidth_hz": 1.0} if by_hand else {}
    flex_deg = rng.normal(0, 0.1) if by_hand else 0.0
    shoot = filmed(
        rng,
        "sensor_offset",
        "upside_down",
        tau_s=tau_s,
        noise=NOISE,
        surface="sea",
        flex_deg=flex_deg,
        rig=rig,
    )
    witnesses = Witnesses(shoot.residuals(), shoot.logs, shoot.tracks, shoot.clocks)
    solution = solution_of(witnesses, shoot.shoot)
    # What is left when the camera is known not to give.
    stiff = resized(solution, dict.fromkeys((n for n in solution.model.names if "flex" in n), 1e-6))
    vector = solution.vector(offset_sideways=1.0)
    found, bare = (one.estimate(vector, floor=0.0, limit=np.inf) for one in (solution, stiff))
    return found.value - shoot.truth.offset_deg[0], found.half_width, bare.half_width


def table_of_upside_down(shoots, pool):
    """Two lines: in the gimbal, and by hand with play."""
    for by_hand in (False, True):
        rows = np.array(list(pool.map(turned_over, [(seed, by_hand) for seed in range(shoots)], chunksize=4)))
        error_mg, half_mg, bare_mg = np.abs(rows.T) * MG_PER_DEG
        print(
            f"{'by hand, play 0.1 deg' if by_hand else 'in the gimbal, no play':24s} error 95 % "
            f"{np.quantile(error_mg, 0.95):.2f} mg, half-width {np.median(half_mg):.2f} mg, without play in "
            f"the model {np.median(bare_mg):.2f}, inside {share(int(np.sum(error_mg <= half_mg)), shoots)}",
            flush=True,
        )


def decided(seed):
    """One shoot whose lean is at least 0.25 deg from the tolerance: whether it is out, and the action."""
    rng = np.random.default_rng([SEED, 98, seed])
    while True:
        cause = str(rng.choice(["sensor_offset", "mounting", "none"]))
        shoot = filmed(rng, cause)
        lean_deg = abs(shoot.truth.lean_deg)
        if lean_deg <= 0.25 or lean_deg >= 0.75:
            return lean_deg > 0.5, judge(shoot.infer(), shoot.shoot).action


def table_of_decisions(shoots, pool):
    """One line: how many of the clear cases are decided, and how many wrongly."""
    rows = list(pool.map(decided, range(shoots), chunksize=4))
    open_ones = sum(action == "open" for _, action in rows)
    out = [action for is_out, action in rows if is_out]
    within = [action for is_out, action in rows if not is_out]
    acted = sum(action not in ("leave", "open") for action in within)
    print(
        f"lean up to 0.25 or from 0.75 deg: decided {share(len(rows) - open_ones, len(rows))}, left though "
        f"out {out.count('leave')} of {len(out)}, acted on though within {acted} of {len(within)}"
    )


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--shoots", type=int, default=300)
    parser.add_argument("--what", default="causes")
    parser.add_argument("--plan", default="full")
    parser.add_argument("--cause", action="append")
    parser.add_argument("--verbose", action="store_true")
    args = parser.parse_args()
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        if args.what == "coverage":
            table_of_coverage(args.shoots, pool, args.cause)
        elif args.what == "decisions":
            table_of_decisions(args.shoots, pool)
        elif args.what == "upside_down":
            table_of_upside_down(args.shoots, pool)
        else:
            table_of_causes(args.plan, args.shoots, pool, names=args.cause, verbose=args.verbose)


if __name__ == "__main__":
    main()
