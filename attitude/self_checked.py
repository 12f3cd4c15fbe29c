"""The self-check of a shoot: which of its frames are turned, and what they read when they were last.

It is of the measuring alone. So the frames are chosen by the lines as of no dip, in the clips' own time, and
what they read holds for as long as the clips are measured as they were.
"""

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

import attitude
import horizon
from attitude.kept_tracks import code_digest, key_of, read_kept, write_kept
from attitude.progress import Share
from horizon.angles import angles_from_up
from horizon.clip import ClipFacts
from horizon.lens import Lens
from horizon.looks import ClipLooks
from horizon.segments import frames_at
from horizon.selfcheck import COLUMNS, Sample, SelfCheck, fits_in, self_check_begun, summed_up

__all__ = ["Looked", "check_begun"]

# So many frames; so much time apart counts as much as another clip or 30 deg of roll.
SELF_CHECKED, APART_S = 4, 60.0
# So many key frames to choose from in a clip are as good as all.
ENOUGH = 8


@dataclass(frozen=True)
class Looked:
    """A clip with a horizon as it was looked at. key : what its looks are kept by, "" where they are not."""

    facts: ClipFacts
    lens: Lens
    looks: ClipLooks
    key: str

    @property
    def clip(self) -> str:
        """Its name."""
        return self.facts.path.name

    @property
    def keys_s(self) -> NDArray[np.float64]:
        """Clip times of the key frames among its looks."""
        return self.looks.t_s[self.looks.is_key]


def check_begun(clips: Sequence[Looked], *, executor: Executor | None = None) -> Callable[[Share], SelfCheck]:
    """A few measured frames turned by known angles and measured again, or as that was read before.

    The executor is at it when this returns; what is given back sees to its end.
    """
    keys = [one.key for one in clips]
    key = key_of("self-check", code_digest(horizon, attitude), *keys) if all(keys) else ""
    names = [one.clip for one in clips]
    before = read_kept(key, lambda held: _as_kept(held, names))
    if before is not None:
        return lambda _: before
    threads = 0 if executor is None else 1
    begun = self_check_begun(_samples(clips, threads), executor=executor)

    def ended(progress: Share) -> SelfCheck:
        found = begun(progress)
        rows = found.rows.assign(clip=found.rows["clip"].map({name: k for k, name in enumerate(names)}))
        kinds = {name: bool if name == "mirrored" else int if name == "clip" else float for name in COLUMNS}
        write_kept(
            key, {"turned": found.turned}, {name: rows[name].to_numpy(kinds[name]) for name in COLUMNS}
        )
        return found

    return ended


def _as_kept(held: Mapping[str, Any], names: Sequence[str]) -> SelfCheck:
    rows = pd.DataFrame({name: held[name] for name in COLUMNS})
    return summed_up(rows.assign(clip=rows["clip"].map(dict(enumerate(names)))), int(held["about"]["turned"]))


def _samples(clips: Sequence[Looked], threads: int) -> Iterator[Callable[[], Sample | None]]:
    """What finds a few measured frames, spread over the clips, their time and the roll.

    Of a clip that has enough of them, key frames: others have to be decoded up to.
    """
    parts = []
    for number, one in enumerate(clips):
        rows = one.looks.measured
        roll_deg, pitch_deg = np.degrees(angles_from_up(one.looks.line.up_cam[rows]))
        inside = fits_in(one.lens, roll_deg, pitch_deg)
        table = {"clip": number, "frame": one.looks.frame[rows], "t_s": one.looks.t_s[rows]}
        part = pd.DataFrame({**table, "roll_deg": roll_deg})
        on_its_own = inside & one.looks.is_key[rows]
        part = part[on_its_own if on_its_own.sum() >= ENOUGH else inside]
        if len(part):
            parts.append(part)
    if not parts:
        return
    able = pd.concat(parts, ignore_index=True)
    for place, chosen in able.loc[_spread(able, SELF_CHECKED)].groupby("clip", sort=False):
        clip = clips[int(str(place))]
        for row in chosen.sort_values("t_s").itertuples():
            look = int(str(row.frame)), float(str(row.t_s))
            yield partial(_sample, clip.facts, clip.lens, look, float(str(row.roll_deg)), threads)


def _sample(
    facts: ClipFacts, lens: Lens, look: tuple[int, float], roll_deg: float, threads: int
) -> Sample | None:
    """One frame; None where it cannot be reached."""
    for frame in frames_at(facts, [look], threads):
        return Sample(facts.path.name, frame.t_s, frame.luma(), lens, roll_deg)
    return None


def _spread(frames: pd.DataFrame, count: int) -> list[int]:
    """Rows that lie far apart: each the one farthest from those already taken."""
    t_s = frames["t_s"].to_numpy(float) / APART_S
    roll = np.deg2rad(frames["roll_deg"].to_numpy(float))
    clip = frames["clip"].to_numpy()
    taken: list[int] = []
    nearest = np.full(len(frames), np.inf)
    while len(taken) < min(count, len(frames)):
        k = int(np.argmax(nearest))
        taken.append(k)
        apart = np.abs(t_s - t_s[k]) + 2 * np.abs(np.sin((roll - roll[k]) / 2)) + (clip != clip[k])
        nearest = np.minimum(nearest, apart)
    return taken
