"""Spoilt videos for ``tests.bench.fuzz``, and the process that measures them."""

import multiprocessing
import resource
import traceback
from collections.abc import Callable
from dataclasses import dataclass
from fractions import Fraction
from multiprocessing.connection import Connection
from pathlib import Path
from types import TracebackType

import av
import numpy as np

from horizon.clip import probe
from horizon.lens import lens_from_hfov
from horizon.measure import measure_clip
from horizon.synthetic import draw_planar, make_scene

__all__ = ["KINDS", "VIDEO", "Answer", "Worker", "film", "measured", "sea", "spoilt", "write_video"]

VIDEO = "video"
MEMORY_BYTES = 2 << 30
SIZE, FPS, FRAMES = (160, 90), 10, 12
FILMED = 6  # frames of the videos that are spoilt: measuring is what takes its time
# Ending, encoder, pixel format.
KINDS = {
    "mp4": (".mp4", "libx264", "yuv420p"),
    "mov 10 bit": (".mov", "libx264", "yuv420p10le"),
    "ts": (".ts", "libx264", "yuv420p"),
    "mkv hevc": (".mkv", "libx265", "yuv420p"),
    "webm vp9": (".webm", "libvpx-vp9", "yuv420p"),
}


@dataclass(frozen=True)
class Answer:
    """How a case ended, as of ``fuzz.KINDS``, and what is to be said of it."""

    kind: str
    said: str


def write_video(
    path: Path,
    images: list[np.ndarray],
    *,
    encoder: str = "libx264",
    pixels: str = "yuv420p",
    fps: int = FPS,
    container: str | None = None,
    pts: list[int] | None = None,
    also: Callable[[av.VideoStream], None] | None = None,
) -> None:
    """Write planar 4:2:0 images by the video library itself; ``pts`` in milliseconds, else even."""
    with av.open(str(path), "w", format=container) as file:
        stream = file.add_stream(encoder, rate=fps)
        stream.width, stream.height = images[0].shape[1], images[0].shape[0] * 2 // 3
        stream.pix_fmt = pixels
        # One thread: an encoder of its own number of threads takes long to end on a picture this small.
        stream.codec_context.thread_count = 1
        if pts is not None:
            stream.codec_context.time_base = Fraction(1, 1000)
        if encoder == "libx264":
            stream.options = {"preset": "ultrafast", "g": "3"}
        elif encoder == "libx265":
            stream.options = {"preset": "ultrafast", "x265-params": "log-level=none:pools=1"}
        if also is not None:
            also(stream)
        for k, image in enumerate(images):
            frame = av.VideoFrame.from_ndarray(image, format="yuv420p").reformat(format=pixels)
            if pts is None:
                frame.pts, frame.time_base = k, Fraction(1, fps)
            else:
                frame.pts, frame.time_base = pts[k], Fraction(1, 1000)
            file.mux(stream.encode(frame))
        file.mux(stream.encode())


def sea(size: tuple[int, int] = SIZE, frames: int = FRAMES, roll_deg: float = 3.0) -> list[np.ndarray]:
    """Planar pictures of an open sea."""
    rng = np.random.default_rng(4)
    scene = make_scene("sea", rng=rng, height_m=6, visibility_km=60, noise_sd=1.2, clouds=0.3)
    lens = lens_from_hfov(*size, 65)
    return [
        draw_planar(scene, lens, roll_deg=roll_deg, pitch_deg=2.0, t_s=k / FPS, rng=rng)
        for k in range(frames)
    ]


def film(folder: Path, kinds: tuple[str, ...] | None = None) -> list[tuple[str, bytes]]:
    """Ending and bytes of a small video of each kind that this installation can write."""
    images, videos = sea(frames=FILMED), []
    for name in kinds or KINDS:
        ending, encoder, pixels = KINDS[name]
        if encoder not in av.codecs_available:
            continue
        path = folder / f"valid{ending}"
        write_video(path, images, encoder=encoder, pixels=pixels)
        videos.append((ending, path.read_bytes()))
    return videos


def spoilt(rng: np.random.Generator, data: bytes) -> bytes:
    """The file with bytes flipped, lost, doubled, zeroed or cut off; one in three in its head or its end."""
    out = bytearray(data)
    for _ in range(int(rng.integers(1, 5))):
        if not out:
            break
        where = rng.random()
        low, high = (
            (0, len(out)) if where > 0.33 else (0, min(600, len(out))) if where > 0.16 else (-1500, len(out))
        )
        at = int(rng.integers(max(0, low if low >= 0 else len(out) + low), max(1, high)))
        size = int(rng.integers(1, 64))
        way = int(rng.integers(6))
        if way <= 1:
            for place in rng.integers(at, min(len(out), at + 256), int(rng.integers(1, 20))):
                out[int(place)] = int(rng.integers(256))
        elif way == 2:
            del out[at : at + size]
        elif way == 3:
            out[at:at] = out[at : at + size]
        elif way == 4:
            out[at : at + size] = bytes(len(out[at : at + size]))
        else:
            del out[at:]
    return bytes(out)


def measured(path: Path) -> Answer:
    from tests.bench.fuzz import known_as_bad_input

    try:
        facts = probe(path)
        track = measure_clip(facts, lens_from_hfov(facts.width_px, facts.height_px, 65.0))
        assert len(track.track), "no frame and no error"
    except MemoryError:
        return Answer("too much memory", traceback.format_exc())
    except Exception as error:
        if not known_as_bad_input(error):
            return Answer("traceback", traceback.format_exc())
        return Answer("one line" if path.name in str(error) else "no file named", str(error))
    return Answer("result", track.damage)


def _serve(ours: Connection) -> None:
    import warnings

    resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
    warnings.simplefilter("error")
    while True:
        try:
            path = ours.recv()
        except EOFError:
            return
        ours.send(measured(Path(path)))


class Worker:
    """A process that measures one video after the other, and is replaced where it dies or takes too long."""

    def __init__(self, most_s: float) -> None:
        self._most_s = most_s

    def __enter__(self) -> "Worker":
        self._start()
        return self

    def __exit__(self, kind: type | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self._end()

    def _start(self) -> None:
        spawn = multiprocessing.get_context("spawn")
        self._pipe, theirs = spawn.Pipe()
        self._process = spawn.Process(target=_serve, args=(theirs,), daemon=True)
        self._process.start()
        theirs.close()
        self._fresh = True

    def _end(self) -> None:
        self._pipe.close()
        self._process.kill()
        self._process.join()

    def measure(self, path: Path) -> Answer:
        """How it ended for one video."""
        self._pipe.send(str(path))
        # The first one waits for the imports too.
        allowed_s = self._most_s + (60.0 if self._fresh else 0.0)
        self._fresh = False
        try:
            if self._pipe.poll(allowed_s):
                return self._pipe.recv()
            answer = Answer("too slow", f"more than {self._most_s:g} s")
        except EOFError:
            self._process.join()
            answer = Answer("traceback", f"the process died with status {self._process.exitcode}")
        self._end()
        self._start()
        return answer
