"""The command in a process of its own, and a quick shoot to run it on."""

import contextlib
import io
import os
import subprocess
import sys
from pathlib import Path
from unittest import mock

import numpy as np
import pandas as pd
import pytest

from attitude.command import run as run_command
from horizon.coded import write_clip
from horizon.lens import lens_from_hfov
from horizon.synthetic import draw_planar, make_scene

__all__ = ["CAMERA", "CLIP", "COMMAND", "FPS", "HORIZON", "LOG", "SIZE"]
__all__ += ["film_shoot", "pose", "run", "run_here", "sheet_with"]

SIZE = (480, 270)
FPS = 5


COMMAND = "from attitude.command import run; run()"


def run(*words: object, code: str = COMMAND, **environment: str) -> subprocess.CompletedProcess[str]:
    """Run the command in a process of its own."""
    line = [sys.executable, "-c", code, *map(str, words)]
    env = os.environ | environment
    return subprocess.run(line, capture_output=True, text=True, timeout=300, check=False, env=env)


def run_here(*words: object) -> subprocess.CompletedProcess[str]:
    """The same in this process, which has loaded everything already, and without workers."""
    out, err = io.StringIO(), io.StringIO()
    argv = ["horizon-drift", *map(str, words)]
    with (
        mock.patch.object(sys, "argv", argv),
        mock.patch.object(sys, "stdin", io.StringIO()),
        mock.patch.object(os, "cpu_count", return_value=1),
        contextlib.redirect_stdout(out),
        contextlib.redirect_stderr(err),
        pytest.raises(SystemExit) as stop,
    ):
        run_command()
    return subprocess.CompletedProcess(argv, stop.value.code, out.getvalue(), err.getvalue())


def pose(t_s):
    """Three quick tilts, then still: something to match clocks on."""
    return 0.6 + 0 * t_s, 8 * np.exp(-(((t_s - 3) / 0.5) ** 2)) + 6 * np.exp(-(((t_s - 6.2) / 0.6) ** 2))


def film_shoot(folder: Path, seed: int = 3) -> Path:
    """Put a clip of 16 s and its log there; the footage leans by 0.6 deg that the log does not know."""
    rng = np.random.default_rng(seed)
    scene = make_scene("sea", rng=rng, height_m=6, visibility_km=60, noise_sd=1.2, clouds=0.3)
    lens = lens_from_hfov(*SIZE, 65)
    t_s = np.arange(16 * FPS) / FPS
    write_clip(
        folder / "clip.mp4",
        (
            draw_planar(scene, lens, roll_deg=roll, pitch_deg=pitch, t_s=t, rng=rng)
            for t, roll, pitch in zip(t_s, *pose(t_s), strict=True)
        ),
        FPS,
        crf=22,
    )
    log_t_s = np.arange(-10, 30, 0.05)
    roll, pitch = pose(log_t_s)
    log = pd.DataFrame({"t_s": log_t_s + 50, "roll_deg": roll - 0.6, "pitch_deg": pitch, "yaw_deg": 0.0})
    log.round(4).to_csv(folder / "attitude.csv", index=False)
    return folder


def sheet_with(folder: Path, tmp_path: Path, text: str) -> Path:
    """A sheet beside copies of the shoot's files."""
    for file in ("clip.mp4", "attitude.csv"):
        (tmp_path / file).write_bytes((folder / file).read_bytes())
    path = tmp_path / "shoot.toml"
    path.write_text(text, encoding="utf-8")
    return path


HORIZON = '[horizon]\nsurface = "sea"\nheight_m = 6\n'
CAMERA = "[camera]\nhfov_deg = 65\n"
LOG = '[[log]]\nfile = "attitude.csv"\nattitude_of = "camera_sensor"\n'
CLIP = '[[clip]]\nfile = "clip.mp4"\nshot = "hover"\n'
