"""Words on pictures: one line of text as coverage of pixels, in the typeface that matplotlib carries.

OpenCV's own letters know neither the plus-minus sign nor anything beyond ASCII. File names come from anybody,
so text is first brought to what the typeface can draw in one line.
"""

import unicodedata
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

__all__ = ["readable", "shortened", "width_px", "write"]

FONT = "DejaVu Sans"
# Letters of a line stand on the baseline and reach so far above and below it, in shares of the size.
ABOVE, BELOW = 0.8, 0.25


def readable(text: str) -> str:
    """Text in one line without what turns the writing round; a square for what the typeface lacks."""
    plain = " ".join(text.split())
    return "".join(
        c if ord(c) in _known_characters() else "\N{WHITE SQUARE}"
        for c in plain
        if not unicodedata.category(c).startswith("C")
    )


def shortened(text: str, size_px: int, most_px: int) -> str:
    """Readable text no wider than ``most_px`` in letters of ``size_px``, without its middle if need be."""
    whole = readable(text)
    if width_px(whole, size_px) <= most_px:
        return whole
    # Hundreds of letters never fit: each takes at least a fifth of the size.
    for half in range(min(len(whole) // 2, 5 * most_px // (2 * size_px) + 1), 0, -1):
        part = f"{whole[:half]}\N{HORIZONTAL ELLIPSIS}{whole[-half:]}"
        if width_px(part, size_px) <= most_px:
            return part
    return ""


def width_px(text: str, size_px: int) -> int:
    """Width of a line of readable text."""
    return int(_coverage(text, size_px)[0].shape[1])


def write(
    picture: NDArray[np.uint8],
    text: str,
    x_px: int,
    top_px: int,
    *,
    size_px: int,
    bgr: tuple[int, int, int],
) -> None:
    """Write a line of readable text into a BGR picture, cut off at its edges.

    ``size_px``: height of the typeface; the line takes (ABOVE + BELOW) times as much, from ``top_px`` down.
    """
    letters, below = _coverage(text, size_px)
    bottom = top_px + round(ABOVE * size_px) + below
    top = bottom - letters.shape[0]
    height, width = picture.shape[:2]
    y0, y1, x0, x1 = max(top, 0), min(bottom, height), max(x_px, 0), min(x_px + letters.shape[1], width)
    if y0 >= y1 or x0 >= x1:
        return
    share = letters[y0 - top : y1 - top, x0 - x_px : x1 - x_px, None] / np.float32(255)
    there = picture[y0:y1, x0:x1]
    there[:] = np.round(there * (1 - share) + np.array(bgr, np.float32) * share).astype(np.uint8)


def _font() -> Any:
    # Loaded where words are drawn: it takes as long as half of all else.
    from matplotlib.font_manager import findfont, get_font

    return get_font(findfont(FONT))


@lru_cache(maxsize=1)
def _known_characters() -> frozenset[int]:
    return frozenset(_font().get_charmap())


@lru_cache(maxsize=256)
def _coverage(text: str, size_px: int) -> tuple[NDArray[np.uint8], int]:
    """Coverage of a line's pixels (height, width), 0 to 255, and how far it reaches below the baseline."""
    if not text.strip():
        return np.zeros((1, len(text) * size_px // 3), np.uint8), 0
    font = _font()
    font.set_size(size_px, 72)  # at 72 to the inch a point is a pixel
    font.set_text(text, 0.0)
    font.draw_glyphs_to_bitmap(antialiased=True)
    return np.array(font.get_image(), np.uint8), round(font.get_descent() / 64)
