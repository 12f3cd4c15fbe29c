"""The command line: the stages as commands, and the only place that prints.

Exit status: 0 the job ran, whatever the verdict; 2 the input or the request was wrong, one line on stderr
that names the file, the place and the mend; 1 anything else.
"""

import os
import shutil
import sys
from collections.abc import Iterator
from concurrent.futures import Executor, ProcessPoolExecutor
from contextlib import contextmanager
from multiprocessing import get_context
from pathlib import Path
from typing import Annotated, NoReturn

import typer
from rich.console import Console
from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

from attitude.bench import BenchError
from attitude.check import check as check_shoot
from attitude.check import examine, write_frames
from attitude.clock import ClockError
from attitude.dip import DipError
from attitude.holds import CertaintyError
from attitude.log import LogError
from attitude.optics import lens_of
from attitude.outlook import lacking_shots
from attitude.protocol import RIG_KINDS, ProtocolError, protocol
from attitude.report.card import write_card
from attitude.sheet import Camera, ClipSheet, SheetError, read_sheet
from attitude.starter import StarterError, write_starter
from attitude.surroundings import surroundings_without_sheet
from attitude.terminal import card_lines, measure_lines, summary_lines
from horizon.clip import ClipError, probe
from horizon.lens import LensError
from horizon.measure import measure_clip

__all__ = ["app", "run"]

BAD_INPUT = (
    *(SheetError, LogError, BenchError, ClipError, LensError, ClockError, DipError, StarterError),
    *(ProtocolError, CertaintyError),
)
CLIP_ENDINGS = (".mp4", ".mov", ".mkv", ".avi", ".m4v", ".ts", ".mts", ".webm")
INTERRUPTED = 130  # the parser's status for Ctrl-C
DEMO_FOLDER = "horizon-drift-demo"

app = typer.Typer(
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    help="How far does the footage lean, why, and what to do about it.",
)


class RequestError(ValueError):
    """The request itself cannot be carried out."""


@app.command()
def demo(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="Where the demo shoots go.")] = Path(
        DEMO_FOLDER
    ),
) -> None:
    """Put the (invented) demo shoots in FOLDER and check them."""
    shoots = _place_demo(folder)
    results = []
    with _workers() as executor, _progress() as bar:
        for shoot in shoots:
            results.append(check_shoot(shoot, executor=executor, progress=bar))
    for material, out in results:
        _print([*summary_lines(material, out), ""])
    _print(["All three shoots are invented; the truth behind each stands in its truth.toml."])


@app.command()
def new(
    folder: Annotated[
        Path, typer.Argument(metavar="FOLDER", help="Folder with the clips and logs of one shoot.")
    ],
) -> None:
    """Look at the clips and logs in FOLDER and write a commented shoot.toml for them."""
    if not folder.is_dir():
        raise RequestError(f"{folder}: no such folder; name the folder with the clips of one shoot")
    clips = sorted(path for path in folder.iterdir() if path.suffix.lower() in CLIP_ENDINGS)
    if not clips:
        raise RequestError(
            f"{folder}: no clip in it ({', '.join(CLIP_ENDINGS)}); copy the footage there first"
        )
    sheet = write_starter(folder, [probe(path) for path in clips])
    _print(
        [
            f"{sheet} is written.",
            "Read it through: entries marked assumed are guesses. Then run",
            f"  horizon-drift check {sheet}",
        ]
    )


@app.command()
def check(
    sheet: Annotated[
        Path, typer.Argument(metavar="SHEET", help="A shoot.toml, or the folder that holds one.")
    ],
    out: Annotated[
        Path | None, typer.Option(help="Folder for the results.  [default: result/ beside the sheet]")
    ] = None,
) -> None:
    """Measure a shoot, find out why it leans and what to do."""
    with _workers() as executor, _progress() as bar:
        material, folder = check_shoot(sheet, out, executor=executor, progress=bar)
    _print(summary_lines(material, folder))


@app.command()
def measure(
    clip: Annotated[Path, typer.Argument(metavar="CLIP", help="A video clip.")],
    hfov_deg: Annotated[
        float | None, typer.Option(help="Field of view across the picture.  [default: 75 deg is assumed]")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for frames.csv.  [default: beside the clip]")
    ] = None,
) -> None:
    """Measure the horizon in one clip, without a log."""
    facts = probe(clip)
    known = lens_of(facts, Camera(), ClipSheet(files=(clip,), hfov_deg=hfov_deg))
    with _workers() as executor, _progress() as bar:
        track = measure_clip(
            facts,
            known.lens,
            surroundings=surroundings_without_sheet(known),
            executor=executor,
            progress=lambda share: bar(clip.name, share),
        )
    folder = out if out is not None else clip.parent / f"{clip.stem}-horizon"
    folder.mkdir(parents=True, exist_ok=True)
    write_frames(track.track, folder)
    _print(measure_lines(track, folder, hfov_deg))


@app.command()
def shots(
    sheet: Annotated[
        Path | None,
        typer.Argument(
            metavar="SHEET", help="A shoot.toml, or the folder that holds one.", show_default=False
        ),
    ] = None,
    rig_kind: Annotated[
        str | None, typer.Option(help=f"Without a sheet: {' | '.join(RIG_KINDS)}.  [default: {RIG_KINDS[0]}]")
    ] = None,
    certainty_deg: Annotated[float, typer.Option(help="Wanted 95 % half-width of the level error.")] = 0.1,
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for shots.html.  [default: beside the sheet, else the current folder]"),
    ] = None,
) -> None:
    """What to film so that lean and cause are told: a card to print."""
    if sheet is not None and rig_kind is not None:
        raise RequestError("--rig-kind is for a card without a sheet; a sheet says it itself: rig_kind = ...")
    if sheet is None:
        card, folder = protocol(rig_kind or RIG_KINDS[0], certainty_deg=certainty_deg), Path()
    else:
        # A certainty that cannot be reached, or a bad sheet, is said before minutes of measuring.
        protocol(read_sheet(sheet).rig_kind, certainty_deg=certainty_deg)
        with _workers() as executor, _progress() as bar:
            seen = examine(sheet, executor=executor, progress=bar)
        lacking = lacking_shots(seen.causes, seen.solution, seen.witnesses, seen.shoot)
        card = protocol(seen.shoot.rig_kind, certainty_deg=certainty_deg, lacking=lacking)
        folder = seen.shoot.folder
    folder = out or folder
    write_card(card, folder)
    _print(card_lines(card, folder))


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


@contextmanager
def _workers() -> Iterator[Executor | None]:
    count = os.cpu_count() or 1
    if count < 2:
        yield None
        return
    # Workers share the cores: a pool of threads in each would only have them wait for one another. They read
    # this when they load numpy, which is why it must be in the environment before they start.
    for name in ("OPENBLAS_NUM_THREADS", "OMP_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")
    # Spawned, not forked: the video reader's threads must not be copied into the workers.
    with ProcessPoolExecutor(count, mp_context=get_context("spawn")) as executor:
        yield executor


class _Bar:
    def __init__(self, progress: Progress) -> None:
        self._progress = progress
        self._tasks: dict[str, object] = {}

    def __call__(self, name: str, share: float) -> None:
        if name not in self._tasks:
            self._tasks[name] = self._progress.add_task(f"measuring {name}", total=1.0)
        self._progress.update(self._tasks[name], completed=share)  # type: ignore[arg-type]


@contextmanager
def _progress() -> Iterator[_Bar]:
    columns = (TextColumn("{task.description}"), BarColumn(), TimeRemainingColumn())
    console = Console(stderr=True)
    with Progress(*columns, console=console, transient=True, disable=not console.is_terminal) as progress:
        yield _Bar(progress)


def _print(lines: list[str]) -> None:
    sys.stdout.write("\n".join(lines) + "\n")


def run() -> None:
    """Entry point of the ``horizon-drift`` command."""
    command = typer.main.get_command(app)
    try:
        status = command.main(sys.argv[1:] or ["--help"], prog_name="horizon-drift", standalone_mode=False)
    except (*BAD_INPUT, RequestError) as error:
        _refuse(str(error))
    except OSError as error:
        if error.filename is None:
            raise
        _refuse(f"{Path(str(error.filename)).name}: {error.strerror}; check that it can be read and written")
    except KeyboardInterrupt:
        _stop()
    except Exception as error:
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
    sys.stderr.write(f"horizon-drift: {' '.join(text.split())}\n")
    raise SystemExit(2) from None
