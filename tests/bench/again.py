"""How long a shoot takes to be checked again when its sheet was changed: ``python -m tests.bench.again``.

Ten simulated and drawn takes of a minute are checked once. Then the sheet's tolerance, or its height, is
changed and the shoot checked again by the command in a process of its own: the footage is not measured again.
Beside each stands how long a process takes that only imports the libraries the project is built on.
"""

import argparse
import os
import statistics
import subprocess
import sys
import tempfile
import time
from dataclasses import replace
from pathlib import Path

from attitude.plans import hover, pan, upside_down, wiggle
from demo_clips.make_demo import STORIES, Take, make_shoot
from tests.commands import COMMAND

SIZE_PX, FPS = (640, 360), 25.0
TAKES = 10
PLANS = (
    ("hover", (*wiggle(), *hover(54.0))),
    ("pan", (*hover(20.0, shot="pan"), *pan(6.0, 120.0), *hover(20.0, shot="pan"))),
    ("upside_down", (*hover(30.0, shot="upside_down"), *upside_down(30.0)[:1])),
)
STORY = replace(
    STORIES[0],
    takes=tuple(Take(f"take{k}.mp4", *PLANS[k % len(PLANS)], start_told=True) for k in range(TAKES)),
)
LIBRARIES = "import av, cv2, matplotlib.pyplot, numpy, pandas, scipy.optimize, typer"
CHANGES = {
    "tolerance": ("tolerance_deg = 0.5", "tolerance_deg = 0.{}"),
    "height": ("height_m = 9.0", "height_m = 9.{}"),
}


def wall_s(*words: str, code: str = COMMAND) -> float:
    """Of a process of its own."""
    begun = time.perf_counter()
    subprocess.run([sys.executable, "-c", code, *words], check=True, capture_output=True)
    return time.perf_counter() - begun


def main() -> None:
    """Film, check, change, check again, tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--shoot", type=Path, help="where the shoot is, or is put, and stays")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as own:
        shoot = wanted.shoot or Path(own) / "shoot"
        os.environ["HORIZON_DRIFT_CACHE"] = str(shoot / "cache")
        if not (shoot / "shoot.toml").exists():
            make_shoot(STORY, shoot, 1, size_px=SIZE_PX, fps=FPS)
        sheet = (shoot / "shoot.toml").read_text(encoding="utf-8")
        first_s = wall_s("check", str(shoot))
        print(f"{TAKES} takes of a minute: the first check {first_s:.1f} s")
        for name, (stood, stands) in CHANGES.items():
            again_s, alone_s = [], []
            for k in range(wanted.repeats):
                changed = sheet.replace(stood, stands.format(k + 1))
                (shoot / "shoot.toml").write_text(changed, encoding="utf-8")
                alone_s.append(wall_s(code=LIBRARIES))
                again_s.append(wall_s("check", str(shoot)))
            (shoot / "shoot.toml").write_text(sheet, encoding="utf-8")
            times = statistics.median(a / b for a, b in zip(again_s, alone_s, strict=True))
            print(
                f"{name} changed: {statistics.median(again_s):.1f} s (goal 3; {min(again_s):.1f} to "
                f"{max(again_s):.1f}), {times:.1f} times the libraries' import alone"
            )


if __name__ == "__main__":
    main()
