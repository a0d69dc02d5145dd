"""The plant: one right-hand side, and one way to carry a state forward in time.

Deterministic and pure: no clock, no randomness. Noise belongs to the sensors.
"""

from sequencer.physics.flow import ZERO_CELSIUS_K
from simulator.air_line import (
    AirFlows,
    AirStep,
    air_activity_per_s,
    air_flows,
    air_line_rate_Pa_per_s,
    air_step,
    cylinder_rate_Pa_per_s,
)
from simulator.heat import (
    advance_heat,
    contact_W_per_K,
    decay_share,
    heat_of,
    heat_rates,
)
from simulator.nitrogen_line import (
    NitrogenFlows,
    NitrogenStep,
    bottle_abs_Pa,
    film_gas_rate_K_per_s,
    nitrogen_activity_per_s,
    nitrogen_flows,
    nitrogen_step,
    storage_kg_per_Pa,
)
from simulator.press import (
    dose_rate_per_s,
    fill_reached,
    film_bursts,
    film_stress_Pa,
    seal_lift,
)
from simulator.values import Actuation, PlantParams, PlantState

__all__ = ["Actuation", "PlantParams", "PlantState", "advance", "derivatives"]

FINE_STEP_s = 5.0e-3
COARSE_STEP_s = 0.2
LEAST_STEP_s = 5.0e-5
AT_REST_per_s = 1.0e-9
"""Below this fastest relative change a gas side is left as it is."""
QUIET_per_s = 0.01
"""Below this fastest relative change of any pressure nothing moves, and steps are coarse."""
LARGEST_CHANGE = 0.05
"""Largest relative change of any pressure that one step may begin with."""


def derivatives(state: PlantState, params: PlantParams, actuation: Actuation) -> PlantState:
    """Rates of change of every state, per second, in the shape of a state.

    Events (burst, peaks, fill fraction) have no rate; `advance` applies them between steps.
    """
    lift = seal_lift(state.cylinder_Pa, state.piston_m, state.film_Pa, params)
    gas = nitrogen_flows(state, params, actuation, bottle_abs_Pa(state.bottle_kg, params), lift)
    air = air_flows(state, params, actuation)
    contact = contact_W_per_K(state.piston_m, params)
    heat = heat_rates(heat_of(state), contact, params, actuation)
    inlet, outlet, gap, film = storage_kg_per_Pa(state, params)
    film_gas_rate = film_gas_rate_K_per_s(state, params)
    film_abs_Pa = state.film_Pa + params.room_abs_Pa
    warming_Pa = film_abs_Pa * film_gas_rate / (state.film_gas_degC + ZERO_CELSIUS_K)
    spring_Pa = actuation.regulator_set_Pa - state.regulator_spring_Pa
    return PlantState(
        bottle_kg=-gas.bottle,
        inlet_Pa=(gas.bottle - gas.regulator - gas.creep) / inlet,
        regulator_spring_Pa=spring_Pa / params.regulator_lag_s,
        outlet_Pa=(gas.regulator + gas.creep - gas.isolation) / outlet,
        gap_Pa=(gas.isolation - gas.supply) / gap,
        film_Pa=(gas.supply - gas.out) / film + warming_Pa,
        film_gas_degC=film_gas_rate,
        air_line_Pa=air_line_rate_Pa_per_s(air, params),
        cylinder_Pa=cylinder_rate_Pa_per_s(air, state, params),
        piston_m=air.speed_m_per_s,
        element_W=heat.element_W,
        block_degC=heat.block_degC,
        head_degC=heat.head_degC,
        foil_degC=heat.foil_degC,
        controller_percent=heat.controller_percent,
        followed_setpoint_degC=heat.followed_setpoint_degC,
        dose=dose_rate_per_s(state.film_Pa, lift, state.foil_degC, params) * state.film_intact,
        fill_fraction=0.0,
        film_intact=0.0,
        gas_used_kg=gas.bottle,
        vented_kg=gas.out * gas.vent_share,
        leaked_kg=gas.out * (1.0 - gas.vent_share),
        film_peak_Pa=0.0,
        film_stress_peak_Pa=0.0,
        head_peak_degC=0.0,
    )


def _step_s(activity_per_s: float, left_s: float) -> float:
    """How long the next step may be: fine while gas moves, coarse when nothing does."""
    if activity_per_s < QUIET_per_s:
        return min(left_s, COARSE_STEP_s)
    fine_s = max(LEAST_STEP_s, min(FINE_STEP_s, LARGEST_CHANGE / activity_per_s))
    # Equal parts instead of a long and a stubby one.
    return left_s / max(1.0, float(int(left_s / fine_s + 0.999)))


def _stepped(
    state: PlantState,
    params: PlantParams,
    actuation: Actuation,
    gas: NitrogenFlows,
    air: AirFlows,
    bottle_abs: float,
    gas_rests: bool,
    air_rests: bool,
    step_s: float,
) -> PlantState:
    """The state one step later, events applied at its end."""
    spring_Pa = actuation.regulator_set_Pa
    if spring_Pa != state.regulator_spring_Pa:
        spring_Pa = state.regulator_spring_Pa + (
            spring_Pa - state.regulator_spring_Pa
        ) * decay_share(step_s, params.regulator_lag_s)
    if gas_rests:
        gas_done = NitrogenStep(0.0, 0.0, 0.0, 0.0, gas.bottle, gas.out)
    else:
        gas_done = nitrogen_step(gas, state, params, bottle_abs, spring_Pa, step_s)
    if air_rests:
        air_done = AirStep(state.air_line_Pa, state.cylinder_Pa, state.piston_m)
    else:
        air_done = air_step(air, state, params, actuation, step_s)
    contact = contact_W_per_K(state.piston_m, params)
    heat = advance_heat(heat_of(state), contact, params, actuation, step_s)

    film_Pa = state.film_Pa + gas_done.film_Pa
    film_gas_degC = state.film_gas_degC
    if params.film_gas_heating != 0.0:
        share = decay_share(step_s, params.film_gas_lag_s)
        rise_K = film_gas_rate_K_per_s(state, params) * params.film_gas_lag_s * share
        film_gas_degC += rise_K
        film_abs_Pa = film_Pa + params.room_abs_Pa
        film_Pa += film_abs_Pa * rise_K / (state.film_gas_degC + ZERO_CELSIUS_K)
    dose = state.dose
    fill_fraction = state.fill_fraction
    film_intact = state.film_intact
    stress_Pa = 0.0
    if film_intact > 0.0 and film_Pa > 0.0:
        lift = seal_lift(air_done.cylinder_Pa, air_done.piston_m, film_Pa, params)
        stress_Pa = film_stress_Pa(film_Pa, lift, heat.head_degC, params)
        mean_Pa = 0.5 * (state.film_Pa + film_Pa)
        mean_degC = 0.5 * (state.foil_degC + heat.foil_degC)
        dose += step_s * dose_rate_per_s(mean_Pa, lift, mean_degC, params)
        fill_fraction = fill_reached(fill_fraction, dose, film_Pa, params)
        if film_bursts(film_Pa, stress_Pa, lift, heat.head_degC, params):
            film_intact = 0.0
    out_kg = step_s * gas_done.out_kg_per_s
    bottle_kg = step_s * gas_done.bottle_kg_per_s
    return PlantState(
        state.bottle_kg - bottle_kg,
        state.inlet_Pa + gas_done.inlet_Pa,
        spring_Pa,
        state.outlet_Pa + gas_done.outlet_Pa,
        state.gap_Pa + gas_done.gap_Pa,
        film_Pa,
        film_gas_degC,
        air_done.air_line_Pa,
        air_done.cylinder_Pa,
        air_done.piston_m,
        heat.element_W,
        heat.block_degC,
        heat.head_degC,
        heat.foil_degC,
        heat.controller_percent,
        heat.followed_setpoint_degC,
        dose,
        fill_fraction,
        film_intact,
        state.gas_used_kg + bottle_kg,
        state.vented_kg + out_kg * gas.vent_share,
        state.leaked_kg + out_kg * (1.0 - gas.vent_share),
        max(state.film_peak_Pa, film_Pa),
        max(state.film_stress_peak_Pa, stress_Pa),
        max(state.head_peak_degC, heat.head_degC),
    )


def advance(
    state: PlantState, params: PlantParams, actuation: Actuation, duration_s: float
) -> PlantState:
    """The state a duration later, the actuation held; any duration, best up to 1 s.

    Chooses its own steps: at most 5 ms while gas moves, at most 0.2 s when nothing does.
    """
    left_s = duration_s
    while left_s > 1e-12:
        lift = seal_lift(state.cylinder_Pa, state.piston_m, state.film_Pa, params)
        bottle_abs = bottle_abs_Pa(state.bottle_kg, params)
        gas = nitrogen_flows(state, params, actuation, bottle_abs, lift)
        air = air_flows(state, params, actuation)
        gas_activity = nitrogen_activity_per_s(gas, state, params, actuation)
        air_activity = air_activity_per_s(air, state, params)
        step_s = _step_s(max(gas_activity, air_activity), left_s)
        gas_rests = gas_activity < AT_REST_per_s
        air_rests = air_activity < AT_REST_per_s
        state = _stepped(
            state, params, actuation, gas, air, bottle_abs, gas_rests, air_rests, step_s
        )
        left_s -= step_s
    return state
