"""The polyimide diaphragm film: strength, stress, margin and the radius it may span.

Pressures are gauge, the difference across the film. Polyimide properties are straight lines through
generic values at 23 and 200 degC (from memory); above 200 degC the strength is EXTRAPOLATED and
doubtful, so a margin of at least 2 and a test of the real film are advised there.
"""

import math

POISSON_RATIO = 0.34
HENCKY_CENTRE_STRESS = 0.4359666
HENCKY_DEFLECTION = 0.642998
STRENGTH_EXTRAPOLATED_ABOVE_degC = 200.0
_LEAST_MODULUS_Pa = 0.1e9
_LEAST_STRENGTH_Pa = 1.0e6


def modulus_Pa(film_degC: float) -> float:
    """Young's modulus of polyimide film.

    Valid 23 to 300 degC; gives 1.72 GPa at 300 degC against 1.8 GPa published for 573 K
    (J. Appl. Phys. 93:3760, 2003). Source of the line: generic film values, from memory.
    """
    return max(2.5e9 - 2.8e6 * (film_degC - 23.0), _LEAST_MODULUS_Pa)


def strength_Pa(film_degC: float) -> float:
    """Ultimate tensile strength of polyimide film.

    Valid 23 to 200 degC (generic film values, from memory); above 200 degC extrapolated: doubtful.
    """
    return max(231.0e6 - 0.52e6 * (film_degC - 23.0), _LEAST_STRENGTH_Pa)


def window_stress_Pa(
    pressure_Pa: float, radius_m: float, thickness_m: float, film_degC: float
) -> float:
    """Centre stress of an unsupported round window, clamped at its edge.

    Thin elastic membrane, small slope (w0/a < 0.2), no bending, nu = 0.34.
    Source: Hencky, Z. Math. Phys. 63:311 (1915), coefficient recomputed by shooting.
    """
    if pressure_Pa <= 0.0:
        return 0.0
    load = pressure_Pa * radius_m / thickness_m
    return HENCKY_CENTRE_STRESS * float((modulus_Pa(film_degC) * load * load) ** (1.0 / 3.0))


def window_deflection_m(
    pressure_Pa: float, radius_m: float, thickness_m: float, film_degC: float
) -> float:
    """Centre deflection of an unsupported round window (Hencky 1915, as for the stress)."""
    if pressure_Pa <= 0.0:
        return 0.0
    strain = pressure_Pa * radius_m / (modulus_Pa(film_degC) * thickness_m)
    return HENCKY_DEFLECTION * radius_m * float(strain ** (1.0 / 3.0))


def gap_stress_Pa(pressure_Pa: float, gap_m: float, thickness_m: float, film_degC: float) -> float:
    """Membrane stress where the film spans a long narrow gap between clamp ring and stamp edge.

    sigma = [E' p^2 b^2 / (24 t^2)]^(1/3), E' = E/(1 - nu^2); long strip clamped at both sides,
    no bending. Source: Timoshenko & Woinowsky-Krieger 1959, long plates bent to a cylinder.
    """
    if pressure_Pa <= 0.0:
        return 0.0
    plane_modulus_Pa = modulus_Pa(film_degC) / (1.0 - POISSON_RATIO * POISSON_RATIO)
    load = pressure_Pa * gap_m / thickness_m
    return float((plane_modulus_Pa * load * load / 24.0) ** (1.0 / 3.0))


def burst_bound_Pa(free_radius_m: float, thickness_m: float, film_degC: float) -> float:
    """Pressure no film can hold over that radius: 2 UTS t/a, a hemisphere that has not thinned."""
    return 2.0 * strength_Pa(film_degC) * thickness_m / free_radius_m


def gap_margin(pressure_Pa: float, gap_m: float, thickness_m: float, film_degC: float) -> float:
    """Strength over stress for a clamped film over its free gap; infinite without pressure."""
    stress_Pa = gap_stress_Pa(pressure_Pa, gap_m, thickness_m, film_degC)
    if stress_Pa <= 0.0:
        return math.inf
    return strength_Pa(film_degC) / stress_Pa


def window_margin(
    pressure_Pa: float, radius_m: float, thickness_m: float, film_degC: float
) -> float:
    """Strength over stress for an unsupported window; infinite without pressure.

    The smaller of the elastic figure and the hemisphere bound, so it never flatters.
    """
    if pressure_Pa <= 0.0:
        return math.inf
    elastic = strength_Pa(film_degC) / window_stress_Pa(
        pressure_Pa, radius_m, thickness_m, film_degC
    )
    return min(elastic, burst_bound_Pa(radius_m, thickness_m, film_degC) / pressure_Pa)


def radius_for_stress_m(
    stress_Pa: float, pressure_Pa: float, thickness_m: float, film_degC: float
) -> float:
    """Free radius at which the centre stress of a window reaches the given stress (Hencky 1915)."""
    if pressure_Pa <= 0.0:
        return math.inf
    scaled = float((stress_Pa / HENCKY_CENTRE_STRESS) ** 1.5)
    return scaled * thickness_m / (pressure_Pa * math.sqrt(modulus_Pa(film_degC)))


def largest_free_radius_m(
    margin: float, pressure_Pa: float, thickness_m: float, film_degC: float
) -> float:
    """Largest unsupported radius that keeps the elastic margin at or above the given one."""
    stress_Pa = strength_Pa(film_degC) / margin
    return radius_for_stress_m(stress_Pa, pressure_Pa, thickness_m, film_degC)


def plate_deflection_m(
    pressure_Pa: float, radius_m: float, thickness_m: float, film_degC: float
) -> float:
    """Centre deflection of a clamped round plate, p a^4/(64 D); valid below half the thickness.

    Source: Timoshenko & Woinowsky-Krieger 1959.
    """
    rigidity_N_m = (
        modulus_Pa(film_degC) * thickness_m**3 / (12.0 * (1.0 - POISSON_RATIO * POISSON_RATIO))
    )
    return pressure_Pa * radius_m**4 / (64.0 * rigidity_N_m)
