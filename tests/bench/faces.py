"""``python -m tests.bench.faces``: six-face captures with known errors, judged as an operator's would be.

Sensors with offsets of 20 mg and scales of 1 %, faces tilted by the bubble's error (told rightly), ten
seconds a face at 50 Hz. Noise: 1.5 mg in single readings, or 2 mg, which is the 400 ug/sqrt(Hz) that a
low-cost part's product specification states (50 mg of zero-g offset, 2 % of cross-axis, section 6.2). Then
the same sensor behind first-order low-pass filters, which make neighbouring readings alike.
"""

import argparse
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

from attitude.capture import FACES, Capture, CaptureSheet
from attitude.face_check import check_capture
from tests.bench.tables import bounds
from tests.captures import RATE_HZ, capture, hold, invented_board, true_level, up_of

__all__ = ["found_out", "judged"]

AXES = ("y", "z", "x")
NOISES_MG = (1.5, 2.0)
TAUS_S = (0.05, 0.2, 0.5)
DRIFT_DEG, OFF_DEG = 0.1, 1.75


def filtered(rng, tau_s, noise_mg):
    """What a filter of that time constant lets through of white noise, for ``move_mg`` of a hold."""

    def move(t_s):
        keep = np.exp(-1 / RATE_HZ / tau_s)
        rough = rng.normal(0, 1, (len(t_s) + round(10 * tau_s * RATE_HZ), 3))
        return noise_mg * lfilter([1 - keep], [1, -keep], rough, axis=0)[-len(t_s) :]

    return move


def judged(rng, *, bubble_deg, cross, noise_mg, lasts_s=10.0, spoil=None, tau_s=0.0):
    """A capture's board, what was found, and its holds; ``spoil`` changes tilts (6, 2) or holds first.

    tau_s : of the filter that the noise goes through, 0 for none.
    """
    board = invented_board(rng, cross=cross)
    tilts = rng.normal(0, bubble_deg, (6, 2))
    if spoil == "off":
        way = rng.uniform(0, 2 * np.pi)
        tilts[rng.integers(6)] += OFF_DEG * np.array([np.cos(way), np.sin(way)])
    noise = {"noise_mg": noise_mg}
    if tau_s:
        noise = {"noise_mg": 0.001, "move_mg": filtered(rng, tau_s, noise_mg)}
    held = list(capture(rng, board, tilts, lasts_s=lasts_s, **noise).holds)
    if spoil == "drift":
        k, way = int(rng.integers(6)), rng.uniform(0, 2 * np.pi)
        across = np.zeros(3)
        across[[i for i in range(3) if i != k // 2]] = np.cos(way), np.sin(way)
        size_mg = 1000 * np.radians(DRIFT_DEG)
        held[k] = hold(
            rng,
            board,
            up_of(FACES[k], tilts[k]),
            noise_mg=noise_mg,
            lasts_s=lasts_s,
            move_mg=lambda t: np.outer(size_mg * (t / lasts_s - 0.5), across),
        )
        tilts = k
    sheet = CaptureSheet(Path("cube.csv"), (), sensor_axes=AXES, bubble_deg=bubble_deg)
    return board, tilts, check_capture(sheet, Capture(tuple(held)))


def found_out(rng, count, spoil, **how):
    """Of spoilt captures: how many were found, and of these how many named the right face first."""
    found = right = 0
    for _ in range(count):
        _, truth, one = judged(rng, spoil=spoil, **how)
        if spoil == "drift":
            found += one.faces[truth].stillness.drifts
            right += one.faces[truth].stillness.drifts
            continue
        found += bool(one.tilts.alarmed)
        worst = FACES[int(np.argmax(np.hypot(*truth.T)))]
        right += bool(one.tilts.suspects) and one.tilts.suspects[0] == worst
    return found, right


def main():
    """Print the rates."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--captures", type=int, default=400)
    count = parser.parse_args().captures
    print("| tilts | cross-axis | noise | offset, rms | false alarms | lean held | offset held |")
    print("|---|---|---|---|---|---|---|")
    for noise_mg in NOISES_MG:
        for bubble_deg in (0.1, 0.25, 0.5, 1.0, 2.0):
            for cross in (0.0, 0.01):
                rng = np.random.default_rng(
                    [41, int(100 * bubble_deg), int(1000 * cross), int(10 * noise_mg)]
                )
                print(_row(rng, count, bubble_deg, cross, noise_mg), flush=True)
    for tau_s in TAUS_S:
        rng = np.random.default_rng([43, int(1000 * tau_s)])
        print(_row(rng, count, 0.25, 0.005, 1.5, tau_s=tau_s), flush=True)
    rng = np.random.default_rng(42)
    for cross in (0.0, 0.005, 0.01):
        how = {"bubble_deg": 0.25, "cross": cross, "noise_mg": 1.5}
        found, right = found_out(rng, count, "off", **how)
        print(f"one face {OFF_DEG} deg off, bubble 0.25 deg, cross-axis {100 * cross:g} %: found "
              f"{bounds(found, count)}, named rightly {bounds(right, found)} of these")  # fmt: skip
    for noise_mg, lasts_s in (*((noise_mg, 10.0) for noise_mg in (1.0, *NOISES_MG)), (2.0, 15.0)):
        how = {"bubble_deg": 0.25, "cross": 0.005, "noise_mg": noise_mg, "lasts_s": lasts_s}
        found, _ = found_out(rng, count, "drift", **how)
        print(f"drift of {DRIFT_DEG} deg in {lasts_s:g} s, noise {noise_mg} mg: {bounds(found, count)}")


def _row(rng, count, bubble_deg, cross, noise_mg, tau_s=0.0):
    errors, alarms, lean, offset = [], 0, [], []
    for _ in range(count):
        board, _, found = judged(rng, bubble_deg=bubble_deg, cross=cross, noise_mg=noise_mg, tau_s=tau_s)
        norm = found.models[0]
        error = np.array(norm.constants.offset_g) - board.offset_g
        errors.append(1000 * error)
        offset.append(np.abs(error) <= 1.96 * norm.offset_sd_g)
        alarms += bool(found.again) or found.tilts.scatters
        roll_deg = true_level(board, found.stored, AXES)[0]
        lean.append(found.stored_lean[0].low <= roll_deg <= found.stored_lean[0].high)
    rms_mg = float(np.sqrt(np.mean(np.square(errors))))
    filtered_by = f", filter {tau_s} s" if tau_s else ""
    world = f"{bubble_deg} deg | {100 * cross:g} % | {noise_mg} mg{filtered_by}"
    return (
        f"| {world} | {rms_mg:.3f} mg | {bounds(alarms, count)} | "
        f"{bounds(sum(lean), count)} | {100 * np.mean(offset):.0f} % |"
    )


if __name__ == "__main__":
    main()
