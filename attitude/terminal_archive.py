"""What the terminal says after many shoots: a line each, and why some were not checked."""

from collections.abc import Sequence

from attitude.archive import Ended
from attitude.lines import COLUMNS, Paragraph, block, columns_of, cut_to, laid_out

__all__ = ["archive_lines"]

NAME_COLUMNS, LEAN_COLUMNS = 24, 35  # an action's name fills the rest of 80
HEADS = ("Shoot", "Lean", "To do")


def archive_lines(ended: Sequence[Ended], *, columns: int = COLUMNS) -> list[str]:
    """The table, then what was not checked. columns : to write in, 40 or more."""
    done = [one for one in ended if not one.refused]
    refused = [one for one in ended if one.refused]
    lines = [Paragraph(f"{len(done)} of {len(ended)} shoots checked."), Paragraph()]
    if columns < COLUMNS:
        # Too narrow for a table: sentences.
        for one in done:
            lines += [Paragraph(f"{one.title}: {one.lean}; {one.action}", "", "  ")]
    else:
        rows = [HEADS, *((one.title, one.lean, one.action.replace("_", " ")) for one in done)]
        lines += [Paragraph(_row(*row)) for row in rows if done]
    if refused:
        lines += [Paragraph(), *block("Not", [f"{one.title}: {one.refused}" for one in refused])]
    return laid_out(lines, columns)


def _row(name: str, lean: str, action: str) -> str:
    return f"{_filled(name, NAME_COLUMNS)}  {_filled(lean, LEAN_COLUMNS)}  {action}"


def _filled(text: str, columns: int) -> str:
    cut = cut_to(text, columns)
    return cut + " " * (columns - columns_of(cut))
