"""The command line: the stages as commands, and the only place that prints.

Exit status: 0 the job ran, whatever the verdict; 2 the input or the request was wrong, one line on stderr
that names the file, the place and the mend; 1 anything else.

The result goes to stdout, coloured only on a terminal; how far the running stages are goes to stderr, and
only on a terminal. What measures and infers is imported by the commands that need it: ``--help``,
``--version`` and a shell that completes a word need not wait for it.
"""

import os
import re
import shutil
import sys
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from importlib.metadata import version
from io import TextIOWrapper
from math import ceil
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, ProgressColumn, Task, TaskID
from rich.table import Column, Table
from rich.text import Text

from attitude.entries import RIG_KINDS
from attitude.progress import stage
from attitude.workers import workers

__all__ = ["app", "run"]

# By name: whatever raises one of these is imported by then, and nothing need be for their sake.
BAD_INPUT = frozenset(
    {
        "attitude.bench.BenchError",
        "attitude.clock.ClockError",
        "attitude.dip.DipError",
        "attitude.holds.CertaintyError",
        "attitude.mapping.LogError",
        "attitude.protocol.ProtocolError",
        "attitude.sheet.SheetError",
        "attitude.starter.StarterError",
        "horizon.clip.ClipError",
        "horizon.lens.LensError",
    }
)
INTERRUPTED = 130  # the parser's status for Ctrl-C
DEMO_FOLDER = "horizon-drift-demo"
WIDEST, NARROWEST = 80, 40  # columns of text
# Of the eight colours that every terminal has, magenta is the one that reads well on white and on black.
ACCENT = "magenta"
HEADING_STYLE, MARGIN_STYLE = "bold", ACCENT
MARGIN_NAME = re.compile(r"\S{1,7} {2,}")  # what stands in the margin of a line; a heading has none
CAUTION = r"\bMind:"
SHOWN_AFTER_S = 0.5  # a stage that ends sooner would only flicker
ECHO_COLUMNS = 4  # room for the echo of Ctrl-C, which would else begin a line that nobody counts
LEFT_COLUMNS = 17  # "99 %, 59 min left"

app = typer.Typer(
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="""\b
Examples:
  horizon-drift demo             see what comes out, on invented shoots
  horizon-drift new my_shoot     write a sheet for a folder of clips and logs
  horizon-drift check my_shoot   the main job

Exit status: 0 it ran, whatever the verdict; 2 the input or the request was wrong, and one line says where and
how to mend it; 1 anything else.""",
)


class RequestError(ValueError):
    """The request itself cannot be carried out."""


@app.callback()
def program(
    show_version: Annotated[
        bool,
        typer.Option(
            "--version",
            help="Show the version and exit.",
            is_eager=True,
            callback=lambda wanted: _version(wanted),
        ),
    ] = False,
) -> None:
    """How far does the footage lean, why, and what to do about it."""


@app.command(epilog="Example: horizon-drift demo")
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the demo shoots go.")] = Path(
        DEMO_FOLDER
    ),
) -> None:
    """Put the (invented) demo shoots in FOLDER and check them.

    A shoot that is there already is checked as it is, so its sheet can be changed and tried again.
    """
    with _starting():
        from attitude.check import check as check_shoot
        from attitude.terminal import summary_lines

    shoots = _place_demo(folder)
    with workers() as executor:
        for number, shoot in enumerate(shoots, 1):
            with _progress() as bars, stage(bars, f"demo shoot {number} of {len(shoots)}"):
                material, out = check_shoot(shoot, executor=executor, progress=bars)
            _show([*summary_lines(material, out, columns=_columns()), ""])
    _print(["The shoots are invented; the truth behind each is told in the truth.toml beside it."])


@app.command(
    short_help="Write a commented shoot.toml for a folder of clips and logs.",
    epilog="Example: horizon-drift new my_shoot",
)
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder with the clips and logs of one shoot.")
    ],
) -> None:
    """Look at the clips and logs in FOLDER and write a commented shoot.toml for them."""
    with _starting():
        from attitude.starter import ask_operator, look_at, measure_beginnings, write_starter
        from attitude.terminal import starter_lines

    found = look_at(folder)
    told = ask_operator(_ask if sys.stdin.isatty() and sys.stdout.isatty() else None)
    with workers() as executor, _progress() as bars:
        tracks = measure_beginnings(found, told, executor=executor, progress=bars)
        started = write_starter(found, tracks, told, progress=bars)
    _show(starter_lines(started, columns=_columns()))


@app.command(epilog="Example: horizon-drift check my_shoot")
def check(
    sheet: Annotated[
        Path, typer.Argument(metavar="SHEET", help="A shoot.toml, or the folder that holds one.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the results.  [default: result/ beside the sheet]")
    ] = None,
) -> None:
    """Measure a shoot, find out why it leans and what to do.

    Prints the verdict and writes report.html, which shows everything, and beside it what other programs and
    the editor need: result.json, frames.csv, corrections.csv.
    """
    with _starting():
        from attitude.check import check as check_shoot
        from attitude.terminal import summary_lines

    with workers() as executor, _progress() as bars:
        material, folder = check_shoot(sheet, out, executor=executor, progress=bars)
    _show(summary_lines(material, folder, columns=_columns()))


@app.command(epilog="Example: horizon-drift measure hover.mp4 --hfov-deg 70")
def measure(
    clip: Annotated[Path, typer.Argument(metavar="CLIP", help="A clip that shows a horizon.")],
    hfov_deg: Annotated[
        float | None, typer.Option(help="Field of view across the stored picture.  [default: 75 is assumed]")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for frames.csv.  [default: CLIP-horizon/ beside the clip]")
    ] = None,
) -> None:
    """Measure the horizon in one clip, without a log.

    Tells how far the picture leans, never why: for that, write a sheet (horizon-drift new) and check it.
    """
    with _starting():
        from attitude.check import write_frames
        from attitude.optics import lens_of
        from attitude.sheet import Camera, ClipSheet
        from attitude.surroundings import surroundings_without_sheet
        from attitude.terminal import measure_lines
        from horizon.clip import probe
        from horizon.measure import measure_clip

    facts = probe(clip)
    known = lens_of(facts, Camera(), ClipSheet(files=(clip,), hfov_deg=hfov_deg))
    with workers() as executor, _progress() as bars, stage(bars, f"measuring {clip.name}") as told:
        track = measure_clip(
            facts,
            known.lens,
            surroundings=surroundings_without_sheet(known),
            executor=executor,
            progress=told,
        )
    folder = out if out is not None else clip.parent / f"{clip.stem}-horizon"
    folder.mkdir(parents=True, exist_ok=True)
    write_frames(track.track, folder)
    _show(measure_lines(track, folder, hfov_deg, columns=_columns()))


@app.command(epilog="Example: horizon-drift shots --rig-kind handheld")
def shots(
    sheet: Annotated[
        Path | None,
        typer.Argument(
            metavar="SHEET", help="A shoot.toml, or the folder that holds one.", show_default=False
        ),
    ] = None,
    rig_kind: Annotated[
        str | None,
        typer.Option(
            help=f"Without a sheet: {' | '.join(RIG_KINDS)}.  [default: {RIG_KINDS[0]}]",
            autocompletion=lambda: list(RIG_KINDS),
        ),
    ] = None,
    certainty_deg: Annotated[
        float, typer.Option(help="How closely the level is to be known, ± at 95 %: how long to hold still.")
    ] = 0.1,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for shots.html.  [default: beside the sheet, else the current folder]"),
    ] = None,
) -> None:
    """What to film so that lean and cause are told: a card to print.

    Without SHEET the card is for a whole test shoot. With one, that shoot is measured, and the card shows
    only what it still lacks, why, and how closely it would then be known.
    """
    with _starting():
        from attitude.check import examine
        from attitude.outlook import lacking_shots
        from attitude.protocol import protocol
        from attitude.report.card import write_card
        from attitude.sheet import read_sheet
        from attitude.terminal import card_lines

    if sheet is not None and rig_kind is not None:
        raise RequestError("--rig-kind is for a card without a sheet; a sheet says it itself: rig_kind = ...")
    if sheet is None:
        card, folder = protocol(rig_kind or RIG_KINDS[0], certainty_deg=certainty_deg), Path()
    else:
        # A certainty that cannot be reached, or a bad sheet, is said before minutes of measuring.
        protocol(read_sheet(sheet).rig_kind, certainty_deg=certainty_deg)
        with workers() as executor, _progress() as bars:
            seen = examine(sheet, executor=executor, progress=bars)
            lacking = lacking_shots(seen.causes, seen.solution, seen.witnesses, seen.shoot, progress=bars)
        card = protocol(seen.shoot.rig_kind, certainty_deg=certainty_deg, lacking=lacking)
        folder = seen.shoot.folder
    folder = out or folder
    write_card(card, folder)
    _show(card_lines(card, folder, columns=_columns()))


def _ask(question: str) -> str:
    return str(typer.prompt(question, default="", show_default=False))


def _place_demo(folder: Path) -> list[Path]:
    """Copy the demo shoots; a shoot that is there already is left as it is."""
    here = Path(__file__).resolve().parent
    carried = [here / "demo_clips", here.parent / "demo_clips"]
    source = next((path for path in carried if path.is_dir()), None)
    if source is None:
        raise RequestError("the demo clips are not part of this installation; install the package again")
    placed = []
    for shoot in sorted(path for path in source.iterdir() if (path / "shoot.toml").exists()):
        target = folder / shoot.name
        if not (target / "shoot.toml").exists():
            target.mkdir(parents=True, exist_ok=True)
            for file in sorted(shoot.iterdir()):
                if file.is_file():
                    shutil.copyfile(file, target / file.name)
        placed.append(target)
    return placed


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
            self._tasks[text] = self._progress.add_task(_one_line(text), total=total)
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
def _progress() -> Iterator[_Bars]:
    """Where stages tell how far they are: lines on stderr while they run, nothing where it is no terminal."""
    screen = Console(stderr=True)
    with _Running(screen, shown=sys.stderr.isatty() and not screen.is_dumb_terminal) as running:
        yield _Bars(running)


@contextmanager
def _starting() -> Iterator[None]:
    """Around the imports of a command: on a slow machine they take seconds."""
    with _progress() as bars, stage(bars, "starting"):
        yield


def _columns() -> int:
    """Columns to write in: those of the terminal, within bounds."""
    return max(NARROWEST, min(WIDEST, shutil.get_terminal_size().columns))


def _print(lines: list[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")
    # Here, while a reader that has gone away is still no error of the program.
    sys.stdout.flush()


def _show(lines: list[str]) -> None:
    """Print the lines of a result; on a terminal what a person looks for first stands out."""
    if not sys.stdout.isatty() or os.environ.get("NO_COLOR"):
        _print(lines)
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


def _version(wanted: bool) -> None:
    if wanted:
        _print([f"horizon-drift {version('horizon-drift')}"])
        raise typer.Exit


def _one_line(text: str) -> str:
    """Text on one line, without what a terminal would obey or what turns the writing round."""
    return "".join(c for c in " ".join(text.split()) if c.isprintable())


def run() -> None:
    """Entry point of the ``horizon-drift`` command."""
    command = typer.main.get_command(app)
    for stream in (sys.stdout, sys.stderr):
        # A file name may hold what the terminal's encoding does not; that must not cost the result.
        if isinstance(stream, TextIOWrapper):
            stream.reconfigure(errors="replace")
    try:
        status = command.main(sys.argv[1:] or ["--help"], prog_name="horizon-drift", standalone_mode=False)
    except RequestError as error:
        _refuse(str(error))
    except OSError as error:
        if error.filename is None:
            raise
        _refuse(f"{Path(str(error.filename)).name}: {error.strerror}; check that it can be read and written")
    except KeyboardInterrupt:
        _stop()
    except Exception as error:
        if any(f"{kind.__module__}.{kind.__name__}" in BAD_INPUT for kind in type(error).__mro__):
            _refuse(str(error))
        # The parser's own errors: it raises them under a name that changed between its versions.
        words = getattr(error, "format_message", None)
        if words is None:
            raise
        _refuse(f"{words()} (horizon-drift --help lists the commands)")
    if status == INTERRUPTED:
        _stop()
    raise SystemExit(status or 0)


def _stop() -> NoReturn:
    sys.stderr.write("horizon-drift: stopped; files that were finished before are whole\n")
    raise SystemExit(1) from None


def _refuse(text: str) -> NoReturn:
    sys.stderr.write(f"horizon-drift: {_one_line(text)}\n")
    raise SystemExit(2) from None
