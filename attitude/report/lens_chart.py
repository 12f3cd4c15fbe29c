"""Where points of a known shape lay in the picture, and what is left of each through the lens, enlarged."""

import numpy as np
from matplotlib.collections import LineCollection
from numpy.typing import NDArray

from attitude.report.drawn import COLOURS
from attitude.report.look import Sketch, axes_at, canvas
from horizon.lens import Lens

__all__ = ["lens_chart"]

WIDTH, WIDTH_PX, MARGIN, HEAD = 460.0, 640, 6.0, 40.0
STROKE = 0.02  # of the picture's width: the length that the rms of what is left is drawn with
Array = NDArray[np.float64]

ROUND = np.array([1.0, 2.0, 5.0])


def lens_chart(lens: Lens, points_px: Array, left_px: Array, said: str) -> Sketch:
    """The picture's frame with a dot for each point that was seen and a stroke for what is left of it.

    points_px, left_px : (n, 2). said : what the points are, ``390 corners in 12 views``.
    """
    rms_px = float(np.sqrt(np.mean(np.sum(left_px**2, axis=1))))
    times = _round_down(STROKE * lens.width_px / max(rms_px, 1e-6))
    across = WIDTH - 2 * MARGIN
    height = across * lens.height_px / lens.width_px
    fig = canvas(WIDTH, HEAD + height + MARGIN)
    axes = axes_at(fig, MARGIN, HEAD, across, height)
    axes.set(xlim=(-0.5, lens.width_px - 0.5), ylim=(lens.height_px - 0.5, -0.5), xticks=[], yticks=[])
    axes.spines[["top", "right"]].set_visible(True)
    strokes = np.stack([points_px, points_px + times * left_px], axis=1)
    axes.add_collection(LineCollection(list(strokes), colors=COLOURS["out"][0], linewidths=0.8))
    axes.plot(*points_px.T, linestyle="none", marker="o", markersize=1.8, color=COLOURS["upright"][0])
    lines = (
        f"{said}; strokes: how far each point lies",
        f"from where the lens puts it, {times:g} times enlarged ({rms_px:.2f} px rms)",
    )
    for number, text in enumerate(lines):
        top = 1 - (MARGIN + 15.0 * number) / fig.bbox.height
        fig.text(MARGIN / WIDTH, top, text, va="top", color=COLOURS["ink"][0])
    return Sketch(fig, WIDTH_PX, " ".join(lines), "Where points were seen, and what is left over.")


def _round_down(times: float) -> float:
    """1, 2 or 5 times a power of ten, no more than asked."""
    power = 10.0 ** np.floor(np.log10(times))
    return float(power * ROUND[times / power >= ROUND].max(initial=1.0))
