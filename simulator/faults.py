"""The faults that can be asked for: what each needs, and when it strikes.

A fault changes what the valves really do, what the sensors really say, or what the person really
does; the plant's formulas know nothing of it. What a fault does stands in `breakage` (plant and
coils), `lies` (sensors), `person` and `driver` (link).
"""

import math
from typing import NamedTuple

from sequencer.config import (
    CLAMP_ROLES,
    CONTACT_ROLES,
    PRESSURE_ROLES,
    TEMPERATURE_ROLES,
    VALVE_ROLES,
)
from sequencer.units import (
    CONDUCTANCE,
    DIFFERENCE,
    PRESSURE,
    PRESSURE_RATE,
    RATE,
    TIME,
    Kind,
    PSI_Pa,
)

ANALOGUE_ROLES = PRESSURE_ROLES + TEMPERATURE_ROLES
MOVED_ROLES = (*VALVE_ROLES, "clamp")
COIL_ROLES = (*VALVE_ROLES, *CLAMP_ROLES, "heater", "coolant")


class FaultKind(NamedTuple):
    """What a fault needs: a role (one of ``roles``, the first by default), a size in a unit."""

    roles: tuple[str, ...] = ()
    size: Kind | None = None
    usual: float = 0.0


_SENSOR = FaultKind(roles=ANALOGUE_ROLES + CONTACT_ROLES)
_ANALOGUE = FaultKind(roles=ANALOGUE_ROLES)
_SIZED = FaultKind(roles=ANALOGUE_ROLES, size=DIFFERENCE, usual=math.nan)
_CONTACT = FaultKind(roles=CONTACT_ROLES)
_VALVE = FaultKind(roles=MOVED_ROLES)
_THERMOCOUPLE = FaultKind(roles=TEMPERATURE_ROLES)
_PRESSURE = FaultKind(roles=PRESSURE_ROLES)

KINDS: dict[str, FaultKind] = {
    # Valves.
    "supply_stuck_open": FaultKind(),
    "supply_stuck_shut": FaultKind(),
    "isolation_stuck_open": FaultKind(),
    "isolation_stuck_shut": FaultKind(),
    "vent_stuck_shut": FaultKind(),
    "vent_stuck_open": FaultKind(),
    "valve_stuck": _VALVE,  # where it stands when the fault strikes
    "valve_slow": FaultKind(roles=MOVED_ROLES, size=TIME, usual=2.0),
    "valve_chatter": FaultKind(roles=VALVE_ROLES),
    "supply_leak": FaultKind(size=CONDUCTANCE, usual=1e-10),
    "isolation_leak": FaultKind(size=CONDUCTANCE, usual=1e-10),
    "vent_leak": FaultKind(size=CONDUCTANCE, usual=1e-10),
    "vent_blocked": FaultKind(),
    "vent_choked": FaultKind(),
    # Nitrogen.
    "regulator_creep": FaultKind(size=CONDUCTANCE, usual=1e-11),
    "regulator_high": FaultKind(size=PRESSURE, usual=60 * PSI_Pa),
    "regulator_low": FaultKind(size=PRESSURE, usual=60 * PSI_Pa),
    "bottle_low": FaultKind(size=PRESSURE, usual=400 * PSI_Pa),
    "bottle_empty": FaultKind(),
    "bottle_changed": FaultKind(size=PRESSURE, usual=2200 * PSI_Pa),
    # Film.
    "film_leak": FaultKind(size=CONDUCTANCE, usual=2e-10),
    "film_pinhole": FaultKind(),
    "film_edge_leak": FaultKind(),
    "film_burst": FaultKind(),
    "film_missing": FaultKind(),
    # Clamp and house air.
    "clamp_leak": FaultKind(size=CONDUCTANCE, usual=1e-9),
    "clamp_air_lost": FaultKind(),
    "air_low": FaultKind(size=PRESSURE, usual=70 * PSI_Pa),
    "air_returns": FaultKind(),
    "clamp_stuck": FaultKind(),
    "clamp_dropped": FaultKind(),
    "clamp_stuck_applied": FaultKind(),
    # Heat.
    "heater_stuck_on": FaultKind(),
    "heater_open": FaultKind(),
    "controller_moved": FaultKind(size=DIFFERENCE, usual=30.0),
    "coolant_lost": FaultKind(),
    "thermocouple_open": _THERMOCOUPLE,
    "thermocouple_shorted": _THERMOCOUPLE,
    "thermocouple_reversed": _THERMOCOUPLE,
    "thermocouple_loose": _THERMOCOUPLE,
    "thermocouple_wrong_type": _THERMOCOUPLE,
    # Sensors.
    "sensor_frozen": _SENSOR,
    "sensor_bad": _SENSOR,
    "sensor_offset": _SIZED,
    "sensor_spike": _SIZED,
    "sensor_noise": _SIZED,
    "sensor_drift": _SIZED,
    "sensor_slow": FaultKind(roles=ANALOGUE_ROLES, size=TIME, usual=2.0),
    "sensor_delayed": FaultKind(roles=ANALOGUE_ROLES, size=TIME, usual=1.0),
    "sensor_stale": _ANALOGUE,
    "sensor_stuck_low": _ANALOGUE,
    "sensor_stuck_high": _ANALOGUE,
    "sensor_wrong_unit": _PRESSURE,
    "sensors_swapped": _PRESSURE,
    "loop_open": _PRESSURE,
    "loop_shorted": _PRESSURE,
    "contact_open": _CONTACT,
    "contact_closed": _CONTACT,
    "contact_chatter": _CONTACT,
    # Power, outputs and link.
    "emergency_stop": FaultKind(),
    "guard_open": FaultKind(),
    "logic_power_lost": FaultKind(),
    "brown_out": FaultKind(),
    "fuse_blown": FaultKind(roles=COIL_ROLES),
    "output_stuck_on": FaultKind(roles=COIL_ROLES),
    "read_back_frozen": FaultKind(),
    "link_lost": FaultKind(),
    "link_late": FaultKind(size=TIME, usual=0.5),
    "link_garbage": FaultKind(),
    "scan_repeated": FaultKind(),
    # People.
    "person_silent": FaultKind(),
    "person_wrong_number": FaultKind(),
    "person_hasty": FaultKind(),
    "person_contrary": FaultKind(),
}


class Fault(NamedTuple):
    """One fault: from and until when, counted from the first scan, or from a step's first.

    ``after`` names that step, with a stage behind a slash or without; empty for the first scan.
    """

    kind: str
    role: str
    size: float
    from_ns: int
    until_ns: int | None
    after: str = ""

    def struck_at(self, zero_ns: int) -> "Fault":
        """Return the fault with its times on the bench's clock."""
        until_ns = None if self.until_ns is None else zero_ns + self.until_ns
        return self._replace(from_ns=zero_ns + self.from_ns, until_ns=until_ns, after="")


def size_kind(kind: str, role: str) -> Kind | None:
    """Return the quantity that a fault's size is, None where it has none."""
    if kind == "sensor_drift":
        return PRESSURE_RATE if role in PRESSURE_ROLES else RATE
    if KINDS[kind] is _SIZED and role in PRESSURE_ROLES:
        return PRESSURE
    return KINDS[kind].size


def struck(faults: tuple[Fault, ...], kind: str) -> bool:
    """Tell whether a fault of this kind is active."""
    # Asked for every contact of every scan, nearly always without any fault.
    return bool(faults) and any(fault.kind == kind for fault in faults)


class Pulses(NamedTuple):
    """A fault that comes and goes: which, how long, how often, and for how long at most."""

    kind: str
    on_ns: int
    every_ns: int
    longest_ns: int


PULSED: dict[str, Pulses] = {
    "valve_chatter": Pulses("stuck_shut", 60_000_000, 120_000_000, 10_000_000_000),
    "contact_chatter": Pulses("contact_open", 40_000_000, 100_000_000, 10_000_000_000),
    "brown_out": Pulses("logic_power_lost", 40_000_000, 100_000_000, 10_000_000_000),
    "sensor_spike": Pulses("sensor_offset", 20_000_000, 1_000_000_000, 1),
    "air_returns": Pulses("clamp_air_lost", 2_000_000_000, 4_000_000_000, 1),
}
"""A longest time of 1 ns means once. Chattering for ever stops after ten seconds: by then whatever
can be seen of it has been."""


def parts(fault: Fault) -> tuple[Fault, ...]:
    """Return what a fault really is: itself, or the pulses that it comes in."""
    pulses = PULSED.get(fault.kind)
    if pulses is None:
        return (fault,)
    kind = pulses.kind
    if kind == "stuck_shut":
        kind = f"{fault.role.removeprefix('film_')}_{kind}"
    last_ns = fault.from_ns + pulses.longest_ns
    if fault.until_ns is not None:
        last_ns = min(last_ns, fault.until_ns)
    return tuple(
        fault._replace(kind=kind, from_ns=at_ns, until_ns=at_ns + pulses.on_ns)
        for at_ns in range(fault.from_ns, last_ns, pulses.every_ns)
    )
