"""Each plot of a report by its name, and drawing one."""

from collections.abc import Callable
from functools import cache, partial

from attitude.report.against import against
from attitude.report.against_log import against_log
from attitude.report.against_what import AGAINST
from attitude.report.drawn import Drawn
from attitude.report.look import Sketch, canvas, finished, house_style
from attitude.report.material import Material
from attitude.report.over_time import over_time
from attitude.report.rig_chart import rig_chart

__all__ = ["SKETCHES", "draw_nothing", "drawn"]

SKETCHES: dict[str, Callable[[Material], Sketch | None]] = {
    "lean_over_time": over_time,
    "footage_against_log": against_log,
    **{name: partial(against, name) for name in AGAINST},
    "rig_chart": rig_chart,
}


def drawn(name: str, material: Material) -> Drawn | None:
    """The plot ``name``; None where the shoot has nothing to show in it."""
    with house_style():
        sketch = SKETCHES[name](material)
        return None if sketch is None else finished(name, sketch)


@cache
def draw_nothing() -> None:
    """Draw a few letters for nobody, once: the first take longest, since the typeface is read for them."""
    with house_style():
        fig = canvas(40.0, 20.0)
        fig.text(0.1, 0.1, "0123456789 deg")
        finished("nothing", Sketch(fig, 40, "", ""))
