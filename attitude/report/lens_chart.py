"""Where a board's corners lay in the picture, and what is left of each once the lens is known, enlarged."""

import numpy as np
from matplotlib.collections import LineCollection

from attitude.report.look import COLOURS, Sketch, axes_at, canvas
from horizon.calibrate import Calibration

__all__ = ["lens_chart"]

WIDTH, WIDTH_PX, MARGIN, HEAD = 460.0, 640, 6.0, 40.0
STROKE = 0.02  # of the picture's width: the length that the rms of what is left is drawn with
ROUND = np.array([1.0, 2.0, 5.0])


def lens_chart(found: Calibration) -> Sketch:
    """The picture's frame with a dot for each corner that was seen and a stroke for what is left of it."""
    lens = found.lens
    corners = np.vstack([one.view.corners_px for one in found.seen])
    left = np.vstack([one.residuals_px for one in found.seen])
    times = _round_down(STROKE * lens.width_px / max(found.fitted_px, 1e-6))
    across = WIDTH - 2 * MARGIN
    height = across * lens.height_px / lens.width_px
    fig = canvas(WIDTH, HEAD + height + MARGIN)
    axes = axes_at(fig, MARGIN, HEAD, across, height)
    axes.set(xlim=(-0.5, lens.width_px - 0.5), ylim=(lens.height_px - 0.5, -0.5), xticks=[], yticks=[])
    axes.spines[["top", "right"]].set_visible(True)
    strokes = np.stack([corners, corners + times * left], axis=1)
    axes.add_collection(LineCollection(list(strokes), colors=COLOURS["out"][0], linewidths=0.8))
    axes.plot(*corners.T, linestyle="none", marker="o", markersize=1.8, color=COLOURS["upright"][0])
    said = (
        f"{len(corners)} corners in {len(found.seen)} views; strokes: how far each lies",
        f"from where the lens puts it, {times:g} times enlarged ({found.fitted_px:.2f} px rms)",
    )
    for number, text in enumerate(said):
        top = 1 - (MARGIN + 15.0 * number) / fig.bbox.height
        fig.text(MARGIN / WIDTH, top, text, va="top", color=COLOURS["ink"][0])
    return Sketch(fig, WIDTH_PX, " ".join(said), "Where the board was seen, and what is left over.")


def _round_down(times: float) -> float:
    """1, 2 or 5 times a power of ten, no more than asked."""
    power = 10.0 ** np.floor(np.log10(times))
    return float(power * ROUND[times / power >= ROUND].max(initial=1.0))
