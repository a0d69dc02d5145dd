"""The injectors: one fault each, what it stands for, and how soon it is to be seen.

``hazard`` names rows of ``docs/hazards.md``. ``seen_s`` is the detection time that the durations
"just under" and "just over" are taken around. ``hardware`` lists the rules of `judge` that this
fault may break because no program can hold them on a rig like this one: they are listed as what
hardware must cover, never left out.
"""

from typing import Literal, NamedTuple

from sequencer.units import PSI_Pa

Where = Literal["rig", "host", "request"]
CLAMP_GONE = ("seal_lifted", "film_burst", "pressure_on_open_clamp", "pressure_on_weak_clamp")
TOO_HOT = ("head_too_hot",)


class Injector(NamedTuple):
    """One fault; ``where`` tells whether the rig, the host or a request misbehaves."""

    name: str
    kind: str
    hazard: str
    seen_s: float = 0.1
    role: str = ""
    size: float = 0.0
    where: Where = "rig"
    hardware: tuple[str, ...] = ()


def _rig(kind: str, hazard: str, seen_s: float = 0.1, role: str = "", size: float = 0.0,
         hardware: tuple[str, ...] = ()) -> Injector:  # fmt: skip
    name = f"{kind}:{role}" if role else kind
    return Injector(name, kind, hazard, seen_s, role, size, hardware=hardware)


def _host(kind: str, hazard: str) -> Injector:
    return Injector(f"host:{kind}", kind, hazard, 0.1, where="host")


def _asked(kind: str, hazard: str) -> Injector:
    return Injector(f"request:{kind}", kind, hazard, 0.1, where="request")


# fmt: off
INJECTORS: tuple[Injector, ...] = (
    _rig("supply_stuck_open", "N1", 0.5),
    _rig("supply_leak", "N1", 0.5, size=1e-10),
    _rig("isolation_stuck_open", "N2", 0.5),
    _rig("isolation_leak", "N2", 0.5, size=1e-10),
    _rig("supply_stuck_shut", "N3", 1.0),
    _rig("isolation_stuck_shut", "N3", 1.0),
    _rig("valve_stuck", "N1 N3", 0.5, "film_supply"),
    _rig("valve_slow", "N4", 0.5, "film_supply", 2.0),
    _rig("valve_chatter", "P3", 0.3, "film_supply"),
    _rig("vent_stuck_shut", "N5", 1.0),
    _rig("vent_blocked", "N6", 1.0),
    _rig("vent_choked", "N6", 1.0),
    _rig("valve_slow", "N5", 0.5, "film_vent", 2.0),
    _rig("vent_stuck_open", "N7", 1.0),
    _rig("vent_leak", "N7", 1.0, size=1e-9),
    _rig("regulator_creep", "N8", 0.3, size=1e-9),
    _rig("regulator_high", "N9", 0.3, size=60 * PSI_Pa),
    _rig("regulator_low", "N9", 0.3, size=60 * PSI_Pa),
    _rig("bottle_low", "N10", 2.0, size=150 * PSI_Pa),
    _rig("bottle_empty", "N10", 2.0),
    _rig("bottle_changed", "N11", 2.0, size=2200 * PSI_Pa),
    _rig("film_leak", "F1", 0.3, size=2e-8),
    _rig("film_pinhole", "F1", 0.3),
    _rig("film_edge_leak", "F2", 0.3),
    _rig("film_burst", "F3", 0.1, hardware=("film_burst",)),
    _rig("film_missing", "F4", 0.3),
    _rig("clamp_leak", "C3", 0.2, size=1e-7, hardware=CLAMP_GONE),
    _rig("clamp_air_lost", "C1", 0.2, hardware=CLAMP_GONE),
    _rig("air_low", "C2", 0.2, size=50 * PSI_Pa, hardware=CLAMP_GONE),
    _rig("air_returns", "C1", 0.2, hardware=CLAMP_GONE),
    _rig("clamp_dropped", "C4", 0.1, hardware=CLAMP_GONE),
    _rig("clamp_stuck", "C5", 1.0, hardware=CLAMP_GONE),
    _rig("clamp_stuck_applied", "C6", 1.0),
    _rig("heater_stuck_on", "H1", 2.0, hardware=TOO_HOT),
    _rig("heater_open", "H2", 2.0),
    _rig("controller_moved", "H3", 2.0, size=30.0, hardware=TOO_HOT),
    _rig("coolant_lost", "H4", 2.0),
    _rig("thermocouple_open", "H5", 0.3, "head_temperature"),
    _rig("thermocouple_shorted", "H5", 0.3, "head_temperature", hardware=TOO_HOT),
    _rig("thermocouple_reversed", "H5", 0.3, "head_temperature", hardware=TOO_HOT),
    _rig("thermocouple_loose", "H6", 0.3, "head_temperature", hardware=TOO_HOT),
    _rig("thermocouple_wrong_type", "H6", 0.3, "head_temperature", hardware=TOO_HOT),
    _rig("sensor_frozen", "S1", 0.3, "film_pressure"),
    _rig("sensor_frozen", "S4", 0.3, "clamp_pressure"),
    _rig("sensor_stuck_low", "S2", 0.3, "film_pressure"),
    _rig("sensor_stuck_high", "S3", 0.1, "film_pressure_2"),
    _rig("sensor_stuck_high", "S4", 0.3, "clamp_pressure"),
    _rig("sensor_offset", "S5", 0.3, "film_pressure", 20 * PSI_Pa),
    _rig("sensor_drift", "S5", 0.3, "film_pressure_2", 2 * PSI_Pa),
    _rig("sensor_noise", "S5", 0.3, "film_pressure", 5 * PSI_Pa),
    _rig("sensor_spike", "S5", 0.1, "film_pressure", 100 * PSI_Pa),
    _rig("sensor_slow", "S6", 0.3, "film_pressure", 2.0),
    _rig("sensor_delayed", "S6", 0.3, "film_pressure", 1.0),
    _rig("sensor_stale", "S6", 0.3, "film_pressure"),
    _rig("sensor_bad", "S7", 0.1, "film_pressure"),
    _rig("sensor_bad", "S7", 0.1, "head_temperature"),
    _rig("sensor_wrong_unit", "S8", 0.3, "film_pressure"),
    _rig("sensors_swapped", "S8", 0.3, "film_pressure"),
    _rig("loop_open", "S7", 0.1, "film_pressure_2"),
    _rig("loop_shorted", "S7", 0.1, "clamp_pressure"),
    _rig("contact_closed", "S9", 0.1, "guard_closed"),
    _rig("contact_closed", "S9", 0.1, "clamp_closed"),
    _rig("contact_open", "S9", 0.1, "clamp_closed"),
    _rig("contact_chatter", "S9", 0.1, "guard_closed"),
    _rig("emergency_stop", "M1", 0.1),
    _rig("guard_open", "M2", 0.1),
    _rig("logic_power_lost", "P1", 0.1),
    _rig("brown_out", "P3", 0.1),
    _rig("fuse_blown", "P2", 0.2, "film_vent"),
    _rig("fuse_blown", "P2", 0.2, "clamp_apply"),
    _rig("output_stuck_on", "P4", 0.2, "film_supply"),
    _rig("output_stuck_on", "P4", 0.2, "heater"),
    _rig("read_back_frozen", "P4", 0.2),
    _rig("link_lost", "L1", 0.1),
    _rig("link_late", "L2", 0.3, size=0.5),
    _rig("link_garbage", "L3", 0.1),
    _rig("scan_repeated", "L2", 0.3),
    _host("late", "L4"),
    _host("clock_step", "L4"),
    _host("record_failing", "L5"),
    _rig("person_silent", "M3", 1.0),
    _rig("person_wrong_number", "M4", 1.0),
    _rig("person_hasty", "M4", 1.0),
    _rig("person_contrary", "M4", 1.0),
    _asked("stop", "M5"),
    _asked("abort", "M5"),
    _asked("start", "M5"),
    _asked("release", "M5"),
)
# fmt: on
BY_NAME = {injector.name: injector for injector in INJECTORS}
