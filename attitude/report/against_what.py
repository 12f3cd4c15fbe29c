"""What the lean is drawn against, and the words for it."""

from dataclasses import dataclass

import numpy as np

from attitude.covariates import Covariates

__all__ = ["AGAINST", "Against", "grid_caption"]


@dataclass(frozen=True)
class Against:
    """What the lean is drawn against.

    column : of the covariates. step : of its unit in it, 60 s for min. least : of that unit, by which it must
    vary for a plot. hint : how a cause would show. low, high : the sides of 0, where 0 is a middle.
    """

    column: str
    name: str
    unit: str
    least: float
    hint: str
    step: float = 1.0
    low: str = ""
    high: str = ""


AGAINST = {
    "lean_against_heading": Against(
        "heading_deg",
        "heading",
        "deg",
        30.0,
        "a skyline that is not level shows as a wave over the full circle",
    ),
    "lean_against_tilt": Against(
        "tilt_deg",
        "tilt",
        "deg",
        2.0,
        "a camera turned sideways on its sensor leans more the farther it tilts",
        low="lens down",
        high="lens up",
    ),
    "lean_against_time_on": Against(
        "since_power_on_s",
        "time since power-on",
        "min",
        1.0,
        "a sensor that warms up leans at first and settles",
        step=60.0,
    ),
    "lean_against_sideways_acceleration": Against(
        "sideways_mps2",
        "sideways acceleration",
        "m/s\N{SUPERSCRIPT TWO}",
        0.5,
        "a level that is pulled along in turns shows as a slope",
        low="left",
        high="right",
    ),
    "lean_against_temperature": Against(
        "temperature_c",
        "temperature",
        "\N{DEGREE SIGN}C",
        2.0,
        "a sensor that drifts with temperature shows as a slope",
    ),
}


def grid_caption(found: Covariates) -> str:
    """What the plots of ``AGAINST`` have in common, in words."""
    off_deg = float(np.sqrt(np.mean((found.blocks["lean_deg"] - found.blocks["expected_deg"]) ** 2)))
    return (
        "Each point is the picture less the log over two seconds or more, with what the other causes found "
        "do taken off; faint behind it, as filmed. Line: what the causes found predict; the points lie "
        f"{off_deg:.2f} deg (rms) off it. Bars and bands: 95 %."
    )
