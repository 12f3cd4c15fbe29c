"""What a shot that was not filmed would tell: the uncertainty that a shoot would then reach.

An uncertainty does not depend on what is read, only on what is filmed: the shot's motion is added to the
shoot's own, as blocks with residuals of 0, and the model is solved for its covariance with the noise and the
filters that the shoot itself has shown. Nothing here is a fixed figure of a card.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from attitude.causes import ObservationModel
from attitude.clock import ClockFit
from attitude.filter import FREE_FALL_MPS2
from attitude.findings import Causes
from attitude.gls import posterior
from attitude.infer import MG_PER_DEG, Witnesses, model_of
from attitude.log import AttitudeLog
from attitude.plans import STEP_HZ, Plan, figure_of_eight, half_turn, hover, pan, planned, tilt, upside_down
from attitude.progress import Progress, stage
from attitude.residuals import FRAME_COLUMNS, SD_COLUMNS, Residuals, blocks_of
from attitude.sheet import ClipSheet, LogSheet, Shoot
from attitude.shots import HOLD_S, WARM_AFTER_S, Lacking
from attitude.solution import Solution, at_rest, noise_of, vector_of
from attitude.stretch import settled_temperature_c
from attitude.terms import lean_vector, warming_vector
from attitude.unknowns import INFLATE
from attitude.words import places
from horizon.angles import wrap_deg

__all__ = ["Outlook", "lacking_shots", "outlook"]

Array = NDArray[np.float64]

NEXT = "the next shot"
LOOKS_HZ = 5.0
CLOCK_SD_S = 0.01
FEW_SETTINGS = 4
LOOKED_AT = ("pan", "hover", "upside_down", "half_turn", "turns", "warm_up")
COLD_S, LONG_WARM_S = 20.0, 36000.0
BETTER = 0.75  # of the half-width now: a shot that takes less off is not asked for
TURN_MPS2 = 8.0 * np.deg2rad(30.0)
PLANS: dict[str, Plan] = {
    "hover": hover(float(HOLD_S)),
    "pan": pan(6.0, 360.0),
    "upside_down": (*hover(float(HOLD_S)), *upside_down(float(HOLD_S))[:1]),
    "half_turn": (*half_turn(), *half_turn()),
    "turns": figure_of_eight()[:-1],
    "tilt": (*tilt(15.0), *tilt(15.0)),
}


@dataclass(frozen=True)
class Outlook:
    """95 % half-widths that a shoot would reach with one more shot.

    seconds : length of the shot, of each hold for ``warm_up``. lean_deg, offset_mg, gyro_deg. turns_deg :
    lean in a turn of 4.2 m/s^2; warm_up_deg : lean at power-on; None where nothing would tell of it.
    """

    shot: str
    seconds: float
    lean_deg: float
    offset_mg: float
    gyro_deg: float
    turns_deg: float | None
    warm_up_deg: float | None


def outlook(shot: str, solution: Solution, witnesses: Witnesses, shoot: Shoot) -> Outlook:
    """What the shoot would know with one more shot, a hover both cold and warm for ``warm_up``.

    solution : of the shoot as it is. witnesses : what it was made from.

    Raises
    ------
    KeyError
        Not a shot that tells anything of the model.
    """
    parts = [(PLANS[_named(shot)], float(WARM_AFTER_S))]
    if shot == "warm_up":
        parts.insert(0, (PLANS["hover"], COLD_S))
        # Where power-on is not told, the sensor is taken to have been warm.
        warm = (
            log
            if log.powered_on_s is not None
            else replace(log, powered_on_s=float(log.table["t_s"].iloc[0]) - LONG_WARM_S)
            for log in witnesses.logs
        )
        witnesses = replace(witnesses, logs=tuple(warm))
    seconds = 0.0
    for plan, on_s in parts:
        seconds = sum(stage.duration_s for stage in plan)
        witnesses, shoot = _with_shot(witnesses, shoot, shot, plan, on_s)
    model = model_of(witnesses, shoot)
    return _reached(shot, seconds, model, solution)


def _with_shot(
    witnesses: Witnesses, shoot: Shoot, shot: str, plan: Plan, on_s: float
) -> tuple[Witnesses, Shoot]:
    """The shoot with one more clip and its log; they add what is looked at, no values."""
    found, logs = witnesses.found, witnesses.logs
    path = planned(plan).drop(columns=[] if shot == "turns" else ["velocity_north_mps", "velocity_east_mps"])
    path["yaw_deg"] = wrap_deg(path["yaw_deg"] + _usual_heading_deg(found))
    warm_c = settled_temperature_c(logs)
    if warm_c is not None:
        path["temperature_c"] = warm_c
    number = len(logs)
    name = f"{NEXT} {number}"
    told = any(log.powered_on_s is not None for log in logs) or shot == "warm_up"
    log = AttitudeLog(
        name, "camera_sensor", path.drop(columns="shot"), 0.0, -on_s if told else None, True, ()
    )
    looks = path.iloc[:: round(STEP_HZ / LOOKS_HZ)].reset_index(drop=True)
    frames = pd.DataFrame(dict.fromkeys(FRAME_COLUMNS, 0.0), index=looks.index)
    frames = frames.assign(clip=name, shot=_named(shot), frame=looks.index, log_index=number, block=0)
    frames["t_s"] = frames["log_t_s"] = looks["t_s"]
    for axis in ("roll", "pitch", "yaw"):
        frames[f"log_{axis}_deg"] = looks[f"{axis}_deg"]
    frames[["roll_deg", "pitch_deg"]] = looks[["roll_deg", "pitch_deg"]]
    # Where nothing shows a horizon the next shot does not either.
    sheet = replace(
        shoot.clips[-1] if shoot.indoors else ClipSheet(()), files=(Path(name),), shot=_named(shot)
    )
    alike = {file.name for clip in shoot.clips if clip.reference == sheet.reference for file in clip.files}
    usual = found.frames[found.frames["clip"].isin(alike)] if alike else found.frames
    for column in SD_COLUMNS:
        frames[column] = float(usual[column].median())
    frames["segment"] = int(found.frames["segment"].max()) + 1
    own, blocks = blocks_of(frames, float(found.blocks["correlation_s"].median()))
    extended = replace(
        found,
        frames=pd.concat(
            [found.frames, own.assign(block=own["block"] + len(found.blocks))], ignore_index=True
        ),
        blocks=pd.concat([found.blocks, blocks], ignore_index=True),
    )
    clock = ClockFit(name, name, 0.0, CLOCK_SD_S, "given", number)
    more = replace(witnesses, found=extended, logs=(*logs, log), clocks=(*witnesses.clocks, clock))
    sheets = (*shoot.logs, LogSheet(file=Path(name), attitude_of="camera_sensor"))
    return more, replace(shoot, clips=(*shoot.clips, sheet), logs=sheets)


def _named(shot: str) -> str:
    return "hover" if shot == "warm_up" else shot


def _usual_heading_deg(found: Residuals) -> float:
    """Heading half way through what was filmed: there the next shot begins."""
    heading = found.blocks["log_yaw_deg"].to_numpy(float)
    return float(heading[len(heading) // 2]) if len(heading) else 0.0


def _reached(shot: str, seconds: float, model: ObservationModel, solution: Solution) -> Outlook:
    """Half-widths with the noise and the filters of the shoot as it is."""
    order = np.argsort(-solution.weights)[:FEW_SETTINGS]
    weights = solution.weights[order] / solution.weights[order].sum()
    settings = [solution.settings[k] for k in order]
    noise, usual, _ = noise_of(model)
    wide = np.array([solution.sizes.get(unknown.name, unknown.wide_sd) for unknown in model.unknowns])
    vectors = {
        "lean": lean_vector(model.names),
        "offset": vector_of(model.names, offset_sideways=1.0),
        "gyro": vector_of(model.names, gyro_roll=1.0),
        "turns": vector_of(model.names, turns=1.0),
        "warm_up": warming_vector(model.names),
    }
    variance = dict.fromkeys(vectors, 0.0)
    for k, weight, A in zip(order, weights, model.columns(settings), strict=True):
        one = solution.fits[k]
        rho, sd = (np.resize(have, len(usual)) for have in (one.rho, one.sd))
        cov = posterior(noise.whiten(A, rho, sd), np.zeros(len(A)), wide)[1]
        for name, vector in vectors.items():
            g = vector if name == "gyro" else at_rest(vector, model.names, solution.settings[k])
            variance[name] += float(weight * INFLATE**2 * (g @ cov @ g))
    half = {name: solution.t95 * float(np.sqrt(value)) for name, value in variance.items()}
    floored = solution.t95 * float(np.hypot(np.sqrt(variance["lean"]), solution.floor_deg))
    tau_s = solution.time_constant().value
    in_turn = np.rad2deg(TURN_MPS2 / FREE_FALL_MPS2) / np.hypot(1.0, np.deg2rad(30.0) * tau_s)
    return Outlook(
        shot=shot,
        seconds=seconds,
        lean_deg=floored,
        offset_mg=half["offset"] * MG_PER_DEG,
        gyro_deg=half["gyro"],
        turns_deg=half["turns"] * float(in_turn) if "turns" in model.names else None,
        warm_up_deg=half["warm_up"] if "warm_up_sideways" in model.names else None,
    )


def lacking_shots(
    causes: Causes,
    solution: Solution | None,
    witnesses: Witnesses | None,
    shoot: Shoot,
    progress: Progress | None = None,
) -> list[Lacking]:
    """Shots that this shoot lacks, each with what is open without it and what would be known with it.

    progress : is told how many of the shots have been looked at.
    """
    if solution is None or witnesses is None or causes.lean is None or not causes.causes:
        why = causes.notes[-1] if causes.notes else "no lean is known"
        return [Lacking("hover", float(HOLD_S), why, "the lean when the log says level")]
    with stage(progress, "working out what each shot would tell") as told:

        def look(shot: str) -> Outlook:
            told(LOOKED_AT.index(shot) / len(LOOKED_AT))
            return outlook(shot, solution, witnesses, shoot)

        return _lacking(causes, causes.lean.half_width, look, shoot)


def _lacking(causes: Causes, now_deg: float, look: Callable[[str], Outlook], shoot: Shoot) -> list[Lacking]:
    """Shots worth filming, looked at in the order of ``LOOKED_AT``.

    now_deg : half-width of the lean as it is. Before a plumb or level line, nothing is asked for that turns
    the camera away from it.
    """
    found: list[Lacking] = []

    def ask(one: Outlook, because: str, reaches: str) -> None:
        found.append(Lacking(one.shot, one.seconds, because, reaches))

    panned = None if shoot.indoors or "pan" in causes.shots else look("pan")
    held = look("hover")
    if panned is not None and panned.lean_deg < BETTER * min(now_deg, held.lean_deg):
        because = f"the skyline may lean, so the lean is known only {_to(now_deg, 'deg')}"
        ask(panned, because, f"the lean {_to(panned.lean_deg, 'deg')}")
    elif held.lean_deg < BETTER * now_deg:
        because = f"the lean is known only {_to(now_deg, 'deg')}"
        ask(held, because, f"the lean {_to(held.lean_deg, 'deg')}")
    offset = causes.offset_mg.get("sideways")
    if offset is None or not offset.determined or not causes.offset_shown_by:
        over = look("upside_down")
        because = "the sensor's offset and the camera's seat are known only as a sum"
        reached = f"the sensor's sideways offset {_to(over.offset_mg, 'mg')}"
        ask(over, because, f"{reached}, the lean {_to(over.lean_deg, 'deg')}")
    seat = causes.mounting_deg.get("roll")
    blamed = seat is not None and abs(seat.value) > shoot.tolerance_deg / 2
    if not causes.gyro_split and blamed and not shoot.indoors:
        turned = look("half_turn")
        because = "the camera's seat and a steady gyro bias look alike"
        ask(turned, because, f"what the gyro adds {_to(turned.gyro_deg, 'deg')}")
    if causes.turns is None and not shoot.indoors:
        bent = look("turns")
        if bent.turns_deg is not None:
            because = "no turns were filmed with ground velocity in the log"
            ask(bent, because, f"the lean in a turn at 8 m/s {_to(bent.turns_deg, 'deg')}")
    if causes.warm_up is None:
        warmed = look("warm_up")
        because = "it was not filmed both cold and warm with power-on told (powered_on_s)"
        if warmed.warm_up_deg is not None:
            ask(warmed, because, f"the lean at power-on {_to(warmed.warm_up_deg, 'deg')}")
    return found


def _to(half_width: float, unit: str) -> str:
    """A half-width in words."""
    return f"to ± {half_width:.{places(half_width)}f} {unit}"
