"""The heated head: element, block and surface, its own PI controller, and the foil under it."""

import math
from typing import NamedTuple

from simulator.press import piston_home
from simulator.values import Actuation, PlantParams, PlantState

SETPOINT_FOLLOW_S = 1.0
"""How quickly the followed set-point takes up a change, and a switched-off integral decays."""
SHORT_STEP_s = 5.0e-3
"""Up to this step a plain Euler step is exact enough for heat."""


class Heat(NamedTuple):
    """The thermal part of the state, and, of the same shape, its rates."""

    element_W: float
    block_degC: float
    head_degC: float
    foil_degC: float
    controller_percent: float
    followed_setpoint_degC: float


def heat_of(state: PlantState) -> Heat:
    """The thermal part of a state."""
    return Heat(
        state.element_W,
        state.block_degC,
        state.head_degC,
        state.foil_degC,
        state.controller_percent,
        state.followed_setpoint_degC,
    )


def contact_W_per_K(piston_m: float, params: PlantParams) -> float:
    """Conductance from the head through the polyimide film to the foil."""
    if piston_home(piston_m, params):
        return params.contact_closed_W_per_K
    return params.contact_open_W_per_K


def heat_rates(heat: Heat, contact: float, params: PlantParams, actuation: Actuation) -> Heat:
    """Rates of change of the thermal part, per second.

    The element's lag in front of two nodes acts like a dead time. The controller is a PI with its
    output held to 0..100 % and an integral that stands still while it would wind further up.
    """
    element_W, block_degC, head_degC, foil_degC, integral_percent, followed_degC = heat
    error_K = followed_degC - head_degC - actuation.head_sensor_offset_K
    push = params.controller_percent_per_K * error_K
    demand = push + integral_percent
    integral_rate = push / params.controller_integral_s
    if (demand >= 100.0 and error_K > 0.0) or (demand <= 0.0 and error_K < 0.0):
        integral_rate = 0.0
    if actuation.heater_enable <= 0.0:
        demand = 0.0
        integral_rate = -integral_percent / SETPOINT_FOLLOW_S
        setpoint_rate = (head_degC - followed_degC) / SETPOINT_FOLLOW_S
    else:
        setpoint_rate = (actuation.heater_setpoint_degC - followed_degC) / SETPOINT_FOLLOW_S
        ramp = params.setpoint_ramp_K_per_s
        if abs(setpoint_rate) > ramp:
            setpoint_rate = ramp if setpoint_rate > 0.0 else -ramp
    share = max(actuation.heater_stuck, min(1.0, max(0.0, 0.01 * demand)))
    power_W = params.heater_W * share * (1.0 - actuation.heater_broken)

    ambient_degC = params.ambient_degC
    loss = params.loss_W_per_K
    if actuation.coolant > 0.0:
        loss += (params.coolant_W_per_K - loss) * actuation.coolant
    to_head_W = params.block_to_head_W_per_K * (block_degC - head_degC)
    to_foil_W = contact * (head_degC - foil_degC)
    lost_W = loss * (block_degC - ambient_degC)
    foil_lost_W = params.foil_loss_W_per_K * (foil_degC - ambient_degC)
    return Heat(
        (power_W - element_W) / params.element_lag_s,
        (element_W - to_head_W - lost_W) / params.block_J_per_K,
        (to_head_W - to_foil_W) / params.head_J_per_K,
        (to_foil_W - foil_lost_W) / params.foil_J_per_K,
        integral_rate,
        setpoint_rate,
    )


def moved(heat: Heat, rates: Heat, step_s: float) -> Heat:
    """The thermal part carried along its rates for a step."""
    a, b, c, d, e, f = heat
    da, db, dc, dd, de, df = rates
    return Heat(
        a + step_s * da,
        b + step_s * db,
        c + step_s * dc,
        d + step_s * dd,
        e + step_s * de,
        f + step_s * df,
    )


def advance_heat(
    heat: Heat, contact: float, params: PlantParams, actuation: Actuation, step_s: float
) -> Heat:
    """The thermal part after a step of at most 0.2 s, by the explicit midpoint rule.

    Stable because the fastest thermal time of a rig is about a second.
    """
    rates = heat_rates(heat, contact, params, actuation)
    if step_s <= SHORT_STEP_s:
        return moved(heat, rates, step_s)
    middle = moved(heat, rates, 0.5 * step_s)
    return moved(heat, heat_rates(middle, contact, params, actuation), step_s)


def decay_share(step_s: float, lag_s: float) -> float:
    """Share of a first-order approach done in a step; exact, so never unstable."""
    return 1.0 - math.exp(-step_s / lag_s)
