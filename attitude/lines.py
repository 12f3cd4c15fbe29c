"""Text laid out for a terminal: names in the margin, sentences beside them, no line wider than asked.

No colour and no cursor codes: whoever prints may style the lines. A name in the margin has seven letters at
most and spaces up to the text; a line that begins at the margin without one is a heading. Text that comes
from a sheet or a file name loses its control characters, because a terminal would obey them. Columns are
counted as a terminal counts them: some letters take two, marks on letters none.
"""

import os
import re
import unicodedata
from collections.abc import Iterable
from dataclasses import dataclass
from pathlib import Path

from attitude.words import printable

__all__ = ["COLUMNS", "INDENT", "Paragraph", "block", "columns_of", "cut_to", "file_lines", "laid_out"]

COLUMNS = 80
INDENT = 9
# What stays on one line: a word, or a size with its uncertainty and unit.
WORD = r" *[^ ]+(?: ± [^ ]+(?: (?:deg|mg|m|s)(?![^ ),;:.])[),;:.]*)?)?"


@dataclass(frozen=True)
class Paragraph:
    """Text, and what its first line and the others begin with; an empty line without either."""

    text: str = ""
    first: str = ""
    then: str = ""


def block(name: str, sentences: Iterable[str]) -> list[Paragraph]:
    """A name in the margin and its sentences, one a line; nothing when there are none."""
    lines: list[Paragraph] = []
    for sentence in sentences:
        if sentence:
            first = f"{name:<{INDENT}}" if not lines else " " * INDENT
            lines.append(Paragraph(sentence, first, " " * (INDENT + 2)))
    return lines


def laid_out(paragraphs: Iterable[Paragraph], columns: int) -> list[str]:
    """Lines of at most so many columns."""
    return [line for one in paragraphs for line in _broken(one, columns)]


def _broken(one: Paragraph, columns: int) -> list[str]:
    """Lines of a paragraph, broken between words and sizes, and within a word that no line can hold."""
    lines: list[str] = []
    line, start = one.first, True
    for spaced in re.findall(WORD, printable(one.text)):
        word = spaced.lstrip(" ") if start else spaced
        if not start and columns_of(line + word) > columns:
            lines.append(line)
            line, word = one.then, spaced.lstrip(" ")
        while columns_of(line + word) > columns:
            fits = _fitting(word, columns - columns_of(line))
            # A path is easier to read on where one of its folders begins.
            fits = fits[: fits.rfind(os.sep) + 1] or fits
            lines.append(line + fits)
            line, word = one.then, word[len(fits) :]
        line, start = line + word, False
    return [*lines, line]


def cut_to(text: str, columns: int) -> str:
    """The text, its end left out where it takes more columns."""
    plain = printable(text)
    return plain if columns_of(plain) <= columns else f"{_fitting(plain, columns - 3).rstrip()}..."


def _fitting(text: str, columns: int) -> str:
    """As much of the beginning as fits, one letter at least."""
    taken = 1
    while taken < len(text) and columns_of(text[: taken + 1]) <= columns:
        taken += 1
    return text[:taken]


def columns_of(text: str) -> int:
    """Columns that a terminal gives to the text."""
    return sum(
        0 if unicodedata.category(c) in ("Mn", "Me") else 2 if unicodedata.east_asian_width(c) in "WF" else 1
        for c in text
    )


def file_lines(folder: Path, first: str, *others: str) -> list[Paragraph]:
    """Where the first file is, by the shorter of the two ways to say it, and what lies beside it."""
    try:
        there = min(str(folder), os.path.relpath(folder), key=len)
    except ValueError:  # another drive has no relative path
        there = str(folder)
    return block("Files", [str(Path(there, first)), f"beside it {', '.join(others)}" if others else ""])
