"""How long a frame takes, against decoding it: python -m tests.bench.speed.

One 1080p clip of about 65 Mb/s is drawn and encoded; decoding and measuring take one thread each and are
timed in the same run by the time of the processor: the ratio holds for other computers, and for busy ones.
Peak memory is that of ``measure_clip`` in a process of its own, on a short clip and on one four times longer.
"""

import os
import sys

THREADS = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
if __name__ == "__main__" and any(os.environ.get(name) != "1" for name in THREADS):
    # The libraries read these once, when they are first imported.
    os.execve(
        sys.executable, [sys.executable, "-m", "tests.bench.speed", *sys.argv[1:]], os.environ | THREADS
    )

import platform  # noqa: E402
import resource  # noqa: E402
import subprocess  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from fractions import Fraction  # noqa: E402
from pathlib import Path  # noqa: E402

import av  # noqa: E402
import cv2  # noqa: E402
import numpy as np  # noqa: E402
import scipy  # noqa: E402

from horizon.angles import up_from_angles  # noqa: E402
from horizon.clip import probe, read_frames  # noqa: E402
from horizon.edge import find_edges  # noqa: E402
from horizon.fit import fit_up  # noqa: E402
from horizon.frame import measure_frame  # noqa: E402
from horizon.lens import lens_from_hfov  # noqa: E402
from horizon.measure import measure_clip  # noqa: E402
from horizon.synthetic import draw_planar, make_scene  # noqa: E402

SIZE_PX, FPS, FRAMES, FEW = (1920, 1080), 30.0, 60, 15
ASKED_MBITS_PER_S = 56  # the encoder goes beyond what it is asked: 65
LENS = lens_from_hfov(*SIZE_PX, 70.0)
REPEATS, TIMED = 5, 12


def roll_deg(k: int) -> float:
    return 2.0 + 0.5 * float(np.sin(k / 8))


def film(path: Path, frames: int) -> float:
    """Write a clip; its true rate in Mb/s."""
    rng = np.random.default_rng(65)
    scene = make_scene("sea", rng=rng, height_m=20.0, noise_sd=4.0, objects=4)
    with av.open(str(path), "w") as container:
        stream = container.add_stream("libx264", rate=Fraction(FPS))
        stream.width, stream.height = SIZE_PX
        stream.pix_fmt, stream.bit_rate = "yuv420p", ASKED_MBITS_PER_S * 1_000_000
        stream.options = {"preset": "veryfast", "g": "15", "bf": "2"}
        for k in range(frames):
            image = draw_planar(scene, LENS, roll_deg=roll_deg(k), pitch_deg=1.0, t_s=k / FPS, rng=rng)
            container.mux(stream.encode(av.VideoFrame.from_ndarray(image, format="yuv420p")))
        container.mux(stream.encode())
    return path.stat().st_size * 8 / 1e6 / (frames / FPS)


def decode_ms(path: Path) -> float:
    """Milliseconds per frame of decoding to a luma picture on one thread."""
    with av.open(str(path)) as container:
        container.streams.video[0].thread_count = 1
        container.streams.video[0].thread_type = "NONE"
        start = time.process_time()
        count = sum(1 for _ in container.decode(video=0))
        return 1e3 * (time.process_time() - start) / count


def timed_ms(job, arguments) -> float:
    """Milliseconds per call of a job over a list of arguments."""
    start = time.process_time()
    for one in arguments:
        job(*one)
    return 1e3 * (time.process_time() - start) / len(arguments)


def tracked(luma, start):
    assert measure_frame(luma, LENS, start=start).reason == ""


def alone(luma):
    assert measure_frame(luma, LENS).reason == ""


def edge_and_fit(luma, start):
    edges = find_edges(luma, LENS, start, dip_rad=0.0, half_px=14, group_px=8, area=(0, 0, *SIZE_PX))
    assert fit_up(edges, start, LENS, dip_rad=0.0, agree_px=3.0) is not None


def in_a_fresh_process(*words) -> float:
    """What this module prints when it is run with these words."""
    command = [sys.executable, "-m", "tests.bench.speed", *map(str, words)]
    return float(subprocess.run(command, check=True, capture_output=True, text=True).stdout)


def peak_mb(path: Path) -> float:
    """Largest memory of this process after measuring the clip, MB."""
    measure_clip(probe(path), LENS)
    unit = 1e6 if sys.platform == "darwin" else 1e3  # bytes there, kilobytes elsewhere
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / unit


def main() -> None:
    """Print a table of medians and their ratios to decoding."""
    cv2.setNumThreads(1)
    with tempfile.TemporaryDirectory() as folder:
        path, short = Path(folder) / "long.mp4", Path(folder) / "short.mp4"
        # A process inherits the peak of the one that starts it, so that this one must not draw.
        rate, _ = (in_a_fresh_process("--film", *one) for one in ((path, FRAMES), (short, FEW)))
        peaks_mb = [in_a_fresh_process("--peak", one) for one in (short, path)]
        chosen = range(1, FRAMES, FRAMES // TIMED)
        lumas = {frame.index: frame.luma for frame in read_frames(path) if frame.index in chosen}
        # The start is the frame before, as in a clip of which every frame is looked at.
        starts = [up_from_angles(np.radians(roll_deg(k - 1)), np.radians(1.0)) for k in lumas]
        followed = list(zip(lumas.values(), starts, strict=True))
        jobs = {
            "one frame, started from the frame before": lambda: timed_ms(tracked, followed),
            "one frame on its own": lambda: timed_ms(alone, [(luma,) for luma in lumas.values()]),
            "edge and fit once": lambda: timed_ms(edge_and_fit, followed),
        }
        decoding = []
        spent = {name: [] for name in jobs}
        for _ in range(REPEATS):
            decoding.append(decode_ms(path))
            for name, job in jobs.items():
                spent[name].append(job())
    whole = float(np.median(decoding))
    versions = [f"{name} {module.__version__}" for name, module in (("numpy", np), ("scipy", scipy))]
    versions += [f"opencv {cv2.__version__}", f"av {av.__version__}"]
    print(f"`python -m tests.bench.speed`: Python {platform.python_version()}, {', '.join(versions)},")
    print(f"{os.cpu_count()} cores, one used; 1080p H.264 of {rate:.0f} Mb/s; median of {REPEATS}\n")
    print("| step | ms | ratio to decoding |")
    print("|---|---|---|")
    print(f"| decoding one frame | {whole:.1f} | 1 |")
    for name, values in spent.items():
        # Each repeat against the decoding beside it: other load on the machine drops out.
        ratio = float(np.median(np.array(values) / np.array(decoding)))
        print(f"| {name} | {np.median(values):.1f} | {ratio:.2f} |")
    print("\n| peak memory of `measure_clip` | MB |")
    print("|---|---|")
    print(f"| {FEW} frames | {peaks_mb[0]:.0f} |")
    print(f"| {FRAMES} frames | {peaks_mb[1]:.0f} (ratio {peaks_mb[1] / peaks_mb[0]:.2f}) |")


if __name__ == "__main__":
    if sys.argv[1:2] == ["--film"]:
        print(film(Path(sys.argv[2]), int(sys.argv[3])))
    elif sys.argv[1:2] == ["--peak"]:
        print(peak_mb(Path(sys.argv[2])))
    else:
        main()
