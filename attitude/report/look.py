"""The house's look, and a drawing's way into the page.

A plot is drawn once, in light colours. In the page each colour stands as a CSS custom property, so that one
drawing serves both looks and print; the PNG is the light one. The page's svg holds outlines only: no text, no
style sheet, no address of anything outside.
"""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from xml.etree import ElementTree

from matplotlib import style
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from attitude.report.drawn import COLOURS, STYLE, Drawn, Panel
from horizon.lettering import readable

__all__ = ["POINTS_PER_IN", "Sketch", "axes_at", "canvas", "cut", "finished", "house_style"]

POINTS_PER_IN = 72.0
SHARP = 2.0  # pixels of the PNG per CSS pixel
QUICKLY = {"compress_level": 3}  # a sixth larger, in half the time
NUMBER = re.compile(r"-?\d+\.\d+(?:e-?\d+)?")
HEX = re.compile(r"#[0-9a-fA-F]{6}\b")


@dataclass(frozen=True)
class Sketch:
    """A figure in points with the width at which the page shows it, CSS px, and its words."""

    fig: Figure
    width_px: int
    alt: str
    caption: str
    panels: tuple[Panel, ...] = ()


@contextmanager
def house_style() -> Iterator[None]:
    """Draw in the house's style, whatever the user's own settings of matplotlib are."""
    with style.context(STYLE, after_reset=True):
        yield


def canvas(width: float, height: float) -> Figure:
    """An empty figure of so many points."""
    fig = Figure(figsize=(width / POINTS_PER_IN, height / POINTS_PER_IN), dpi=POINTS_PER_IN)
    FigureCanvasAgg(fig)
    return fig


def axes_at(fig: Figure, left: float, top: float, width: float, height: float) -> Axes:
    """Axes whose box lies at these points, counted from the figure's top left."""
    across, down = fig.bbox.width, fig.bbox.height
    return fig.add_axes((left / across, 1 - (top + height) / down, width / across, height / down))


def finished(name: str, sketch: Sketch) -> Drawn:
    """The plot ``name`` as svg and PNG."""
    fig = sketch.fig
    shown = sketch.width_px / fig.bbox.width  # CSS px per point
    png = BytesIO()
    sharp_dpi = SHARP * shown * POINTS_PER_IN
    fig.savefig(png, format="png", dpi=sharp_dpi, metadata={"Software": None}, pil_kwargs=QUICKLY)
    svg = BytesIO()
    fig.savefig(svg, format="svg", facecolor="none", metadata={"Date": None})
    return Drawn(
        _for_page(svg.getvalue(), name),
        png.getvalue(),
        sketch.width_px,
        round(fig.bbox.height * shown),
        sketch.alt,
        sketch.caption,
        sketch.panels,
    )


def cut(text: str, most: int) -> str:
    """Text that the typeface can draw, in one line, of at most so many letters: shortened in its middle."""
    drawn = readable(text)
    if len(drawn) <= most:
        return drawn
    half = (most - 1) // 2
    return f"{drawn[:half]}\N{HORIZONTAL ELLIPSIS}{drawn[-half:]}"


def _for_page(svg: bytes, name: str) -> str:
    """One bare element: names without a namespace, ids of this plot, colours by name, short numbers."""
    # Comments, which hold what was written in letters, are not read in.
    root = ElementTree.fromstring(svg)
    variable = {light: f"var(--plot-{colour})" for colour, (light, _) in COLOURS.items()}
    meant = {reference for one in root.iter() for reference in _references(one)}
    ids = {old: f"{name.replace('_', '-')}-{k}" for k, old in enumerate(sorted(meant))}
    # A style sheet inside the drawing would hold for the whole page.
    root.set("style", "stroke-linejoin:round;stroke-linecap:butt;overflow:hidden")
    for unwanted in ("width", "height", "version"):
        root.attrib.pop(unwanted, None)
    for parent in list(root.iter()):
        for child in list(parent):
            if _bare(child.tag) in ("metadata", "style"):
                parent.remove(child)
    for one in root.iter():
        one.tag, one.text, one.tail = _bare(one.tag), None, None
        one.attrib = {
            _bare(key): _attribute(_bare(key), value, ids, variable)
            for key, value in one.attrib.items()
            if key != "id" or value in ids
        }
    _share_styles(root)
    return ElementTree.tostring(root, encoding="unicode")


def _bare(name: str) -> str:
    return name.rpartition("}")[2]


def _references(element: ElementTree.Element) -> list[str]:
    """Ids that the attributes of one element point at."""
    text = " ".join(f'{_bare(key)}="{value}"' for key, value in element.attrib.items())
    return [one for pair in re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', text) for one in pair if one]


def _attribute(key: str, value: str, ids: dict[str, str], variable: dict[str, str]) -> str:
    """One value as the page has it: ids renamed, colours named, numbers to a hundredth of a point."""
    if key == "id":
        return ids[value]
    if key == "href":
        return f"#{ids[value[1:]]}"
    if key == "clip-path":
        return f"url(#{ids[value[5:-1]]})"
    if key == "style":
        return (
            HEX.sub(lambda found: variable[found.group().lower()], value)
            .replace("; ", ";")
            .replace(": ", ":")
        )
    if key == "d":
        value = NUMBER.sub(lambda found: f"{round(float(found.group()), 1):g}", value)
        return re.sub(r"\s*([A-Za-z])\s*", r"\1", value).strip()
    if key == "transform":
        return NUMBER.sub(lambda found: f"{float(found.group()):.5g}", value)
    return NUMBER.sub(lambda found: f"{round(float(found.group()), 2):g}", value)


def _share_styles(root: ElementTree.Element) -> None:
    """Marks that look alike take their style from the group they stand in."""
    for group in root.iter("g"):
        uses = [child for child in group if child.tag == "use"]
        styles = {child.get("style") for child in uses}
        alone = len(uses) == len(group) and "style" not in group.attrib
        if alone and len(uses) > 1 and len(styles) == 1 and None not in styles:
            group.set("style", uses[0].attrib["style"])
            for child in uses:
                del child.attrib["style"]
