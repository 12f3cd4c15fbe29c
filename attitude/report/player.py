"""The review player: where each clip lies in the review video, the lean along it, and where it is flagged.

The time line shows the lean of the whole shoot, one clip after the other, so that a place can be chosen by
what it looks like; under it the stretches out of tolerance. All times that a person reads or copies are those
of the clip as a player shows it, which is what ``exclude_s`` of the sheet counts in.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd

from attitude.flagged import COLUMNS, HOLE_S
from attitude.infer import moment_lean
from attitude.report.material import Material, Review, Segment
from attitude.residuals import as_played
from attitude.words import POSE_WORDS, lean_words, printable

__all__ = ["FlaggedRow", "Player", "flagged_rows", "player_of", "review_s"]

STEP_S = 0.19  # the least time between two words beside the picture: at five looks a second, every look
MOST_STEPS = 4000
HEIGHT = 100.0  # of the time line's drawing, whose width is also 1000 of its own units
WIDTH = 1000.0


@dataclass(frozen=True)
class FlaggedRow:
    """One stretch out of tolerance in words; ``review_s``: where to look, None without a review video."""

    clip: str
    times: str
    words: str
    review_s: float | None


@dataclass(frozen=True)
class Player:
    """What the page's player is built from.

    ``data`` : for the script, plain values only. ``lines``, ``bands``, ``ends`` : the time line's drawing, in
    1000 x 100: points of the lean, left and width of the flagged stretches, and where a clip begins.
    ``tolerance`` : top and height of the band within tolerance, ``clips`` : name, left and width in percent.
    """

    review: Review
    lasts_s: float
    data: dict[str, Any]
    lines: tuple[str, ...]
    bands: tuple[tuple[float, float], ...]
    ends: tuple[float, ...]
    tolerance: tuple[float, float]
    clips: tuple[tuple[str, float, float], ...]


def player_of(material: Material) -> Player | None:
    """None where the shoot has no review video."""
    review = material.review
    if review is None or not review.segments:
        return None
    lasts_s = max(one.from_s + one.lasts_s for one in review.segments)
    seen = as_played(material.kept, material.shoot)
    tolerance = material.verdict.tolerance_deg
    most = float(np.quantile(seen["tilt_deg"].abs(), 0.98)) if len(seen) else 0.0
    reach = max(1.5 * tolerance, 1.2 * most)
    flags = list(_in_review(material.flagged, review))
    across = WIDTH / max(lasts_s, 1e-9)
    down = HEIGHT / 2 / reach
    return Player(
        review=review,
        lasts_s=lasts_s,
        data={
            "lasts_s": round(lasts_s, 3),
            "takes": _takes(material),
            "segments": [_segment(one, seen, material) for one in review.segments],
            "flagged": [[round(a, 2), round(b, 2)] for a, b in flags],
        },
        lines=tuple(_lines(seen, review, across, down)),
        bands=tuple((round(a * across, 2), round(max((b - a) * across, 1.0), 2)) for a, b in flags),
        ends=tuple(round(one.from_s * across, 2) for one in review.segments[1:]),
        tolerance=(round(HEIGHT / 2 - tolerance * down, 2), round(2 * tolerance * down, 2)),
        clips=tuple(
            (one.clip, round(100 * one.from_s / lasts_s, 3), round(100 * one.lasts_s / lasts_s, 3))
            for one in review.segments
        ),
    )


def flagged_rows(material: Material) -> list[FlaggedRow]:
    """The stretches out of tolerance, in order."""
    rows = []
    table = material.flagged
    for clip, from_s, to_s, worst_deg, sd_deg in zip(*(table[c] for c in COLUMNS), strict=True):
        words = lean_words(moment_lean(float(worst_deg), float(sd_deg)))
        times = f"{from_s:.1f} to {to_s:.1f} s"
        rows.append(FlaggedRow(str(clip), times, words, review_s(material.review, str(clip), float(from_s))))
    return rows


def review_s(review: Review | None, clip: str, clip_s: float) -> float | None:
    """Time in the review video of a time in a clip, as played; None where the video does not show it."""
    for one in () if review is None else review.segments:
        if one.clip == clip and 0 <= clip_s <= one.lasts_s:
            return round(one.from_s + clip_s, 2)
    return None


def _in_review(table: pd.DataFrame, review: Review) -> Iterator[tuple[float, float]]:
    place = {one.clip: one for one in review.segments}
    for clip, from_s, to_s in zip(table["clip"], table["from_s"], table["to_s"], strict=True):
        one = place.get(str(clip))
        if one is not None and from_s < one.lasts_s:
            yield one.from_s + float(from_s), one.from_s + min(float(to_s), one.lasts_s)


def _takes(material: Material) -> list[dict[str, Any]]:
    """Name of every take, and what the sheet leaves out of it, in the take's own time."""
    return [
        {
            "name": printable(", ".join(file.name for file in sheet.files)),
            "excluded": [list(pair) for pair in sheet.exclude_s],
        }
        for sheet in material.shoot.clips
    ]


def _segment(one: Segment, seen: pd.DataFrame, material: Material) -> dict[str, Any]:
    sheets = material.shoot.clips
    take = next(k for k, sheet in enumerate(sheets) if one.clip in [file.name for file in sheet.files])
    names, starts_s = [file.name for file in sheets[take].files], sheets[take].starts_s
    part = seen[seen["clip"] == one.clip]
    step_s = _step_s(one)
    part = part[~(part["t_s"] // step_s).duplicated()]
    return {
        "clip": one.clip,
        "name": printable(one.clip),
        "from_s": round(one.from_s, 3),
        "lasts_s": round(one.lasts_s, 3),
        # The sheet counts in the time of a take, which the camera may have cut into several files.
        "take": take,
        "take_s": starts_s[names.index(one.clip)] if starts_s else 0.0,
        "step_s": round(max(float(part["t_s"].diff().median()), step_s) if len(part) > 1 else step_s, 2),
        "t_s": [round(float(t), 2) for t in part["t_s"]],
        "words": [
            _words(tilt, sd, pose)
            for tilt, sd, pose in zip(part["tilt_deg"], part["roll_sd_deg"], part["pose_deg"], strict=True)
        ],
    }


def _words(tilt_deg: float, sd_deg: float, pose_deg: float) -> str:
    pose = POSE_WORDS.get(abs(pose_deg))
    return lean_words(moment_lean(float(tilt_deg), float(sd_deg))) + (f" (filmed {pose})" if pose else "")


def _step_s(one: Segment) -> float:
    """Between the points of the lean that the page carries."""
    return max(STEP_S, one.lasts_s / MOST_STEPS)


def _lines(seen: pd.DataFrame, review: Review, across: float, down: float) -> Iterator[str]:
    """Points of the lean over the review, one text per unbroken run."""
    for one in review.segments:
        part = seen[seen["clip"] == one.clip]
        step_s = _step_s(one)
        cells = part.groupby((part["t_s"] // step_s).astype(int))[["t_s", "tilt_deg"]].mean()
        for _, run in cells.groupby((cells["t_s"].diff() > HOLE_S + step_s).cumsum()):
            x = across * (one.from_s + run["t_s"].to_numpy(float))
            if len(x) == 1:  # a look that stands alone is a short stroke
                x = np.append(x, x + 2.0)
            y = np.clip(HEIGHT / 2 - down * run["tilt_deg"].to_numpy(float), 0, HEIGHT)
            yield " ".join(f"{a:.1f},{b:.1f}" for a, b in zip(x, y, strict=True))
