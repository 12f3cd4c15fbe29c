"""Long clips of true bit rates without hours of drawing: two seconds are drawn, their packets repeated."""

from fractions import Fraction
from pathlib import Path

import av
import numpy as np

from horizon.lens import lens_from_hfov
from horizon.synthetic import draw_planar, make_scene

__all__ = ["FPS", "HFOV_DEG", "PERIOD_S", "drawn", "megabits_per_s", "repeated"]

FPS, PERIOD_S, HFOV_DEG = 30, 2.0, 70.0


def drawn(path: Path, size_px: tuple[int, int], mbits_per_s: float, *, key_every: int = FPS) -> None:
    """Two seconds of sea through a swaying camera that end as they began, at about that bit rate."""
    rng = np.random.default_rng(65)
    lens = lens_from_hfov(*size_px, HFOV_DEG)
    scene = make_scene("sea", rng=rng, height_m=20.0, noise_sd=4.0, objects=4)
    with av.open(str(path), "w") as file:
        stream = file.add_stream("libx264", rate=FPS)
        stream.width, stream.height = size_px
        stream.pix_fmt, stream.bit_rate = "yuv420p", round(mbits_per_s * 1e6)
        # Closed groups: the packets of one pass are followed by those of the next.
        stream.options = {"preset": "veryfast", "g": str(key_every), "bf": "2"}
        for k in range(round(PERIOD_S * FPS)):
            turn = 2 * np.pi * k / FPS / PERIOD_S
            roll_deg, pitch_deg = 2.0 + 0.5 * np.sin(turn), 1.0 + 0.5 * np.cos(turn)
            image = draw_planar(scene, lens, roll_deg=roll_deg, pitch_deg=pitch_deg, t_s=k / FPS, rng=rng)
            file.mux(stream.encode(av.VideoFrame.from_ndarray(image, format="yuv420p")))
        file.mux(stream.encode())


def repeated(once: Path, path: Path, lasts_s: float) -> None:
    """The clip's packets over and over for so long, not encoded again."""
    with av.open(str(once)) as source, av.open(str(path), "w") as file:
        from_stream = source.streams.video[0]
        stream = file.add_stream_from_template(from_stream)
        base = from_stream.time_base
        packets = [
            (bytes(packet), packet.pts, packet.dts, packet.is_keyframe)
            for packet in source.demux(from_stream)
            if packet.pts is not None
        ]
        period = round(Fraction(PERIOD_S) / base)
        for turn in range(round(lasts_s / PERIOD_S)):
            for data, pts, dts, is_key in packets:
                packet = av.Packet(data)
                packet.stream, packet.time_base = stream, base
                packet.pts, packet.dts, packet.is_keyframe = pts + turn * period, dts + turn * period, is_key
                file.mux(packet)


def megabits_per_s(path: Path, lasts_s: float) -> float:
    """The file's own rate."""
    return path.stat().st_size * 8 / 1e6 / lasts_s
