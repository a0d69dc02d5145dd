"""The nitrogen side: bottle, regulator, isolation valve, gap, supply valve, film vessel, room.

Four volumes in a row (regulator inlet, regulator outlet, gap, film vessel), gas at 20 degC.
"""

import math
from typing import NamedTuple

from sequencer.physics.flow import (
    NITROGEN_MASS_FACTOR,
    REFERENCE_K,
    ZERO_CELSIUS_K,
    NITROGEN_GAS_CONSTANT_J_per_kg_K,
)
from sequencer.physics.nitrogen import pressure_at_density_abs_Pa
from simulator.values import Actuation, PlantParams, PlantState
from simulator.valve import crosses, implicit_share, valve_flow

_RT = NITROGEN_GAS_CONSTANT_J_per_kg_K * REFERENCE_K
_SPRING_FREE_Pa = 1.0e5


class NitrogenFlows(NamedTuple):
    """Mass flows in kg/s along the line, and their slopes to the pressures up- and downstream."""

    bottle: float
    bottle_down: float
    regulator: float
    regulator_up: float
    regulator_down: float
    creep: float
    creep_up: float
    creep_down: float
    isolation: float
    isolation_up: float
    isolation_down: float
    supply: float
    supply_up: float
    supply_down: float
    out: float
    out_up: float
    vent_share: float


class NitrogenStep(NamedTuple):
    """Pressure changes in Pa and mean mass flows in kg/s over one step."""

    inlet_Pa: float
    outlet_Pa: float
    gap_Pa: float
    film_Pa: float
    bottle_kg_per_s: float
    out_kg_per_s: float


def bottle_abs_Pa(bottle_kg: float, params: PlantParams) -> float:
    """Absolute pressure in the bottle, nitrogen as a real gas."""
    return pressure_at_density_abs_Pa(bottle_kg / params.bottle_m3)


def regulated_Pa(spring_Pa: float, inlet_Pa: float, params: PlantParams) -> float:
    """Outlet pressure the regulator strives for without flow.

    The spring, plus the supply effect (outlet rises as the bottle falls), at least a headroom
    below its inlet (a tenth of the inlet, when that is less). A backed-out spring asks for nothing.
    """
    tension = min(1.0, spring_Pa / _SPRING_FREE_Pa)
    effect_Pa = params.regulator_supply_effect * (params.regulator_reference_Pa - inlet_Pa)
    headroom_Pa = min(params.regulator_headroom_Pa, 0.1 * inlet_Pa)
    return max(0.0, min(spring_Pa + tension * effect_Pa, inlet_Pa - headroom_Pa))


def _regulated_slope(spring_Pa: float, inlet_Pa: float, params: PlantParams) -> float:
    """Derivative of `regulated_Pa` with respect to the inlet, by its own difference."""
    step_Pa = 1.0
    higher_Pa = regulated_Pa(spring_Pa, inlet_Pa + step_Pa, params)
    return (higher_Pa - regulated_Pa(spring_Pa, inlet_Pa, params)) / step_Pa


def _regulator_flow(state: PlantState, params: PlantParams) -> tuple[float, float, float]:
    """Flow through the regulator and its slopes: by its droop, within its capacity.

    It never lets gas back, nor relieves its outlet. Only at its capacity does the flow depend on
    the pressure upstream.
    """
    droop = params.regulator_droop_Pa_s_per_kg
    target_Pa = regulated_Pa(state.regulator_spring_Pa, state.inlet_Pa, params)
    want = (target_Pa - state.outlet_Pa) / droop
    if want <= 0.0:
        return 0.0, 0.0, 0.0
    most = valve_flow(
        params.regulator_conductance,
        params.critical_ratio,
        NITROGEN_MASS_FACTOR,
        state.inlet_Pa + params.room_abs_Pa,
        state.outlet_Pa + params.room_abs_Pa,
    )
    if want < most[0]:
        return want, 0.0, -1.0 / droop
    return most


def nitrogen_flows(
    state: PlantState,
    params: PlantParams,
    actuation: Actuation,
    bottle_abs: float,
    seal_lift: float,
) -> NitrogenFlows:
    """All nitrogen flows of a state; the burst film and a lifted seal let gas into the room."""
    room = params.room_abs_Pa
    b = params.critical_ratio
    film = state.film_Pa + room
    gap = state.gap_Pa + room
    bottle, _, bottle_down = valve_flow(
        actuation.bottle_valve * params.bottle_conductance,
        b,
        NITROGEN_MASS_FACTOR,
        bottle_abs,
        state.inlet_Pa + room,
    )
    regulator, regulator_up, regulator_down = _regulator_flow(state, params)
    creep, creep_up, creep_down = valve_flow(
        actuation.regulator_creep_conductance,
        b,
        NITROGEN_MASS_FACTOR,
        state.inlet_Pa + room,
        state.outlet_Pa + room,
    )
    isolation, isolation_up, isolation_down = valve_flow(
        actuation.isolation * params.isolation_conductance + actuation.isolation_leak_conductance,
        b,
        NITROGEN_MASS_FACTOR,
        state.outlet_Pa + room,
        gap,
    )
    supply, supply_up, supply_down = valve_flow(
        actuation.supply * params.supply_conductance + actuation.supply_leak_conductance,
        b,
        NITROGEN_MASS_FACTOR,
        gap,
        film,
    )
    vent = actuation.vent * params.vent_conductance + actuation.vent_leak_conductance
    vent *= 1.0 - actuation.vent_blocked
    lost = actuation.film_leak_conductance + seal_lift * params.lifted_seal_conductance
    lost += (1.0 - state.film_intact) * params.burst_conductance
    out, out_up, _ = valve_flow(vent + lost, b, NITROGEN_MASS_FACTOR, film, room)
    return NitrogenFlows(
        bottle,
        bottle_down,
        regulator,
        regulator_up,
        regulator_down,
        creep,
        creep_up,
        creep_down,
        isolation,
        isolation_up,
        isolation_down,
        supply,
        supply_up,
        supply_down,
        out,
        out_up,
        vent / (vent + lost) if vent + lost > 0.0 else 0.0,
    )


def storage_kg_per_Pa(state: PlantState, params: PlantParams) -> tuple[float, float, float, float]:
    """Gas stored per pressure in inlet, outlet, gap and film vessel (its index n divides)."""
    film_K = state.film_gas_degC + ZERO_CELSIUS_K
    film_RT = params.film_gas_index * NITROGEN_GAS_CONSTANT_J_per_kg_K * film_K
    return (
        params.inlet_m3 / _RT,
        params.outlet_m3 / _RT,
        params.gap_m3 / _RT,
        params.film_m3 / film_RT,
    )


def nitrogen_activity_per_s(
    flows: NitrogenFlows, state: PlantState, params: PlantParams, actuation: Actuation
) -> float:
    """Fastest relative change of pressure on the nitrogen side, for the choice of a step."""
    room = params.room_abs_Pa
    inlet, outlet, gap, film = storage_kg_per_Pa(state, params)
    scale = max(state.outlet_Pa, state.gap_Pa, state.film_Pa) + room
    downstream = max(
        abs(flows.regulator + flows.creep - flows.isolation) / outlet,
        abs(flows.isolation - flows.supply) / gap,
        abs(flows.supply - flows.out) / film,
        abs(actuation.regulator_set_Pa - state.regulator_spring_Pa) / params.regulator_lag_s,
    )
    upstream = abs(flows.bottle - flows.regulator - flows.creep) / (inlet * (state.inlet_Pa + room))
    return max(upstream, downstream / scale)


def nitrogen_step(
    flows: NitrogenFlows,
    state: PlantState,
    params: PlantParams,
    bottle_abs: float,
    spring_end_Pa: float,
    step_s: float,
) -> NitrogenStep:
    """One linearly implicit step of the four volumes; conserves mass, stable for any length.

    Each flow is taken along its tangent, at the middle of the step where that is accurate and at
    its end where it must be. A valve whose pressures would cross is taken along the chord to equal
    pressures instead (the flow law is concave, so a tangent overshoots), and solved again.
    """
    room = params.room_abs_Pa
    inlet, outlet, gap, film = storage_kg_per_Pa(state, params)
    (
        bottle,
        bottle_down,
        regulator,
        regulator_up,
        regulator_down,
        creep,
        creep_up,
        creep_down,
        isolation,
        isolation_up,
        isolation_down,
        supply,
        supply_up,
        supply_down,
        out,
        out_up,
        _,
    ) = flows
    bottle_down *= implicit_share(step_s, -bottle_down / inlet)
    target_Pa = regulated_Pa(spring_end_Pa, state.inlet_Pa, params)
    at_capacity = regulator_up != 0.0
    if not at_capacity:
        # Below its capacity the regulator follows its spring within the step.
        slope = 1.0 / params.regulator_droop_Pa_s_per_kg
        share = implicit_share(step_s, slope / outlet)
        start_Pa = regulated_Pa(state.regulator_spring_Pa, state.inlet_Pa, params)
        regulator = slope * (start_Pa + share * (target_Pa - start_Pa) - state.outlet_Pa)
        regulator_down = -share * slope
        regulator_up = -regulator_down * _regulated_slope(spring_end_Pa, state.inlet_Pa, params)
        if regulator <= 0.0:
            regulator, regulator_up, regulator_down = 0.0, 0.0, 0.0
    else:
        share = implicit_share(step_s, regulator_up / inlet - regulator_down / outlet)
        regulator_up *= share
        regulator_down *= share
    share = implicit_share(step_s, creep_up / inlet - creep_down / outlet)
    creep_up *= share
    creep_down *= share
    share = implicit_share(step_s, isolation_up / outlet - isolation_down / gap)
    isolation_up *= share
    isolation_down *= share
    share = implicit_share(step_s, supply_up / gap - supply_down / film)
    supply_up *= share
    supply_down *= share
    out_up *= implicit_share(step_s, out_up / film)

    bottle_Pa = bottle_abs - room
    d1, d2, d3, d4 = 0.0, 0.0, 0.0, 0.0
    for _ in range(4):
        # Eliminate downwards: inlet, outlet, gap, film; then substitute back.
        through = regulator + creep
        through_up = regulator_up + creep_up
        through_down = regulator_down + creep_down
        a1 = inlet / step_s - bottle_down + through_up
        r1 = bottle - through
        m2 = through_up / a1
        a2 = outlet / step_s - through_down + isolation_up + m2 * through_down
        r2 = through - isolation + m2 * r1
        m3 = isolation_up / a2
        a3 = gap / step_s - isolation_down + supply_up + m3 * isolation_down
        r3 = isolation - supply + m3 * r2
        m4 = supply_up / a3
        a4 = film / step_s - supply_down + out_up + m4 * supply_down
        d4 = (supply - out + m4 * r3) / a4
        d3 = (r3 - supply_down * d4) / a3
        d2 = (r2 - isolation_down * d3) / a2
        d1 = (r1 - through_down * d2) / a1

        good = True
        across = bottle_Pa - state.inlet_Pa
        if crosses(across, -d1):
            bottle_down = -bottle / across
            good = False
        if regulator > 0.0 and regulator + regulator_up * d1 + regulator_down * d2 < 0.0:
            regulator, regulator_up, regulator_down = 0.0, 0.0, 0.0
            good = False
        across = state.inlet_Pa - state.outlet_Pa
        to_target = target_Pa - state.outlet_Pa
        if regulator > 0.0 and crosses(across, d1 - d2):
            regulator_up = regulator / across
            regulator_down = -regulator_up
            good = False
        elif at_capacity and to_target > 0.0 and crosses(to_target, -d2):
            at_capacity = False
            regulator_up = 0.0
            regulator_down = -regulator / to_target
            good = False
        if creep != 0.0 and crosses(across, d1 - d2):
            creep_up = creep / across
            creep_down = -creep_up
            good = False
        across = state.outlet_Pa - state.gap_Pa
        if crosses(across, d2 - d3):
            isolation_up = isolation / across
            isolation_down = -isolation_up
            good = False
        across = state.gap_Pa - state.film_Pa
        if crosses(across, d3 - d4):
            supply_up = supply / across
            supply_down = -supply_up
            good = False
        if crosses(state.film_Pa, d4) and out != 0.0:
            out_up = out / state.film_Pa
            good = False
        if good:
            break
    return NitrogenStep(d1, d2, d3, d4, bottle + bottle_down * d1, out + out_up * d4)


def film_gas_rate_K_per_s(state: PlantState, params: PlantParams) -> float:
    """How fast the hot head warms the film's gas; zero unless the rig models it."""
    wall_degC = REFERENCE_K - ZERO_CELSIUS_K
    wall_degC += params.film_gas_heating * (state.head_degC - wall_degC)
    return (wall_degC - state.film_gas_degC) / params.film_gas_lag_s


def nitrogen_in_lines_kg(state: PlantState, params: PlantParams) -> float:
    """Mass of nitrogen (or of the air it displaced) between the bottle and the room."""
    room = params.room_abs_Pa
    inlet, outlet, gap, film = storage_kg_per_Pa(state, params)
    return math.fsum(
        (
            inlet * (state.inlet_Pa + room),
            outlet * (state.outlet_Pa + room),
            gap * (state.gap_Pa + room),
            film * (state.film_Pa + room),
        )
    )
