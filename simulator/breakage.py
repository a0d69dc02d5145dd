"""What faults do to the plant: to positions, leaks and pressures, and once, when they strike."""

from collections.abc import Iterable, Mapping

from sequencer.physics.nitrogen import filled_kg
from sequencer.units import PSI_Pa
from simulator.coils import Positions
from simulator.faults import Fault
from simulator.values import Actuation, PlantParams, PlantState

HEATER_STUCK_SHARE = 1.0
CONTROLLER_MISREADS_K: Mapping[str, float] = {
    "thermocouple_open": 1000.0,
    "thermocouple_shorted": -1000.0,
    "thermocouple_reversed": -1000.0,
    "thermocouple_loose": -55.0,
    "thermocouple_wrong_type": -28.0,
}
"""What a controller reads too much when its own thermocouple is at fault: burnt out it sees far
too much and stops heating, shorted or reversed far too little and never stops; loose or of the
wrong type what is missing at a head near 160 degC."""
PINHOLE = 2e-10
EDGE_LEAK = 5e-9
NO_FILM = 1e-7
CHOKED = 0.97
EMPTY_Pa = 20 * PSI_Pa
TRAVELS: Mapping[str, str] = {
    "film_supply": "supply",
    "film_isolation": "isolation",
    "film_vent": "vent",
    "clamp": "clamp_apply",
}
"""The position that each role moves."""


def misled(actuation: Actuation, faults: Iterable[Fault], *, three_way: bool) -> Actuation:
    """Return what really happens to the plant for what it was told, under the active faults.

    A stuck spool of a three-way valve moves both of its paths.
    """
    for fault in faults:
        actuation = _misled(actuation, fault, three_way=three_way)
    return actuation


def _misled(told: Actuation, fault: Fault, *, three_way: bool) -> Actuation:
    match fault.kind:
        case "supply_stuck_open":
            return told._replace(supply=1.0, vent=0.0 if three_way else told.vent)
        case "supply_stuck_shut":
            return told._replace(supply=0.0, vent=1.0 if three_way else told.vent)
        case "isolation_stuck_open":
            return told._replace(isolation=1.0)
        case "isolation_stuck_shut":
            return told._replace(isolation=0.0)
        case "vent_stuck_shut":
            return told._replace(vent=0.0)
        case "vent_stuck_open":
            return told._replace(vent=1.0)
        case "supply_leak":
            return told._replace(supply_leak_conductance=fault.size)
        case "isolation_leak":
            return told._replace(isolation_leak_conductance=fault.size)
        case "vent_leak":
            return told._replace(vent_leak_conductance=fault.size)
        case "vent_blocked":
            return told._replace(vent_blocked=1.0)
        case "vent_choked":
            return told._replace(vent_blocked=CHOKED)
        case "film_leak":
            return told._replace(film_leak_conductance=fault.size)
        case "film_pinhole":
            return told._replace(film_leak_conductance=PINHOLE)
        case "film_edge_leak":
            return told._replace(film_leak_conductance=EDGE_LEAK)
        case "film_missing":
            return told._replace(film_leak_conductance=NO_FILM)
        case "regulator_creep":
            return told._replace(regulator_creep_conductance=fault.size)
        case "regulator_high":
            return told._replace(regulator_set_Pa=told.regulator_set_Pa + fault.size)
        case "regulator_low":
            return told._replace(regulator_set_Pa=max(0.0, told.regulator_set_Pa - fault.size))
        case _:
            return _misled_air_or_heat(told, fault)


def _misled_air_or_heat(told: Actuation, fault: Fault) -> Actuation:
    match fault.kind:
        case "clamp_leak":
            return told._replace(clamp_leak_conductance=fault.size)
        case "clamp_air_lost":
            return told._replace(house_air_Pa=0.0)
        case "air_low":
            return told._replace(house_air_Pa=min(told.house_air_Pa, fault.size))
        case "clamp_stuck":
            return told._replace(piston_stop_m=0.0)
        case "clamp_dropped":
            return told._replace(clamp_apply=0.0)
        case "clamp_stuck_applied":
            return told._replace(clamp_apply=1.0)
        case "heater_stuck_on":
            return told._replace(heater_stuck=HEATER_STUCK_SHARE)
        case "heater_open":
            return told._replace(heater_broken=1.0)
        case "coolant_lost":
            return told._replace(coolant=0.0)
        case "controller_moved":
            return told._replace(heater_setpoint_degC=told.heater_setpoint_degC + fault.size)
        case "sensor_offset" if fault.role == "head_temperature":
            return told._replace(head_sensor_offset_K=fault.size)
        case kind if kind in CONTROLLER_MISREADS_K and fault.role == "head_temperature":
            # The controller reads the same thermocouple.
            return told._replace(head_sensor_offset_K=CONTROLLER_MISREADS_K[kind])
        case _:
            return told


def stuck_where(fault: Fault, arrived: Positions) -> Fault:
    """Return a fault that sticks a valve, as the one that sticks it where it stands now."""
    if fault.kind != "valve_stuck":
        return fault
    if fault.role == "clamp":
        return fault._replace(
            kind="clamp_stuck_applied" if arrived.clamp_apply > 0.5 else "clamp_dropped"
        )
    position = TRAVELS[fault.role]
    word = "open" if getattr(arrived, position) > 0.5 else "shut"
    return fault._replace(kind=f"{position}_stuck_{word}")


def late_ns(faults: Iterable[Fault], position: str) -> int:
    """Return how much later a part arrives than it should."""
    return sum(
        round(fault.size * 1e9)
        for fault in faults
        if fault.kind == "valve_slow" and TRAVELS[fault.role] == position
    )


def happened(state: PlantState, params: PlantParams, fault: Fault) -> PlantState:
    """Return the plant after what a fault does once, at the moment that it strikes."""
    match fault.kind:
        case "bottle_low" | "bottle_empty" | "bottle_changed":
            left_Pa = EMPTY_Pa if fault.kind == "bottle_empty" else fault.size
            return state._replace(
                bottle_kg=filled_kg(params.bottle_m3, left_Pa + params.room_abs_Pa),
                inlet_Pa=min(state.inlet_Pa, left_Pa),
            )
        case "film_burst":
            return state._replace(film_intact=0.0)
        case _:
            return state
