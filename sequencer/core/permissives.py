"""What must be true before a run may start: every unmet permissive is given at once.

A reading that is bad, stale or unknown meets nothing.
"""

from sequencer.core.estimate import margin_at
from sequencer.core.memory import Exposure, Purpose
from sequencer.core.turn import Turn
from sequencer.model import CycleStep
from sequencer.physics.nitrogen import cycle_kg, filled_kg
from sequencer.recipe import Recipe
from sequencer.units import ATMOSPHERE_abs_Pa, show_pressure, show_temperature


def unmet(turn: Turn, purpose: Purpose, recipe: Recipe | None) -> tuple[str, ...]:
    """Return the reasons why a run may not start now; empty if it may."""
    reasons: list[str] = []
    _standing(turn, reasons)
    _people_and_power(turn, reasons)
    _film_and_clamp(turn, reasons)
    _readings(turn, purpose, reasons)
    if purpose is Purpose.CYCLE:
        if recipe is None:
            reasons.append("a start request carries no recipe")
        else:
            _recipe(turn, recipe, reasons)
            _bottle(turn, recipe, reasons)
    return tuple(reasons)


def _standing(turn: Turn, reasons: list[str]) -> None:
    memory = turn.memory
    if memory.step is not CycleStep.IDLE:
        reasons.append(f"the cycle stands in {memory.step.value}, not in idle")
    if memory.trip is not None:
        reasons.append(f"a trip stands: {memory.trip.name}; reset first")
    if not turn.host.record_ok:
        reasons.append("the record cannot be written; no run without a record")


def _people_and_power(turn: Turn, reasons: list[str]) -> None:
    rig, seen = turn.rig, turn.seen
    if rig.has("emergency_stop") and seen.chain_ok is not True:
        reasons.append("the stop chain is open; free the button on the rig")
    if rig.has("logic_power_ok") and seen.logic_ok is not True:
        reasons.append("the 24 V logic supply is not good")


def _film_and_clamp(turn: Turn, reasons: list[str]) -> None:
    rig, seen, memory = turn.rig, turn.seen, turn.memory
    limits = rig.limits
    if memory.exposure is not Exposure.NO:
        reasons.append("the film has not been proven bled since it last saw gas; reset proves it")
    if rig.film_roles and not (seen.film_known and (seen.film_Pa or 0.0) <= limits.bled_Pa):
        reasons.append("the film sensors do not show an empty film (limits.bled)")
    if memory.clamp_found != "open":
        reasons.append("the clamp has not been proven open")
    if rig.has("clamp_closed") and seen.clamp_closed is not False:
        reasons.append("the clamp is not open")
    if rig.has("air_pressure") and (seen.air_Pa is None or seen.air_Pa < limits.air_pressure_Pa):
        now = "unknown" if seen.air_Pa is None else show_pressure(seen.air_Pa)
        wanted = show_pressure(limits.air_pressure_Pa)
        reasons.append(f"house air is {now}, at least {wanted} wanted (limits.air_pressure)")


def _readings(turn: Turn, purpose: Purpose, reasons: list[str]) -> None:
    needed = [role for role in turn.rig.inputs if purpose is Purpose.CYCLE or "head" not in role]
    for role in needed:
        reading = turn.seen.readings.get(role)
        if reading is None or not reading.good:
            why = "never read" if reading is None else reading.reason or "uncertain"
            reasons.append(f"{role.replace('_', ' ')} is not to be trusted: {why}")


def _recipe(turn: Turn, recipe: Recipe, reasons: list[str]) -> None:
    """Say again, at the last moment and with today's air, what the check says of the files."""
    rig, seen, imprint = turn.rig, turn.seen, recipe.imprint
    if imprint.film_pressure_Pa > rig.film_cap_Pa:
        reasons.append(
            f"film pressure {show_pressure(imprint.film_pressure_Pa)} is above this rig's "
            f"{show_pressure(rig.film_cap_Pa)}"
        )
    if imprint.temperature_degC + rig.limits.head_over_K > rig.limits.head_temperature_degC:
        reasons.append(
            f"imprint temperature {show_temperature(imprint.temperature_degC)} is too near this "
            f"rig's limit of {show_temperature(rig.limits.head_temperature_degC)}"
        )
    if seen.air_Pa is not None:
        margin = margin_at(rig, seen.air_Pa, imprint.film_pressure_Pa)
        if margin < rig.limits.clamp_permit:
            reasons.append(
                f"house air gives a clamp margin of {margin:.2f}, at least "
                f"{rig.limits.clamp_permit:.2f} wanted (limits.clamp_permit)"
            )


def run_gas_kg(turn: Turn, recipe: Recipe) -> float:
    """Return the nitrogen that one run takes: film and line filled to the recipe's pressure."""
    size = turn.rig.geometry
    film_abs_Pa = recipe.imprint.film_pressure_Pa + ATMOSPHERE_abs_Pa
    return cycle_kg(size.film_volume_m3 + size.line_volume_m3, film_abs_Pa, ATMOSPHERE_abs_Pa)


def _bottle(turn: Turn, recipe: Recipe, reasons: list[str]) -> None:
    rig, bottle_Pa = turn.rig, turn.seen.bottle_Pa
    if not rig.has("bottle_pressure") or bottle_Pa is None:
        return  # asked in the heating step, or said already as a reading not to be trusted
    limits, volume_m3 = rig.limits, rig.geometry.bottle_volume_m3
    need_Pa = recipe.imprint.film_pressure_Pa + limits.bottle_headroom_Pa
    if bottle_Pa < need_Pa:
        reasons.append(
            f"bottle {show_pressure(bottle_Pa)} is too low for the regulator: "
            f"{show_pressure(need_Pa)} wanted (limits.bottle_headroom)"
        )
    left_kg = filled_kg(volume_m3, bottle_Pa + ATMOSPHERE_abs_Pa) - run_gas_kg(turn, recipe)
    floor_kg = filled_kg(volume_m3, limits.bottle_change_out_Pa + ATMOSPHERE_abs_Pa)
    if left_kg < floor_kg:
        reasons.append(
            f"bottle {show_pressure(bottle_Pa)} would end below the change-out pressure of "
            f"{show_pressure(limits.bottle_change_out_Pa)}; change the bottle"
        )
