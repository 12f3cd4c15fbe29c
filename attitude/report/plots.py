"""The plots of a report: which there are, and drawing those that a shoot has."""

from collections.abc import Callable
from functools import partial

from attitude.report.against import AGAINST, against, grid_caption
from attitude.report.against_log import against_log
from attitude.report.look import Drawn, Panel, Sketch, css_variables, finished, house_style
from attitude.report.material import Material
from attitude.report.over_time import over_time
from attitude.report.rig_chart import rig_chart

__all__ = ["PLOTS", "Drawn", "Panel", "css_variables", "draw_plots", "grid_caption"]

PLOTS: dict[str, Callable[[Material], Sketch | None]] = {
    "lean_over_time": over_time,
    "footage_against_log": against_log,
    **{name: partial(against, name) for name in AGAINST},
    "rig_chart": rig_chart,
}


def draw_plots(material: Material) -> dict[str, Drawn]:
    """Those of ``PLOTS`` for which the shoot has something to show, by name."""
    with house_style():
        sketches = {name: draw(material) for name, draw in PLOTS.items()}
        return {name: finished(name, sketch) for name, sketch in sketches.items() if sketch is not None}
