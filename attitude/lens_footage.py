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
from attitude.entries import OTHER_BODIES
from attitude.lens_file import FOUND_IN_FOOTAGE, LENS_FILE, footage_text, in_the_way, plain_text, write_lens
from attitude.log import attitude_at
from attitude.optics import TOLD_FOCAL_SD, lens_of
from attitude.progress import Progress, Share, part, stage
from attitude.readings import contradiction
from attitude.reference_lines import log_tells_pose
from attitude.residuals import clip_sheet_of, residuals
from attitude.sheet import HORIZON, SHEET_NAME, Shoot, read_sheet
from attitude.surroundings import visible_dip_rad
from attitude.takes import counted
from horizon.angles import up_from_angles, wrap_deg
from horizon.bundle import SeenHorizon, as_model
from horizon.clip import ClipFacts, probe, read_frames
from horizon.frame import edge_points, measure_frame
from horizon.lens import Lens
from horizon.segments import let_go, spread_lumas
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
LEVEL_SURFACES = ("sea", "plain")
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

    told : the lens that the sheet told of before, or that was assumed.
    """

    shoot: Shoot
    found: FootageLens
    told: Lens
    was_told: bool
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
    whole = read_sheet(sheet)
    name = (sheet / SHEET_NAME if sheet.is_dir() else sheet).name
    _refuse_unlevel(whole, name)
    folder = whole.folder if out is None else out
    if taken := in_the_way(folder, FOUND_IN_FOOTAGE):
        raise FootageError(taken)
    shoot, files, left_out = _through_one_lens(whole, name)
    told = lens_of(files[0], shoot.camera, None)
    dip_rad = visible_dip_rad(shoot.horizon)
    with stage(progress, "looking how bent the lines are"):
        rough = _rough(files, told.lens, told.focal_sd, dip_rad)
    with TemporaryDirectory() as place:
        through = Path(place) / LENS_FILE
        through.write_text(plain_text(rough), encoding="utf-8")
        shoot = replace(shoot, camera=replace(shoot.camera, lens=through, crop=None))
        lying = placed(shoot, executor=executor, progress=progress)
    looks = _looks(lying)
    rows = _apart(looks, rough)
    with stage(progress, "fitting the lens") as told_share:
        found = _settled(
            looks.iloc[rows], files, rough, (told.lens, told.focal_sd), dip_rad, name, told_share
        )
    clips = tuple(looks.iloc[rows]["clip"].unique())
    done = ShootLens(whole, found, told.lens, told.focal_sd <= TOLD_FOCAL_SD, clips, left_out)
    said = f"{found.lines} horizons in {len(clips)} clip{'s' if len(clips) > 1 else ''}"
    text = footage_text(found, clips, lying.shoot.date or today)
    write_lens(folder, text, found.lens, (found.points_px, found.residuals_px), said)
    return done, folder


def _refuse_unlevel(shoot: Shoot, name: str) -> None:
    """A bent line is the lens's doing only where the skyline is level and the picture as filmed."""
    if shoot.stabilised:
        raise FootageError(
            f"{name}: the picture may have been turned and bent afterwards (stabilised = true); film with "
            "stabilisation off"
        )
    if shoot.horizon.surface not in LEVEL_SURFACES:
        raise FootageError(
            f"{name}: surface is {shoot.horizon.surface!r}, and a skyline that is not level looks like a "
            'bent lens; film the open sea or a plain, and state surface = "sea" or "plain" under [horizon]'
        )


def _through_one_lens(shoot: Shoot, name: str) -> tuple[Shoot, list[ClipFacts], tuple[str, ...]]:
    """The shoot with the clips that show a horizon through the lens of [camera] in one size of picture."""
    left_out: dict[Path, str] = {}
    lasting: dict[tuple[int, int], float] = {}
    able: dict[Path, ClipFacts] = {}
    for clip in shoot.clips:
        for path in clip.files:
            if clip.reference != HORIZON:
                left_out[path] = "shows no horizon"
            elif clip.lens is not None or clip.hfov_deg is not None:
                left_out[path] = "has a lens of its own in the sheet"
            else:
                facts = able[path] = probe(path)
                size = (facts.width_px, facts.height_px)
                lasting[size] = lasting.get(size, 0.0) + facts.duration_s
    if not able:
        own = any(clip.hfov_deg is not None or clip.lens is not None for clip in shoot.clips)
        mend = "take lens and hfov_deg out of its [[clip]] entries" if own else HOW_TO_TILT
        raise FootageError(f"{name}: no clip shows a horizon through the lens of [camera]; {mend}")
    size = max(lasting, key=lambda one: lasting[one])
    for path, facts in able.items():
        if (facts.width_px, facts.height_px) != size:
            left_out[path] = f"{facts.width_px} x {facts.height_px} px, another video mode"
    clips = tuple(clip for clip in shoot.clips if not left_out.keys() & set(clip.files))
    kept = {path for clip in clips for path in clip.files}
    for path in able.keys() - kept - left_out.keys():
        left_out[path] = "another part of its take is in another video mode"
    if not kept:
        raise FootageError(f"{name}: no take is whole in one video mode; film it all in one")
    said = tuple(f"{path.name}: {why}" for path, why in left_out.items())
    return replace(shoot, clips=clips), [able[path] for path in able if path in kept], said


def _rough(files: Sequence[ClipFacts], told: Lens, focal_sd: float, dip_rad: float) -> Lens:
    """The lens, of the told one and what a few frames make of it, that most points lie straight in."""
    lasts_s = sum(max(facts.duration_s, 1.0) for facts in files)
    lumas = [
        luma
        for facts in files
        for luma in spread_lumas(
            facts, math.ceil(SAMPLED * max(facts.duration_s, 1.0) / lasts_s), facts.width_px
        ).values()
    ]
    let_go()
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
    """Measured looks of the stored picture, with the log's pitch (NaN without) and their window."""
    shoot, tracks = lying.shoot, lying.footage.tracks
    found = residuals(tracks, lying.logs, lying.clocks, shoot) if lying.clocks else None
    # Of a log that is another body's, or does not go with the picture, no pitch is taken.
    tells = (
        found is not None and found.log_fits and log_tells_pose(shoot) and not contradiction(lying.readings)
    )
    clock_of = {clock.clip: clock for clock in lying.clocks}
    parts = []
    for track in tracks:
        sheet, clock = clip_sheet_of(track.clip, shoot), clock_of.get(track.clip)
        table = track.track.dropna(subset=["roll_deg", "pitch_deg"])
        table = table[counted(sheet, table["t_s"].to_numpy(float))].assign(log_pitch_deg=np.nan, rate_dps=0.0)
        if found is not None and tells and clock is not None and clock.sd_s is not None and clock.own_scale:
            frames = found.frames[found.frames["clip"] == track.clip]
            log, log_t_s = lying.logs[clock.log_index], frames["log_t_s"].to_numpy(float)
            if shoot.logs[clock.log_index].attitude_of not in OTHER_BODIES and len(frames):
                after, before = (
                    attitude_at(log, log_t_s + step_s)["pitch_deg"].to_numpy(float) for step_s in (0.1, -0.1)
                )
                # As the picture is stored, the way up that the log knows.
                turned_deg = float(shoot.camera.mount_roll_deg - sheet.picture_turned_deg)
                table = frames[["clip", "frame", "t_s", "pitch_deg", "log_pitch_deg"]].assign(
                    roll_deg=wrap_deg(frames["roll_deg"].to_numpy(float) + turned_deg),
                    rate_dps=(after - before) / 0.2,
                )
        parts.append(table[["clip", "frame", "t_s", "roll_deg", "pitch_deg", "log_pitch_deg", "rate_dps"]])
    looks = pd.concat(parts, ignore_index=True)
    slow_deg = math.degrees(HELD_RAD) + np.nan_to_num(LAG_S * looks["rate_dps"].abs().to_numpy(float))
    # The sensor's own error of pitch changes sign when it is turned over.
    way = np.cos(np.radians(looks["roll_deg"])) > 0
    when = np.floor(looks["t_s"] / WINDOW_S)
    window = looks.groupby([looks["clip"], when, way], sort=False).ngroup()
    return looks.assign(log_pitch_sd_deg=slow_deg, window=window)


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
        for frame in read_frames(facts.path):
            if frame.index > last:
                break
            if frame.index not in wanted:
                continue
            roll_deg, pitch_deg, log_pitch_deg, log_pitch_sd_deg, window = wanted[frame.index]
            up = up_from_angles(math.radians(roll_deg), math.radians(pitch_deg))
            fit = measure_frame(frame.luma, lens, dip_rad=dip_rad, start=up)
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
                for one in _points(frame.luma, lens, towards, dip_rad)
            ]
    return seen
