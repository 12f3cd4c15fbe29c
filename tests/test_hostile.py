"""A sheet makes the tool neither write elsewhere nor run anything, whatever its texts and file names hold."""

import csv
import json
import os
import socket

import pytest

from attitude.history import read
from attitude.sheet import SheetError, read_sheet
from horizon.clip import ClipError, probe
from tests.bench.fuzz_videos import sea, write_video
from tests.commands import run_here

NAMES = [
    "=HYPERLINK(x).mp4",
    "-rf.mp4",
    "--out=x.mp4",
    "$(touch pwned).mp4",
    "`touch pwned`;touch pwned|.mp4",
    "<img src=x onerror=alert(1)>.mp4",
    "file:concat:a|b.mp4",
    "a\x1b[31m\u202eb\x07.mp4",
    "two\nlines.mp4",
    "%s%n{0}.mp4",
    "c" * 240 + ".mp4",
]
TEXTS = [
    "../../out",
    "/etc/passwd",
    "..",
    "$(touch pwned)",
    "<script>alert(1)</script>",
    "a\u0000b",
    "-x",
    "\u202e\u001b[2J",
]


@pytest.fixture(scope="module")
def clip(tmp_path_factory):
    path = tmp_path_factory.mktemp("clip") / "a.mp4"
    write_video(path, sea(frames=4))
    return path.read_bytes()


def everything(folder):
    """Every file below a folder with its bytes."""
    return {
        path.relative_to(folder).as_posix(): path.read_bytes() for path in folder.rglob("*") if path.is_file()
    }


@pytest.mark.parametrize("name", NAMES, ids=range(len(NAMES)))
def test_names_of_clips_are_names(clip, tmp_path, monkeypatch, name):
    place = tmp_path / "shoot"
    place.mkdir()
    (place / name).write_bytes(clip)
    monkeypatch.chdir(place)
    before = everything(tmp_path)
    done = run_here("measure", "--out", "out", "--", name)
    assert done.returncode == 0, done.stderr
    assert set(everything(tmp_path)) - set(before) == {"shoot/out/frames.csv"}
    assert {path: data for path, data in everything(tmp_path).items() if path in before} == before
    with (place / "out" / "frames.csv").open(encoding="utf-8", newline="") as lines:
        cells = [row["clip"] for row in csv.DictReader(lines)]
    # No cell begins what a spreadsheet takes for a formula.
    assert {cell.removeprefix("'") for cell in cells} == {name}
    assert not {cell[0] for cell in cells} & set("=-+@")
    assert not any(c in done.stdout for c in "\x1b\u202e\x07")


@pytest.mark.parametrize("key", ["title", "rig", "calibration", "method"])
def test_texts_of_a_sheet_name_no_file(tmp_path, key):
    """The card is written beside the sheet under its own name, whatever the texts are."""
    place = tmp_path / "shoot"
    place.mkdir()
    (place / "clip.mp4").write_bytes(b"")
    for text in TEXTS:
        (place / "shoot.toml").write_text(f'{key} = {json.dumps(text)}\n[[clip]]\nfile = "clip.mp4"\n')
        assert getattr(read_sheet(place), key) == text
    assert sorted(everything(tmp_path)) == ["shoot/clip.mp4", "shoot/shoot.toml"]


@pytest.mark.parametrize(
    "name", ["/dev/zero", "/dev/stdin", "pipe.mp4", ".", "..", "a\u0000b", "x" * 5000, "~"]
)
def test_what_is_no_file_is_neither_read_nor_waited_for(tmp_path, name):
    os.mkfifo(tmp_path / "pipe.mp4")
    (tmp_path / "shoot.toml").write_text(f"[[clip]]\nfile = {json.dumps(name)}\n")
    with pytest.raises(SheetError, match=r"^shoot\.toml: \[\[clip\]\] 1, file ") as caught:
        read_sheet(tmp_path)
    assert "\n" not in str(caught.value)
    with pytest.raises(ClipError, match=r"pipe\.mp4: not a file; name the video file"):
        probe(tmp_path / "pipe.mp4")


def test_lists_of_other_files_are_no_clips_and_nothing_is_fetched(tmp_path, clip):
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.settimeout(0.2)
        far = f"http://127.0.0.1:{server.getsockname()[1]}/a.ts"
        lists = {
            "list.mp4": f"#EXTM3U\n#EXT-X-TARGETDURATION:1\n#EXTINF:1,\n{far}\n#EXT-X-ENDLIST\n",
            "near.mp4": "ffconcat version 1.0\nfile other.mp4\n",
            "far.mp4": f"ffconcat version 1.0\nfile {far}\n",
        }
        (tmp_path / "other.mp4").write_bytes(clip)
        for name, text in lists.items():
            (tmp_path / name).write_text(text)
            with pytest.raises(ClipError, match=rf"^{name}: "):
                probe(tmp_path / name)
        with pytest.raises(TimeoutError):
            server.accept()


@pytest.mark.long
def test_a_whole_check_of_a_hostile_sheet_writes_its_results_and_its_record_only(clip, tmp_path, monkeypatch):
    place, kept, history = tmp_path / "shoot", tmp_path / "kept", tmp_path / "history.sqlite"
    place.mkdir()
    kept.mkdir()
    (kept / "letter.txt").write_text("dear")
    name, text = "=$(touch pwned)<b>.mp4", '../../x/"><script>alert(1)</script>\u202e'
    (place / name).write_bytes(clip)
    told = "".join(f"{key} = {json.dumps(text)}\n" for key in ("title", "rig", "calibration", "method"))
    (place / "shoot.toml").write_text(f"{told}[[clip]]\nfile = {json.dumps(name)}\n", encoding="utf-8")
    out = place / "result"
    out.mkdir()
    for link in ("report.html", ".report.html.part", "result.json", ".review.mp4.part", "frame_1.jpg"):
        (out / link).symlink_to(kept / "letter.txt")
    monkeypatch.chdir(tmp_path)
    done = run_here("check", place, "--history", history)
    assert done.returncode == 0, done.stderr
    assert (kept / "letter.txt").read_text() == "dear"
    assert not list(tmp_path.rglob("pwned*"))
    assert sorted(path.name for path in tmp_path.iterdir()) == ["history.sqlite", "kept", "shoot"]
    assert sorted(path.name for path in place.iterdir()) == sorted([name, "result", "shoot.toml"])
    assert not (out / "report.html").is_symlink()
    page = (out / "report.html").read_text(encoding="utf-8")
    assert "<script>alert" not in page
    assert "\u202e" not in page
    assert json.loads((out / "result.json").read_text(encoding="utf-8"))["title"] == text
    assert read(history)[0].rig == text
