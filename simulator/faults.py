"""Faults that a rig file asks for: when they strike, and what they do to positions and sensors.

A fault changes what the valves really do, what the sensors really say, or what the person really
does; the plant's formulas know nothing of it.
"""

import math
from collections.abc import Iterable
from typing import NamedTuple

from sequencer.config import CONTACT_ROLES, PRESSURE_ROLES, TEMPERATURE_ROLES
from sequencer.units import CONDUCTANCE, DIFFERENCE, PRESSURE, Kind
from simulator.values import Actuation

ANALOGUE_ROLES = PRESSURE_ROLES + TEMPERATURE_ROLES
HEATER_STUCK_SHARE = 1.0
CONTROLLER_BURNT_OUT_K = 1000.0
"""What a controller reads too much when its own thermocouple is open."""


class FaultKind(NamedTuple):
    """What a fault needs: a role (one of ``roles``, the first by default), a size in a unit."""

    roles: tuple[str, ...] = ()
    size: Kind | None = None
    usual: float = 0.0


KINDS: dict[str, FaultKind] = {
    "supply_stuck_open": FaultKind(),
    "supply_stuck_shut": FaultKind(),
    "isolation_stuck_open": FaultKind(),
    "isolation_stuck_shut": FaultKind(),
    "vent_stuck_shut": FaultKind(),
    "vent_stuck_open": FaultKind(),
    "supply_leak": FaultKind(size=CONDUCTANCE, usual=1e-10),
    "isolation_leak": FaultKind(size=CONDUCTANCE, usual=1e-10),
    "film_leak": FaultKind(size=CONDUCTANCE, usual=2e-10),
    "clamp_leak": FaultKind(size=CONDUCTANCE, usual=1e-9),
    "clamp_air_lost": FaultKind(),
    "clamp_stuck": FaultKind(),
    "regulator_creep": FaultKind(size=CONDUCTANCE, usual=1e-11),
    "sensor_frozen": FaultKind(roles=ANALOGUE_ROLES + CONTACT_ROLES),
    "sensor_bad": FaultKind(roles=ANALOGUE_ROLES + CONTACT_ROLES),
    "sensor_offset": FaultKind(roles=ANALOGUE_ROLES, size=DIFFERENCE, usual=math.nan),
    "thermocouple_open": FaultKind(roles=TEMPERATURE_ROLES),
    "heater_stuck_on": FaultKind(),
    "heater_open": FaultKind(),
    "emergency_stop": FaultKind(),
    "guard_open": FaultKind(),
    "logic_power_lost": FaultKind(),
    "bottle_low": FaultKind(size=PRESSURE, usual=400 * 6894.757),
    "person_silent": FaultKind(),
    "link_lost": FaultKind(),
}


def size_kind(kind: str, role: str) -> Kind | None:
    """Return the quantity that a fault's size is, None where it has none."""
    if kind == "sensor_offset" and role in PRESSURE_ROLES:
        return PRESSURE
    return KINDS[kind].size


class Fault(NamedTuple):
    """One fault: from and until when, counted in simulated time from the first scan."""

    kind: str
    role: str
    size: float
    from_ns: int
    until_ns: int | None


def misled(actuation: Actuation, faults: Iterable[Fault], *, three_way: bool) -> Actuation:
    """Return what really happens to the plant for what it was told, under the active faults.

    A stuck spool of a three-way valve moves both of its paths.
    """
    for fault in faults:
        match fault.kind:
            case "supply_stuck_open":
                actuation = actuation._replace(supply=1.0)
                if three_way:
                    actuation = actuation._replace(vent=0.0)
            case "supply_stuck_shut":
                actuation = actuation._replace(supply=0.0)
                if three_way:
                    actuation = actuation._replace(vent=1.0)
            case "isolation_stuck_open":
                actuation = actuation._replace(isolation=1.0)
            case "isolation_stuck_shut":
                actuation = actuation._replace(isolation=0.0)
            case "vent_stuck_shut":
                actuation = actuation._replace(vent=0.0)
            case "vent_stuck_open":
                actuation = actuation._replace(vent=1.0)
            case "supply_leak":
                actuation = actuation._replace(supply_leak_conductance=fault.size)
            case "isolation_leak":
                actuation = actuation._replace(isolation_leak_conductance=fault.size)
            case "film_leak":
                actuation = actuation._replace(film_leak_conductance=fault.size)
            case "clamp_leak":
                actuation = actuation._replace(clamp_leak_conductance=fault.size)
            case "clamp_air_lost":
                actuation = actuation._replace(house_air_Pa=0.0)
            case "clamp_stuck":
                actuation = actuation._replace(piston_stop_m=0.0)
            case "regulator_creep":
                actuation = actuation._replace(regulator_creep_conductance=fault.size)
            case "heater_stuck_on":
                actuation = actuation._replace(heater_stuck=HEATER_STUCK_SHARE)
            case "heater_open":
                actuation = actuation._replace(heater_broken=1.0)
            case "thermocouple_open" if fault.role == "head_temperature":
                # The controller reads the same thermocouple, and sees far too much.
                actuation = actuation._replace(head_sensor_offset_K=CONTROLLER_BURNT_OUT_K)
            case "sensor_offset" if fault.role == "head_temperature":
                actuation = actuation._replace(head_sensor_offset_K=fault.size)
            case _:
                pass
    return actuation


def struck(faults: tuple[Fault, ...], kind: str) -> bool:
    """Tell whether a fault of this kind is active."""
    # Asked for every contact of every scan, nearly always without any fault.
    return bool(faults) and any(fault.kind == kind for fault in faults)
