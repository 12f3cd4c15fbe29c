"""The command as a person runs it: bad input is one line and exit status 2, and nothing is half written."""

import inspect
import json
import os
import pkgutil
import re
import signal
import struct
import subprocess
import sys
import time
from importlib import import_module
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

import attitude
import horizon
from attitude.cli import BAD_INPUT
from attitude.entries import RIG_KINDS
from attitude.files import write_whole
from attitude.stopping import STOPPED
from tests.commands import CAMERA, CLIP, COMMAND, FPS, HORIZON, LOG, film_shoot, run, run_here, sheet_with


@pytest.fixture(scope="module")
def shoot(tmp_path_factory) -> Path:
    return film_shoot(tmp_path_factory.mktemp("shoot"))


def result_of(shoot, tmp_path, text, run=run_here):
    done = run("check", sheet_with(shoot, tmp_path, text))
    assert done.returncode == 0, done.stderr
    assert max(len(line) for line in done.stdout.splitlines()) <= 80
    return json.loads((tmp_path / "result" / "result.json").read_text(encoding="utf-8")), done.stdout


def test_a_full_sheet_gives_lean_clock_and_files(shoot, tmp_path):
    result, said = result_of(shoot, tmp_path, HORIZON + CAMERA + LOG + CLIP, run)
    lean = result["lean_deg"]
    assert lean["low"] <= 0.6 <= lean["high"]
    assert lean["value"] == pytest.approx(0.6, abs=0.1)
    assert result["clock"][0]["how"] == "motion"
    assert result["clock"][0]["offset_s"] == pytest.approx(50, abs=0.05)
    assert "right side low by" in said.splitlines()[1].lower() + said.splitlines()[0].lower()
    files = {path.name for path in (tmp_path / "result").iterdir()}
    assert {"report.html", "result.json", "frames.csv", "corrections.csv"} <= files
    assert not [name for name in files if name.endswith(".part")]
    checked = result["self_check"]
    assert checked["turned"] == 24
    assert checked["refused"] <= 6
    assert checked["scale"] == pytest.approx(1.0, abs=0.005)
    assert checked["bias_deg"] == pytest.approx(0.0, abs=0.02)
    assert "frames turned by known angles" in " ".join(said.split())
    frames = pd.read_csv(tmp_path / "result" / "frames.csv")
    assert {"clip", "frame", "t_s", "roll_deg", "pitch_deg", "log_roll_deg", "log_pitch_deg"} <= set(frames)
    assert len(frames) == result["frames"]["read"] == 16 * FPS


@pytest.mark.parametrize(
    ("text", "key"),
    [
        (HORIZON + CAMERA + CLIP, "picture_lean_deg"),
        pytest.param(HORIZON + LOG + CLIP, "lean_deg", marks=pytest.mark.long),
        pytest.param(CAMERA + LOG + CLIP, "lean_deg", marks=pytest.mark.long),
    ],
    ids=["no log", "no camera", "no horizon"],
)
def test_less_told_still_gives_the_lean_and_says_what_was_assumed(shoot, tmp_path, text, key):
    result, _ = result_of(shoot, tmp_path, text)
    assert result[key]["low"] <= 0.6 <= result[key]["high"]
    assert any(one["basis"] == "assumed" for one in result["assumptions"])
    if key == "picture_lean_deg":
        assert result["lean_deg"]["value"] is None
        assert result["verdict"]["action"] in ("leave", "open")


def one_line(done, *parts):
    assert done.returncode == 2, (done.returncode, done.stdout, done.stderr)
    assert len(done.stderr.strip().splitlines()) == 1, done.stderr
    assert "Traceback" not in done.stderr
    for part in parts:
        assert part in done.stderr, done.stderr


def test_missing_sheet(tmp_path):
    one_line(run_here("check", tmp_path / "none.toml"), "none.toml")


def test_missing_clip(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, '[[clip]]\nfile = "lost.mp4"\n')
    one_line(run_here("check", sheet), "shoot.toml", "lost.mp4")


def test_text_named_mp4(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, '[[clip]]\nfile = "clip.mp4"\n')
    (tmp_path / "clip.mp4").write_text("no video")
    one_line(run_here("check", sheet), "clip.mp4", "not a video")
    assert not (tmp_path / "result").exists()


def test_no_frame_decodes(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, CLIP)
    data = bytearray((tmp_path / "clip.mp4").read_bytes())
    start = data.index(b"mdat") + 4
    data[start:] = bytes(len(data) - start)
    (tmp_path / "clip.mp4").write_bytes(bytes(data))
    one_line(run_here("check", sheet), "clip.mp4", "no frame of it decodes")


def test_unknown_key(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, "[camera]\nhfov_degg = 70\n" + CLIP)
    one_line(run_here("check", sheet), "shoot.toml", "hfov_degg", "hfov_deg")


def test_column_that_is_not_there(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + 'roll = "rolll"\n' + CLIP)
    one_line(run_here("check", sheet), "attitude.csv", "rolll", "roll_deg")


def change_log(tmp_path, change):
    table = pd.read_csv(tmp_path / "attitude.csv")
    change(table).to_csv(tmp_path / "attitude.csv", index=False)


def test_time_going_backwards(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + CLIP)

    def back(table):
        table.loc[400:, "t_s"] -= 7.0
        return table

    change_log(tmp_path, back)
    one_line(run_here("check", sheet), "attitude.csv", "line 402")


def test_log_full_of_nan(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + CLIP)

    def holes(table):
        table.loc[::3, "roll_deg"] = np.nan
        return table

    change_log(tmp_path, holes)
    one_line(run_here("check", sheet), "attitude.csv", "roll_deg")


def test_log_that_cannot_be_matched(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, HORIZON + CAMERA + LOG + CLIP)

    def other(table):
        table["pitch_deg"] = 20 * np.sin(table["t_s"] * 1.7)
        return table

    change_log(tmp_path, other)
    one_line(run_here("check", sheet), "clip.mp4", "log_start_s")


@pytest.mark.long
def test_pitch_that_runs_the_other_way_is_said(shoot, tmp_path):
    text = HORIZON + CAMERA + LOG + 'pitch_positive = "down"\n' + CLIP + "log_start_s = 50.0\n"
    result, said = result_of(shoot, tmp_path, text)
    assert result["lean_deg"]["value"] is None
    assert "pitch_positive" in said


@pytest.mark.long
def test_truncated_clip_is_measured_as_far_as_it_goes(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, HORIZON + CAMERA + CLIP)
    data = (tmp_path / "clip.mp4").read_bytes()
    (tmp_path / "clip.mp4").write_bytes(data[: int(len(data) * 0.7)])
    done = run_here("check", sheet)
    assert done.returncode == 0, done.stderr
    assert "decoded" in done.stdout
    assert "of declared 16.0 s" in " ".join(done.stdout.split())


@pytest.mark.parametrize(
    ("words", "part"),
    [
        (["nonsense"], "nonsense"),
        (["check"], "SHEET"),
        (["measure", "x.mp4", "--hfov-deg", "wide"], "hfov-deg"),
        (["measure", "nowhere.mp4"], "nowhere.mp4"),
        (["new", "nowhere"], "nowhere"),
    ],
)
def test_wrong_requests_are_one_line(words, part):
    one_line(run_here(*words), part)


def test_measure_without_a_log(shoot, tmp_path):
    done = run("measure", shoot / "clip.mp4", "--hfov-deg", 65, "--out", tmp_path / "here", FORCE_COLOR="1")
    assert done.returncode == 0, done.stderr
    assert done.stderr == ""  # no terminal: nobody watches
    assert "\x1b" not in done.stdout
    table = pd.read_csv(tmp_path / "here" / "frames.csv")
    assert table["roll_deg"].median() == pytest.approx(0.6, abs=0.05)


@pytest.mark.long
def test_new_writes_a_sheet_that_check_accepts(shoot, tmp_path):
    for file in ("clip.mp4", "attitude.csv"):
        (tmp_path / file).write_bytes((shoot / file).read_bytes())
    assert run_here("new", tmp_path).returncode == 0
    text = (tmp_path / "shoot.toml").read_text(encoding="utf-8")
    assert "assumed" in text
    one_line(run_here("new", tmp_path), "shoot.toml")
    assert (tmp_path / "shoot.toml").read_text(encoding="utf-8") == text
    done = run_here("check", tmp_path)
    assert done.returncode == 0, done.stderr


def test_log_of_one_row_is_refused(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, LOG + CLIP)
    change_log(tmp_path, lambda table: table.iloc[:1])
    one_line(run_here("check", sheet), "attitude.csv", "one attitude at most")


@pytest.mark.long
def test_stabilised_footage_needs_no_clock(shoot, tmp_path):
    sheet = sheet_with(shoot, tmp_path, "stabilised = true\n" + HORIZON + CAMERA + LOG + CLIP)
    change_log(tmp_path, lambda table: table.assign(pitch_deg=20 * np.sin(table["t_s"] * 1.7)))
    done = run_here("check", sheet)
    assert done.returncode == 0, done.stderr
    result = json.loads((tmp_path / "result" / "result.json").read_text(encoding="utf-8"))
    assert result["lean_deg"]["value"] is None
    assert result["picture_lean_deg"]["value"] == pytest.approx(0.6, abs=0.1)


def test_an_interrupted_write_leaves_the_old_file_and_no_part(tmp_path, monkeypatch):
    path = tmp_path / "result.json"
    write_whole(path, b"old")

    def interrupt(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr("attitude.files.os.replace", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_whole(path, b"new")
    assert path.read_bytes() == b"old"
    assert list(tmp_path.iterdir()) == [path]


COMMANDS = ("demo", "new", "check", "measure", "shots", "faces", "lens")
LIGHT = """
import sys
from attitude.command import run
try:
    run()
finally:
    heavy = {"numpy", "scipy", "pandas", "cv2", "av", "matplotlib"} & set(sys.modules)
    assert not heavy, heavy
"""


@pytest.mark.parametrize("words", [(), *((name,) for name in COMMANDS)])
def test_help_is_readable_has_an_example_and_loads_nothing_heavy(words):
    done = run(*words, "--help", code=LIGHT)
    assert done.returncode == 0, done.stderr
    assert max(map(len, done.stdout.splitlines())) <= 80
    examples = re.findall(r"^ +(?:Example: )?horizon-drift (\w+)(.*?)(?: {3}.*)?$", done.stdout, re.MULTILINE)
    assert [name for name, _ in examples] == (list(words) or ["demo", "new", "check", "faces"])
    for _, rest in examples:
        assert all(option in done.stdout.split("Example")[0] for option in re.findall(r"--[a-z-]+", rest))
    short = run_here(*words, "-h")
    assert short.stdout == done.stdout


def test_version():
    done = run("--version", code=LIGHT)
    assert (done.returncode, done.stderr) == (0, "")
    assert re.fullmatch(r"horizon-drift \d+\.\d+\.\d+\n", done.stdout)


@pytest.mark.parametrize(
    ("line", "offered"),
    [
        ("horizon-drift ", COMMANDS),
        ("horizon-drift me", ("measure",)),
        ("horizon-drift check --", ("--out", "--help")),
        ("horizon-drift shots --rig-kind ", RIG_KINDS),
    ],
)
def test_a_shell_completes_words_and_loads_nothing_heavy(line, offered):
    word = str(len(line.split(" ")) - 1)
    done = run(code=LIGHT, _HORIZON_DRIFT_COMPLETE="complete_bash", COMP_WORDS=line, COMP_CWORD=word)
    assert (done.returncode, done.stderr) == (0, "")
    assert set(offered) <= set(done.stdout.split())


def test_completion_can_be_shown_for_a_shell():
    done = run("--show-completion", "bash", _TYPER_COMPLETE_TEST_DISABLE_SHELL_DETECTION="1")
    assert done.returncode == 0, done.stderr
    assert "complete -o default -F" in done.stdout


def test_every_error_of_a_user_is_known_as_one():
    """What readers and stages raise for bad input; the others never leave the module they are raised for."""
    inner = {"attitude.entries.RefusedError", "attitude.guess.GuessError"}
    inner |= {"attitude.match.MatchError", "attitude.table.TableError", "horizon.calibrate._NoFitError"}
    inner |= {"attitude.charts.ChartError", "attitude.changepoint.ChangePointError"}
    found = set()
    for package in (attitude, horizon):
        for info in pkgutil.walk_packages(package.__path__, f"{package.__name__}."):
            if info.name in ("attitude.cli", "attitude.demo_clips") or info.name.startswith(
                "attitude.demo_clips."
            ):
                continue
            for name, kind in inspect.getmembers(import_module(info.name), inspect.isclass):
                if issubclass(kind, ValueError) and kind.__module__ == info.name:
                    found.add(f"{info.name}.{name}")
    assert found - inner == BAD_INPUT


# Whoever runs the tests in the background hands down that Ctrl-C is ignored; a shell's own program gets it.
HEARS_CTRL_C = "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)"
OWN_TERMINAL = "import fcntl, termios; fcntl.ioctl(0, termios.TIOCSCTTY, 0)"
ON_A_TERMINAL = f"{HEARS_CTRL_C}; {OWN_TERMINAL}; {COMMAND}"


class Screen:
    """The little of a terminal that the command makes use of."""

    def __init__(self, columns: int) -> None:
        self.columns, self.rows, self.row, self.column, self.wrapped = columns, [""], 0, 0, 0
        self.ever: set[str] = set()

    def _down(self) -> None:
        self.row += 1
        self.rows += [""] * (self.row + 1 - len(self.rows))

    def show(self, text: str) -> None:
        for code, final, letter in re.findall(r"\x1b\[([?\d;]*)([A-Za-z])|(.)", text, re.DOTALL):
            if final == "A":
                self.row -= int(code or 1)
            elif final == "K":
                self.ever.add(self.rows[self.row].rstrip())
                self.rows[self.row] = "" if code == "2" else self.rows[self.row][: self.column]
            elif letter == "\n":
                self._down()
            elif letter == "\r":
                self.column = 0
            elif letter:
                if self.column == self.columns:
                    self.wrapped += 1
                    self.column = 0
                    self._down()
                line = self.rows[self.row].ljust(self.column)
                self.rows[self.row] = line[: self.column] + letter + line[self.column + 1 :]
                self.column += 1


def watched(columns: int, *words: object, stop_at: str = "", **environment: str) -> tuple[int, str, Screen]:
    """Exit status, what was sent, and the screen, of a run on a terminal; Ctrl-C once ``stop_at`` is seen."""
    pty = pytest.importorskip("pty")
    fcntl, termios = pytest.importorskip("fcntl"), pytest.importorskip("termios")
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 40, columns, 0, 0))
    env = {name: value for name, value in os.environ.items() if name not in ("COLUMNS", "LINES", "NO_COLOR")}
    env |= {"TERM": "xterm-256color", **environment}
    line = [sys.executable, "-c", ON_A_TERMINAL, *map(str, words)]
    ends = {"stdin": theirs, "stdout": theirs, "stderr": theirs}
    done = subprocess.Popen(line, env=env, start_new_session=True, **ends)
    os.close(theirs)
    sent = b""
    while True:
        try:
            part = os.read(ours, 65536)
        except OSError:  # how a terminal whose program has ended answers
            break
        if not part:
            break
        sent += part
        if stop_at and stop_at.encode() in sent:
            os.write(ours, b"\x03")
            stop_at = ""
    os.close(ours)
    screen = Screen(columns)
    screen.show(sent.decode("utf-8"))
    return done.wait(timeout=60), sent.decode("utf-8"), screen


@pytest.mark.long
def test_a_narrow_terminal_shows_how_far_it_is_and_then_the_result_alone(shoot, tmp_path):
    clip = tmp_path / f"a\x1b[31m\u202e[red]{'x' * 200}.mp4"
    clip.write_bytes((shoot / "clip.mp4").read_bytes())
    status, sent, screen = watched(50, "measure", clip, "--out", tmp_path / "o")
    assert status == 0, sent
    bars = [row for row in screen.ever if row.startswith("measuring a[31m[r")]
    assert any(re.search(r"\u2026 \S+ \d+ %, \d+ s (left|so far)$", row) for row in bars), screen.ever
    assert all(len(row) <= 46 for row in bars)  # room for the echo of Ctrl-C
    assert screen.wrapped == 0
    rows = [row.rstrip() for row in screen.rows]
    assert rows[0].startswith("a[31m[red]xxx")
    assert not any("%," in row for row in rows)
    assert "\x1b[35mLean     \x1b[0m" in sent
    assert "\x1b[1ma[31m[red]x" in sent
    assert "\x1b[31m" not in sent


@pytest.mark.long
def test_no_color_is_honoured(shoot, tmp_path):
    status, sent, screen = watched(80, "measure", shoot / "clip.mp4", "--out", tmp_path, NO_COLOR="1")
    assert status == 0, sent
    assert any(row.startswith("measuring clip.mp4") for row in screen.ever)
    assert not re.search(r"\x1b\[[\d;]*(3\d|4\d|9\d)[\d;]*m", sent)
    result = sent[sent.rindex("\x1b[?25h") + len("\x1b[?25h") :]
    assert "\x1b" not in result.replace("\x1b[2K", "").replace("\x1b[1A", "")
    assert "Lean     nine tenths of the frames" in result


def test_ctrl_c_is_one_line_and_leaves_nothing(shoot, tmp_path):
    out = tmp_path / "out"
    status, sent, screen = watched(80, "measure", shoot / "clip.mp4", "--out", out, stop_at="measuring clip")
    assert status == 1, sent
    said = [row.rstrip() for row in screen.rows if row.strip()]
    assert said == ["horizon-drift: stopped; files that were finished before are whole"]
    assert not out.exists()


# Says so once it answers Ctrl-C; what comes before that is the interpreter's.
BEGUN = f"""{HEARS_CTRL_C}
from attitude import command, stopping
enter = stopping.StopsAtOnce.__enter__
stopping.StopsAtOnce.__enter__ = lambda self: (enter(self), print(flush=True))[0]
command.run()
"""


@pytest.mark.parametrize("words", [("--version",), ("check", "nothing_here")])
def test_ctrl_c_while_it_loads_is_one_line(words, tmp_path):
    stopped = 0
    for delay_s in np.arange(0.0, 1.6, 0.16):
        line = [sys.executable, "-c", BEGUN, *words]
        with subprocess.Popen(line, cwd=tmp_path, stdout=subprocess.PIPE, stderr=subprocess.PIPE) as done:
            assert done.stdout is not None
            done.stdout.readline()
            time.sleep(delay_s)
            done.send_signal(signal.SIGINT)
            out, sent = (part.decode() for part in done.communicate(timeout=60))
        if "horizon-drift" in out or "nothing_here" in sent:
            break  # its work was done before
        assert (done.returncode, sent) == (1, f"horizon-drift: {STOPPED}\n")
        stopped += 1
    assert stopped


PIPES = {
    ("faces", "pipe.csv"): "pipe.csv: not a file; name the file that holds the table",
    ("faces", "pipe.toml"): "pipe.toml: not a file; name the faces.toml itself",
    ("faces", "whole.csv", "--old", "pipe.toml"): "not a file; name the file with the constants before",
    ("history", "import", "pipe.csv"): "not a file; name the file that an export wrote",
    ("history", "import", "pipe.json"): "not a file; name the file that an export wrote",
}
IN_TURN = """
import json, sys
from tests.commands import run_here
done = [run_here(*words, "--history", "h.sqlite") for words in json.loads(sys.argv[1])]
print(json.dumps([(one.returncode, one.stdout, one.stderr) for one in done]))
"""


def test_a_pipe_that_nobody_writes_to_is_not_waited_for(tmp_path):
    """All in one process of its own, which is ended where one of them waits."""
    for name in ("pipe.csv", "pipe.toml", "pipe.json"):
        os.mkfifo(tmp_path / name)
    (tmp_path / "whole.csv").write_text("x,y,z\n0,0,1\n")
    line = [sys.executable, "-c", IN_TURN, json.dumps([*PIPES])]
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[1])}
    done = subprocess.run(
        line, cwd=tmp_path, env=env, capture_output=True, text=True, timeout=120, check=False
    )
    assert done.returncode == 0, done.stderr
    for (status, out, sent), said in zip(json.loads(done.stdout), PIPES.values(), strict=True):
        assert (status, out) == (2, "")
        assert said in sent
        assert sent.count("\n") == 1
