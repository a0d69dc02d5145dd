"""Which foil and pattern lie in the simulated rig: from a recipe to ``[driver.options.stack]``."""

from sequencer.files import validate
from sequencer.material import Material
from sequencer.recipe import Recipe
from simulator.options import Stack


def stack_table(recipe: Recipe, material: Material) -> dict[str, object]:
    """Return the recipe's foil and pattern as the table that a rig file would hold."""
    flow, stamp = material.flow, recipe.stamp
    return {
        "tg": f"{material.glass_transition.value_degC!r} degC",
        "reference": f"{flow.reference_degC!r} degC",
        "viscosity": f"{flow.viscosity_Pa_s!r} Pa s",
        "c1": flow.c1,
        "c2": f"{flow.c2_K!r} K",
        "feature": stamp.feature,
        "width": f"{stamp.width_m!r} m",
        "height": f"{stamp.height_m!r} m",
        "contact_fraction": stamp.contact_fraction,
        "cavities": stamp.cavities,
    }


def stack_of(recipe: Recipe, material: Material) -> Stack:
    """Return the recipe's foil and pattern as the simulated rig keeps them."""
    return validate(stack_table(recipe, material), Stack, f"recipe {recipe.name}")
