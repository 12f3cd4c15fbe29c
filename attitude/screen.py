"""The terminal: what a command says on stdout, and on stderr how far its running stages are."""

import gc
import os
import re
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from math import ceil

from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TaskID
from rich.table import Column, Table
from rich.text import Text

from attitude.progress import stage
from attitude.stopping import StopsAtOnce

__all__ = ["one_line", "running_stages", "show", "starting", "text_columns", "write_out"]

WIDEST, NARROWEST = 80, 40  # columns of text
# Of the eight colours that every terminal has, magenta is the one that reads well on white and on black.
ACCENT = "magenta"
HEADING_STYLE, MARGIN_STYLE = "bold", ACCENT
MARGIN_NAME = re.compile(r"\S{1,7} {2,}")  # what stands in the margin of a line; a heading has none
CAUTION = r"\bMind:"
SHOWN_AFTER_S = 0.5  # a stage that ends sooner would only flicker
ECHO_COLUMNS = 4  # room for the echo of Ctrl-C, which would else begin a line that nobody counts
LEFT_COLUMNS = 17  # "99 %, 59 min left"


class _Bars:
    """The stages that are running, a line each; a stage that has ended leaves the screen."""

    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._tasks: dict[str, TaskID] = {}

    def __call__(self, text: str, share: float | None) -> None:
        if share is not None and share >= 1.0:
            if text in self._tasks:
                self._progress.remove_task(self._tasks.pop(text))
            return
        total = None if share is None else 1.0
        if text not in self._tasks:
            self._tasks[text] = self._progress.add_task(one_line(text), total=total)
        self._progress.update(self._tasks[text], total=total, completed=share)


class _Running(Progress):
    """Lines of one width, whatever they say, and none for a stage that may end at once."""

    def __init__(self, screen: Console, *, shown: bool) -> None:
        self._screen = screen
        bar = BarColumn(None, "dim", ACCENT, ACCENT, ACCENT, Column(ratio=1))
        columns = (_Stage(Column(ratio=2)), bar, _TimeLeft(Column(width=LEFT_COLUMNS)))
        super().__init__(*columns, console=screen, transient=True, disable=not shown)

    def make_tasks_table(self, tasks: Iterable[Task]) -> Table:
        table = super().make_tasks_table(task for task in tasks if (task.elapsed or 0.0) >= SHOWN_AFTER_S)
        # Asked every time: a terminal may be made narrower meanwhile.
        table.width = min(WIDEST, self._screen.width - ECHO_COLUMNS)
        return table


class _Stage(ProgressColumn):
    """What is being done, cut where the terminal is too narrow for it."""

    def render(self, task: Task) -> Text:
        return Text(task.description, no_wrap=True, overflow="ellipsis")


class _TimeLeft(ProgressColumn):
    """Share done and time left; the time so far while the share is not known."""

    max_refresh = 0.5

    def render(self, task: Task) -> Text:
        share = "" if task.total is None else f"{int(task.percentage)} %, "
        left_s = task.time_remaining
        known = (task.elapsed or 0.0, "so far") if left_s is None else (left_s, "left")
        return Text(f"{share}{_time_words(known[0])} {known[1]}", no_wrap=True)


def _time_words(seconds: float) -> str:
    if seconds < 60:
        return f"{ceil(seconds)} s"
    return f"{ceil(seconds / 60)} min"


@contextmanager
def running_stages() -> Iterator[_Bars]:
    """Where stages tell how far they are: lines on stderr while they run, nothing where it is no terminal."""
    screen = Console(stderr=True)
    with _Running(screen, shown=sys.stderr.isatty() and not screen.is_dumb_terminal) as running:
        yield _Bars(running)


@contextmanager
def starting() -> Iterator[None]:
    """Around the imports of a command: on a slow machine they take seconds."""
    with running_stages() as bars, stage(bars, "starting"), StopsAtOnce():
        yield
    if not gc.isenabled():
        # What is loaded stays: it need not be looked through, here or in the copies that work beside it.
        gc.freeze()
        gc.enable()


def text_columns() -> int:
    """Columns to write in: those of the terminal, within bounds."""
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size().columns))


def write_out(lines: list[str]) -> None:
    """Print plain lines."""
    sys.stdout.write("\n".join(lines) + "\n")
    # Here, while a reader that has gone away is still no error of the program.
    sys.stdout.flush()


def show(lines: list[str]) -> None:
    """Print the lines of a result; on a terminal what a person looks for first stands out."""
    if not sys.stdout.isatty() or os.environ.get("NO_COLOR"):
        write_out(lines)
        return
    console = Console()
    for line in lines:
        text = Text(line)
        if name := MARGIN_NAME.match(line):
            text.stylize(MARGIN_STYLE, 0, name.end())
        elif not line.startswith(" "):
            text.stylize(HEADING_STYLE)
        text.highlight_regex(CAUTION, HEADING_STYLE)
        console.print(text, soft_wrap=True)


def one_line(text: str) -> str:
    """Text on one line, without what a terminal would obey or what turns the writing round."""
    return "".join(c for c in " ".join(text.split()) if c.isprintable())
