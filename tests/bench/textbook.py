"""Against the textbook way, on the same clips: python -m tests.bench.textbook.

The textbook way: edges after Canny over the whole picture, the straight line that most of them vote for
(Hough transform, 1 px and 0.1 deg), refined by total least squares through the edge pixels near it; its angle
in the picture is taken for the roll. It is given every frame; the measurement looks where it does by default.
Both decode with the same reader, in one process, with OpenCV and linear algebra on one thread.
Each clip shows a short time forth and back, once (the measurement looks at every frame of so short a clip)
and over and over for a clip of an ordinary length. The textbook way is timed on the short one alone: on every
further pass it would take as long again.
Sources: J. Canny, A computational approach to edge detection, IEEE PAMI 8 (1986) 679; R. O. Duda and
P. E. Hart, Use of the Hough transformation to detect lines and curves in pictures, CACM 15 (1972) 11.
"""

import os
import sys

THREADS = dict.fromkeys(("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"), "1")
if __name__ == "__main__" and any(os.environ.get(name) != "1" for name in THREADS):
    # The libraries read these once, when they are first imported.
    os.execve(
        sys.executable, [sys.executable, "-m", "tests.bench.textbook", *sys.argv[1:]], os.environ | THREADS
    )

import argparse  # noqa: E402
import tempfile  # noqa: E402
import time  # noqa: E402
from collections.abc import Callable, Iterable, Iterator, Sequence  # noqa: E402
from dataclasses import dataclass  # noqa: E402
from itertools import chain, repeat  # noqa: E402
from pathlib import Path  # noqa: E402
from typing import TypeVar  # noqa: E402

import cv2  # noqa: E402
import numpy as np  # noqa: E402
import pandas as pd  # noqa: E402
from numpy.typing import NDArray  # noqa: E402

from horizon.angles import angles_from_up  # noqa: E402
from horizon.clip import probe, read_frames  # noqa: E402
from horizon.coded import with_colour_planes, write_clip  # noqa: E402
from horizon.lens import Lens, lens_from_hfov  # noqa: E402
from horizon.measure import ClipTrack, measure_clip  # noqa: E402
from tests.bench.parts import SECTORS, traced_up  # noqa: E402
from tests.bench.worlds import clip_frames  # noqa: E402
from tests.real import FOLDER, look, strip  # noqa: E402

Array = NDArray[np.float64]
Luma = NDArray[np.uint8]
Done = TypeVar("Done")

SIZE_PX, FPS, SEED = (1920, 1080), 25.0, 1972
# Seconds drawn, which are shown forth and back; so many times that makes the long clip.
DRAWN_S, PASSES = 0.4, 25
PLAIN = lens_from_hfov(*SIZE_PX, 70.0)
# Equidistant but for a little: 95 deg across the picture.
BENT = Lens(*SIZE_PX, 1136.0, 1136.0, 959.5, 539.5, "fisheye", (0.03, 0.0, 0.0, 0.0))
# Row of the table: kind of drawn world, lens.
DRAWN = {
    "open sea": ("sea", PLAIN),
    "sea, bent lens": ("sea", BENT),
    "flat land, ragged skyline": ("land", PLAIN),
    "sea in haze": ("haze", PLAIN),
    "bank of clouds": ("cloudbank", PLAIN),
    "night, noise": ("night", PLAIN),
    "lake": ("lake", PLAIN),
}
# Sectors of real strips, where the folder with them is present.
REAL = {"real sea": SECTORS["test"][0], "real sea in haze": SECTORS["tune"][0]}
GROSSLY_DEG = 1.0

# The usual choice about the median grey, a third to either side of it.
LOW, HIGH = 0.67, 1.33
# Where there is little contrast the thresholds are halved until there are as many edge pixels as the shorter
# side of the picture is long; a line needs a tenth of that.
FACTORS, FEWEST_VOTES = 0.5 ** np.arange(6), 0.1
RHO_PX, THETA_RAD = 1.0, np.radians(0.1)
NEAR_PX = (3.0, 2.0)


@dataclass(frozen=True)
class Shot:
    """One frame (height, width): true roll of the camera and of the skyline's least-squares line, deg.

    ``usable``: a person could measure the horizon here.
    """

    luma: Luma
    roll_deg: float
    skyline_deg: float
    usable: bool = True


def textbook_roll_deg(luma: Luma) -> float:
    """Roll, deg, right side down +, of the strongest straight line of a picture; NaN where there is none.

    A line looks the same upside down: the roll is in (-90, 90].
    """
    found = _strongest(luma)
    if found is None:
        return float("nan")
    (rho_px, theta_rad), points = found
    normal, off_px = np.array([np.cos(theta_rad), np.sin(theta_rad)]), rho_px
    for near_px in NEAR_PX:
        close = points[np.abs(points @ normal - off_px) <= near_px]
        if len(close) < 2:
            break
        middle = close.mean(axis=0)
        # Total least squares: the direction across is that in which the points scatter least.
        normal = np.linalg.eigh((close - middle).T @ (close - middle))[1][:, 0]
        off_px = float(middle @ normal)
    along = np.array([normal[1], -normal[0]])
    if along[0] < 0 or (along[0] == 0 and along[1] > 0):
        along = -along
    return float(np.degrees(np.arctan2(-along[1], along[0])))


def _strongest(luma: Luma) -> tuple[tuple[float, float], Array] | None:
    """(rho px, theta rad) of the line with most votes, and x, y of all edge pixels (n, 2)."""
    smooth = cv2.GaussianBlur(luma, (5, 5), 0)
    middle, side_px = float(np.median(smooth)), min(luma.shape)
    for factor in FACTORS:
        edges = cv2.Canny(smooth, LOW * factor * middle, HIGH * factor * middle)
        if cv2.countNonZero(edges) >= side_px:
            lines = cv2.HoughLines(edges, RHO_PX, THETA_RAD, round(FEWEST_VOTES * side_px))
            if lines is None:
                return None
            rho_px, theta_rad = (float(value) for value in lines[0, 0])
            return (rho_px, theta_rad), np.argwhere(edges)[:, ::-1].astype(float)
    return None


def folded_deg(angle_deg: Array) -> Array:
    """The same angle between lines, in [-90, 90)."""
    return (np.asarray(angle_deg) + 90.0) % 180.0 - 90.0


def drawn(kind: str, lens: Lens, number: int) -> Iterator[Shot]:
    """A drawn clip: one scene, usable as it begins, a camera that sways in roll, pitch and heading."""
    rng = np.random.default_rng([SEED, sum(kind.encode()), number])
    while True:
        frames = clip_frames(kind, rng, seconds=DRAWN_S, fps=FPS, lens=lens)
        shots = (Shot(one.luma, one.roll_deg, one.skyline_roll_deg, one.usable) for _, one in frames)
        first = next(shots)
        if first.usable:
            return chain([first], shots)


def from_strip(sector: tuple, number: int) -> tuple[Lens, Iterator[Shot]]:  # type: ignore[type-arg]
    """A camera that sways in a strip whose horizon was traced; its lens and its frames."""
    name, low, high, _, _, hfov = sector
    rng = np.random.default_rng([SEED, sum(name.encode()), number])
    hfov_deg = float(rng.uniform(*hfov))
    lens = lens_from_hfov(*SIZE_PX, hfov_deg)
    yaw_deg = float(rng.uniform(low + hfov_deg / 2, high - hfov_deg / 2))
    pitch_deg = float(rng.uniform(-0.1, 0.1) * hfov_deg)
    phase = float(rng.uniform(0, 2 * np.pi))

    def frames() -> Iterator[Shot]:
        picture = strip(name)
        for k in range(round(DRAWN_S * FPS)):
            roll_deg = 6.0 * float(np.sin(phase + k / FPS))
            luma = look(picture, name, lens, roll_deg=roll_deg, pitch_deg=pitch_deg, yaw_deg=yaw_deg)
            traced = np.degrees(angles_from_up(traced_up(name, lens, roll_deg, pitch_deg, yaw_deg))[0])
            yield Shot(luma, roll_deg, float(traced))

    return lens, frames()


def timed_s(job: Callable[[], Done]) -> tuple[float, Done]:
    """Wall time of a job, s, and what it gave."""
    start = time.perf_counter()
    result = job()
    return time.perf_counter() - start, result


@dataclass(frozen=True)
class Compared:
    """Ratios of time, tool / textbook, over the short and the long clip; rolls, rows by frame measured."""

    short: list[float]
    long: list[float]
    rolls: pd.DataFrame


def compared(short: Path, long: Path | None, lens: Lens, repeats: int) -> Compared:
    """Either way on a clip as often as is asked, in turn."""

    def ours(path: Path) -> ClipTrack:
        return measure_clip(probe(path), lens)

    def textbook() -> Array:
        return np.array([textbook_roll_deg(frame.luma) for frame in read_frames(short)])

    ratios: tuple[list[float], list[float]] = ([], [])
    for _ in range(repeats):
        short_s, found = timed_s(lambda: ours(short))
        textbook_s, rolls_deg = timed_s(textbook)
        ratios[0].append(short_s / textbook_s)
        if long is not None:
            ratios[1].append(timed_s(lambda: ours(long))[0] / textbook_s / PASSES)
    kept = found.track[found.track["reason"] == ""]
    frames = kept["frame"].to_numpy()
    rolls = {"tool_deg": kept["roll_deg"].to_numpy(), "textbook_deg": rolls_deg[frames]}
    return Compared(*ratios, pd.DataFrame(rolls, index=frames))


def filmed(shots: Iterable[Shot], short: Path, long: Path | None) -> pd.DataFrame:
    """Write the short clip, and the long one if it is named; the truth of the short one, a row per frame."""
    forth = list(shots)
    both = [*forth, *reversed(forth)]
    images = [with_colour_planes(shot.luma) for shot in both]
    # A key frame a second, as cameras write them.
    write_clip(short, images, FPS, key_every=round(FPS))
    if long is not None:
        write_clip(long, chain.from_iterable(repeat(images, PASSES)), FPS, key_every=round(FPS))
    return pd.DataFrame(
        [(shot.roll_deg, shot.skyline_deg, shot.usable) for shot in both],
        columns=["roll_deg", "skyline_deg", "usable"],
    )


def errors_deg(rolls: pd.DataFrame, truth: pd.DataFrame, against: str) -> dict[str, Array]:
    """Absolute errors by either way; where the textbook way finds no line it errs by a right angle."""
    true_deg = truth[against].to_numpy()[rolls.index]
    tool = np.abs(folded_deg(rolls["tool_deg"].to_numpy() - true_deg))
    textbook = np.abs(folded_deg(rolls["textbook_deg"].to_numpy() - true_deg))
    return {"tool": tool, "textbook": np.nan_to_num(textbook, nan=90.0)}


@dataclass(frozen=True)
class Row:
    """Ratios of time of the first clip, and of all clips the errors and how many frames were usable."""

    short: list[float]
    long: list[float]
    errors: dict[str, Array]
    usable: int

    def told(self, name: str) -> str:
        """The row of the table."""
        kept = len(self.errors["tool roll_deg"])
        cells = [name, f"{kept} / {self.usable}"]
        cells += [
            f"{np.median(one):.2f} ({min(one):.2f} to {max(one):.2f})" for one in (self.short, self.long)
        ]
        for against in ("skyline_deg", "roll_deg"):
            if not kept:
                cells += ["-", "-"]
                continue
            tool, textbook = (
                np.quantile(self.errors[f"{way} {against}"], 0.95) for way in ("tool", "textbook")
            )
            cells += [f"{tool:.3f} / {textbook:.3f} deg", f"{tool / textbook:.4f}"]
        gross = [int(np.sum(self.errors[f"{way} skyline_deg"] > GROSSLY_DEG)) for way in ("tool", "textbook")]
        return f"| {' | '.join([*cells, f'{gross[0]} / {gross[1]}'])} |"


def joined(rows: Sequence[Row]) -> Row:
    """All of them as one."""
    names = rows[0].errors
    return Row(
        [one for row in rows for one in row.short],
        [one for row in rows for one in row.long],
        {name: np.concatenate([row.errors[name] for row in rows]) for name in names},
        sum(row.usable for row in rows),
    )


def measured(clips: Iterable[tuple[Lens, Iterator[Shot]]], repeats: int) -> Row:
    """Time by the first clip alone, errors over all of them."""
    times: Compared | None = None
    found: dict[str, list[Array]] = {}
    usable = 0
    for lens, shots in clips:
        with tempfile.TemporaryDirectory() as folder:
            short, long = Path(folder) / "short.mp4", Path(folder) / "long.mp4"
            if times is None:
                truth = filmed(shots, short, long)
                done = compared(short, long, lens, repeats)
            else:
                truth = filmed(shots, short, None)
                done = compared(short, None, lens, 1)
        times = times or done
        usable += int(truth["usable"].sum())
        for against in ("skyline_deg", "roll_deg"):
            for way, errors in errors_deg(done.rolls, truth, against).items():
                found.setdefault(f"{way} {against}", []).append(errors)
    assert times is not None
    errors = {name: np.concatenate(parts) for name, parts in found.items()}
    return Row(times.short, times.long, errors, usable)


def main() -> None:
    """Draw, measure both ways, tell."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--repeats", type=int, default=5, help="times that the first clip of a row is timed")
    parser.add_argument("--clips", type=int, default=3, help="clips of each kind")
    wanted = parser.parse_args()
    cv2.setNumThreads(1)
    short_s = 2 * DRAWN_S
    size = f"{SIZE_PX[0]} x {SIZE_PX[1]}"
    print(f"{size}, {FPS:.0f} frames a second, {wanted.clips} clips of each kind, OpenCV on one thread.")
    print(f"Tool / textbook: wall time, median (least to most) of {wanted.repeats} on one clip;")
    print("absolute roll error, 95th percentile over the frames that the tool kept.\n")
    heads = [
        "clips",
        "frames kept / usable",
        f"time, {short_s:.1f} s",
        f"time, {short_s * PASSES:.0f} s",
        "error to the skyline",
        "ratio",
        "error to the true level",
        "ratio",
        f"off by more than {GROSSLY_DEG:.0f} deg",
    ]
    print(f"| {' | '.join(heads)} |")
    print("|---" * len(heads) + "|", flush=True)
    numbers = range(wanted.clips)
    kinds = {name: [(lens, drawn(kind, lens, k)) for k in numbers] for name, (kind, lens) in DRAWN.items()}
    if (FOLDER / "panoramas").is_dir():
        kinds |= {name: [from_strip(sector, k) for k in numbers] for name, sector in REAL.items()}
    rows = []
    for name, clips in kinds.items():
        rows.append(measured(clips, wanted.repeats))
        print(rows[-1].told(name), flush=True)
    print(joined(rows).told("all together"))


if __name__ == "__main__":
    main()
