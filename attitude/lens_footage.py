"""A shoot's own horizons to a lens file: which looks are taken, and how the lens is come by.

The lens that the sheet tells of may be so far off that lines away from the picture's middle are not found as
lines. So a few frames spread over the clips are measured first, through that lens and through one of the
other kind, and the lens that makes most of their points lie straight serves to measure the clips. Of all
looks those are taken that differ most in height and tilt; their points are read off again through the lens
found, until that changes nothing.
"""

import datetime as dt
import math
from collections.abc import Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, replace
from pathlib import Path
from tempfile import TemporaryDirectory

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.check import Placed, placed
from attitude.files import write_whole
from attitude.lens_file import LENS_CHART, LENS_FILE, footage_text, plain_text
from attitude.log import attitude_at
from attitude.optics import lens_of
from attitude.progress import Progress, Share, part, stage
from attitude.report.lens_chart import lens_chart
from attitude.report.look import finished, house_style
from attitude.residuals import clip_sheet_of
from attitude.sheet import HORIZON, ClipSheet, Shoot, read_sheet
from attitude.surroundings import visible_dip_rad
from horizon.angles import other_reading_deg, up_from_angles, wrap_deg
from horizon.bundle import SeenHorizon, as_model
from horizon.clip import ClipFacts, probe, read_frames, spread_lumas
from horizon.frame import edge_points, measure_frame
from horizon.lens import Lens, scaled
from horizon.selfcalibrate import (
    HOW_TO_TILT,
    FootageError,
    FootageLens,
    lens_from_horizons,
    rough_lens,
    straight_points,
)

__all__ = ["ShootLens", "lens_of_footage"]

Array = NDArray[np.float64]

SAMPLED, LINES, POINTS = 24, 48, 80
WINDOW_S = 20.0  # in which a log's pitch does not drift
WIDE_DEG = 70.0  # a lens that covers more may be a fisheye
TURNS = 3  # of reading points and fitting; the second is nearly always the last
STRAIGHT_PX = 1.0
SETTLED_SHARE = 0.0005  # of the focal length
LAG_S = 0.02  # by which log and clip may be apart
HELD_RAD = math.radians(0.05)


@dataclass(frozen=True)
class ShootLens:
    """A lens and the shoot it was found in. clips : those it rests on. left_out : sentences, of the others.

    told : the lens that the sheet told of, before.
    """

    shoot: Shoot
    found: FootageLens
    told: Lens
    clips: tuple[str, ...]
    left_out: tuple[str, ...]


def lens_of_footage(
    sheet: Path,
    out: Path | None,
    *,
    today: dt.date,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> tuple[ShootLens, Path]:
    """Find the lens of a shoot from its horizons and write its file and picture.

    out : folder for both, made if need be; None: beside the sheet. Returns what was found and that folder.

    Raises
    ------
    FootageError
        The horizons are too few or too alike, or no clip shows one through the lens of [camera].
    SheetError, LogError, BenchError, ClipError, LensError, ClockError, DipError
        As for :func:`attitude.check.check`.
    """
    shoot = read_sheet(sheet)
    shoot, files, left_out = _through_one_lens(shoot)
    told = lens_of(files[0], shoot.camera, None)
    dip_rad = visible_dip_rad(shoot.horizon)
    with stage(progress, "looking how bent the lines are"):
        rough = _rough(files, told.lens, told.focal_sd, dip_rad)
    with TemporaryDirectory() as place:
        through = Path(place) / LENS_FILE
        through.write_text(plain_text(rough), encoding="utf-8")
        shoot = replace(shoot, camera=replace(shoot.camera, lens=through))
        lying = placed(shoot, executor=executor, progress=progress)
    looks = _looks(lying)
    rows = _apart(looks, rough)
    name = shoot.title or sheet.name
    with stage(progress, "fitting the lens") as told_share:
        found = _settled(
            looks.iloc[rows], files, rough, (told.lens, told.focal_sd), dip_rad, name, told_share
        )
    folder = shoot.folder if out is None else out
    folder.mkdir(parents=True, exist_ok=True)
    clips = tuple(looks.iloc[rows]["clip"].unique())
    done = ShootLens(lying.shoot, found, told.lens, clips, left_out)
    said = f"{found.lines} horizons in {len(clips)} clip{'s' if len(clips) > 1 else ''}"
    with house_style():
        drawn = finished("lens", lens_chart(found.lens, found.points_px, found.residuals_px, said))
    write_whole(folder / LENS_CHART, drawn.png)
    write_whole(folder / LENS_FILE, footage_text(found, clips, lying.shoot.date or today).encode("utf-8"))
    return done, folder


def _through_one_lens(shoot: Shoot) -> tuple[Shoot, list[ClipFacts], tuple[str, ...]]:
    """The shoot with the clips that show a horizon through the lens of [camera] in one size of picture."""
    able: list[tuple[ClipSheet, ClipFacts]] = []
    left_out = []
    for clip in shoot.clips:
        for path in clip.files:
            if clip.reference != HORIZON:
                left_out.append(f"{path.name}: shows no horizon")
            elif clip.lens is not None or clip.hfov_deg is not None:
                left_out.append(f"{path.name}: has a lens of its own in the sheet")
            else:
                able.append((clip, probe(path)))
    if not able:
        raise FootageError(f"no clip shows a horizon through the lens of [camera]; {HOW_TO_TILT}")
    lasting: dict[tuple[int, int], float] = {}
    for _, facts in able:
        size = (facts.width_px, facts.height_px)
        lasting[size] = lasting.get(size, 0.0) + facts.duration_s
    size = max(lasting, key=lambda one: lasting[one])
    for _, facts in able:
        if (facts.width_px, facts.height_px) != size:
            left_out.append(f"{facts.path.name}: {facts.width_px} x {facts.height_px} px, another video mode")
    files = [facts for _, facts in able if (facts.width_px, facts.height_px) == size]
    kept = {facts.path for facts in files}
    clips = tuple(clip for clip in shoot.clips if all(path in kept for path in clip.files))
    if not clips:
        raise FootageError(f"no take is whole in one video mode; {HOW_TO_TILT}")
    files = [facts for facts in files if any(facts.path in clip.files for clip in clips)]
    return replace(shoot, clips=clips), files, tuple(left_out)


def _rough(files: Sequence[ClipFacts], told: Lens, focal_sd: float, dip_rad: float) -> Lens:
    """The lens, of the told one and what a few frames make of it, that most points lie straight in."""
    lasts_s = sum(max(facts.duration_s, 1.0) for facts in files)
    lumas = [
        luma
        for facts in files
        for luma in spread_lumas(
            facts.path, facts, math.ceil(SAMPLED * max(facts.duration_s, 1.0) / lasts_s), facts.width_px
        )
    ]
    starts = [told]
    if told.model == "pinhole" and 2 * math.degrees(math.atan(told.width_px / 2 / told.fx_px)) >= WIDE_DEG:
        starts.append(as_model(told, "fisheye"))
    best, most = told, -1
    for start in starts:
        lens = start
        for _ in range(2):
            seen = _seen_in(lumas, lens, dip_rad)
            straight = straight_points(seen, lens, STRAIGHT_PX)
            if straight > most:
                best, most = lens, straight
            fitted = rough_lens(seen, told, focal_sd)
            if fitted is None:
                break
            lens = fitted
        straight = straight_points(_seen_in(lumas, lens, dip_rad), lens, STRAIGHT_PX)
        if straight > most:
            best, most = lens, straight
    return best


def _seen_in(lumas: Sequence[NDArray[np.uint8]], lens: Lens, dip_rad: float) -> list[SeenHorizon]:
    seen = []
    for luma in lumas:
        fit = measure_frame(luma, lens, dip_rad=dip_rad)
        if not fit.reason:
            seen += _points(luma, lens, fit.up_cam, dip_rad)
    return seen


def _points(luma: NDArray[np.uint8], lens: Lens, up_cam: Array, dip_rad: float) -> list[SeenHorizon]:
    """The horizon of one frame, none where its line is not found again."""
    found = edge_points(luma, lens, up_cam, dip_rad=dip_rad)
    points = found.points_px[found.used]
    if len(points) < 12:
        return []
    taken = np.unique(np.linspace(0, len(points) - 1, min(POINTS, len(points))).round().astype(int))
    return [SeenHorizon(points[taken], up_cam, dip_rad)]


def _looks(lying: Placed) -> pd.DataFrame:
    """Measured looks, the way up that the log knows, with the log's pitch (NaN without) and their window."""
    clock_of = {clock.clip: clock for clock in lying.clocks}
    parts = []
    for track in lying.footage.tracks:
        sheet = clip_sheet_of(track.clip, lying.shoot)
        table = track.track.dropna(subset=["roll_deg", "pitch_deg"])
        t_s = table["t_s"].to_numpy(float)
        kept = np.ones(len(table), bool)
        for from_s, to_s in sheet.exclude_s:
            kept &= ~((t_s >= from_s) & (t_s <= to_s))
        table, t_s = table[kept], t_s[kept]
        pitch_deg = np.full(len(table), np.nan)
        rate_dps = np.zeros(len(table))
        clock = clock_of.get(track.clip)
        # An offset that was scaled or never found tells no pitch.
        if clock is not None and clock.offset_s is not None and clock.sd_s is not None and clock.own_scale:
            log = lying.logs[clock.log_index]
            around = [attitude_at(log, t_s + clock.offset_s + step_s) for step_s in (-0.1, 0.0, 0.1)]
            pitch_deg = around[1]["pitch_deg"].to_numpy(float)
            rate_dps = (around[2]["pitch_deg"] - around[0]["pitch_deg"]).to_numpy(float) / 0.2
            turned_deg = float(lying.shoot.camera.mount_roll_deg - sheet.picture_turned_deg)
            far = (
                np.abs(wrap_deg(table["roll_deg"] - around[1]["roll_deg"].to_numpy(float) - turned_deg)) > 90
            )
            over = other_reading_deg(table["roll_deg"], table["pitch_deg"], track.dip_rad)
            table = table.assign(
                roll_deg=np.where(far, over[0], table["roll_deg"]),
                pitch_deg=np.where(far, over[1], table["pitch_deg"]),
            )
        parts.append(
            table.assign(
                log_pitch_deg=pitch_deg,
                log_pitch_sd_deg=np.degrees(HELD_RAD) + np.nan_to_num(LAG_S * np.abs(rate_dps)),
                window=np.floor(t_s / WINDOW_S),
            )
        )
    looks = pd.concat(parts, ignore_index=True)
    return looks.assign(window=looks.groupby(["clip", "window"], sort=False).ngroup())


def _apart(looks: pd.DataFrame, lens: Lens) -> list[int]:
    """Places of looks that differ most in height and tilt, in order of time."""
    if looks.empty:
        return []
    across_deg = 2 * math.degrees(math.atan(lens.width_px / 2 * lens.pixel_rad))
    height = looks["pitch_deg"].to_numpy(float) / (0.1 * across_deg)
    tilt = np.radians(looks["roll_deg"].to_numpy(float))
    place = np.column_stack([height, np.sin(tilt) / 0.3, np.cos(tilt), 0.3 * looks["window"].to_numpy(float)])
    taken = [int(np.argmax(np.abs(height)))]
    nearest = np.full(len(looks), np.inf)
    while len(taken) < min(LINES, len(looks)):
        nearest = np.minimum(nearest, np.linalg.norm(place - place[taken[-1]], axis=1))
        taken.append(int(np.argmax(nearest)))
    return sorted(set(taken))


def _settled(
    looks: pd.DataFrame,
    files: Sequence[ClipFacts],
    rough: Lens,
    told: tuple[Lens, float],
    dip_rad: float,
    name: str,
    progress: Share,
) -> FootageLens:
    """Points read off and the lens fitted, again through what was found, until that changes little."""
    lens, found = rough, None
    for turn in range(TURNS):
        seen = _seen_at(looks, files, lens, dip_rad)
        whole = part(progress, turn / TURNS, (turn + 1) / TURNS)
        found = lens_from_horizons(seen, *told, name, progress=whole)
        moved = abs(found.lens.fx_px / lens.fx_px - 1) if found.lens.model == lens.model else 1.0
        lens = found.lens
        if moved < SETTLED_SHARE:
            break
    assert found is not None
    return found


def _seen_at(
    looks: pd.DataFrame, files: Sequence[ClipFacts], lens: Lens, dip_rad: float
) -> list[SeenHorizon]:
    """Horizons of these looks, in their order, with the log's pitch."""
    seen: list[SeenHorizon] = []
    for facts in files:
        own = looks[looks["clip"] == facts.path.name]
        columns = ["roll_deg", "pitch_deg", "log_pitch_deg", "log_pitch_sd_deg", "window"]
        wanted = dict(zip(own["frame"].tolist(), own[columns].to_numpy(float).tolist(), strict=True))
        last = max(wanted, default=-1)
        its = scaled(lens, facts.width_px, facts.height_px)
        for frame in read_frames(facts.path):
            if frame.index > last:
                break
            if frame.index not in wanted:
                continue
            roll_deg, pitch_deg, log_pitch_deg, log_pitch_sd_deg, window = wanted[frame.index]
            up = up_from_angles(math.radians(roll_deg), math.radians(pitch_deg))
            fit = measure_frame(frame.luma, its, dip_rad=dip_rad, start=up)
            if fit.reason or abs(float(fit.up_cam @ up)) < math.cos(math.radians(10)):
                continue
            towards = fit.up_cam if float(fit.up_cam @ up) > 0 else fit.up_flipped
            seen += [
                replace(
                    one,
                    pitch_rad=math.radians(log_pitch_deg),
                    pitch_sd_rad=math.radians(log_pitch_sd_deg),
                    window=int(window),
                )
                for one in _points(frame.luma, its, towards, dip_rad)
            ]
    return seen
