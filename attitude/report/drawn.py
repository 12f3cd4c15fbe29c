"""What the page takes of a plot, and the colours of all plots by name, light and dark.

Light ones are those that ``house.mplstyle`` names, as far as rcParams can. Nothing here loads the library
that draws: plots may be drawn in other processes.
"""

import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["COLOURS", "STYLE", "Drawn", "Panel", "css_variables"]

STYLE = Path(__file__).with_name("house.mplstyle")
SETTINGS = STYLE.read_text(encoding="utf-8")


def _styled(name: str) -> list[str]:
    """Colours, ``#rrggbb``, of one setting of the style file."""
    setting = re.search(rf"^{re.escape(name)}:(.*)$", SETTINGS, re.MULTILINE)
    return [] if setting is None else [f"#{one}" for one in re.findall(r"\b[0-9a-f]{6}\b", setting.group(1))]


CYCLE = _styled("axes.prop_cycle")
# Name -> light and dark; no light colour twice, since by it the name is found again, and none black, which
# is left out of an svg.
COLOURS = {
    "paper": (_styled("figure.facecolor")[0], "#171b1f"),
    "ink": (_styled("text.color")[0], "#e6eaed"),
    "faint": (_styled("axes.edgecolor")[0], "#a3adb5"),
    "tolerance": ("#e7ecef", "#262e35"),
    # The rest is of the palette that the style file names.
    "upright": (CYCLE[0], "#56b4e9"),
    "upside-down": (CYCLE[1], "#cc79a7"),
    "portrait": (CYCLE[2], "#009e73"),
    "out": (CYCLE[3], "#e69f00"),
}


@dataclass(frozen=True)
class Panel:
    """One clip's axes inside a drawing.

    left, top, width, height : shares of the drawing's width and height, from its top left. from_s, to_s :
    what the time axis spans, in the time that a player shows.
    """

    clip: str
    left: float
    top: float
    width: float
    height: float
    from_s: float
    to_s: float


@dataclass(frozen=True)
class Drawn:
    """One plot for the page and the result's folder.

    svg : one element for inline use, its colours those of :func:`css_variables`, its ids unique to the plot.
    png : the same at twice the pixels, light. width_px, height_px : CSS px. alt : what it shows, in words.
    """

    svg: str
    png: bytes
    width_px: int
    height_px: int
    alt: str
    caption: str
    panels: tuple[Panel, ...] = ()


def css_variables() -> str:
    """Rules that give the colours of the plots; printed light."""
    light, dark = (
        "".join(f"--plot-{name}:{both[k]};" for name, both in COLOURS.items()).rstrip(";") for k in (0, 1)
    )
    return f":root{{{light}}}@media screen and (prefers-color-scheme:dark){{:root{{{dark}}}}}"
