"""The command line: the stages as commands.

Exit status: 0 the job ran, whatever the verdict; 2 the input or the request was wrong, one line on stderr
that names the file, the place and the mend; 1 anything else.

The result goes to stdout, coloured only on a terminal; how far the running stages are goes to stderr, and
only on a terminal. What measures and infers is imported by the commands that need it: ``--help``,
``--version`` and a shell that completes a word need not wait for it.
"""

import datetime as dt
import errno
import sys
from concurrent.futures import BrokenExecutor
from functools import partial
from importlib.metadata import version
from io import TextIOWrapper
from pathlib import Path
from typing import Annotated, NoReturn

import typer

from attitude.cli_history import HistoryFile, records
from attitude.cli_lens import lenses
from attitude.demo import DEMO_CAPTURE, place_demo
from attitude.entries import RIG_KINDS
from attitude.progress import stage
from attitude.screen import one_line, running_stages, show, starting, text_columns, write_out
from attitude.stopping import STATUS, STOPPED
from attitude.workers import workers

__all__ = ["app", "run"]

# By name: whatever raises one of these is imported by then, and nothing need be for their sake.
BAD_INPUT = frozenset(
    {
        "attitude.bench.BenchError",
        "attitude.capture.CaptureError",
        "attitude.chosen.ChoiceError",
        "attitude.clock.ClockError",
        "attitude.cluster.ClusterError",
        "attitude.demo.DemoError",
        "attitude.dip.DipError",
        "attitude.history.HistoryError",
        "attitude.holds.CertaintyError",
        "attitude.mapping.LogError",
        "attitude.protocol.ProtocolError",
        "attitude.sheet.SheetError",
        "attitude.starter.StarterError",
        "horizon.board.BoardError",
        "horizon.selfcalibrate.FootageError",
        "horizon.clip.ClipError",
        "horizon.lens.LensError",
    }
)
SchedulerAddress = Annotated[
    str | None,
    typer.Option(
        metavar="ADDRESS",
        help="Scheduler of a Dask cluster whose workers measure instead of this computer's cores.",
    ),
]
DISK = frozenset({errno.ENOSPC, errno.EFBIG, errno.EIO, getattr(errno, "EDQUOT", errno.ENOSPC)})
INTERRUPTED = 130  # the parser's status for Ctrl-C
DEMO_FOLDER, DEMO_HISTORY = "horizon-drift-demo", "history.sqlite"

app = typer.Typer(
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
    context_settings={"help_option_names": ["-h", "--help"]},
    epilog="""\b
Examples:
  horizon-drift demo             see what comes out, on invented shoots
  horizon-drift new my_shoot     write a sheet for a folder of clips and logs
  horizon-drift check my_shoot   the main job
  horizon-drift faces cube.csv   a six-face calibration, before you fly

Exit status: 0 it ran, whatever the verdict; 2 the input or the request was wrong, and one line says where and
how to mend it; 1 anything else.""",
)

app.add_typer(records, name="history", short_help="Shoots so far: did it help, drift, ways of calibrating.")
app.add_typer(lenses, name="lens", short_help="Measure a lens, for the sheet.")


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
    with starting():
        from attitude.check import check as check_shoot
        from attitude.history import read, record
        from attitude.terminal import summary_lines

    shoots = place_demo(folder)
    # Beside the shoots: what is invented has no place among the operator's own.
    file = folder / DEMO_HISTORY
    with workers() as executor:
        for number, shoot in enumerate(shoots, 1):
            past = read(file)
            with running_stages() as bars, stage(bars, f"demo shoot {number} of {len(shoots)}"):
                material, out = check_shoot(shoot, past=past, executor=executor, progress=bars)
            show([*summary_lines(material, out, columns=text_columns()), ""])
            if material.recorded is not None:
                record(file, material.recorded)
    write_out(
        [
            "The shoots are invented; the truth behind each stands in its truth.toml.",
            f"Their history: horizon-drift history show --history {file}",
            "The calibration between the first two:",
            f"  horizon-drift faces {folder / DEMO_CAPTURE} --history {file}",
        ]
    )


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
    with starting():
        from attitude.starter import ask_operator, look_at, measure_beginnings, write_starter
        from attitude.terminal import starter_lines

    found = look_at(folder)
    told = ask_operator(_ask if sys.stdin.isatty() and sys.stdout.isatty() else None)
    with workers() as executor, running_stages() as bars:
        tracks = measure_beginnings(found, told, executor=executor, progress=bars)
        started = write_starter(found, tracks, told, progress=bars)
    show(starter_lines(started, columns=text_columns()))


@app.command(epilog="Example: horizon-drift check my_shoot")
def check(
    sheets: Annotated[
        list[Path],
        typer.Argument(
            metavar="SHEET...", help="A shoot.toml, the folder that holds one, or a folder of such folders."
        ),
    ],
    out: Annotated[
        Path | None,
        typer.Option(help="Folder for the results of one sheet.  [default: result/ beside the sheet]"),
    ] = None,
    history: HistoryFile = None,
    scheduler: SchedulerAddress = None,
) -> None:
    """Measure a shoot, find out why it leans and what to do, and put it on record.

    Prints the verdict and writes report.html, which shows everything, and beside it what other programs and
    the editor need: result.json, frames.csv, corrections.csv. The same footage checked again replaces its
    own record, and what was measured of a clip is not measured again. Of several shoots one that cannot be
    checked does not stop the others.
    """
    with starting():
        from attitude.archive import Ended, sheets_of
        from attitude.check import check as check_shoot
        from attitude.history import default_file, read, record
        from attitude.terminal import shown_lean, summary_lines
        from attitude.terminal_archive import archive_lines

    file = history or default_file()
    meant = sheets_of(sheets)
    if out is not None and len(meant) > 1:
        raise RequestError(f"--out is for the results of one sheet, and {len(meant)} are meant; leave it out")
    ended = []
    with workers(scheduler) as executor:
        for number, sheet in enumerate(meant, 1):
            past = read(file)
            several = f"shoot {number} of {len(meant)}" if len(meant) > 1 else ""
            try:
                with running_stages() as bars, stage(bars if several else None, several):
                    material, folder = check_shoot(sheet, out, past=past, executor=executor, progress=bars)
            except Exception as error:
                why = _told(error)
                if not (several and why):
                    raise
                sys.stderr.write(f"horizon-drift: {one_line(f'{sheet}: {why}')}\n")
                ended.append(Ended(str(sheet), refused=why))
                continue
            show([*summary_lines(material, folder, columns=text_columns()), *([""] if several else [])])
            if material.recorded is not None:
                record(file, material.recorded)
            ended.append(Ended(material.shoot.title, shown_lean(material), material.verdict.action))
    if len(meant) > 1:
        show(archive_lines(ended, columns=text_columns()))
        if any(one.refused for one in ended):
            raise typer.Exit(2)


@app.command(epilog="Example: horizon-drift measure hover.mp4 --hfov-deg 70")
def measure(
    clip: Annotated[Path, typer.Argument(metavar="CLIP", help="A clip that shows a horizon.")],
    hfov_deg: Annotated[
        float | None, typer.Option(help="Field of view across the stored picture.  [default: 75 is assumed]")
    ] = None,
    readout_ms: Annotated[
        float | None,
        typer.Option(
            min=0.0,
            max=1000.0,
            help="Time from first to last row of the stored picture.  [default: not known]",
        ),
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for frames.csv.  [default: CLIP-horizon/ beside the clip]")
    ] = None,
    scheduler: SchedulerAddress = None,
) -> None:
    """Measure the horizon in one clip, without a log.

    Tells how far the picture leans, never why: for that, write a sheet (horizon-drift new) and check it.
    """
    with starting():
        from attitude.optics import lens_of, readout_s_of
        from attitude.result_files import write_frames
        from attitude.sheet import Camera, ClipSheet
        from attitude.surroundings import surroundings_without_sheet
        from attitude.terminal import measure_lines
        from horizon.clip import probe
        from horizon.measure import measure_clip

    facts = probe(clip)
    camera, sheet = Camera(readout_ms=readout_ms), ClipSheet(files=(clip,), hfov_deg=hfov_deg)
    known, readout_s = lens_of(facts, camera, sheet), readout_s_of(facts, camera, sheet)
    with (
        workers(scheduler) as executor,
        running_stages() as bars,
        stage(bars, f"measuring {clip.name}") as told,
    ):
        track = measure_clip(
            facts,
            known.lens,
            surroundings=surroundings_without_sheet(known),
            readout_s=readout_s,
            executor=executor,
            progress=told,
        )
    folder = out if out is not None else clip.parent / f"{clip.stem}-horizon"
    folder.mkdir(parents=True, exist_ok=True)
    write_frames(track.track, folder)
    show(measure_lines(track, folder, hfov_deg, columns=text_columns()))


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
    with starting():
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
        with workers() as executor, running_stages() as bars:
            seen = examine(sheet, executor=executor, progress=bars)
            lacking = lacking_shots(seen.causes, seen.solution, seen.witnesses, seen.shoot, progress=bars)
        shoot = seen.shoot
        card = protocol(shoot.rig_kind, certainty_deg=certainty_deg, lacking=lacking, indoors=shoot.indoors)
        folder = seen.shoot.folder
    folder = out or folder
    write_card(card, folder)
    show(card_lines(card, folder, columns=text_columns()))


@app.command(epilog="Example: horizon-drift faces cube.csv")
def faces(
    files: Annotated[
        list[Path],
        typer.Argument(
            metavar="FILE...",
            help="A log over all faces, a file per face, a table of averages, or a faces.toml.",
        ),
    ],
    old: Annotated[
        Path | None, typer.Option(metavar="FILE", help="Constants before: a .toml, or an earlier faces.json.")
    ] = None,
    out: Annotated[
        Path | None, typer.Option(help="Folder for the results.  [default: faces-result/ beside FILE]")
    ] = None,
    history: HistoryFile = None,
) -> None:
    """Check a six-face calibration before the next flight.

    Which face to hold again, which constants follow, which lean they will leave, and whether they take away
    what the last shoot on record showed. Writes faces.html and faces.json.
    """
    with starting():
        from attitude.calibrations import read_calibrations, record_calibration
        from attitude.faces import check_faces
        from attitude.history import default_file, read
        from attitude.terminal_faces import faces_lines

    file = history or default_file()
    report, folder = check_faces(
        files,
        out,
        old=old,
        shoots=read(file),
        calibrations=read_calibrations(file),
        now=dt.datetime.now().astimezone(),
        keep=partial(record_calibration, file),
    )
    show(faces_lines(report, folder, columns=text_columns()))


def _ask(question: str) -> str:
    return str(typer.prompt(question, default="", show_default=False))


def _version(wanted: bool) -> None:
    if wanted:
        write_out([f"horizon-drift {version('horizon-drift')}"])
        raise typer.Exit


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
    except (MemoryError, BrokenExecutor):
        _stop("memory ran out while measuring; close other programs, or give a smaller video")
    except KeyboardInterrupt:
        _stop()
    except Exception as error:
        if why := _told(error):
            _refuse(why)
        # The parser's own errors: it raises them under a name that changed between its versions.
        words = getattr(error, "format_message", None)
        if words is None:
            raise
        _refuse(f"{words()} (horizon-drift --help lists the commands)")
    if status == INTERRUPTED:
        _stop()
    raise SystemExit(status or 0)


def _told(error: Exception) -> str:
    """What the operator can mend; "" where it is no matter of the input or the disk."""
    if isinstance(error, OSError):
        full = error.errno in DISK
        if error.filename is None and not full:
            return ""
        name = "the output" if error.filename is None else Path(str(error.filename)).name
        mend = "make room on that disk" if full else "check that it can be read and written"
        return f"{name}: {error.strerror}; {mend}"
    known = any(f"{kind.__module__}.{kind.__name__}" in BAD_INPUT for kind in type(error).__mro__)
    return str(error) if known else ""


def _stop(why: str = STOPPED) -> NoReturn:
    sys.stderr.write(f"horizon-drift: {why}\n")
    raise SystemExit(STATUS) from None


def _refuse(text: str) -> NoReturn:
    sys.stderr.write(f"horizon-drift: {one_line(text)}\n")
    raise SystemExit(2) from None
