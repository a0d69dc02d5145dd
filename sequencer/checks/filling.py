"""How far a recipe's melt fills its stamp, from the material's table; expect a factor of two."""

import math

from sequencer.material import Material
from sequencer.physics import polymer
from sequencer.recipe import Recipe
from sequencer.units import ATMOSPHERE_abs_Pa


def viscosity_Pa_s(material: Material, foil_degC: float) -> float:
    """Zero-shear viscosity of a material; infinite below Tg + 5 K."""
    flow, tg_degC = material.flow, material.glass_transition.value_degC
    if foil_degC < tg_degC + polymer.NO_FLOW_BELOW_TG_PLUS_K:
        return math.inf
    if flow.two_branch:
        return polymer.viscosity_Pa_s(
            foil_degC, tg_degC, flow.reference_degC, flow.viscosity_Pa_s, flow.c1, flow.c2_K
        )
    decades = polymer.wlf_decades(foil_degC - flow.reference_degC, flow.c1, flow.c2_K)
    return float(flow.viscosity_Pa_s * 10.0**decades)


def fill_needed_s(recipe: Recipe, material: Material) -> float:
    """Time at imprint pressure and temperature that fills the stamp; infinite without flow."""
    stamp, imprint = recipe.stamp, recipe.imprint
    slot = stamp.feature == "slot"
    return polymer.fill_time_s(
        polymer.driving_Pa(imprint.film_pressure_Pa, stamp.contact_fraction, 0.0, 0.0),
        viscosity_Pa_s(material, imprint.temperature_degC),
        stamp.height_m / stamp.width_m,
        polymer.SLOT_ENTRY if slot else polymer.HOLE_ENTRY,
        polymer.SLOT_WALL if slot else polymer.HOLE_WALL,
    )


def fill_limit(recipe: Recipe) -> float:
    """Largest fill fraction: 1, or less where sealed cavities trap the room's gas."""
    if recipe.stamp.cavities == "open":
        return 1.0
    film_abs_Pa = recipe.imprint.film_pressure_Pa + ATMOSPHERE_abs_Pa
    return polymer.trapped_gas_fill(film_abs_Pa, ATMOSPHERE_abs_Pa)


def relaxation_s(recipe: Recipe, material: Material) -> float:
    """Time in which the melt forgets its shape at imprint temperature; infinite without flow."""
    viscosity = viscosity_Pa_s(material, recipe.imprint.temperature_degC)
    return polymer.relaxation_s(viscosity, material.plateau_modulus_Pa.value)
