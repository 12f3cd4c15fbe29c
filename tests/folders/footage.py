"""The takes, drawn once, and their copies: cut into files, stamped and turned as cameras do.

Copies are made packet by packet, without encoding again; only a camera that turned its pixels needs that.
"""

import datetime as dt
import os

import av
import numpy as np

from attitude.simulate import truth_at
from horizon.coded import write_clip
from horizon.lens import lens_from_hfov
from horizon.synthetic import ROUND_EARTH_M, draw_planar, make_scene

from .flights import fixed_seed, flown

__all__ = ["FPS", "copy_part", "file_time", "master", "parts_of", "turned_over"]

FPS = 6
SIZE_PX = (384, 216)
HEIGHT_M = 8.0
KEY_EVERY = 30  # a file may begin at each of these frames


def master(cache, flight, take):
    """Path of a take as it was filmed, drawn on first use into the folder ``cache``."""
    path = cache / f"{flight}_{take}.mp4"
    if not path.exists():
        one = flown(flight)
        rng = np.random.default_rng(fixed_seed("scene", flight))
        dip_rad = float(np.arccos(ROUND_EARTH_M / (ROUND_EARTH_M + HEIGHT_M)))
        look = {"height_m": HEIGHT_M, "dip_rad": dip_rad, "visibility_km": 50.0}
        scene = make_scene("sea", rng=rng, objects=6, clouds=0.5, noise_sd=1.0, **look)
        lens = lens_from_hfov(*SIZE_PX, one.hfov_deg)
        from_s, to_s = one.takes[take]
        times_s = from_s + np.arange(int((to_s - from_s) * FPS)) / FPS
        pictures = (
            draw_planar(scene, lens, roll_deg=r, pitch_deg=p, yaw_deg=y, t_s=t, rng=rng)
            for t, r, p, y in truth_at(one.flight, times_s).to_numpy(float)
        )
        cache.mkdir(parents=True, exist_ok=True)
        unfinished = path.with_suffix(f".{os.getpid()}.mp4")
        write_clip(unfinished, pictures, FPS, crf=26, key_every=KEY_EVERY)
        unfinished.replace(path)
    return path


def turned_over(cache, flight, take):
    """The same take from a camera that turned all its pixels by half a turn."""
    source = master(cache, flight, take)
    path = source.with_name(f"{source.stem}_turned.mp4")
    if not path.exists():
        with av.open(str(source)) as container:
            upright = [frame.to_ndarray(format="yuv420p") for frame in container.decode(video=0)]
        unfinished = path.with_suffix(f".{os.getpid()}.mp4")
        write_clip(unfinished, (_half_turn(image) for image in upright), FPS, crf=26, key_every=KEY_EVERY)
        unfinished.replace(path)
    return path


def _half_turn(planar):
    """Planar 4:2:0 image by half a turn: each plane reversed on its own."""
    height = planar.shape[0] * 2 // 3
    flat = planar[height:].ravel()
    half = flat.size // 2
    colour = np.concatenate([flat[:half][::-1], flat[half:][::-1]])
    return np.vstack([planar[:height][::-1, ::-1], colour.reshape(-1, planar.shape[1])])


def parts_of(source, count):
    """Times (from, to) of ``count`` files that a camera would cut a take into, each from a key frame."""
    with av.open(str(source)) as container:
        stream = container.streams.video[0]
        packets = [(float(p.pts * p.time_base), p.is_keyframe) for p in container.demux(stream) if p.size]
    keys = np.array([t_s for t_s, is_key in packets if is_key])
    end_s = max(t_s for t_s, _ in packets) + 1 / FPS
    cuts = [keys[np.argmin(np.abs(keys - end_s * k / count))] for k in range(count)]
    return list(zip(cuts, [*cuts[1:], end_s], strict=True))


def copy_part(source, target, from_s, to_s, created=None):
    """Copy one stretch, which begins at a key frame; ``created`` is written as the file's creation time."""
    with av.open(str(source)) as container, av.open(str(target), "w") as out:
        if created is not None:
            out.metadata["creation_time"] = created.strftime("%Y-%m-%dT%H:%M:%S.000000Z")
        stream = container.streams.video[0]
        copy = out.add_stream_from_template(stream)
        running = False
        for packet in container.demux(stream):
            if not packet.size:
                continue
            t_s = float(packet.pts * packet.time_base)
            if packet.is_keyframe:
                running = from_s - 1e-6 <= t_s < to_s - 1e-6
            if running:
                shift = round(from_s / packet.time_base)
                packet.pts, packet.dts = packet.pts - shift, packet.dts - shift
                packet.stream = copy
                out.mux(packet)


def file_time(path, when):
    """Set when a file was last written, as a copy from the card keeps it."""
    stamp = when.replace(tzinfo=dt.UTC).timestamp()
    os.utime(path, (stamp, stamp))
