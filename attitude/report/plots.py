"""The plots of a report: which there are, and having those drawn that a shoot has.

The library that draws is loaded where it is done, which takes as long as a plot: in other processes, beside
other work, if there are any.
"""

import os
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace

from attitude.report.against_what import AGAINST
from attitude.report.drawn import Drawn
from attitude.report.material import Material

__all__ = ["PLOTS", "PLOTS_OF_FOOTAGE", "PLOTS_OF_RIG", "draw_plots", "get_ready", "plots_begun"]

# Those of what was found, and those of what is on record, which a check adds itself to at its end.
PLOTS_OF_FOOTAGE, PLOTS_OF_RIG = ("lean_over_time", "footage_against_log", *AGAINST), ("rig_chart",)
PLOTS = (*PLOTS_OF_FOOTAGE, *PLOTS_OF_RIG)


def get_ready(executor: Executor | None) -> None:
    """Have processes load what draws, as many as can draw at once, so that plots need not wait for it."""
    if executor is not None:
        for _ in range(min(len(PLOTS), os.cpu_count() or 1)):
            executor.submit(_ready)


def plots_begun(
    material: Material, executor: Executor | None = None, names: Sequence[str] = PLOTS
) -> Callable[[], dict[str, Drawn]]:
    """Those of the plots for which the shoot has something to show, by name, when they are called for.

    ``executor`` draws them beside one another, and beside whatever is done until then.
    """
    # Pictures are most of what it weighs, and no plot shows one.
    bare = replace(material, pictures=(), worst=None)
    if executor is None:
        return lambda: _those_drawn({name: _drawn(name, bare) for name in names})
    waiting = {name: executor.submit(_drawn, name, bare) for name in names}
    return lambda: _those_drawn({name: one.result() for name, one in waiting.items()})


def draw_plots(material: Material) -> dict[str, Drawn]:
    """The same, drawn here and now."""
    return plots_begun(material)()


def _those_drawn(all_of_them: dict[str, Drawn | None]) -> dict[str, Drawn]:
    return {name: one for name, one in all_of_them.items() if one is not None}


def _drawn(name: str, material: Material) -> Drawn | None:
    from attitude.report.sketches import drawn

    return drawn(name, material)


def _ready() -> None:
    from attitude.report.sketches import draw_nothing

    draw_nothing()
