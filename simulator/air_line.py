"""The house-air side: supply, line, clamp valve, cylinder with its piston, room; air at 20 degC."""

from typing import NamedTuple

from sequencer.physics.clamp import disc_m2
from sequencer.physics.flow import REFERENCE_K, AIR_GAS_CONSTANT_J_per_kg_K
from simulator.press import spring_force_N
from simulator.values import Actuation, PlantParams, PlantState
from simulator.valve import crosses, implicit_share, valve_flow

_RT = AIR_GAS_CONSTANT_J_per_kg_K * REFERENCE_K


class AirFlows(NamedTuple):
    """Mass flows in kg/s, their slopes, and the piston's speed with its slope to pressure."""

    house: float
    house_down: float
    apply: float
    apply_up: float
    apply_down: float
    exhaust: float
    exhaust_up: float
    speed_m_per_s: float
    speed_slope: float


class AirStep(NamedTuple):
    """Line, cylinder and piston after one step."""

    air_line_Pa: float
    cylinder_Pa: float
    piston_m: float


def cylinder_m3(piston_m: float, params: PlantParams) -> float:
    """Gas volume behind the piston."""
    return params.cylinder_dead_m3 + disc_m2(params.cylinder_bore_m) * piston_m


def piston_limit_m(params: PlantParams, actuation: Actuation) -> float:
    """How far the piston can go: its stroke, or what blocks it."""
    return max(0.0, min(params.cylinder_stroke_m, actuation.piston_stop_m))


def _piston_speed(
    state: PlantState, params: PlantParams, actuation: Actuation
) -> tuple[float, float]:
    """Speed of a massless damped piston with dry friction, and its slope to the pressure."""
    area_m2 = disc_m2(params.cylinder_bore_m)
    push_N = state.cylinder_Pa * area_m2 - spring_force_N(state.piston_m, params)
    friction_N = params.piston_friction_N
    if push_N > friction_N and state.piston_m < piston_limit_m(params, actuation):
        speed = (push_N - friction_N) / params.piston_damping_N_s_per_m
    elif push_N < -friction_N and state.piston_m > 0.0:
        speed = (push_N + friction_N) / params.piston_damping_N_s_per_m
    else:
        return 0.0, 0.0
    return speed, area_m2 / params.piston_damping_N_s_per_m


def air_flows(state: PlantState, params: PlantParams, actuation: Actuation) -> AirFlows:
    """All air flows of a state and the piston's speed."""
    room = params.room_abs_Pa
    b = params.critical_ratio
    line = state.air_line_Pa + room
    cylinder = state.cylinder_Pa + room
    house, _, house_down = valve_flow(
        actuation.house_air * params.air_conductance, b, 1.0, actuation.house_air_Pa + room, line
    )
    apply, apply_up, apply_down = valve_flow(
        actuation.clamp_apply * params.clamp_conductance, b, 1.0, line, cylinder
    )
    exhaust_conductance = (1.0 - actuation.clamp_apply) * params.clamp_conductance
    exhaust, exhaust_up, _ = valve_flow(
        exhaust_conductance + actuation.clamp_leak_conductance, b, 1.0, cylinder, room
    )
    speed, speed_slope = _piston_speed(state, params, actuation)
    return AirFlows(
        house,
        house_down,
        apply,
        apply_up,
        apply_down,
        exhaust,
        exhaust_up,
        speed,
        speed_slope,
    )


def air_line_rate_Pa_per_s(flows: AirFlows, params: PlantParams) -> float:
    """Rate of the house-air line's pressure."""
    return (flows.house - flows.apply) * _RT / params.air_line_m3


def cylinder_rate_Pa_per_s(flows: AirFlows, state: PlantState, params: PlantParams) -> float:
    """Rate of the cylinder's pressure: gas in, gas out, and room made by the piston."""
    swept = disc_m2(params.cylinder_bore_m) * flows.speed_m_per_s
    gas = (flows.apply - flows.exhaust) * _RT
    return (gas - (state.cylinder_Pa + params.room_abs_Pa) * swept) / cylinder_m3(
        state.piston_m, params
    )


def air_activity_per_s(flows: AirFlows, state: PlantState, params: PlantParams) -> float:
    """Fastest relative change on the air side, for the choice of a step."""
    line_rate = abs(air_line_rate_Pa_per_s(flows, params))
    cylinder_rate = abs(cylinder_rate_Pa_per_s(flows, state, params))
    highest_abs_Pa = max(state.air_line_Pa, state.cylinder_Pa) + params.room_abs_Pa
    gas = max(line_rate, cylinder_rate) / highest_abs_Pa
    return max(gas, abs(flows.speed_m_per_s) / params.cylinder_stroke_m)


def air_step(
    flows: AirFlows,
    state: PlantState,
    params: PlantParams,
    actuation: Actuation,
    step_s: float,
) -> AirStep:
    """One linearly implicit step of line, cylinder and piston; as on the nitrogen side.

    The cylinder's pressure is taken from its mass and its new volume, so that a piston arriving at
    its end inside the step loses nothing.
    """
    room = params.room_abs_Pa
    area_m2 = disc_m2(params.cylinder_bore_m)
    volume_m3 = cylinder_m3(state.piston_m, params)
    line = params.air_line_m3 / _RT
    cylinder = volume_m3 / _RT
    swept_per_Pa = (state.cylinder_Pa + room) * area_m2 * flows.speed_slope / _RT
    swept = (state.cylinder_Pa + room) * area_m2 * flows.speed_m_per_s / _RT
    house_down = flows.house_down * implicit_share(step_s, -flows.house_down / line)
    share = implicit_share(step_s, flows.apply_up / line - flows.apply_down / cylinder)
    apply_up = flows.apply_up * share
    apply_down = flows.apply_down * share
    exhaust_up = flows.exhaust_up * implicit_share(step_s, flows.exhaust_up / cylinder)
    d1, d2 = 0.0, 0.0
    for _ in range(4):
        a1 = line / step_s - house_down + apply_up
        r1 = flows.house - flows.apply
        factor = apply_up / a1
        a2 = cylinder / step_s + swept_per_Pa - apply_down + exhaust_up + factor * apply_down
        d2 = (flows.apply - flows.exhaust - swept + factor * r1) / a2
        d1 = (r1 - apply_down * d2) / a1
        good = True
        across = actuation.house_air_Pa - state.air_line_Pa
        if crosses(across, -d1) and flows.house != 0.0:
            house_down = -flows.house / across
            good = False
        across = state.air_line_Pa - state.cylinder_Pa
        if crosses(across, d1 - d2) and flows.apply != 0.0:
            apply_up = flows.apply / across
            apply_down = -apply_up
            good = False
        if crosses(state.cylinder_Pa, d2) and flows.exhaust != 0.0:
            exhaust_up = flows.exhaust / state.cylinder_Pa
            good = False
        if good:
            break
    speed = flows.speed_m_per_s + flows.speed_slope * d2
    if speed * flows.speed_m_per_s < 0.0:
        speed = 0.0  # dry friction stops a piston, it does not turn it round
    piston_m = state.piston_m + step_s * speed
    piston_m = max(0.0, min(piston_m, max(state.piston_m, piston_limit_m(params, actuation))))
    gained_kg = step_s * (
        flows.apply + apply_up * d1 + apply_down * d2 - flows.exhaust - exhaust_up * d2
    )
    mass_kg = (state.cylinder_Pa + room) * cylinder + gained_kg
    cylinder_abs_Pa = mass_kg * _RT / cylinder_m3(piston_m, params)
    return AirStep(state.air_line_Pa + d1, cylinder_abs_Pa - room, piston_m)
