"""Is what ``horizon-drift new`` wrote true? Judged by what the sheet makes of the logs, not by its spelling.

The written sheet is read as ``check`` reads it. Every row of every log that it names is compared with what
that row truly says; every clip is laid against the logs as ``check`` lays it, with the true attitude of the
camera standing for the measured footage. Where a log is misread, the entries to blame are the fewest whose
right values mend it.

right            nothing is wrong, and nothing that the folder tells was left open
asked            something is wrong or left open, but that very entry is marked as assumed or left out in the
                 sheet, and the closing lines in the terminal say so
refused          exit status 2 and one line; or a log is left as a comment with a reason
silently wrong   all else

What the folder cannot tell (the sign of an angle that never changes while filmed) may be either, if it is
marked.
"""

from dataclasses import dataclass

import numpy as np

from attitude.clock import NOT_NEEDED, ClockError
from attitude.entries import OTHER_BODIES
from attitude.log import LogError, read_logs
from attitude.readings import settle
from attitude.sheet import SheetError, read_sheet
from attitude.simulate import truth_at
from tests.commands import run_here

from .flights import body_angles_deg, flown
from .marks import Marks
from .misread import SIGN_OF, blamed, body_of, clock_of, misread
from .stand_in import true_tracks

__all__ = ["Fault", "Ran", "Verdict", "judged", "run_new"]

RIGHT, ASKED, REFUSED, WRONG = "right", "asked", "refused", "silently wrong"
ANGLES = ["roll_deg", "pitch_deg", "yaw_deg"]
MOVES_DEG = 2.0
ORDERS_APART_DEG = 1.0
CLOCK_OFF_S, UNTESTED_OFF_S, OTHER_BODY_OFF_S = 0.3, 2.0, 1.0
# Owners that a sheet may claim, and those that leave open what the folder tells. The data can show that a
# body is not the camera; which of two others it is, only a name could say.
CLAIMS = {
    "camera_sensor": ({"camera_sensor", "unknown"}, set()),
    "gimbal_frame": ({"gimbal_frame", "unknown"}, set()),
    "airframe": ({"airframe", "joints"}, {"unknown"}),
    "joints": ({"joints", "airframe"}, {"unknown"}),
    "commanded": ({"commanded"}, {"unknown"}),
}


@dataclass(frozen=True)
class Ran:
    """One run of ``new``."""

    status: int
    out: str
    err: str


@dataclass(frozen=True)
class Fault:
    """entry : as in ``log[1].roll_positive``. marked : the sheet calls it unsure. said : so does the end."""

    entry: str
    what: str
    marked: bool = False
    said: bool = False

    @property
    def asked(self):
        return self.marked and self.said


@dataclass(frozen=True)
class Verdict:
    """sensors : which of accelerometer, gyro, temperature a wanted log carries, and whether it was mapped."""

    outcome: str
    faults: tuple[Fault, ...] = ()
    refused: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    sensors: tuple[tuple[str, bool], ...] = ()


def run_new(folder):
    """Run ``horizon-drift new`` on a folder, as from a script: no terminal."""
    try:
        done = run_here("new", folder)
    except Exception as error:  # a crash is a finding, not the end of the table
        return Ran(1, "", f"{type(error).__name__}: {error}\n")
    return Ran(int(done.returncode), done.stdout, done.stderr)


def judged(truth, ran):
    """Verdict on what ``new`` made of a folder."""
    if ran.status == 2 and len(ran.err.strip().splitlines()) == 1:
        return Verdict(REFUSED, refused=(ran.err.strip(),))
    if ran.status != 0:
        last = (ran.err.strip().splitlines() or ["no word"])[-1]
        return Verdict(WRONG, (Fault("", f"exit status {ran.status}: {last}"),))
    try:
        shoot = read_sheet(truth.path)
    except SheetError as error:
        return Verdict(WRONG, (Fault("", f"check would refuse the sheet: {error}"),))
    return _Case(truth, shoot, ran).verdict()


@dataclass
class _Case:
    """One folder being judged."""

    truth: object
    shoot: object
    ran: Ran

    def verdict(self):
        self.marks = Marks(self.shoot.path.read_text(encoding="utf-8"), self.ran.out)
        self.faults, self.refused, self.notes, self.sensors = [], [], [], []
        self._clips()
        self._other_entries()
        logs = self._logs()
        if any(fault.entry.startswith("log[") and not fault.asked for fault in self.faults):
            self.notes.append("the clips were not laid against a misread log")
        elif logs is not None:
            self._clocks(logs)
        if any(not fault.asked for fault in self.faults):
            outcome = WRONG
        elif self.refused:
            outcome = REFUSED
        else:
            outcome = ASKED if self.faults else RIGHT
        return Verdict(
            outcome, tuple(self.faults), tuple(self.refused), tuple(self.notes), tuple(self.sensors)
        )

    def fault(self, entry, what):
        self.faults.append(Fault(entry, what, self.marks.marked(entry), self.marks.said(entry)))

    def silent(self, entry, what):
        self.faults.append(Fault(entry, what))

    def misplaced(self, clip, what):
        """Fault of a clip's place, unless that only follows from an entry of a log that is asked about."""
        number = _clip_number(self.shoot, clip)
        asked = [fault for fault in self.faults if fault.entry.startswith("log[") and fault.asked]
        if asked and self.shoot.clips[number - 1].log_start_s is None:
            self.notes.append(f"while {asked[0].entry} is open: {what}")
        else:
            self.fault(f"clip[{number}].log_start_s", what)

    # --- clips ------------------------------------------------------------------------------------------

    def _clips(self):
        wanted = {file: clip for clip in self.truth.clips for file in clip.files}
        seen = [file.name for clip in self.shoot.clips for file in clip.files]
        for file in wanted:
            what = f"{file} is there {seen.count(file)} times"
            if not seen.count(file) and self.marks.commented(file):
                self.faults.append(
                    Fault("clip.file", f"{what}: left as a comment", True, file in self.ran.out)
                )
            elif seen.count(file) != 1:
                self.silent("clip.file", what)
        for number, clip in enumerate(self.shoot.clips, 1):
            names = tuple(file.name for file in clip.files)
            entry = f"clip[{number}]"
            owners = {wanted[name].files for name in names if name in wanted}
            if not owners or any(name not in wanted for name in names):
                self.silent(f"{entry}.file", f"{', '.join(names)}: no clip of this shoot")
                continue
            if len(owners) > 1:
                self.fault(f"{entry}.files", f"{', '.join(names)} are joined but are different takes")
            elif names != next(iter(owners)):
                whole = ", ".join(next(iter(owners)))
                self.fault(f"{entry}.files", f"{', '.join(names)}: the take is {whole}, in this order")
            self._clip_entries(entry, clip, wanted[names[0]])

    def _clip_entries(self, entry, clip, truth):
        turned = 180 if truth.turned else 0
        if clip.picture_turned_deg != turned:
            if clip.picture_turned_deg == 0:
                # The contract's default; check finds the turned picture and names the entry.
                self.notes.append(f"{truth.files[0]}: picture_turned_deg is left to check")
            else:
                self.fault(f"{entry}.picture_turned_deg", f"{clip.picture_turned_deg} instead of {turned}")
        shots = _shots(truth)
        if clip.shot != "ordinary" and clip.shot not in shots:
            self.fault(f"{entry}.shot", f"{clip.shot}: there is only {', '.join(sorted(shots))} in it")
        if clip.time_scale != 1.0:
            self.fault(f"{entry}.time_scale", f"{clip.time_scale:g} of footage at normal speed")
        if clip.exclude_s:
            self.fault(f"{entry}.exclude_s", "nothing of it is to be left out")

    def _other_entries(self):
        shoot, hfov = self.shoot, {flown(clip.flight).hfov_deg for clip in self.truth.clips}
        if shoot.stabilised:
            self.fault("stabilised", "nothing was stabilised")
        if shoot.trim_deg:
            self.fault("trim_deg", "there is no trim")
        if shoot.camera.mount_roll_deg:
            self.fault("camera.mount_roll_deg", "the camera sits upright")
        stated = shoot.camera.hfov_deg
        if stated is not None and min(abs(stated - true) for true in hfov) > 5:
            self.fault("camera.hfov_deg", f"{stated:g} instead of {sorted(hfov)}")
        days = {began.date() for began in self.truth.story.began.values()}
        if shoot.date is not None and min(abs((shoot.date - day).days) for day in days) > 1:
            self.fault("date", f"{shoot.date} instead of {sorted(days)[0]}")
        for number, hold in enumerate(shoot.bench, 1):
            if self.truth.story.strays.get(hold.file.name) != f"bench {hold.pose}":
                self.fault(f"bench[{number}].pose", f"{hold.file.name} is no hold with {hold.pose}")

    # --- logs -------------------------------------------------------------------------------------------

    def _logs(self):
        """The logs as check reads them, None where it would refuse them."""
        truths = {truth.log.file: truth for truth in self.truth.logs}
        used = [sheet.file.name for sheet in self.shoot.logs]
        for truth in self.truth.logs:
            file, role = truth.log.file, truth.log.role
            if file in used or role == "spare":
                continue
            if self.marks.commented(file):
                self.refused.append(f"{file} is left as a comment")
            else:
                self.silent("log.file", f"{file} is not in the sheet, and nothing says why")
        for number, sheet in enumerate(self.shoot.logs, 1):
            if sheet.file.name not in truths:
                self.silent(f"log[{number}].file", f"{sheet.file.name} is no log of this shoot")
            elif truths[sheet.file.name].log.role == "unusable":
                self.silent(f"log[{number}].file", f"{sheet.file.name} cannot be used, and is")
        if any(fault.entry.endswith(".file") and not fault.asked for fault in self.faults):
            return None
        try:
            logs = read_logs(self.shoot)
        except LogError as error:
            self.silent("log", f"check would refuse the log: {error}")
            return None
        self._epoch_s = self._first_stamp_s(truths)
        mapped = set()
        for number, (sheet, log) in enumerate(zip(self.shoot.logs, logs, strict=True), 1):
            truth = truths[sheet.file.name]
            body = body_of(sheet, truth)
            if body not in (truth.log.body, None):
                if sheet.attitude_of != body:
                    what = f"{sheet.file.name}: these columns are the {body}'s, not the {truth.log.body}'s"
                    self.fault(f"log[{number}].roll", what)
                continue
            mapped.add(sheet.file.name)
            self._log(number, sheet, log, truth)
        for file in set(used) - mapped:
            self.silent("log.file", f"{file}: the columns of the {truths[file].log.body} are in no [[log]]")
        return logs

    def _first_stamp_s(self, truths):
        """What time stamps are counted from: the first one of the first log that has any."""
        for sheet in self.shoot.logs:
            clock = clock_of(sheet, truths[sheet.file.name])
            if sheet.time_unit == "iso8601" and clock is not None:
                return float(clock.t_s[0])
        return 0.0

    def _log(self, number, sheet, log, truth):
        entry, file = f"log[{number}]", truth.log.file
        allowed, leaves_open = CLAIMS[truth.log.body]
        if sheet.attitude_of not in allowed:
            what = "is left open" if sheet.attitude_of in leaves_open else f"claims {sheet.attitude_of}"
            self.fault(f"{entry}.attitude_of", f"{file}: {what}, and is the {truth.log.body}'s")
        off = misread(sheet, log, truth, self._epoch_s)
        if off:
            self._blame(entry, sheet, truth, off)
        if sheet.powered_on_s is not None and sheet.powered_on_s > log.table["t_s"].iloc[0] + 1:
            self.fault(f"{entry}.powered_on_s", f"{sheet.powered_on_s:g} is after the first row")
        carried = {"accelerometer": truth.log.accelerometer, "gyro": truth.log.gyro}
        carried["temperature_c"] = truth.log.temperature
        for key, there in carried.items():
            if there:
                self.sensors.append((key, getattr(sheet, key) is not None))
                if getattr(sheet, key) is None:
                    self.notes.append(f"{file}: {key} is left out")

    def _blame(self, entry, sheet, truth, off):
        for name, what in blamed(sheet, truth, off, self._epoch_s):
            open_here = (name in SIGN_OF or name == "angle_order") and not self._tellable(name, truth)
            if open_here and self.marks.marked(f"{entry}.{name}"):
                self.notes.append(f"{truth.log.file}: {name} cannot be told here, and is marked")
            else:
                self.fault(f"{entry}.{name}", what)

    def _tellable(self, key, truth):
        """Whether the footage that this log covers can tell an entry."""
        for clip in self.truth.clips:
            if clip.flight != truth.log.flight or truth.log.body not in ("camera_sensor", "gimbal_frame"):
                continue
            t_s = np.arange(clip.from_s[0], clip.to_s, 0.1)
            t_s = t_s[(t_s >= truth.flight_t_s[0]) & (t_s <= truth.flight_t_s[-1])]
            if not t_s.size:
                continue
            angles = body_angles_deg(truth.log.flight, truth.log.body, t_s)
            if key == "angle_order":
                roll, pitch = np.radians(angles[:, 0]), np.radians(angles[:, 1])
                apart = np.degrees(np.arctan(np.tan(roll) / np.cos(pitch)) - np.arctan(np.tan(roll)))
                if np.abs(apart).max() > ORDERS_APART_DEG:
                    return True
            elif np.ptp(angles[:, SIGN_OF[key]]) > MOVES_DEG:
                return True
        return False

    # --- clocks -----------------------------------------------------------------------------------------

    def _clocks(self, logs):
        """Lay the clips against the logs as check does, with the truth for what it measures."""
        if not logs:
            return
        order = [file.name for clip in self.shoot.clips for file in clip.files]
        tracks = {
            track.clip: track
            for clip in self.truth.clips
            for track in true_tracks(clip, self.truth.path, self.shoot)
        }
        try:
            clocks = settle([tracks[name] for name in order], logs, self.shoot).clocks
        except ClockError as error:
            if all(sheet.attitude_of in OTHER_BODIES for sheet in self.shoot.logs):
                return  # check compares no picture with another body, and needs no clock
            named = next((name for name in order if name in str(error)), order[0])
            self.misplaced(named, f"check would refuse: {error}")
            return
        for clock in clocks:
            self._clock(clock)

    def _clock(self, fit):
        clip = next(clip for clip in self.truth.clips if fit.clip in clip.files)
        at_s = clip.from_s[clip.files.index(fit.clip)]
        homes = {t.log.file: t for t in self.truth.logs if t.log.flight == clip.flight}
        truth = homes.get(fit.log)
        inside = truth is not None and truth.flight_t_s[0] - 1 <= at_s + 2 <= truth.flight_t_s[-1]
        if not inside or (truth.log.role == "spare" and len(homes) > 1):
            self.misplaced(fit.clip, f"{fit.clip} is laid against {fit.log}, which is not its log")
            return
        if fit.how == NOT_NEEDED:
            if np.ptp(body_angles_deg(clip.flight, truth.log.body, truth.flight_t_s), axis=0).max() > 1:
                self.misplaced(fit.clip, f"{fit.clip} has no place in {fit.log}")
            return
        clock = clock_of(self.shoot.logs[fit.log_index], truth)
        if clock is None:  # a fault of that log already
            return
        epoch_s = self._epoch_s if clock.unit == "iso8601" else 0.0
        right_s = clock.start_s + clock.rate * (at_s + truth.late_s) - epoch_s
        still = np.ptp(truth_at(flown(clip.flight).flight, np.linspace(at_s, clip.to_s, 50))[ANGLES], axis=0)
        allowed = CLOCK_OFF_S if still.max() > MOVES_DEG else UNTESTED_OFF_S
        if truth.log.body not in ("camera_sensor", "gimbal_frame"):
            allowed = OTHER_BODY_OFF_S
        if abs(fit.offset_s - right_s) > allowed + truth.loose_s:
            what = f"begins at log time {fit.offset_s:.2f} s ({fit.how}), truly {right_s:.2f} s"
            self.misplaced(fit.clip, f"{fit.clip} {what}")


def _clip_number(shoot, name):
    return next(k for k, clip in enumerate(shoot.clips, 1) if any(file.name == name for file in clip.files))


def _shots(clip):
    """Shots of a take, by the plan it was filmed from."""
    shots = flown(clip.flight).flight.shots
    inside = shots[(shots["from_s"] < clip.to_s - 0.5) & (shots["to_s"] > clip.from_s[0] + 0.5)]
    return set(inside["shot"])
