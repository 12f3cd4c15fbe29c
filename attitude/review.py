"""The footage with its measured line drawn, to be looked through: review video, frames, worst moments.

Small pictures that were made while a clip was measured serve for all but the single frames; without them the
clip is decoded once more. The video shows all clips one after the other at ``FPS`` pictures a
second, each picture the one that a player would show at that time of the clip: where frames come unevenly or
are missing, the last one stays. So a clip's time is the video's time minus the begin of its segment. Between
two looks the horizon, or the plumb or level line, is drawn where both were measured and are close in time;
nowhere else.

Everything is drawn on the stored pixels, through the lens, and turned afterwards as a player turns it.
"""

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass, field, replace
from functools import partial
from hashlib import blake2b
from itertools import groupby
from pathlib import Path
from types import MappingProxyType

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.files import whole_file, write_whole
from attitude.infer import moment_lean
from attitude.kept_review import (
    SHEET,
    VIDEO,
    DrawnFrom,
    LookedThrough,
    drawn_before,
    keep_drawn,
    line_reach_rad,
)
from attitude.moments import NO_KEYS, Moment, shown_moments, worst_moments
from attitude.progress import Progress, Share, stage
from attitude.recording import content_digest
from attitude.reference_lines import WORDS
from attitude.report.material import Picture, Review, Segment, picture_of
from attitude.review_places import CLOSE_S, Place, View, part_of, place_at, view_of
from horizon.angles import angles_from_up
from horizon.clip import ClipError, Shown, read_shown
from horizon.coded import Coded, coded, write_coded
from horizon.draw import (
    Caption,
    captioned,
    draw_horizon,
    draw_reference,
    letterboxed,
    strip_px,
    turned,
)
from horizon.frame import EdgePoints, edge_points
from horizon.lens import Lens, scaled
from horizon.looking import in_order
from horizon.measure import ClipTrack
from horizon.reference import reference_points
from horizon.segments import frames_at
from horizon.small import ROUNDED_S, Coloured, Sizing, SmallPictures

__all__ = ["SHEET", "SIZING", "VIDEO", "LookedThrough", "look_through"]

Array = NDArray[np.float64]
Image = NDArray[np.uint8]

FPS, LONGEST_PX, SHORTEST_PX = 10, 960, 640
SIZING = Sizing(FPS, LONGEST_PX)
# Grainy footage takes what it needs; a key frame every second keeps seeking quick.
CRF, KEY_EVERY, PRESET = 29, FPS, "ultrafast"
SHEET_PX, GAP_PX = 1280, 8
NONE_MADE: Mapping[str, SmallPictures] = MappingProxyType({})


@dataclass(frozen=True)
class _Wanted:
    """The worst moments by clip and frame, drawn on the way, and what has been drawn, by moment."""

    worst: Mapping[tuple[str, int], Moment]
    tile_px: tuple[int, int]
    tiles: dict[Moment, tuple[Image, str]] = field(default_factory=dict)


def look_through(
    tracks: Sequence[ClipTrack],
    lenses: Mapping[str, Lens],
    frames: pd.DataFrame,
    kept: pd.DataFrame,
    left_out: Mapping[str, Sequence[tuple[float, float]]],
    folder: Path,
    *,
    earlier: Path | None = None,
    small: Mapping[str, SmallPictures] = NONE_MADE,
    keys_s: Mapping[str, Array] = NO_KEYS,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> LookedThrough:
    """Write the review video and the sheet of the worst moments into ``folder``, and draw the frames to show.

    lenses : by clip. frames : a row per look of every track, in the tracks' order, with columns clip, frame,
    t_s, roll_deg, pitch_deg, roll_sd_deg, reason in the reading that was settled on; ``left_out`` (by
    clip): both in the time that a player shows. kept : as of :func:`attitude.picture.footage_roll`, in the
    time as filmed. Of a kind that cannot be made, no file of an earlier run is left. earlier : folder of the
    last results; where what lies there still shows the truth, no clip is read and no video written. small :
    of clips, by name, as they were made on the way. keys_s : as of
    :func:`attitude.moments.shown_moments`. executor : draws frames beside this process.
    """
    folder.mkdir(parents=True, exist_ok=True)
    views = [view_of(track, lenses[track.clip], frames, left_out.get(track.clip, ())) for track in tracks]
    width_px, height_px = _canvas(views)
    shown, worst = shown_moments(kept, keys_s), worst_moments(kept)
    drawn = _drawn_from(views, (width_px, height_px), shown, worst, kept)
    if earlier is not None and (before := drawn_before(earlier, drawn)) is not None:
        if before.worst is not None:
            write_whole(folder / SHEET, before.worst.file)
        return before
    looked = _draw_all(views, (width_px, height_px), shown, worst, folder, small, executor, progress)
    keep_drawn(folder, drawn, looked)
    return looked


def _draw_all(
    views: Sequence[View],
    canvas_px: tuple[int, int],
    shown: Sequence[Moment],
    worst_ones: Sequence[Moment],
    folder: Path,
    small: Mapping[str, SmallPictures],
    executor: Executor | None,
    progress: Progress | None,
) -> LookedThrough:
    width_px, height_px = canvas_px
    tracks = [view.track for view in views]
    columns = 3 if width_px >= height_px else 4
    tile_px = (SHEET_PX - GAP_PX) // columns - GAP_PX
    worst_looks = _looks_of(worst_ones, tracks)
    wanted = _Wanted(
        {(moment.clip, frame): moment for moment, (frame, _) in worst_looks.items()},
        (tile_px, round(tile_px * height_px / width_px)),
    )
    segments: list[Segment] = []
    notes: tuple[str, ...] = ()
    by_clip = {view.track.clip: view for view in views}
    tasks = [
        partial(_whole_frame, by_clip[moment.clip], moment, *look, 0 if executor is None else 1)
        for moment, look in _looks_of(shown, tracks).items()
    ]
    with stage(progress, "drawing the review video") as told:
        drawing = [task if executor is None else executor.submit(task).result for task in tasks]
        film = partial(_film, views, (width_px, height_px), wanted, small, segments, executor, told)
        try:
            with whole_file(folder / VIDEO) as waiting:
                write_coded(waiting, film(), FPS, crf=CRF, preset=PRESET)
        except ClipError as error:
            (folder / VIDEO).unlink(missing_ok=True)
            notes = (f"no review video: {error}",)
            for _ in film(coding=False):  # the worst moments are still wanted
                pass
        drawn = [one() for one in drawing]
    height_px += strip_px(width_px, height_px)
    review = None if notes else Review(VIDEO, width_px, height_px, tuple(segments))
    worst = _sheet([wanted.tiles[moment] for moment in worst_looks if moment in wanted.tiles], columns)
    if worst is None:
        (folder / SHEET).unlink(missing_ok=True)
    else:
        write_whole(folder / SHEET, worst.file)
    return LookedThrough(review, tuple(one for one in drawn if one is not None), worst, notes)


def _canvas(views: Sequence[View]) -> tuple[int, int]:
    """Even width and height of the shape that most of the footage has."""
    lasts_s: dict[float, float] = {}
    for view in views:
        shape = view.seen_px[0] / view.seen_px[1]
        lasts_s[shape] = lasts_s.get(shape, 0.0) + max(view.track.facts.duration_s, 0.1)
    shape = max(lasts_s, key=lambda one: lasts_s[one])
    long_px = min(max(SHORTEST_PX, *(max(view.seen_px) for view in views)), LONGEST_PX)
    width, height = (long_px, long_px / shape) if shape >= 1 else (long_px * shape, long_px)
    return max(2, round(width / 2) * 2), max(2, round(height / 2) * 2)


def _looks_of(moments: Sequence[Moment], tracks: Sequence[ClipTrack]) -> dict[Moment, tuple[int, int]]:
    """Frame of the look that each moment is, and its row."""
    found = {}
    for moment in moments:
        looks = next(track.track for track in tracks if track.clip == moment.clip)
        nearest = int(np.argmin(np.abs(looks["t_s"].to_numpy(float) - moment.t_s)))
        found[moment] = int(looks["frame"].iloc[nearest]), nearest
    return found


def _film(
    views: Sequence[View],
    canvas_px: tuple[int, int],
    wanted: _Wanted,
    small: Mapping[str, SmallPictures],
    segments: list[Segment],
    executor: Executor | None,
    told: Share,
    *,
    coding: bool = True,
) -> Iterator[Coded]:
    """The review video in stretches; on the way the wanted moments are drawn and segments noted.

    coding : without, there are no stretches.
    """
    whole_s = sum(view.track.facts.duration_s for view in views)
    count = 0
    for view in views:
        first, made = count, small.get(view.track.clip)
        # Small pictures go to other processes; of frames, no more than one is held at a time.
        apart = made is not None and made.whole
        drawings = _drawings(view, _pictures(view, made), wanted)
        draw = partial(_drawn_stretch, canvas_px, wanted.tile_px, coding)
        tasks = (
            partial(draw, _part_of(view, list(stretch))) if apart else partial(draw, (view, stretch))
            for _, stretch in groupby(drawings, lambda one: one.stretch)
        )
        for stretch, times, tiles in in_order(executor if apart else None, tasks):
            wanted.tiles.update(tiles)
            if stretch is not None:
                yield stretch
            count += times
            told(min(1.0, count / FPS / whole_s) if whole_s > 0 else None)
        segments.append(Segment(view.track.clip, first / FPS, (count - first) / FPS))


@dataclass(frozen=True)
class _Drawing:
    """A picture to draw: at times of one stretch of the clip's video, and as one of the worst moments."""

    shown: Coloured
    stretch: int
    times_s: list[float]
    moment: Moment | None


def _drawings(view: View, pictures: Iterable[Coloured], wanted: _Wanted) -> Iterator[_Drawing]:
    """What there is to be drawn of a clip, in order; a stretch has ``KEY_EVERY`` times."""
    done = 0
    for shown in pictures:
        moment = wanted.worst.get((view.track.clip, shown.index))
        until = max(done, math.ceil((shown.until_s - ROUNDED_S) * FPS))
        while done < until or moment is not None:
            stretch = done // KEY_EVERY
            end = min(until, (stretch + 1) * KEY_EVERY)
            yield _Drawing(shown, stretch, [number / FPS for number in range(done, end)], moment)
            done, moment = end, None


def _part_of(view: View, stretch: Sequence[_Drawing]) -> tuple[View, Sequence[_Drawing]]:
    return part_of(view, stretch[0].shown.t_s, stretch[-1].shown.t_s), stretch


def _drawn_stretch(
    canvas_px: tuple[int, int],
    tile_px: tuple[int, int],
    coding: bool,
    part: tuple[View, Iterable[_Drawing]],
) -> tuple[Coded | None, int, dict[Moment, tuple[Image, str]]]:
    """A stretch of the video, how many pictures it has, and the worst moments that are among them."""
    cv2.setNumThreads(1)
    view, stretch = part
    images: list[Image] = []
    tiles: dict[Moment, tuple[Image, str]] = {}
    for one in stretch:
        if one.moment is not None:
            tiles[one.moment] = _tile(view, one.shown, one.moment, tile_px)
        if one.times_s:
            place = place_at(view, one.shown.t_s)
            scene = _scene(view, one.shown, place, canvas_px)
            for t_s in one.times_s:
                image = captioned(scene, _caption(view, place, t_s))
                images.append(np.asarray(cv2.cvtColor(image, cv2.COLOR_BGR2YUV_I420), np.uint8))
    found = coded(images, FPS, crf=CRF, preset=PRESET) if images and coding else None
    return found, len(images), tiles


def _pictures(view: View, small: SmallPictures | None) -> Iterable[Coloured]:
    """The frames to show: all of them; of a clip that was looked at by its key frames, those looked at."""
    facts = view.track.facts
    if small is not None and small.whole:
        return small
    if len(view.t_s) > 1 and float(np.median(np.diff(view.t_s))) > CLOSE_S:
        return frames_at(facts, list(zip(view.frame.tolist(), view.t_s.tolist(), strict=True)))
    return read_shown(facts)


def _whole_frame(view: View, moment: Moment, frame: int, row: int, threads: int) -> Picture | None:
    """The frame of a look at its own size, with its edge points; None where nothing was measured in it.

    threads : as of :func:`horizon.segments.frames_at`.
    """
    t_s = float(view.t_s[row])
    place = place_at(view, t_s)
    if place.up_cam is None:
        return None
    for shown in frames_at(view.track.facts, [(frame, t_s)], threads):
        points = _points(view, shown, place)
        image = _drawn(shown.colour(), view, view.lens, place, points)
        image = captioned(
            turned(image, view.track.facts.rotation_deg), _caption(view, place, t_s), key=points
        )
        return picture_of(image, moment.caption, moment.clip, moment.t_s, place.words)
    return None


def _tile(view: View, shown: Coloured, moment: Moment, tile_px: tuple[int, int]) -> tuple[Image, str]:
    """One of the worst moments, and what it is."""
    place = place_at(view, shown.t_s)
    # Drawn at twice the size: thin lines close together stay apart when they are made small smoothly.
    large = _scene(view, shown, place, (2 * tile_px[0], 2 * tile_px[1]))
    picture = np.asarray(cv2.resize(large, tile_px, interpolation=cv2.INTER_AREA), np.uint8)
    tile = captioned(picture, _caption(view, place, shown.t_s))
    return tile, f"{moment.clip} at {shown.t_s:.1f} s: {place.words}"


def _points(view: View, shown: Shown, place: Place) -> EdgePoints:
    """Edge points that the measurement of a look rests on."""
    assert place.up_cam is not None
    if place.normal is not None:
        return reference_points(shown.luma(), view.lens, place.normal)
    dip_rad, covered = view.track.dip_rad, view.track.covered
    return edge_points(shown.luma(), view.lens, place.up_cam, dip_rad=dip_rad, covered=covered)


def _drawn(picture: Image, view: View, lens: Lens, place: Place, points: EdgePoints | None = None) -> Image:
    """The picture with what was measured in it, as stored."""
    assert place.up_cam is not None
    if place.normal is not None:
        roll_rad = float(angles_from_up(place.up_cam)[0])
        return draw_reference(picture, lens, place.normal, roll_rad=roll_rad, points=points)
    dip_rad, level_rad = view.track.dip_rad, place.level_rad
    return draw_horizon(picture, lens, place.up_cam, dip_rad=dip_rad, level_rad=level_rad, points=points)


def _scene(view: View, shown: Coloured, place: Place, box_px: tuple[int, int]) -> Image:
    """The picture with its line, as a player shows it, in the middle of a box of that size."""
    seen = view.seen_px
    scale = min(box_px[0] / seen[0], box_px[1] / seen[1])
    facts = view.track.facts
    width_px, height_px = max(1, round(facts.width_px * scale)), max(1, round(facts.height_px * scale))
    picture = shown.colour(width_px, height_px)
    if place.up_cam is not None:
        lens = scaled(view.lens, width_px, height_px)
        picture = _drawn(picture, view, lens, place)
    return letterboxed(turned(picture, facts.rotation_deg), *box_px)


def _caption(view: View, place: Place, t_s: float) -> Caption:
    words = place.words
    left_out = any(from_s <= t_s <= to_s for from_s, to_s in view.left_out)
    if left_out:
        words = f"left out: {words}" if words else "left out"
    return Caption(words, view.track.clip, f"{t_s:.1f} s", left_out, WORDS[view.track.reference])


def _sheet(drawn: Sequence[tuple[Image, str]], columns: int) -> Picture | None:
    """The tiles of the worst moments, row by row, worst first."""
    if not drawn:
        return None
    columns = min(columns, len(drawn))
    height, width = (side + GAP_PX for side in drawn[0][0].shape[:2])
    rows = -(-len(drawn) // columns)
    sheet = np.full((rows * height + GAP_PX, columns * width + GAP_PX, 3), 255, np.uint8)
    for k, (tile, _) in enumerate(drawn):
        top, left = k // columns * height + GAP_PX, k % columns * width + GAP_PX
        sheet[top : top + tile.shape[0], left : left + tile.shape[1]] = tile
    caption = f"The {len(drawn)} worst moments, worst first" if len(drawn) > 1 else "The worst moment"
    words = "; ".join(words for _, words in drawn)
    return picture_of(sheet, caption, "", 0.0, words)


def _drawn_from(
    views: Sequence[View],
    canvas_px: tuple[int, int],
    shown: Sequence[Moment],
    worst: Sequence[Moment],
    kept: pd.DataFrame,
) -> DrawnFrom:
    """What all pictures follow from."""
    same, columns = blake2b(repr(canvas_px).encode(), digest_size=20), []
    for view in views:
        track, facts, rows = view.track, view.track.facts, len(view.t_s)
        told = (
            track.clip,
            replace(facts, path=Path()),
            track.reference,
            view.lens,
            view.left_out,
            view.reason,
        )
        same.update(repr(told).encode("utf-8", "surrogateescape"))
        with suppress(OSError):
            same.update(content_digest(facts.path) + str(facts.path.stat().st_mtime_ns).encode())
        same.update(view.t_s.tobytes() + view.frame.tobytes() + view.level_deg.tobytes())
        same.update(b"" if track.covered is None else track.covered.tobytes())
        seen = view.seen_px
        scaled_rad = view.lens.pixel_rad / min(canvas_px[0] / seen[0], canvas_px[1] / seen[1])
        sds_deg = np.array([moment_lean(0.0, sd).sd for sd in view.roll_sd_deg.tolist()])
        normals = np.full((rows, 3), np.nan) if track.normals is None else track.normals
        each = [np.full(rows, one) for one in (track.dip_rad, scaled_rad, line_reach_rad(view.lens))]
        columns.append(np.column_stack([view.up_cam, normals, sds_deg, *each]))
    table = np.concatenate([np.empty((0, 10)), *columns])
    up, normal, sd_deg, dip_rad, pixel_rad, reach_rad = np.split(table, [3, 6, 7, 8, 9], axis=1)
    return DrawnFrom(
        same=same.hexdigest(),
        up_cam=up,
        normal=normal,
        dip_rad=dip_rad[:, 0],
        sd_deg=sd_deg[:, 0],
        pixel_rad=pixel_rad[:, 0],
        reach_rad=reach_rad[:, 0],
        shown=tuple(shown),
        worst=tuple(worst),
        kept=kept,
    )
