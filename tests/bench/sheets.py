"""Contact sheets of the evaluation's worst frames, the measured line drawn where there is one."""

from pathlib import Path

import cv2
import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.surroundings import visible_dip_rad
from horizon.angles import directions
from horizon.frame import measure_frame
from horizon.lens import pixels
from tests.bench.measured import declared
from tests.bench.parts import case
from tests.bench.train import true_up

TILE_PX = 480
TILES = 12


def contact_sheets(stills: pd.DataFrame, part: str, folder: Path) -> None:
    """Write ``worst.png`` (by error over sd), ``wrong``, ``refused`` and, of negatives, ``accepted.png``."""
    kept = stills[stills["positive"] & (stills["reason"] == "")]
    over_sd = (kept["roll_error_deg"] / kept["roll_sd_deg"]).abs()
    sheets = {
        "worst": kept.loc[over_sd.sort_values(ascending=False).index],
        "wrong": kept[kept["wrong"]],
        "refused": stills[stills["positive"] & stills["usable"] & (stills["reason"] != "")],
        "accepted": stills[~stills["positive"] & (stills["reason"] == "")],
    }
    for name, rows in sheets.items():
        tiles = [tile(part, row) for row in rows.head(TILES).to_dict("records")]
        path = folder / f"{name}.png"
        path.unlink(missing_ok=True)
        if tiles:
            tiles += [np.zeros_like(tiles[0])] * (-len(tiles) % 3)
            lines = [np.hstack(tiles[k : k + 3]) for k in range(0, len(tiles), 3)]
            cv2.imwrite(str(path), np.vstack(lines))


def tile(part: str, row: dict) -> NDArray[np.uint8]:  # type: ignore[type-arg]
    """One picture with its lines: white measured, black true."""
    one = case(part, row["source"], row["number"])
    truth = one.truth
    true_dip_rad = 0.0 if truth is None else truth.dip_rad
    dip_rad = 0.0 if truth is None else visible_dip_rad(declared(truth))
    picture = cv2.cvtColor(one.luma, cv2.COLOR_GRAY2BGR)
    width = max(2, one.lens.width_px // 320)
    fit = measure_frame(one.luma, one.lens, dip_rad=dip_rad)
    lines = [
        (true_up(one), true_dip_rad, (0, 0, 0)),
        (None if fit.reason else fit.up_cam, dip_rad, (255, 255, 255)),
    ]
    for up, below_rad, colour in lines:
        if up is not None:
            place = pixels(one.lens, directions(up, np.radians(np.linspace(-80, 80, 400)), -below_rad))
            place = place[np.isfinite(place).all(axis=1) & (np.abs(place) < 1e4).all(axis=1)]
            cv2.polylines(picture, [place.round().astype(np.int32)], False, colour, width)
    shown = cv2.resize(picture, (TILE_PX, TILE_PX * 9 // 16), interpolation=cv2.INTER_AREA)
    error = row.get("skyline_roll_error_deg", float("nan"))
    text = [one.name, f"{row['reason'] or f'roll error {error:.3f}'}; likeness {row['likeness']:.2f}"]
    shown[:40] = shown[:40] // 4
    for k, line in enumerate(text):
        cv2.putText(shown, line, (6, 16 + 16 * k), cv2.FONT_HERSHEY_SIMPLEX, 0.42, (255, 255, 255), 1)
    return np.asarray(shown, np.uint8)
