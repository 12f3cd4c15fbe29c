"""How a log is declared: its clocks, columns, units, signs, layout and damage, as data."""

from dataclasses import dataclass, field

__all__ = ["Angles", "Clock", "Damage", "Layout", "Log", "Quaternion", "Vector"]


@dataclass(frozen=True)
class Clock:
    """kind : s | ms | us | us32 (runs over) | stamp (one column) | date_time (two).

    start_s : what a counter reads at flight time 0; stamps follow the shoot's clock, ``ahead_s`` before it
    and in a zone ``zone_h`` east of UTC, of which the text says ``suffix``.
    """

    names: tuple[str, ...]
    kind: str = "s"
    start_s: float = 0.0
    decimals: int = 3
    ppm: float = 0.0
    ahead_s: float = 0.0
    zone_h: float = 0.0
    suffix: str = ""
    unit: str = ""


@dataclass(frozen=True)
class Angles:
    """Names of roll, pitch, yaw (yaw may be ""). unit : deg | rad | degrees per count, then integers.

    signs : of roll, pitch, yaw against ours. yaw : half (+-180) | full (0 to 360) | unbounded.
    order : as the sheet says it. columns : order of the columns.
    """

    names: tuple[str, str, str]
    unit: str | float = "deg"
    decimals: int = 2
    signs: str = "+++"
    order: str = "yaw_pitch_roll"
    columns: str = "rpy"
    yaw: str = "half"
    yaw_from_power_on: bool = False
    yaw_drift_dpm: float = 0.0
    unit_text: str = "deg"


@dataclass(frozen=True)
class Quaternion:
    """names : of w, x, y, z; columns : order of the columns. of : as the sheet says it."""

    names: tuple[str, str, str, str]
    columns: str = "wxyz"
    of: str = "body_to_ned"
    decimals: int = 5


@dataclass(frozen=True)
class Vector:
    """Three columns along the board's x, y, z. axes : the board's axes along camera right, down, forward.

    per_unit : what is written for one g, or one deg/s; integers where ``decimals`` is 0.
    """

    names: tuple[str, str, str]
    unit: str | float
    per_unit: float
    decimals: int = 4
    axes: tuple[str, str, str] = ("y", "z", "x")
    sign: int = 1
    unit_text: str = ""


@dataclass(frozen=True)
class Layout:
    """Separator, what stands above the numbers, and whether rows of other kinds are mixed in."""

    separator: str = ","
    decimal_comma: bool = False
    preamble: tuple[str, ...] = ()
    units: str = ""  # "" | brackets | row
    mark: str = ""  # before the header
    kind: str = ""  # name in the first field of the attitude's rows
    other_kinds: tuple[str, ...] = ()
    newline: str = "\n"


@dataclass(frozen=True)
class Damage:
    """What is missing. Share of rows (in short runs) whose attitude is ``written`` instead of measured."""

    zeros_s: float = 0.0
    frozen_s: float = 0.0
    written: str | None = None
    share: float = 0.02
    torn: bool = False
    gaps_s: tuple[float, ...] = ()
    restart_at_s: float | None = None


@dataclass(frozen=True)
class Log:
    """One log file. Times are of the flight; ``beside``: other bodies' angles in columns of the same rows;
    ``target``: names of commanded angles beside the measured ones; ``extra``: name -> what else is logged.
    """

    file: str
    flight: str
    clocks: tuple[Clock, ...]
    attitude: Angles | Quaternion
    body: str = "camera_sensor"
    rate_hz: float = 50.0
    from_s: float = 0.0
    to_s: float | None = None
    beside: tuple[tuple[str, Angles], ...] = ()
    target: tuple[str, ...] = ()
    accelerometer: Vector | None = None
    gyro: Vector | None = None
    temperature: str = ""
    velocity: tuple[str, ...] = ()
    extra: dict[str, str] = field(default_factory=dict)
    layout: Layout = field(default_factory=Layout)
    damage: Damage = field(default_factory=Damage)
    held: int = 1
    burst: int = 1
    delay_s: float = 0.0
    role: str = "wanted"  # wanted | spare (another body's, may be left out) | unusable
