"""The observation model fitted with the sensor's filter left open.

The fit is made at each time constant of a coarse grid, for filters that only pull, for filters that learn the
gyro's bias too and, where something was felt beyond one g, for those that then do not pull; and again around
the best. Weights are the penalised likelihood (evidence without its volume term: that term prefers, for every
wide prior whose column vanishes with a short time constant, the short time constant, which is no finding),
with the log of it divided by the inflation that all uncertainties get. What is reported is the
mean and covariance of the weighted mixture, so that a filter that the footage cannot tell widens what depends
on it.

Where a lean of a degree or more is found, products of errors count: they are taken off the residual
(:mod:`attitude.exact`, Gauss-Newton with the linear columns for slopes) and all is fitted again.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from attitude.bench import bench_rows
from attitude.causes import ObservationModel
from attitude.exact import left_out_deg
from attitude.filter import FilterKind
from attitude.findings import Estimate
from attitude.gls import USUAL_DOF, Fit, Noise, fit, mixture
from attitude.progress import Progress, Share, part, stage
from attitude.stretch import Setting
from attitude.unknowns import INFLATE

__all__ = ["Columns", "Solution", "at_rest", "noise_of", "resized", "solve", "vector_of"]

Array = NDArray[np.float64]
Columns = Callable[[ObservationModel, Sequence[Setting]], list[Array]]
# How rows hang together, the usual sd of each component, and how many residuals that sd counts for.
RowNoise = tuple[Noise, Array, Array]

TIME_CONSTANTS_S = (0.5, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0, 6.5, 8.0, 10.0, 13.0, 17.0, 22.0)
LEARNING_S = (10.0, 30.0, 100.0)
LEARNING_TAU_S = (0.7, 1.5, 3.0, 6.0, 12.0, 22.0)
GATES_G, GATED_TAU_S, FELT_G = (0.02, 0.06), (1.0, 2.5, 6.0, 15.0), 0.03
WARMING_S = (120.0, 200.0, 450.0, 600.0)
REFINED = 5
# How likely a filter is to be of its kind before anything is seen.
KIND_SHARE = {"plain": 0.88, "learning": 0.04, "gated": 0.08}
USUAL_SD_DEG = 0.02  # noise of a block where the footage is clean
RAW_SD_DEG = 0.03  # of a block of the raw accelerometer, 0.5 mg
CERTAIN_DOF = 1e6
# Of a block, beyond which pitch counts as not measured: a single plumb or level line tells none.
MOST_PITCH_SD_DEG, UNMEASURED_DEG = 5.0, 1e5
LARGE_DEG, ROUNDS = 1.0, 3
COARSE_SHARE = 0.85  # of the time that all settings take; the rest for those around the best
FAINT = 1e-4  # of the best weight: below, a setting changes nothing


@dataclass(frozen=True)
class Solution:
    """The model fitted at every setting, with the weights of the fits.

    y_deg : residual that was fitted, what is not linear taken off. floor_deg : sd that all frames share in
    roll and pitch, to be added to what turns with the camera. width : share of the prior that each fit
    stands for. sizes : prior sizes that the footage itself suggested, by name.
    """

    model: ObservationModel
    settings: tuple[Setting, ...]
    columns: tuple[Array, ...]
    fits: tuple[Fit, ...]
    width: Array
    weights: Array
    noise: Noise
    y_deg: Array
    floor_deg: float
    t95: float
    sizes: Mapping[str, float] = field(default_factory=dict)

    @property
    def tells_pitch(self) -> bool:
        """Whether any of the footage measured pitch."""
        return bool(np.any(self.noise.component == 1))

    @property
    def best(self) -> int:
        """Index of the most probable setting."""
        return int(np.argmax(self.weights / self.width))

    @property
    def best_columns(self) -> Array:
        """Columns at the most probable setting."""
        return self.columns[self.best]

    def vector(self, **weights: float) -> Array:
        """Coefficients of a sum of unknowns; those that the model does not have count as nothing."""
        return vector_of(self.model.names, **weights)

    def joint(self, vectors: Sequence[Array]) -> tuple[Array, Array]:
        """Mean and inflated covariance of several sums of unknowns, floors not added."""
        G = np.stack(list(vectors))
        picked = []
        for setting, one in zip(self.settings, self.fits, strict=True):
            g = at_rest(G, self.model.names, setting)
            picked.append((g @ one.mean, g @ one.cov @ g.T))
        mean, cov = mixture(picked, self.weights)
        return mean, INFLATE**2 * cov

    def estimate(self, vector: Array, *, floor: float, limit: float, scale: float = 1.0) -> Estimate:
        """A sum of unknowns times ``scale``; determined when its sd before scaling is at most ``limit``."""
        mean, cov = self.joint([vector])
        sd = float(np.sqrt(cov[0, 0] + floor**2))
        return Estimate(float(mean[0]) * scale, sd * scale, self.t95, sd <= limit)

    def time_constant(self) -> Estimate:
        """Filter time constant, seconds; determined when narrowed to a third of itself."""
        tau_s = np.array([setting.kind.tau_s for setting in self.settings])
        mean = float(self.weights @ tau_s)
        sd = float(np.sqrt(self.weights @ (tau_s - mean) ** 2))
        return Estimate(mean, max(sd, 0.03 * mean), determined=sd < mean / 3)


def vector_of(names: Sequence[str], **weights: float) -> Array:
    """Coefficients of a sum of unknowns, in the order of ``names``; those not among them count as nothing."""
    out = np.zeros(len(names))
    for name, weight in weights.items():
        if name in names:
            out[names.index(name)] = weight
    return out


def at_rest(vectors: Array, names: Sequence[str], setting: Setting) -> Array:
    """Coefficients (..., unknowns) without what a filter that learns has unlearned once it is settled."""
    if setting.kind.integral_s is None:
        return vectors
    gyro = np.array([name.startswith(("gyro_", "warm_up_gyro_")) for name in names])
    return np.where(gyro, 0.0, vectors)


@dataclass(frozen=True)
class _Try:
    """One setting fitted. ``log_likelihood``: penalised."""

    columns: Array
    fit: Fit
    log_likelihood: float


def solve(
    model: ObservationModel,
    floor_deg: float,
    progress: Progress | None = None,
    *,
    columns: Columns = ObservationModel.columns,
) -> Solution:
    """Fit the model at every setting.

    columns : where the columns of the model at some settings are to be had.
    progress : is told a stage for the settings, and one for the rounds that large errors need.
    """
    wide = np.array([unknown.wide_sd for unknown in model.unknowns])
    rows = noise_of(model)
    y_deg = model.residual_deg
    with stage(progress, "working out the cause") as told:
        tries = _fit_all(model, columns, _coarse(model), y_deg, wide, rows, part(told, 0.0, COARSE_SHARE))
        finer = (_around, _closer, _warmer)
        ends = np.linspace(COARSE_SHARE, 1.0, len(finer) + 1).tolist()
        for k, more in enumerate(finer):
            best = max(tries, key=lambda one: tries[one].log_likelihood)
            settings = [one for one in more(model, best) if one not in tries]
            tries |= _fit_all(model, columns, settings, y_deg, wide, rows, part(told, ends[k], ends[k + 1]))
    with stage(progress, "working out the cause again, for large errors") as told:
        for k in range(ROUNDS):
            best = max(tries, key=lambda one: tries[one].log_likelihood)
            values = dict(zip(model.names, tries[best].fit.mean.tolist(), strict=True))
            if _largest_deg(values) < LARGE_DEG:
                break
            left_out = left_out_deg(model, best, values)
            corrected = model.residual_deg - np.pad(left_out, (0, len(y_deg) - len(left_out)))
            settled = float(np.abs(corrected - y_deg).max()) < 1e-3
            y_deg = corrected
            if settled:
                break
            found = {one: done.columns for one, done in tries.items()}
            tries = _fit_each(model, found, y_deg, wide, rows, part(told, k / ROUNDS, (k + 1) / ROUNDS))
    return _weighed(model, tries, y_deg, floor_deg)


def resized(solution: Solution, sizes: Mapping[str, float]) -> Solution:
    """The same with other prior sizes of some unknowns, by name."""
    model = solution.model
    wide = np.array([sizes.get(unknown.name, unknown.wide_sd) for unknown in model.unknowns])
    rows = noise_of(model)
    tries = {
        setting: _fitted(model, A, solution.y_deg, wide, rows)
        for setting, A in zip(solution.settings, solution.columns, strict=True)
    }
    return replace(_weighed(model, tries, solution.y_deg, solution.floor_deg), sizes=dict(sizes))


def noise_of(model: ObservationModel) -> RowNoise:
    """How the model's rows hang together, the usual sd of each component, and what that sd counts for."""
    blocks = model.blocks
    series = [model.piece, model.piece]
    sds = [np.nan_to_num(blocks[f"{axis}_sd_deg"].to_numpy(float)) for axis in ("roll", "pitch")]
    unmeasured = sds[1] > MOST_PITCH_SD_DEG
    measured = (sds[0], sds[1] if unmeasured.all() else sds[1][~unmeasured])
    usual = [max(USUAL_SD_DEG, float(np.median(sd))) for sd in measured]
    relative = [np.clip(sd / s0, 1.0, 5.0) for sd, s0 in zip(sds, usual, strict=True)]
    dof = [USUAL_DOF, USUAL_DOF]
    if model.still is not None:
        apart = np.cumsum(np.diff(model.still.block, prepend=model.still.block[0]) > 1)
        own = model.piece[model.still.block] * (len(blocks) + 1) + apart
        series += [own, own]
        relative += [np.ones(len(own))] * 2
        usual += [RAW_SD_DEG, RAW_SD_DEG]
        dof += [USUAL_DOF, USUAL_DOF]
    sd = bench_rows(model.holds, model.names)[2]
    if len(sd):
        series.append(np.arange(len(sd), dtype=np.intp))
        relative.append(sd)
        usual.append(1.0)
        dof.append(CERTAIN_DOF)
    # No two components share a series.
    numbered, start = [], 0
    for one in series:
        unique = np.unique(one, return_inverse=True)[1]
        numbered.append(unique + start)
        start += int(unique.max()) + 1
    component = np.concatenate([np.full(len(one), k) for k, one in enumerate(series)])
    relative_sd = np.concatenate(relative)
    if unmeasured.any():
        # Says nothing, of the noise of what was measured either; no piece of blocks holds both.
        rows = len(blocks) + np.flatnonzero(unmeasured)
        component[rows], relative_sd[rows] = len(usual), UNMEASURED_DEG
        usual.append(1.0)
        dof.append(CERTAIN_DOF)
    noise = Noise(np.concatenate(numbered).astype(np.intp), component.astype(np.intp), relative_sd)
    return noise, np.array(usual), np.array(dof)


def _coarse(model: ObservationModel) -> list[Setting]:
    """Every kind of filter that the footage may hold, from short time constants to long."""
    kinds = [FilterKind(tau_s) for tau_s in TIME_CONSTANTS_S]
    kinds += [
        FilterKind(tau_s, integral_s=integral_s)
        for integral_s in LEARNING_S
        for tau_s in LEARNING_TAU_S
        if integral_s > tau_s  # below, it would swing
    ]
    felt = [stretch.motion.felt_g for stretch in model.stretches if stretch.motion.felt_g is not None]
    if "turns" in model.names and any(np.quantile(np.abs(one - 1), 0.95) > FELT_G for one in felt):
        kinds += [FilterKind(tau_s, gate_g=gate_g) for gate_g in GATES_G for tau_s in GATED_TAU_S]
    return [Setting(kind) for kind in kinds]


def _around(_: ObservationModel, best: Setting) -> list[Setting]:
    """Time constants, and integral times, between the best setting and its neighbours."""
    kind = best.kind
    grid: Sequence[float] = LEARNING_TAU_S
    if kind.integral_s is None:
        grid = TIME_CONSTANTS_S if kind.gate_g is None else GATED_TAU_S
    k = grid.index(kind.tau_s)
    low, high = grid[max(k - 1, 0)], grid[min(k + 1, len(grid) - 1)]
    taus_s = [float(tau_s) for tau_s in np.geomspace(low, high, REFINED + 2)[1:-1]]
    integrals_s = [kind.integral_s]
    if kind.integral_s is not None:
        integrals_s += [kind.integral_s / 1.8, kind.integral_s * 1.8]
    return [
        replace(best, kind=replace(kind, tau_s=tau_s, integral_s=integral_s))
        for tau_s in taus_s
        for integral_s in integrals_s
    ]


def _closer(_: ObservationModel, best: Setting) -> list[Setting]:
    """Filters that learn, close by: of them the grid is wide in two directions."""
    kind = best.kind
    if kind.integral_s is None:
        return []
    return [
        replace(best, kind=replace(kind, tau_s=kind.tau_s * slower, integral_s=kind.integral_s * longer))
        for slower in (0.93, 1.0, 1.07)
        for longer in (0.8, 1.0, 1.25)
    ]


def _warmer(model: ObservationModel, best: Setting) -> list[Setting]:
    """How fast the sensor warms up, where that was filmed."""
    if "warm_up_sideways" not in model.names:
        return []
    return [replace(best, warm_up_s=warm_up_s) for warm_up_s in WARMING_S]


def _largest_deg(values: dict[str, float]) -> float:
    """Largest of the errors whose products may count."""
    names = ("offset_", "mounting_", "gyro_", "warm_up_", "temperature_")
    return max(abs(value) for name, value in values.items() if name.startswith(names))


def _fit_all(
    model: ObservationModel,
    columns: Columns,
    settings: Sequence[Setting],
    y_deg: Array,
    wide: Array,
    rows: RowNoise,
    told: Share,
) -> dict[Setting, _Try]:
    if not settings:
        return {}
    found = dict(zip(settings, columns(model, settings), strict=True))
    return _fit_each(model, found, y_deg, wide, rows, told)


def _fit_each(
    model: ObservationModel,
    columns: Mapping[Setting, Array],
    y_deg: Array,
    wide: Array,
    rows: RowNoise,
    told: Share,
) -> dict[Setting, _Try]:
    tries: dict[Setting, _Try] = {}
    for setting, A in columns.items():
        tries[setting] = _fitted(model, A, y_deg, wide, rows)
        told(len(tries) / len(columns))
    return tries


def _fitted(model: ObservationModel, A: Array, y_deg: Array, wide: Array, rows: RowNoise) -> _Try:
    """Posterior and penalised log likelihood at one setting."""
    noise, usual, dof = rows
    mean = np.array([unknown.mean for unknown in model.unknowns])
    one = fit(A, y_deg - A @ mean, noise, wide, usual_sd=usual, usual_dof=dof)
    scaled = noise.whiten(A, one.rho, one.sd) * wide
    volume = 0.5 * float(np.linalg.slogdet(np.eye(len(wide)) + scaled.T @ scaled)[1])
    # What only a filter that learns has, its unknown start, must not win for being free to fit.
    own = [k for k, name in enumerate(model.names) if name.startswith("learned_")]
    narrowed = one.cov[np.ix_(own, own)] / np.outer(wide[own], wide[own])
    volume += 0.5 * float(np.linalg.slogdet(narrowed)[1])
    return _Try(A, replace(one, mean=one.mean + mean), one.log_evidence + volume)


def _weighed(model: ObservationModel, tries: dict[Setting, _Try], y_deg: Array, floor_deg: float) -> Solution:
    settings = sorted(tries, key=lambda one: (_family(one), one.kind.tau_s))
    width = _widths(settings)
    log_weights = np.array([tries[one].log_likelihood for one in settings]) / INFLATE
    weights = width * np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    keep = weights > FAINT * weights.max()
    kept = [one for one, kept in zip(settings, keep, strict=True) if kept]
    weights, width = weights[keep] / weights[keep].sum(), width[keep] / width[keep].sum()
    fits = tuple(tries[one].fit for one in kept)
    noise = noise_of(model)[0]
    filmed = [k for k in (0, 1) if np.any(noise.component == k)]
    dof = float(sum(w * one.dof[filmed].min() for w, one in zip(weights, fits, strict=True)))
    return Solution(
        model=model,
        settings=tuple(kept),
        columns=tuple(tries[one].columns for one in kept),
        fits=fits,
        width=width,
        weights=weights,
        noise=noise,
        y_deg=y_deg,
        floor_deg=floor_deg,
        t95=float(stdtrit(dof, 0.975)),
    )


def _family(setting: Setting) -> str:
    kind = setting.kind
    return "plain" if kind.plain else "gated" if kind.gate_g is not None else "learning"


def _widths(settings: Sequence[Setting]) -> Array:
    """Share of the prior that each setting stands for: even in the log of tau within a kind of filter.

    Settings of one time constant (integral times, gates, warm-ups) share its width.
    """
    families = np.array([_family(one) for one in settings])
    width = np.zeros(len(settings))
    present = {name: KIND_SHARE[name] for name in np.unique(families)}
    for name, share in present.items():
        rows = np.flatnonzero(families == name)
        log_tau = np.log([settings[int(k)].kind.tau_s for k in rows])
        unique, place, count = np.unique(log_tau, return_inverse=True, return_counts=True)
        cells = np.gradient(unique) if len(unique) > 1 else np.ones(1)
        width[rows] = share / sum(present.values()) * (cells / cells.sum() / count)[place]
    return width
