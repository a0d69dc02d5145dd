"""Which foil and pattern lie in the simulated rig: from a recipe to ``[driver.options.stack]``."""

from sequencer.config import Rig
from sequencer.material import Material
from sequencer.recipe import Recipe


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


def with_stack(rig: Rig, recipe: Recipe, material: Material) -> Rig:
    """Return the rig with the recipe's stack in its simulated back end, for a prediction."""
    options = {**rig.driver.options, "stack": stack_table(recipe, material)}
    return rig.model_copy(update={"driver": rig.driver.model_copy(update={"options": options})})
