"""Edge points that were put where they are, and the line that is kept of them."""

import numpy as np

from horizon.angles import apart_rad
from horizon.cone import fitted, kept_line, stacked
from horizon.edge import Edges
from horizon.fit import fit_up
from horizon.lens import pixels, rays


def edges_of(ray, lens, *, along_px=None, sd_px=0.2):
    """Strong edge points along these rays, all alike; ``along_px``: their places, in pixels by default."""
    n, seen = len(ray), pixels(lens, ray)
    if along_px is None:
        along_px = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(seen, axis=0), axis=1))])
    alike = np.ones(n)
    return Edges(
        rays=ray,
        along_px=along_px,
        across_px=np.zeros(n),
        sd_px=sd_px * alike,
        step_grey=60.0 * alike,
        gradient_grey_px=20.0 * alike,
        gain=200.0 * alike,
        length_px=float(np.ptp(along_px)),
        seen=n,
        softness_px=0.9,
        shape=0,
    )


def scattered(ray, lens, noise_px, rng):
    """The rays, each seen somewhere else by so many pixels, sd, up or down the picture."""
    seen = pixels(lens, ray)
    seen[:, 1] += noise_px * rng.normal(size=len(ray))
    return rays(lens, seen)


def kept_of(edges, up, lens):
    """The line that is kept of edge points near ``up``, as of no dip."""
    for _ in range(3):
        fit = fit_up(edges, up, lens, dip_rad=0.0, agree_px=40.0)
        assert fit is not None
        if apart_rad(fit.up_cam, up) < 1e-9:
            break
        up = fit.up_cam
    return stacked([kept_line(edges, fit, fit.up_cam, lens)])


def read_line(ray, up, lens, *, along_px=None, dip_rad=0.0, sign=1.0):
    """What is read of a line through these rays."""
    edges = edges_of(ray, lens, along_px=along_px)
    return fitted(kept_of(edges, up, lens), np.array([sign]), lens, dip_rad)
