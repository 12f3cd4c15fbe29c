"""The statistics behind a page's words, for those who unfold them: every estimate with its uncertainty."""

from collections.abc import Iterator

from attitude.findings import Estimate
from attitude.report.material import Material
from attitude.words import places, range_words, with_uncertainty

__all__ = ["clock_rows", "model_facts", "number_rows"]

Row = tuple[str, ...]

KNOWN_BY = {"given": "told by the sheet", "motion": "matching the motion"}


def number_rows(material: Material) -> list[Row]:
    """Name, value, standard uncertainty and 95 % interval of every estimate that this shoot has."""
    return [_row(name, one, unit) for name, one, unit in _estimates(material) if one is not None]


def clock_rows(material: Material) -> list[Row]:
    """Clip, log time at its start, standard uncertainty, and how it is known."""
    rows: list[Row] = []
    for one in material.result["clock"]:
        offset_s, sd_s = one["offset_s"], one["sd_s"]
        if offset_s is None or not sd_s:
            rows.append((one["clip"], "not known", "", KNOWN_BY.get(one["how"], one["how"])))
            continue
        digits = places(2 * sd_s)
        sd_words = f"{sd_s:.{digits + 1}f} s"
        rows.append((one["clip"], f"{offset_s:.{digits}f} s", sd_words, KNOWN_BY.get(one["how"], one["how"])))
    return rows


def model_facts(material: Material) -> list[str]:
    """What the inference stands on, a sentence each; empty without a log."""
    found, tau = material.residuals, material.causes.time_constant_s
    if found is None or found.blocks.empty:
        return []
    facts = [f"{len(found.blocks)} stretches of 2 s or more, each counted as one measurement"]
    # What is not known to its own size is not told.
    if tau is not None and tau.half_width < tau.value:
        words = with_uncertainty(tau.value, tau.half_width, "s")
        facts.append(f"time constant of the sensor's attitude filter, from the footage: {words}")
    return [*facts, *found.notes]


def _row(name: str, one: Estimate, unit: str) -> Row:
    interval = range_words(one.low, one.high, unit)
    if not one.determined:
        return name, "open", "", interval
    digits = places(one.half_width)
    value = with_uncertainty(one.value, one.half_width, unit).split(" ± ")[0]
    return name, f"{value} {unit}", f"{one.sd:.{digits + 1}f} {unit}", interval


def _estimates(material: Material) -> Iterator[tuple[str, Estimate | None, str]]:
    causes = material.causes
    yield "Picture lean", causes.picture_lean, "deg"
    yield "of which the log knew", causes.known_lean, "deg"
    yield "Lean, settled and warm, log at level", causes.lean, "deg"
    yield "Pitch when the log says level", causes.pitch_offset, "deg"
    for axis, one in causes.offset_mg.items():
        yield f"Sensor offset {axis.replace('_', ' ')}", one, "mg"
    yield "Sideways offset as a lean", causes.offset_lean, "deg"
    for turn, one in causes.mounting_deg.items():
        yield f"Mounting {turn}", one, "deg"
    for way, one in causes.skyline_deg.items():
        yield f"Skyline tilt {way}", one, "deg"
    yield "Leaning in turns", causes.turns, "deg per m/s²"
    yield "At power-on, beyond the settled lean", causes.warm_up, "deg"
    yield "Lean predicted after a recalibration", causes.after_recalibration, "deg"
