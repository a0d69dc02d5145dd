"""Nitrogen as a real gas at 20 degC, and what a bottle holds.

Pressures here are absolute. The compressibility is a cubic fitted to the reference equation of
Span et al., J. Phys. Chem. Ref. Data 29:1361 (2000): within 0.01 % from 1 to 140 bar abs, within
0.5 % to 200 bar abs.
"""

import math

GAS_CONSTANT_J_per_kg_K = 296.803
REFERENCE_K = 293.15
_Pa_PER_BAR = 1.0e5


def compressibility(pressure_abs_Pa: float) -> float:
    """Z = p/(rho R T) of nitrogen at 20 degC (fit to Span et al. 2000)."""
    bar = pressure_abs_Pa / _Pa_PER_BAR
    return 1.000059 + bar * (-2.4913e-4 + bar * (2.53545e-6 + bar * 2.798e-10))


def density_kg_per_m3(pressure_abs_Pa: float) -> float:
    """Density of nitrogen at 20 degC and an absolute pressure."""
    return pressure_abs_Pa / (
        compressibility(pressure_abs_Pa) * GAS_CONSTANT_J_per_kg_K * REFERENCE_K
    )


def compressibility_slope_per_Pa(pressure_abs_Pa: float) -> float:
    """Derivative of `compressibility` with respect to pressure."""
    bar = pressure_abs_Pa / _Pa_PER_BAR
    return (-2.4913e-4 + bar * (2.0 * 2.53545e-6 + bar * 3.0 * 2.798e-10)) / _Pa_PER_BAR


def pressure_at_density_abs_Pa(density: float) -> float:
    """Absolute pressure at 20 degC from a density in kg/m3: the inverse of `density_kg_per_m3`.

    Newton on p - Z(p) rho R T = 0, to 1e-13 relative.
    """
    ideal_Pa = density * GAS_CONSTANT_J_per_kg_K * REFERENCE_K
    pressure = ideal_Pa
    for _ in range(20):
        miss_Pa = pressure - compressibility(pressure) * ideal_Pa
        step_Pa = miss_Pa / (1.0 - compressibility_slope_per_Pa(pressure) * ideal_Pa)
        pressure -= step_Pa
        if abs(step_Pa) <= 1e-9 * pressure:
            break
    return pressure


def filled_kg(volume_m3: float, pressure_abs_Pa: float) -> float:
    """Mass of nitrogen that fills a volume at 20 degC."""
    return volume_m3 * density_kg_per_m3(pressure_abs_Pa)


def cycle_kg(volume_m3: float, film_abs_Pa: float, room_abs_Pa: float) -> float:
    """Nitrogen one cycle takes: filling the film volume from the room pressure, then venting it.

    Without leaks and purges, which the caller adds.
    """
    return volume_m3 * (density_kg_per_m3(film_abs_Pa) - density_kg_per_m3(room_abs_Pa))


def cycles_left(
    bottle_m3: float, bottle_abs_Pa: float, change_out_abs_Pa: float, per_cycle_kg: float
) -> float:
    """Whole cycles a bottle still gives above its change-out pressure.

    Changing out near 500 psi is common practice, no source. Infinite when a cycle takes no gas.
    """
    usable_kg = filled_kg(bottle_m3, bottle_abs_Pa) - filled_kg(bottle_m3, change_out_abs_Pa)
    if usable_kg <= 0.0:
        return 0.0
    if per_cycle_kg <= 0.0:
        return math.inf
    return float(math.floor(usable_kg / per_cycle_kg))
