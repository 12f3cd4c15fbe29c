"""The plots of a report: which there are, and drawing those that a shoot has."""

from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import replace
from functools import partial

from attitude.report.against import AGAINST, against, grid_caption
from attitude.report.against_log import against_log
from attitude.report.look import Drawn, Panel, Sketch, css_variables, finished, house_style
from attitude.report.material import Material
from attitude.report.over_time import over_time
from attitude.report.rig_chart import rig_chart
from horizon.looking import in_order

__all__ = ["PLOTS", "Drawn", "Panel", "css_variables", "draw_plots", "grid_caption"]

PLOTS: dict[str, Callable[[Material], Sketch | None]] = {
    "lean_over_time": over_time,
    "footage_against_log": against_log,
    **{name: partial(against, name) for name in AGAINST},
    "rig_chart": rig_chart,
}


def draw_plots(material: Material, executor: Executor | None = None) -> dict[str, Drawn]:
    """Those of ``PLOTS`` for which the shoot has something to show, by name; drawn beside one another."""
    # Pictures are most of what it weighs, and no plot shows one.
    bare = replace(material, pictures=(), worst=None)
    drawn = in_order(executor, (partial(_drawn, name, bare) for name in PLOTS))
    return {name: one for name, one in zip(PLOTS, drawn, strict=True) if one is not None}


def _drawn(name: str, material: Material) -> Drawn | None:
    with house_style():
        sketch = PLOTS[name](material)
        return None if sketch is None else finished(name, sketch)
