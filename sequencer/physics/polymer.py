"""The foil as a melt: viscosity, and how far it fills a stamp.

Zero-shear Newtonian flow; expect a factor of 2 in filling times and a decade where viscosity data
are estimates.
"""

import math

UNIVERSAL_C1 = 17.44
UNIVERSAL_C2_K = 51.6
MELT_FIT_ABOVE_TG_K = 25.0
NO_FLOW_BELOW_TG_PLUS_K = 5.0
SLOT_ENTRY = 16.0 / math.pi
SLOT_WALL = 6.0
HOLE_ENTRY = 3.0 * math.pi
HOLE_WALL = 16.0


def wlf_decades(above_reference_K: float, c1: float, c2_K: float) -> float:
    """log10 of the shift factor, -C1 dT/(C2 + dT), dT from the reference.

    Valid from Tg to about Tg + 100 K. Source: Williams, Landel, Ferry, JACS 77:3701 (1955).
    """
    return -c1 * above_reference_K / (c2_K + above_reference_K)


def moved_c1(c1: float, c2_K: float, reference_shift_K: float) -> float:
    """C1 for a reference moved up by a shift (C1 C2 is invariant, WLF 1955)."""
    return c1 * c2_K / (c2_K + reference_shift_K)


def moved_c2_K(c2_K: float, reference_shift_K: float) -> float:
    """C2 for a reference moved up by a shift (C2 minus the reference is invariant, WLF 1955)."""
    return c2_K + reference_shift_K


def viscosity_Pa_s(
    foil_degC: float,
    tg_degC: float,
    reference_degC: float,
    reference_Pa_s: float,
    c1: float,
    c2_K: float,
) -> float:
    """Zero-shear viscosity in two branches; infinite below Tg + 5 K, where nothing flows.

    From Tg + 25 K up the melt fit (c1, c2, reference); below it the universal WLF shape joined to
    the fit at Tg + 25 K, because melt fits must not be extrapolated towards Tg.
    Source: WLF 1955; the joint is this project's own rule.
    """
    above_tg_K = foil_degC - tg_degC
    if above_tg_K < NO_FLOW_BELOW_TG_PLUS_K:
        return math.inf
    melt_degC = tg_degC + max(above_tg_K, MELT_FIT_ABOVE_TG_K)
    decades = wlf_decades(melt_degC - reference_degC, c1, c2_K)
    if above_tg_K < MELT_FIT_ABOVE_TG_K:
        decades += wlf_decades(above_tg_K, UNIVERSAL_C1, UNIVERSAL_C2_K)
        decades -= wlf_decades(MELT_FIT_ABOVE_TG_K, UNIVERSAL_C1, UNIVERSAL_C2_K)
    return float(reference_Pa_s * 10.0**decades)


def relaxation_s(viscosity_Pa_s: float, plateau_modulus_Pa: float) -> float:
    """Stress relaxation time of the melt, eta/G_N (Maxwell)."""
    return viscosity_Pa_s / plateau_modulus_Pa


def driving_Pa(
    film_Pa: float, contact_fraction: float, capillary_Pa: float, trapped_Pa: float
) -> float:
    """Pressure that drives the melt: gauge film pressure over the contact share, plus capillary
    pull, less trapped gas; never negative.
    """
    return max(0.0, film_Pa / contact_fraction + capillary_Pa - trapped_Pa)


def capillary_slot_Pa(surface_tension_N_per_m: float, wetting_deg: float, width_m: float) -> float:
    """Capillary pressure of a slot, 2 gamma cos(theta)/w (Laplace)."""
    return 2.0 * surface_tension_N_per_m * math.cos(math.radians(wetting_deg)) / width_m


def capillary_hole_Pa(
    surface_tension_N_per_m: float, wetting_deg: float, diameter_m: float
) -> float:
    """Capillary pressure of a round hole, 4 gamma cos(theta)/d (Laplace)."""
    return 4.0 * surface_tension_N_per_m * math.cos(math.radians(wetting_deg)) / diameter_m


def trapped_gas_fill(film_abs_Pa: float, room_abs_Pa: float) -> float:
    """Largest fill fraction of a sealed cavity: room gas squeezed isothermally, not dissolved."""
    if film_abs_Pa <= room_abs_Pa:
        return 0.0
    return 1.0 - room_abs_Pa / film_abs_Pa


def depth_ratio(dose: float, entry: float, wall: float) -> float:
    """Depth over opening width reached by a dose D, the integral of pressure over viscosity dt.

    entry, wall: (SLOT_ENTRY, SLOT_WALL) or (HOLE_ENTRY, HOLE_WALL). Entry flow into a thick foil
    (Sneddon, Proc. R. Soc. A 187:229, 1946, elastic-viscous analogy) in series with wall drag
    (Poiseuille); the combination is this project's own. Needs a foil at least 2 widths thick.
    """
    return (math.sqrt(entry * entry + 4.0 * wall * dose) - entry) / (2.0 * wall)


def dose_for_depth(depth_over_width: float, entry: float, wall: float) -> float:
    """Dose that reaches a depth, k1 (z/w) + k2 (z/w)^2: the inverse of `depth_ratio`."""
    return depth_over_width * (entry + wall * depth_over_width)


def fill_time_s(
    driving_pressure_Pa: float,
    viscosity_Pa_s: float,
    aspect_ratio: float,
    entry: float,
    wall: float,
) -> float:
    """Time to fill a cavity at constant pressure and viscosity; infinite without flow."""
    if driving_pressure_Pa <= 0.0:
        return math.inf
    return dose_for_depth(aspect_ratio, entry, wall) * viscosity_Pa_s / driving_pressure_Pa


def elastic_depth_ratio(pressure_Pa: float, plateau_modulus_Pa: float) -> float:
    """Instant rubbery rise over width in a slot, p/(4 G) (Sneddon 1946)."""
    return pressure_Pa / (4.0 * plateau_modulus_Pa)


def springback_share(elastic_share: float, hold_s: float, relaxation_time_s: float) -> float:
    """Share of the depth lost when released above Tg: elastic share times exp(-hold/relaxation).

    Zero when cooled 20 K below Tg under pressure, which the caller decides.
    """
    if relaxation_time_s == math.inf:
        return elastic_share
    return elastic_share * math.exp(-hold_s / relaxation_time_s)


def demold_strain(
    foil_cte_per_K: float, stamp_cte_per_K: float, freeze_degC: float, demold_degC: float
) -> float:
    """Mismatch strain from freezing (the lower of Tg and the imprint temperature) to demolding."""
    return (foil_cte_per_K - stamp_cte_per_K) * (freeze_degC - demold_degC)


def demold_stress_Pa(strain: float, modulus_Pa: float, poisson_ratio: float) -> float:
    """Biaxial stress of a thin foil held by a stiff stamp, E e/(1 - nu); an elastic upper bound.

    Source: Timoshenko's bimetal limit; Worgull, Hot Embossing (2009).
    """
    return modulus_Pa * strain / (1.0 - poisson_ratio)


def edge_shift_m(strain: float, radius_m: float) -> float:
    """How far a feature at that radius moves against the stamp."""
    return strain * radius_m


def stefan_line_s(
    viscosity_Pa_s: float, width_m: float, pressure_Pa: float, start_m: float, end_m: float
) -> float:
    """Time to squeeze a thin layer under a line protrusion (Stefan 1874; Heyderman et al., 2000).

    Heights far below the width, no slip, rigid parallel stamp.
    """
    squeeze = 1.0 / (end_m * end_m) - 1.0 / (start_m * start_m)
    return viscosity_Pa_s * width_m * width_m / (2.0 * pressure_Pa) * squeeze


def stefan_disc_s(
    viscosity_Pa_s: float, radius_m: float, pressure_Pa: float, start_m: float, end_m: float
) -> float:
    """Time to squeeze a thin layer under a disc of that radius (Stefan 1874)."""
    squeeze = 1.0 / (end_m * end_m) - 1.0 / (start_m * start_m)
    return 3.0 * viscosity_Pa_s * radius_m * radius_m / (4.0 * pressure_Pa) * squeeze
