"""How far a recipe stays from each limit of the rig, the film and the material, in numbers."""

import math
from dataclasses import dataclass

from sequencer.bottle import FULL_BOTTLE_Pa, bottle_needed_Pa, gas_per_run_kg, runs_left
from sequencer.checks.filling import fill_limit, fill_needed_s, relaxation_s
from sequencer.config import Rig
from sequencer.material import Material
from sequencer.physics import clamp, film
from sequencer.recipe import Recipe

ROOM_degC = 25.0


@dataclass(frozen=True, slots=True)
class Margins:
    """How far a recipe stays from each limit of the rig, the film and the material.

    None where it has no meaning (no demold temperature) or no end (a melt that does not flow).
    ``duration_s`` comes from the commissioned rates, without the waits for a person.
    """

    clamp_margin: float
    clamp_margin_permitted: float
    film_permitted_Pa: float
    film_stress_Pa: float
    film_strength_Pa: float
    film_margin: float
    film_margin_permitted: float
    head_to_limit_K: float
    imprint_above_tg_K: float
    demold_below_tg_K: float | None
    fill_needed_s: float | None
    hold_s: float
    fill_limit: float
    relaxation_s: float | None
    residual_force_N: float
    gas_per_run_g: float
    bottle_needed_Pa: float
    runs_per_bottle: int
    duration_s: float


def margins(recipe: Recipe, rig: Rig, material: Material) -> Margins:
    """Return the margins of a recipe on a rig."""
    imprint, geometry, limits = recipe.imprint, rig.geometry, rig.limits
    film_Pa, head_degC = imprint.film_pressure_Pa, imprint.temperature_degC
    bore_m, seal_m = geometry.cylinder_bore_m, geometry.film_seal_diameter_m
    efficiency, air_Pa = geometry.cylinder_efficiency, limits.air_pressure_Pa
    gap_m, thickness_m = geometry.free_gap_m, geometry.film_thickness_m
    tg_degC = material.glass_transition.value_degC
    demold_degC = recipe.demold.temperature_degC if recipe.demold else None
    return Margins(
        clamp_margin=clamp.clamp_margin(air_Pa, film_Pa, bore_m, seal_m, efficiency),
        clamp_margin_permitted=limits.clamp_permit,
        film_permitted_Pa=clamp.permitted_film_Pa(
            air_Pa, bore_m, seal_m, efficiency, limits.clamp_permit
        ),
        film_stress_Pa=film.gap_stress_Pa(film_Pa, gap_m, thickness_m, head_degC),
        film_strength_Pa=film.strength_Pa(head_degC),
        film_margin=film.gap_margin(film_Pa, gap_m, thickness_m, head_degC),
        film_margin_permitted=limits.film_margin,
        head_to_limit_K=limits.head_temperature_degC - head_degC,
        imprint_above_tg_K=head_degC - tg_degC,
        demold_below_tg_K=None if demold_degC is None else tg_degC - demold_degC,
        fill_needed_s=_finite(fill_needed_s(recipe, material)),
        hold_s=imprint.hold_s,
        fill_limit=fill_limit(recipe),
        relaxation_s=_finite(relaxation_s(recipe, material)),
        residual_force_N=clamp.separating_force_N(limits.bled_Pa, seal_m),
        gas_per_run_g=1e3 * gas_per_run_kg(recipe, rig),
        bottle_needed_Pa=bottle_needed_Pa(recipe, rig),
        runs_per_bottle=runs_left(FULL_BOTTLE_Pa, recipe, rig),
        duration_s=_duration_s(recipe, rig),
    )


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _duration_s(recipe: Recipe, rig: Rig) -> float:
    """Time of a run from a cold head at the commissioned rates, without waiting for a person."""
    imprint, usual = recipe.imprint, rig.commissioned
    heating_s = 60.0 * (imprint.temperature_degC - ROOM_degC) / usual.heating_K_per_min
    gas_s = usual.clamp_fill_s + usual.film_rise_s + usual.film_vent_s + usual.clamp_release_s
    cooling_s = 0.0
    if recipe.demold is not None:
        rate = usual.cooling_K_per_min if rig.has("coolant") else usual.natural_cooling_K_per_min
        cooling_s = 60.0 * (imprint.temperature_degC - recipe.demold.temperature_degC) / rate
    return (
        max(0.0, heating_s)
        + imprint.soak_s
        + imprint.soak_under_clamp_s
        + imprint.hold_s
        + gas_s
        + max(0.0, cooling_s)
    )
