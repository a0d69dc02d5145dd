"""The stack under pressure: is it held shut, what does the film bear, does the foil fill?"""

from sequencer.physics.clamp import cylinder_force_N, separating_force_N
from sequencer.physics.film import (
    burst_bound_Pa,
    gap_stress_Pa,
    strength_Pa,
    window_stress_Pa,
)
from sequencer.physics.polymer import (
    depth_ratio,
    driving_Pa,
    trapped_gas_fill,
    viscosity_Pa_s,
)
from simulator.values import PlantParams

HOME_SHARE = 0.999
"""The piston counts as closed from this share of its stroke."""
LIFT_BAND = 0.02
"""Share of the closing force over which a lifting seal goes from shut to wide open."""


def spring_force_N(piston_m: float, params: PlantParams) -> float:
    """Return spring of the cylinder, against closing."""
    return params.spring_preload_N + params.spring_N_per_m * piston_m


def piston_home(piston_m: float, params: PlantParams) -> bool:
    """Whether the head rests on the stack."""
    return piston_m >= HOME_SHARE * params.cylinder_stroke_m


def seal_lift(cylinder_Pa: float, piston_m: float, film_Pa: float, params: PlantParams) -> float:
    """How far the film's seal is lifted, 0 held to 1 free; an open clamp holds nothing."""
    if not piston_home(piston_m, params):
        return 1.0
    if film_Pa <= 0.0:
        return 0.0
    closing_N = cylinder_force_N(
        cylinder_Pa, params.cylinder_bore_m, params.cylinder_efficiency
    ) - spring_force_N(piston_m, params)
    excess_N = separating_force_N(film_Pa, params.film_seal_diameter_m) - closing_N
    if excess_N <= 0.0:
        return 0.0
    return min(1.0, excess_N / (LIFT_BAND * max(closing_N, 1.0)))


def film_stress_Pa(film_Pa: float, lift: float, film_degC: float, params: PlantParams) -> float:
    """Stress in the film: of the narrow gap while held, of the whole window once lifted."""
    if lift > 0.0:
        return window_stress_Pa(
            film_Pa, params.film_window_radius_m, params.film_thickness_m, film_degC
        )
    return gap_stress_Pa(film_Pa, params.film_gap_m, params.film_thickness_m, film_degC)


def film_bursts(
    film_Pa: float, stress_Pa: float, lift: float, film_degC: float, params: PlantParams
) -> bool:
    """Whether the stress passes the strength, or the pressure the hemisphere bound."""
    if film_Pa <= 0.0:
        return False
    free_radius_m = params.film_window_radius_m if lift > 0.0 else 0.5 * params.film_gap_m
    return stress_Pa > strength_Pa(film_degC) or film_Pa > burst_bound_Pa(
        free_radius_m, params.film_thickness_m, film_degC
    )


def dose_rate_per_s(film_Pa: float, lift: float, foil_degC: float, params: PlantParams) -> float:
    """Driving pressure over viscosity; zero unless the film is pressed on a held, soft foil."""
    if lift > 0.0 or film_Pa <= 0.0:
        return 0.0
    viscosity = viscosity_Pa_s(
        foil_degC,
        params.foil_tg_degC,
        params.foil_reference_degC,
        params.foil_reference_Pa_s,
        params.foil_c1,
        params.foil_c2_K,
    )
    driving = driving_Pa(film_Pa, params.pattern_contact_fraction, params.pattern_capillary_Pa, 0.0)
    return driving / viscosity


def fill_reached(fill_fraction: float, dose: float, film_Pa: float, params: PlantParams) -> float:
    """Fill fraction after a dose: what it was or more, up to full or to the trapped gas's limit."""
    if dose <= 0.0 or fill_fraction >= 1.0:
        return fill_fraction
    depth = depth_ratio(dose, params.pattern_entry, params.pattern_wall)
    reached = min(1.0, depth / params.pattern_aspect_ratio)
    if params.pattern_sealed > 0.0:
        room_abs_Pa = params.room_abs_Pa
        reached = min(reached, trapped_gas_fill(film_Pa + room_abs_Pa, room_abs_Pa))
    return max(fill_fraction, reached)
