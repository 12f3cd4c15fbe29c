"""``python -m tests.bench.lines``: drawn clips of plumb and level lines, measured by the whole chain.

Rooms by lot (:mod:`tests.lines_scenes`): clutter, strings that swing, lines out of focus, lenses, cameras
upside down. The same rooms are filmed without a line, too: what is then measured is a wrong line. Seeds below
1000 are for tuning (``--part tune``), those from 6000 for the report.
"""

import argparse
import tempfile
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pandas as pd

from horizon.angles import wrap_deg
from horizon.clip import probe
from horizon.reference import measure_reference, roll_from_line
from tests.bench.tables import bounds
from tests.lines_scenes import film, invented_room, seen_roll_deg

SEEDS = {"tune": 0, "report": 6000}
# Further off than this is another line, not an error of the fit.
WRONG_DEG = 0.3
# Clips without a line are as short as shows it: every look of them is a search.
SHORT_S = 0.8


def judged(kind: str, seed: int, case: str) -> dict[str, object]:
    """One clip: ``case`` line, pair or none."""
    cv2.setNumThreads(1)
    room = invented_room(kind, seed, line=case != "none", lines=2 if case == "pair" else 1)
    if case == "none":
        room = replace(room, length_s=SHORT_S)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "drawn.mp4"
        truth = film(path, room)
        found = measure_reference(
            probe(path), room.lens, kind=kind, lines=2 if case == "pair" else 1, pitch_sd_rad=0.0
        )
    table = found.track
    good = (table["reason"] == "").to_numpy()
    row: dict[str, object] = {
        "kind": kind, "case": case, "seed": seed, "share": good.mean(), "notes": "; ".join(found.notes),
        "reason": "" if good.any() else Counter(table["reason"]).most_common(1)[0][0],
        "swing_deg": room.swing_deg, "blur_px": room.blur_px, "width_px": room.width_px,
        "contrast": room.contrast_grey, "restless": room.restless_deg, "clutter": " ".join(room.clutter),
        "roll_deg": room.roll_deg, "lens": room.lens.model,
    }  # fmt: skip
    if not good.any():
        return row
    true = truth[table["frame"].to_numpy()[good]]
    upside_down = abs(wrap_deg(room.roll_deg)) > 90
    if case == "pair":
        roll = table["roll_deg"].to_numpy()[good]
        row["pitch_error"] = float(
            np.mean(table["pitch_deg"][good]) - (-1 if upside_down else 1) * room.pitch_deg
        )
        row["pitch_sd"] = _mean_sd(table[good], "pitch")
    else:
        pitch = np.full(good.sum(), np.radians((-1 if upside_down else 1) * room.pitch_deg))
        roll = np.degrees(roll_from_line(kind, found.normals[good], pitch)[0])
    error = wrap_deg(roll + (180 if upside_down else 0) - true)
    row["to_level"] = float(np.mean(error))
    row["level_sd"] = _mean_sd(table[good], "roll")
    if kind == "level_line":
        seen = np.array([seen_roll_deg(room, one) for one in true])
        error = wrap_deg(roll + (180 if upside_down else 0) - seen)
    # Without what the wall's turn adds, which is no error of the measurement.
    row["error"], row["worst"] = float(np.mean(error)), float(np.abs(error).max())
    line = table[good]
    shared2 = line["shared_roll_sd_deg"] ** 2 - (line["roll_sd_deg"] ** 2 - line["line_roll_sd_deg"] ** 2)
    noise2 = line["roll_sd_deg"] ** 2 - line["shared_roll_sd_deg"] ** 2
    row["sd"] = float(np.sqrt(max(shared2.mean(), 0) + noise2.mean() / len(line)))
    return row


def _mean_sd(table: pd.DataFrame, what: str) -> float:
    """Sd of the clip's mean."""
    shared2 = table[f"shared_{what}_sd_deg"] ** 2
    noise2 = table[f"{what}_sd_deg"] ** 2 - shared2
    return float(np.sqrt(shared2.mean() + noise2.mean() / len(table)))


def main():
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--clips", type=int, default=60)
    parser.add_argument("--part", choices=SEEDS, default="tune")
    parser.add_argument("--out", type=Path)
    asked = parser.parse_args()
    first = SEEDS[asked.part]
    todo = [
        (kind, first + k, case)
        for kind in ("plumb_line", "level_line")
        for case, count in (("line", asked.clips), ("none", asked.clips), ("pair", asked.clips // 3))
        for k in range(count)
        if case != "pair" or kind == "plumb_line"
    ]
    found = []
    with ProcessPoolExecutor(2) as pool:
        for row in pool.map(judged, *zip(*todo, strict=True)):
            found.append(row)
            if asked.out:
                pd.DataFrame(found).to_csv(asked.out, index=False)
    rows = pd.DataFrame(found)
    print(
        "| clips | measured | frames | median error | 95th percentile | wrong line | sd holds it | to level |"
    )
    print("|---|---|---|---|---|---|---|---|")
    for (kind, case), part in rows.groupby(["kind", "case"], sort=False):
        print(_row(kind, case, part))
    pairs = rows[rows["case"] == "pair"].dropna(subset=["error"])
    if len(pairs):
        off = pairs["pitch_error"].abs()
        held = int((off <= 1.96 * pairs["pitch_sd"]).sum())
        print(f"pitch of pairs: median error {off.median():.4f} deg, 95th percentile "
              f"{off.quantile(0.95):.3f} deg; sd holds it {bounds(held, len(pairs))}")  # fmt: skip


def _row(kind: str, case: str, part: pd.DataFrame) -> str:
    name = f"{kind.replace('_', ' ')}, {case}"
    if case == "none":
        refused = int((part["share"] == 0).sum())
        return f"| {name} | refused {bounds(refused, len(part))} | | | | {len(part) - refused} | | |"
    seen = part.dropna(subset=["error"])
    off = seen["error"].abs()
    wrong = int((off > WRONG_DEG).sum())
    held = int((off <= 1.96 * seen["sd"]).sum())
    level = int((seen["to_level"].abs() <= 1.96 * seen["level_sd"]).sum())
    return (
        f"| {name} | {bounds(len(seen), len(part))} | {100 * part['share'].mean():.0f} % | "
        f"{off.median():.4f} deg | {off.quantile(0.95):.3f} deg | {wrong} | {bounds(held, len(seen))} | "
        f"{bounds(level, len(seen))} |"
    )


if __name__ == "__main__":
    main()
