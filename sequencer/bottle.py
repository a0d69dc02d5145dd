"""Nitrogen: what a run takes, what the bottle must hold before it, how many runs are left."""

from sequencer.config import Rig
from sequencer.errors import Problem
from sequencer.physics import nitrogen
from sequencer.recipe import Recipe
from sequencer.units import ATMOSPHERE_abs_Pa, PSI_Pa, show_pressure

FULL_BOTTLE_Pa = 2000.0 * PSI_Pa  # common practice, no source


def gas_per_run_kg(recipe: Recipe, rig: Rig) -> float:
    """Nitrogen that one run lets go: the film volume and the lines that it vents; no leaks."""
    geometry = rig.geometry
    # With two shut-offs the proof and the drain after the run each empty the line between them.
    lines = 2.0 if rig.isolated else 1.0
    volume_m3 = geometry.film_volume_m3 + lines * geometry.line_volume_m3
    film_abs_Pa = recipe.imprint.film_pressure_Pa + ATMOSPHERE_abs_Pa
    return nitrogen.cycle_kg(volume_m3, film_abs_Pa, ATMOSPHERE_abs_Pa)


def bottle_after_Pa(bottle_Pa: float, recipe: Recipe, rig: Rig) -> float:
    """Bottle pressure after one run from a bottle pressure before it."""
    density = nitrogen.density_kg_per_m3(bottle_Pa + ATMOSPHERE_abs_Pa)
    used = gas_per_run_kg(recipe, rig) / rig.geometry.bottle_volume_m3
    if used >= density:
        return 0.0
    return nitrogen.pressure_at_density_abs_Pa(density - used) - ATMOSPHERE_abs_Pa


def bottle_needed_Pa(recipe: Recipe, rig: Rig) -> float:
    """Lowest bottle pressure from which a run may start."""
    limits = rig.limits
    change_out = nitrogen.density_kg_per_m3(limits.bottle_change_out_Pa + ATMOSPHERE_abs_Pa)
    used = gas_per_run_kg(recipe, rig) / rig.geometry.bottle_volume_m3
    for_run_Pa = nitrogen.pressure_at_density_abs_Pa(change_out + used) - ATMOSPHERE_abs_Pa
    return max(for_run_Pa, recipe.imprint.film_pressure_Pa + limits.bottle_headroom_Pa)


def runs_left(bottle_Pa: float, recipe: Recipe, rig: Rig) -> int:
    """Whole runs of a recipe that a bottle gives above its change-out pressure."""
    return int(
        nitrogen.cycles_left(
            rig.geometry.bottle_volume_m3,
            bottle_Pa + ATMOSPHERE_abs_Pa,
            rig.limits.bottle_change_out_Pa + ATMOSPHERE_abs_Pa,
            gas_per_run_kg(recipe, rig),
        )
    )


def check_bottle(bottle_Pa: float, recipe: Recipe, rig: Rig) -> list[Problem]:
    """Return why a bottle at this pressure may not feed this recipe, empty if it may."""
    limits, problems = rig.limits, []
    value, change_out = show_pressure(bottle_Pa), show_pressure(limits.bottle_change_out_Pa)

    def refuse(limit: str) -> None:
        problems.append(Problem(rig.name, "bottle", value, limit, "change the bottle"))

    if bottle_Pa < limits.bottle_change_out_Pa:
        refuse(f"lies below limits.bottle_change_out {change_out}")
    else:
        after_Pa = bottle_after_Pa(bottle_Pa, recipe, rig)
        if after_Pa < limits.bottle_change_out_Pa:
            after = show_pressure(after_Pa)
            refuse(f"would end the run at {after}, below limits.bottle_change_out {change_out}")
    regulator_Pa = recipe.imprint.film_pressure_Pa + limits.bottle_headroom_Pa
    if bottle_Pa < regulator_Pa:
        refuse(
            f"lies below {show_pressure(regulator_Pa)}, which the regulator needs for "
            "imprint.film_pressure and limits.bottle_headroom"
        )
    return problems
