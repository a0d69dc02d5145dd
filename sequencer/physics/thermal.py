"""The heated head as one lump, heat into the foil, and the tuning of its controller."""

import math


def heat_up_s(
    start_degC: float,
    target_degC: float,
    ambient_degC: float,
    heater_W: float,
    loss_W_per_K: float,
    capacity_J_per_K: float,
) -> float:
    """Time for a lump at full power to reach a target; infinite when the losses win.

    Valid for a Biot number below 0.1. Source: lumped capacity, Incropera & DeWitt, ch. 5.
    """
    if target_degC <= start_degC:
        return 0.0
    surplus_W = heater_W - loss_W_per_K * (target_degC - ambient_degC)
    if surplus_W <= 0.0:
        return math.inf
    first_W = heater_W - loss_W_per_K * (start_degC - ambient_degC)
    return capacity_J_per_K / loss_W_per_K * math.log(first_W / surplus_W)


def cool_down_s(
    start_degC: float,
    target_degC: float,
    ambient_degC: float,
    loss_W_per_K: float,
    capacity_J_per_K: float,
) -> float:
    """Time for an unheated lump to cool to a target; infinite at or below ambient."""
    if target_degC >= start_degC:
        return 0.0
    if target_degC <= ambient_degC:
        return math.inf
    ratio = (start_degC - ambient_degC) / (target_degC - ambient_degC)
    return capacity_J_per_K / loss_W_per_K * math.log(ratio)


def slab_centre_share(fourier: float) -> float:
    """Share of a temperature step not yet arrived at the middle of a slab, both faces stepped.

    fourier = alpha t / L^2 with L the whole thickness. Source: Carslaw & Jaeger 1959, section 3.3.
    """
    if fourier <= 0.0:
        return 1.0
    total = 0.0
    for n in range(60):
        odd = 2.0 * n + 1.0
        term = math.exp(-odd * odd * math.pi * math.pi * fourier) / odd
        total += -term if n % 2 else term
        if term < 1e-14:
            break
    return min(1.0, 4.0 / math.pi * total)


def semi_infinite_share(depth_m: float, diffusivity_m2_per_s: float, time_s: float) -> float:
    """Share of a surface step that has arrived at a depth (Carslaw & Jaeger 1959, section 2.4)."""
    if time_s <= 0.0:
        return 0.0
    return math.erfc(depth_m / (2.0 * math.sqrt(diffusivity_m2_per_s * time_s)))


def slab_lag_s(thickness_m: float, diffusivity_m2_per_s: float, heated_faces: float) -> float:
    """Slowest time constant of a slab heated from one face (other insulated) or from both."""
    path_m = thickness_m if heated_faces >= 2.0 else 2.0 * thickness_m
    return path_m * path_m / (math.pi * math.pi * diffusivity_m2_per_s)


def effusivity(conductivity_W_per_m_K: float, density: float, heat_J_per_kg_K: float) -> float:
    """sqrt(k rho c) in W s^0.5/(m2 K); density in kg/m3."""
    return math.sqrt(conductivity_W_per_m_K * density * heat_J_per_kg_K)


def contact_degC(
    first_degC: float, first_effusivity: float, second_degC: float, second_effusivity: float
) -> float:
    """Temperature where two thick bodies touch (Carslaw & Jaeger 1959)."""
    weighted = first_effusivity * first_degC + second_effusivity * second_degC
    return weighted / (first_effusivity + second_effusivity)


def simc_gain(gain: float, lag_s: float, dead_s: float, closed_loop_s: float) -> float:
    """PI gain by the SIMC rules, Kc = tau/(K (tau_c + theta)), in output per input unit.

    closed_loop_s = dead_s is tight, 3 dead_s smooth.
    Source: Skogestad, J. Process Control 13:291 (2003).
    """
    return lag_s / (gain * (closed_loop_s + dead_s))


def simc_integral_s(lag_s: float, dead_s: float, closed_loop_s: float) -> float:
    """PI integral time by the SIMC rules, min(tau, 4 (tau_c + theta)) (Skogestad 2003)."""
    return min(lag_s, 4.0 * (closed_loop_s + dead_s))


def half_rule_lag_s(first_s: float, second_s: float) -> float:
    """First-order lag by the half rule: the largest plus half of the next (Skogestad 2003)."""
    return first_s + 0.5 * second_s


def half_rule_dead_s(second_s: float, rest_s: float, dead_s: float) -> float:
    """Dead time by the half rule: half of the second lag, all the rest, and the true dead time.

    Inverse response counts as dead time; a small lead is taken off `rest_s` (Skogestad 2003).
    """
    return 0.5 * second_s + rest_s + dead_s
