"""How often whole shoots come out right, video included: python -m tests.demo_rates --seeds 20.

The three stories of the demo are simulated, drawn, encoded, decoded, measured and judged again with other
random numbers (noise, scene, healthy errors, clocks, filter). Smaller pictures and fewer frames a second than
the demo, so that sixty shoots take minutes rather than hours.
"""

import argparse
import importlib.util
import tempfile
import tomllib
from concurrent.futures import ProcessPoolExecutor
from multiprocessing import get_context
from pathlib import Path

import numpy as np

from attitude.check import check

SIZE_PX, FPS = (480, 270), 6.0
UNSEEN = 7_000_000
NOTHING = {"value": None, "low": None, "high": None}
OPPOSITES = {"leave": {"recalibrate", "square_up"}, "recalibrate": {"leave", "square_up"}}
OPPOSITES |= {"square_up": {"leave", "recalibrate"}}


def demo_maker():
    """The script in demo_clips as a module."""
    path = Path(__file__).parents[1] / "demo_clips" / "make_demo.py"
    spec = importlib.util.spec_from_file_location("make_demo", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def one(number: int, seed: int):
    """Action, truth and result of one shoot."""
    maker = demo_maker()
    with tempfile.TemporaryDirectory() as folder:
        maker.make_shoot(maker.STORIES[number], Path(folder), UNSEEN + seed, size_px=SIZE_PX, fps=FPS)
        try:
            result = check(Path(folder))[0].result
        except ValueError as error:
            # A shoot that is refused counts as not right; the reason is printed with the rest.
            result = {"verdict": {"action": f"refused: {error}"}, "lean_deg": NOTHING}
            result["sensor_offset_mg"] = {"sideways": NOTHING}
        truth = tomllib.loads((Path(folder) / "truth.toml").read_text(encoding="utf-8"))
    return result, truth


def report(story, found) -> list[str]:
    """Lines on one story's shoots."""
    seeds = len(found)
    actions = [result["verdict"]["action"] for result, _ in found]
    wrong = sum(action in OPPOSITES[story.action] for action in actions)
    lines = [
        f"{story.folder}: {story.action} in {actions.count(story.action)} of {seeds}, opposite in {wrong}"
    ]
    lines += [f"    {action}" for action in actions if action != story.action]
    rows = {
        "lean, deg": [(result["lean_deg"], truth["lean_deg"]) for result, truth in found],
        "sideways offset, mg": [
            (result["sensor_offset_mg"]["sideways"], truth["sideways_offset_mg"]) for result, truth in found
        ],
    }
    for name, pairs in rows.items():
        known = [(estimate, true) for estimate, true in pairs if estimate["value"] is not None]
        error = np.array([abs(estimate["value"] - true) for estimate, true in known])
        half = np.array([(estimate["high"] - estimate["low"]) / 2 for estimate, _ in known])
        inside = int(np.sum(error <= half))
        lines.append(f"    {name}: worst error {error.max():.3f}, largest half-width {half.max():.3f}")
        lines.append(f"        truth inside its interval in {inside} of {seeds}")
    return lines


def main() -> None:
    """Print a few lines per story."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=20)
    seeds = parser.parse_args().seeds
    with ProcessPoolExecutor(2, mp_context=get_context("spawn")) as pool:
        for number, story in enumerate(demo_maker().STORIES):
            found = list(pool.map(one, [number] * seeds, range(seeds)))
            print("\n".join(report(story, found)), flush=True)


if __name__ == "__main__":
    main()
