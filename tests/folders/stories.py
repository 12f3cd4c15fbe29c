"""The thirty folders: which takes, under which names, with which logs, each in a bundle of habits.

Places, rigs and loggers are invented; names of columns follow no maker's.
"""

import datetime as dt
from dataclasses import dataclass, field

from .loggers import Angles, Clock, Damage, Layout, Log, Quaternion, Vector

__all__ = ["STORIES", "Clip", "Story"]


@dataclass(frozen=True)
class Clip:
    """A take and its files. created : what the creation time means: start | end | unset (a clock never set) |
    "" (the file has none). zone_h : of a camera that writes local time as if it were UTC.
    """

    flight: str
    take: str
    files: tuple[str, ...]
    created: str = "start"
    zone_h: float = 0.0
    turned: bool = False


@dataclass(frozen=True)
class Story:
    """One folder. began : UTC of each flight's time 0. strays : file -> kind. kept_times : whether the copies
    kept the times at which files were last written.
    """

    name: str
    clips: tuple[Clip, ...]
    logs: tuple[Log, ...]
    began: dict[str, dt.datetime] = field(default_factory=dict)
    strays: dict[str, str] = field(default_factory=dict)
    kept_times: bool = True


def _at(month, day, hour, minute, second=0.0):
    return dt.datetime(2026, month, day, hour, minute) + dt.timedelta(seconds=second)


RPY = ("roll", "pitch", "yaw")
ACCEL, GYRO = ("ax", "ay", "az"), ("gx", "gy", "gz")
TURN_16BIT = 360 / 65536

STORIES = (
    Story(
        "harbour_wall_morning",
        (Clip("quay", "arrival", ("wall_arrival.mp4",)),),
        (
            Log(
                "attitude_wall.csv",
                "quay",
                (Clock(("t",), start_s=41.3),),
                Angles(RPY, decimals=2),
                accelerometer=Vector(ACCEL, "g", 1.0, unit_text="g"),
                gyro=Vector(GYRO, "deg/s", 1.0, 2, unit_text="deg/s"),
                temperature="temp",
                layout=Layout(
                    preamble=("bench logger 2, hand-built rig Dunlin", "card 7, rate 50"), units="brackets"
                ),
            ),
        ),
        {"quay": _at(4, 18, 6, 12, 7.4)},
    ),
    Story(
        "breakwater_two_clips",
        (Clip("quay", "arrival", ("b_01.mp4",)), Clip("quay", "still", ("b_02.mp4",))),
        (
            Log(
                "sensor.csv",
                "quay",
                (Clock(("millis",), "ms", start_s=183.0, ppm=35.0),),
                Angles(("r", "p", "y"), decimals=1, signs="+-+", yaw_from_power_on=True),
                rate_hz=25.0,
                extra={"batt": "volts"},
                layout=Layout(separator=";", decimal_comma=True),
            ),
        ),
        {"quay": _at(5, 2, 15, 44, 31.2)},
    ),
    Story(
        "lighthouse_hill",
        (Clip("jetty", "sweep", ("hill.mp4",)),),
        (
            Log(
                "hill_run3.txt",
                "jetty",
                (Clock(("timestamp",), "us32", start_s=4294.967296 - 37.0),),
                Angles(("phi", "theta", "psi"), "rad", 5, unit_text="rad"),
                rate_hz=100.0,
                gyro=Vector(("p", "q", "r"), "rad/s", 3.141592653589793 / 180, 5, unit_text="rad/s"),
                layout=Layout(separator="\t", units="row"),
            ),
        ),
        {"jetty": _at(5, 9, 9, 3)},
    ),
    Story(
        "ferry_pier",
        (Clip("glance", "glance", ("pier take.mov",), created="end"),),
        (
            Log(
                "pier orientation.csv",
                "glance",
                (Clock(("elapsed",), start_s=0.0, decimals=4),),
                Quaternion(("q0", "q1", "q2", "q3")),
                rate_hz=100.0,
                accelerometer=Vector(ACCEL, "m/s2", 9.80665, 3, axes=("x", "y", "z"), unit_text="m/s2"),
                extra={"sample": "row"},
                layout=Layout(units="brackets"),
            ),
        ),
        {"glance": _at(5, 10, 17, 20, 12.0)},
    ),
    Story(
        "dune_path",
        (Clip("reach", "reach", ("dune_reach.mp4",)),),
        (
            Log(
                "stab_log.csv",
                "reach",
                (Clock(("time",), "ms", start_s=12.8),),
                Angles(("roll", "tilt", "pan"), 0.01, columns="yrp", order="yaw_roll_pitch", signs="+-+"),
                rate_hz=40.0,
                gyro=Vector(GYRO, 16.4, 16.4, 0, axes=("y", "-x", "z")),
                accelerometer=Vector(ACCEL, 16384.0, 16384.0, 0, axes=("y", "-x", "z")),
            ),
        ),
        {"reach": _at(5, 16, 11, 30)},
    ),
    Story(
        "mole_end",
        (Clip("quay", "arrival", ("mole_a.mp4",)), Clip("quay", "over", ("mole_b.mp4",))),
        (
            Log(
                "mole.csv",
                "quay",
                (Clock(("time",), start_s=906.25),),
                Quaternion(("qw", "qx", "qy", "qz"), columns="xyzw", of="body_to_enu", decimals=4),
                rate_hz=50.0,
                damage=Damage(written="", share=0.02),
            ),
        ),
        {"quay": _at(5, 17, 8, 1, 40)},
    ),
    Story(
        "cliff_edge_circles",
        (Clip("circles", "circles", ("circles.mp4",)),),
        (
            Log(
                "telemetry_cliff.csv",
                "circles",
                (Clock(("utc",), "stamp", suffix="Z", decimals=2),),
                Angles(("cam_roll", "cam_pitch", "cam_yaw"), decimals=2),
                rate_hz=10.0,
                beside=(("airframe", Angles(("veh_roll", "veh_pitch", "veh_yaw"), decimals=2)),),
                velocity=("vn", "ve"),
                extra={"height": "height", "sats": "satellites", "mode": "state"},
            ),
        ),
        {"circles": _at(5, 23, 10, 15, 3.37)},
    ),
    Story(
        "sand_bar",
        (Clip("circles", "circles", ("sandbar.mp4",), created="end"),),
        (
            Log(
                "flight_0523.csv",
                "circles",
                (Clock(("time",), "stamp", suffix="Z", decimals=3),),
                Angles(("roll", "pitch", "heading"), decimals=1, yaw="full"),
                body="airframe",
                rate_hz=5.0,
                extra={"alt": "height", "volt": "volts"},
                layout=Layout(units="row"),
            ),
        ),
        {"circles": _at(5, 23, 12, 40)},
    ),
    Story(
        "mussel_beds",
        (Clip("circles", "circles", ("mussels.mp4",)),),
        (
            Log(
                "motors.csv",
                "circles",
                (Clock(("t_ms",), "ms", start_s=77.0),),
                Angles(("joint_roll", "joint_tilt", "joint_pan"), decimals=2),
                body="joints",
                rate_hz=20.0,
                extra={"motor_current": "current"},
            ),
        ),
        {"circles": _at(5, 24, 7, 50)},
    ),
    Story(
        "fog_signal",
        (Clip("jetty", "sweep", ("fog_signal.mp4",)),),
        (
            Log(
                "stick.csv",
                "jetty",
                (Clock(("elapsed_s",), start_s=3.5, decimals=2),),
                Angles(("roll", "tilt", "pan"), decimals=1),
                body="commanded",
                rate_hz=10.0,
            ),
        ),
        {"jetty": _at(5, 30, 16, 5)},
    ),
    Story(
        "oyster_quay",
        (Clip("jetty", "sweep", ("oyster_1.mp4",)), Clip("jetty", "nod", ("oyster_2.mp4",))),
        (
            Log(
                "oyster.csv",
                "jetty",
                (Clock(("time",), start_s=22.0, decimals=2, unit="s"),),
                Angles(RPY, decimals=1, signs="+-+"),
                rate_hz=20.0,
                target=("roll_target", "pitch_set", "yaw_cmd"),
                damage=Damage(gaps_s=(1.6,)),
                layout=Layout(units="brackets"),
            ),
        ),
        {"jetty": _at(6, 6, 6, 33, 20)},
    ),
    Story(
        "north_jetty_cold",
        (Clip("crossing", "crossing", ("north_0007.mp4", "north_0008.mp4", "north_0009.mp4")),),
        (
            Log(
                "raw_north.csv",
                "crossing",
                (Clock(("time_us",), "us", start_s=61.0),),
                Angles(("roll", "pitch", "yaw"), 0.001),
                rate_hz=200.0,
                gyro=Vector(GYRO, 65.5, 65.5, 0, axes=("-z", "y", "x")),
                accelerometer=Vector(ACCEL, 8192.0, 8192.0, 0, axes=("-z", "y", "x")),
                temperature="temp_c",
                delay_s=0.03,
            ),
        ),
        {"crossing": _at(6, 7, 5, 10, 44)},
    ),
    Story(
        "salt_works",
        (Clip("quay", "arrival", ("salt_a.mp4",)), Clip("jetty", "sweep", ("salt_b.mp4",))),
        (
            Log(
                "pack1.csv",
                "quay",
                (Clock(("millis",), "ms"),),
                Angles(("gimbal.roll", "gimbal.pitch", "gimbal.yaw"), TURN_16BIT),
                rate_hz=30.0,
                extra={"pack.volt": "volts"},
            ),
            Log(
                "pack2.csv",
                "jetty",
                (Clock(("millis",), "ms"),),
                Angles(("gimbal.roll", "gimbal.pitch", "gimbal.yaw"), TURN_16BIT),
                rate_hz=30.0,
                extra={"pack.volt": "volts"},
            ),
        ),
        {"quay": _at(6, 13, 13, 0), "jetty": _at(6, 13, 13, 19, 30)},
    ),
    Story(
        "reed_bank",
        (Clip("jetty", "nod", ("reed_nod.mp4",)),),
        (),
        {"jetty": _at(6, 14, 18, 40)},
        {
            "frames.csv": "own frames",
            "notes.txt": "notes",
            "reed_nod.jpg": "thumbnail",
            "result.json": "own result",
        },
    ),
    Story(
        "tide_gauge",
        (Clip("glance", "glance", ("tide.mp4",)),),
        (
            Log(
                "events.csv",
                "glance",
                (Clock(("time",), start_s=5.0),),
                Angles(("", "", "")),
                rate_hz=1.0,
                extra={"battery": "percent", "volts": "volts", "sats": "satellites", "state": "state"},
                role="unusable",
            ),
        ),
        {"glance": _at(6, 20, 8, 8, 8)},
    ),
    Story(
        "old_slipway",
        (Clip("quay", "arrival", ("slipway.mp4",)),),
        (
            Log(
                "slipway_log.csv",
                "quay",
                (Clock(("ms",), "ms", start_s=150.0),),
                Angles(RPY, decimals=2),
                rate_hz=20.0,
                damage=Damage(restart_at_s=21.0),
                role="unusable",
            ),
        ),
        {"quay": _at(6, 21, 15, 0)},
    ),
    Story(
        "gull_rock",
        (Clip("glance", "glance", ("gull_rock.mp4",)),),
        (
            Log(
                "gull.log.txt",
                "glance",
                (Clock(("ms",), "ms", start_s=2.0),),
                Angles(("frame_roll", "frame_pitch", "frame_yaw"), decimals=2),
                body="gimbal_frame",
                rate_hz=25.0,
                damage=Damage(zeros_s=4.0),
                layout=Layout(kind="POSE", other_kinds=("POWER", "LINK")),
            ),
        ),
        {"glance": _at(6, 27, 7, 7)},
    ),
    Story(
        "inlet_bridge",
        (Clip("jetty", "sweep", ("bridge_east.mp4",)), Clip("jetty", "nod", ("bridge_west.mp4",))),
        (
            Log(
                "bridge.csv",
                "jetty",
                (Clock(("date", "time"), "date_time", zone_h=2.0, decimals=3),),
                Angles(("roll_deg", "pitch_deg", "heading_deg"), decimals=2, yaw="full"),
                rate_hz=20.0,
                damage=Damage(written="NaN", share=0.015),
                extra={"load": "percent"},
            ),
        ),
        {"jetty": _at(7, 4, 9, 59, 50.0)},
    ),
    Story(
        "weir_meadow",
        (Clip("jetty", "sweep", ("weir.mp4",)),),
        (
            Log(
                "weir_nav.csv",
                "jetty",
                (Clock(("sat_time",), "stamp", ahead_s=18.0, decimals=3),),
                Angles(("roll", "tilt", "pan"), decimals=2, signs="+-+"),
                rate_hz=50.0,
                held=5,
                extra={"n": "row", "sats": "satellites"},
            ),
        ),
        {"jetty": _at(7, 5, 14, 22, 0.6)},
    ),
    Story(
        "lock_gate",
        (Clip("glance", "glance", ("gate.mp4",), created="end"),),
        (
            Log(
                "gate_telemetry.csv",
                "glance",
                (Clock(("timestamp",), "stamp", suffix="Z", decimals=0),),
                Angles(RPY, decimals=2, signs="--+"),
                rate_hz=4.0,
                damage=Damage(written="9999", share=0.02),
                extra={"battery": "percent"},
            ),
        ),
        {"glance": _at(7, 11, 10, 30, 17)},
    ),
    Story(
        "kelp_bay",
        (
            Clip("quay", "arrival", ("kelp1.mp4",), created="unset"),
            Clip("quay", "over", ("kelp2.mp4",), created="unset"),
        ),
        (
            Log(
                "kelp.csv",
                "quay",
                (Clock(("timestamp",), "stamp", suffix="Z", decimals=3),),
                Angles(("sensor_roll", "sensor_pitch", "sensor_yaw"), decimals=2),
                rate_hz=50.0,
                burst=10,
            ),
        ),
        {"quay": _at(7, 12, 8, 45)},
        kept_times=False,
    ),
    Story(
        "chalk_steps",
        (Clip("quay", "arrival", ("chalk.mp4",)),),
        (
            Log(
                "chalk_raw.csv",
                "quay",
                (Clock(("t_us",), "us", start_s=318.0, ppm=90.0),),
                Angles(("roll", "pitch", "yaw"), "rad", 6),
                rate_hz=400.0,
                to_s=40.0,
                accelerometer=Vector(ACCEL, "mg", 1000.0, 1, sign=-1),
                gyro=Vector(GYRO, "deg/s", 1.0, 3),
                delay_s=0.045,
            ),
        ),
        {"quay": _at(7, 18, 6, 0, 2)},
    ),
    Story(
        "pilot_station",
        (Clip("circles", "circles", ("pilot.mp4",)),),
        (
            Log(
                "three_sensors.csv",
                "circles",
                (Clock(("t",), start_s=0.0),),
                Angles(("s3_roll", "s3_pitch", "s3_yaw"), decimals=2),
                rate_hz=20.0,
                beside=(
                    ("airframe", Angles(("s1_roll", "s1_pitch", "s1_yaw"), decimals=2)),
                    ("joints", Angles(("s2_roll", "s2_pitch", "s2_yaw"), decimals=2)),
                ),
            ),
        ),
        {"circles": _at(7, 19, 19, 2)},
    ),
    Story(
        "groyne_nine",
        (Clip("hold", "hold", ("groyne9.mp4",)),),
        (
            Log(
                "groyne9.csv",
                "hold",
                (Clock(("timestamp",), "stamp", suffix="Z", decimals=3),),
                Angles(("roll", "pitch", "yaw"), decimals=2, signs="+--"),
                rate_hz=20.0,
                damage=Damage(written="-1", share=0.02),
                layout=Layout(units="brackets"),
            ),
        ),
        {"hold": _at(7, 25, 11, 11, 11)},
    ),
    Story(
        "ice_house",
        (Clip("crossing", "crossing", ("ice_house_long.mp4",)),),
        (
            Log(
                "ice.tsv",
                "crossing",
                (Clock(("elapsed_ms",), "ms", start_s=9.0),),
                Angles(("roll", "pitch", "yaw"), 0.1, yaw="unbounded", signs="++-"),
                rate_hz=25.0,
                damage=Damage(written="32767", share=0.02, frozen_s=5.0, torn=True),
                layout=Layout(separator="\t"),
            ),
        ),
        {"crossing": _at(7, 26, 9, 40)},
    ),
    Story(
        "buoy_yard",
        (Clip("quay", "arrival", ("yard_1.mp4",)), Clip("quay", "over", ("yard_2.mp4",))),
        (
            Log(
                "yard_1.csv",
                "quay",
                (Clock(("t",), start_s=500.0, decimals=2),),
                Angles(("roll", "pitch", "yaw"), decimals=2, yaw_drift_dpm=9.0, yaw="unbounded"),
                rate_hz=30.0,
                to_s=42.0,
                temperature="imu_temp",
            ),
            Log(
                "yard_2.csv",
                "quay",
                (Clock(("t",), start_s=500.0, decimals=2),),
                Angles(("roll", "pitch", "yaw"), decimals=2, yaw_drift_dpm=9.0, yaw="unbounded"),
                rate_hz=30.0,
                from_s=55.0,
                temperature="imu_temp",
            ),
        ),
        {"quay": _at(8, 1, 16, 16)},
    ),
    Story(
        "boat_ramp",
        (Clip("circles", "circles", ("ramp_circles.mp4",)),),
        (
            Log(
                "craft.csv",
                "circles",
                (Clock(("time",), "stamp", suffix="Z", decimals=1),),
                Angles(("roll", "pitch", "yaw"), decimals=1, yaw="full"),
                body="airframe",
                rate_hz=5.0,
                velocity=("v_north", "v_east"),
                role="spare",
            ),
            Log(
                "head.csv",
                "circles",
                (Clock(("millis",), "ms", start_s=33.0),),
                Angles(("roll", "pitch", "yaw"), decimals=2, signs="+-+", yaw_from_power_on=True),
                rate_hz=50.0,
            ),
        ),
        {"circles": _at(8, 2, 10, 0, 5)},
        {"craft_battery.csv": "battery"},
    ),
    Story(
        "signal_mast",
        (
            Clip("quay", "arrival", ("mast_upright.mp4",)),
            Clip("quay", "over", ("mast_over.mp4",)),
            Clip("quay", "still", ("mast_still.mp4",)),
        ),
        (
            Log(
                "mast.csv",
                "quay",
                (Clock(("time",), "stamp", zone_h=-3.0, decimals=2), Clock(("boot_ms",), "ms", start_s=71.0)),
                Angles(("Roll", "Pitch", "Yaw"), decimals=2),
                rate_hz=20.0,
                accelerometer=Vector(
                    ("acc_x", "acc_y", "acc_z"), 4096.0, 4096.0, 0, axes=("x", "-z", "y"), sign=-1
                ),
                layout=Layout(mark="# ", units="row"),
            ),
        ),
        {"quay": _at(8, 8, 20, 30, 0.2)},
        {"notes.txt": "notes"},
    ),
    Story(
        "estuary_bend",
        (
            Clip("crossing", "crossing", ("bend_a.mp4", "bend_b.mp4"), created=""),
            Clip("quay", "arrival", ("bend_extra.mp4",), created=""),
        ),
        (
            Log(
                "bend_first.csv",
                "crossing",
                (Clock(("t",), start_s=15.0),),
                Angles(("roll", "pitch", "yaw"), decimals=3),
                rate_hz=50.0,
                accelerometer=Vector(("a_x", "a_y", "a_z"), 2048.0, 2048.0, 0, axes=("-x", "-y", "z")),
                layout=Layout(separator=" "),
            ),
            Log(
                "bend_second.csv",
                "quay",
                (Clock(("t",), start_s=4.0),),
                Angles(("roll", "pitch", "yaw"), decimals=3),
                rate_hz=50.0,
                accelerometer=Vector(("a_x", "a_y", "a_z"), 2048.0, 2048.0, 0, axes=("-x", "-y", "z")),
                layout=Layout(separator=" "),
            ),
        ),
        {"crossing": _at(8, 9, 12, 0), "quay": _at(8, 9, 12, 9, 0)},
    ),
    Story(
        "rope_walk",
        (
            Clip("quay", "return", ("rope_back.mp4",), turned=True),
            Clip("quay", "arrival", ("rope_start.mp4",)),
        ),
        (
            Log(
                "rope.csv",
                "quay",
                (Clock(("time_s",), start_s=120.0),),
                Angles(("roll", "pitch", "yaw"), decimals=2, signs="-++"),
                rate_hz=100.0,
                accelerometer=Vector(ACCEL, "g", 1.0, 4),
            ),
        ),
        {"quay": _at(8, 15, 7, 30)},
        {
            "hold_upright.csv": "bench upright",
            "hold_inverted.csv": "bench inverted",
            "rope_start.wav": "sound",
        },
    ),
)
