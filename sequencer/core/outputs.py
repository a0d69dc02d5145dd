"""What each stage drives, what the clamp does on a fault, and the last clamp-down to safe.

Rules of this file: nothing here knows how a step came about. The last stage, `clamp_down`, looks
at the image alone and forces it safe while a trip stands, whatever the table says.
"""

from dataclasses import replace
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.core.memory import Exposure, Memory
from sequencer.core.turn import Turn
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, Outputs
from sequencer.physics.clamp import clamp_margin
from sequencer.units import ns


class Image(NamedTuple):
    """What a stage drives; the set-points come from the recipe. ``clamp`` None: as on a fault."""

    clamp: Clamp | None
    supply: bool
    isolation: bool
    vent: bool
    heater: bool = False
    coolant: bool = False


#                       clamp          supply isolation vent   heater coolant
SAFE = Image(Clamp.LEAVE, False, False, True)
FAULT = Image(None, False, False, True)
HEAT = Image(Clamp.LEAVE, False, False, True, True)
CLAMP = Image(Clamp.APPLY, False, False, True)
CLAMP_HOT = Image(Clamp.APPLY, False, False, True, True)
TRY_ISOLATION = Image(Clamp.APPLY, True, False, False, True)
TRY_SUPPLY = Image(Clamp.APPLY, False, True, False, True)
DRAIN_HOT = Image(Clamp.APPLY, True, False, True, True)
FEED = Image(Clamp.APPLY, True, True, False, True)
LEAK_TEST = Image(Clamp.APPLY, False, True, False, True)
VENT_STROKE = Image(None, False, False, False)
FAULT_DRAIN = Image(Clamp.APPLY, True, False, True)
SEAL = Image(Clamp.APPLY, False, False, False, True)
COOL_FED = Image(Clamp.APPLY, True, True, False, False, True)
COOL_SEALED = Image(Clamp.APPLY, False, False, False, False, True)
STROKE = Image(Clamp.APPLY, True, True, False)
DRAIN = Image(Clamp.APPLY, True, False, True)
RELEASE = Image(Clamp.RELEASE, False, False, True)

HEATED_STEPS = (
    CycleStep.HEATING,
    CycleStep.CLAMPING,
    CycleStep.PRESSURIZING,
    CycleStep.HOLDING,
)
GAS_STEPS = (
    CycleStep.CLAMPING,  # the proof of the shut-offs
    CycleStep.PRESSURIZING,
    CycleStep.HOLDING,
    CycleStep.COOLING,
    CycleStep.VENTING,  # the drain of the gap
    CycleStep.PURGING,
    CycleStep.SAFE_CLAMPED,  # the drain of the gap, once the trip is reset
)
NO_FEED = (CycleStep.VENTING, CycleStep.SAFE_CLAMPED)  # gas steps that feed no film
PEOPLE = ("emergency_stop", "guard_open")  # trips that may mean a hand in the clamp


def outputs_of(image: Image, turn: Turn) -> Outputs:
    """Return the outputs of a stage's image, with the recipe's set-points and the expiry."""
    run, rig = turn.memory.run, turn.rig
    recipe = run.recipe if run is not None else None
    three_way = rig.three_way
    return Outputs(
        clamp=turn.memory.fallback_clamp if image.clamp is None else image.clamp,
        supply_open=image.supply,
        isolation_open=image.isolation and rig.isolated,
        vent_open=(not image.supply) if three_way else image.vent,
        heater_on=image.heater,
        heater_setpoint_degC=(
            recipe.imprint.temperature_degC if recipe is not None and image.heater else 0.0
        ),
        coolant_on=image.coolant and rig.has("coolant"),
        film_setpoint_Pa=recipe.imprint.film_pressure_Pa if recipe is not None else 0.0,
        expires_ns=turn.now_ns + ns(rig.timing.outputs_expire_s),
    )


def fallback_clamp(turn: Turn, cause: str, *, film_untouched: bool) -> Clamp:
    """Return what the clamp is told from a trip on, by the step that the trip finds.

    Unexpected motion is as bad as a lost clamp: where the film holds nothing the clamp is not
    moved, except that a hand in a closing clamp is let go where letting go takes no power.
    """
    step, rig = turn.memory.step, turn.rig
    commanded = turn.memory.outputs.clamp
    if step is CycleStep.CLAMPING and film_untouched and cause in PEOPLE:
        return Clamp.RELEASE if rig.clamp_rests == "release" else Clamp.LEAVE
    if step is CycleStep.RELEASING and commanded is Clamp.RELEASE:
        return _releasing_fallback(turn, cause)
    if commanded is Clamp.APPLY:
        return Clamp.APPLY
    return Clamp.LEAVE


def _releasing_fallback(turn: Turn, cause: str) -> Clamp:
    seen, size = turn.seen, turn.rig.geometry
    if pressure_seen(turn):
        closed = seen.clamp_closed is True
        held = seen.clamp_Pa is not None and (
            clamp_margin(
                seen.clamp_Pa,
                seen.film_Pa if seen.film_Pa is not None else turn.rig.limits.relief_Pa,
                size.cylinder_bore_m,
                size.film_seal_diameter_m,
                size.cylinder_efficiency,
            )
            >= 1.0
        )
        # Re-applied only while it is still closed and strong: never onto a possible hand.
        return Clamp.APPLY if closed and held else Clamp.LEAVE
    if cause in PEOPLE:
        return Clamp.LEAVE  # the hardware decides; nothing is moved from here
    return Clamp.RELEASE  # half open is no place to rest


def pressure_seen(turn: Turn) -> bool:
    """Tell whether the film shows pressure, or its sensors cannot be believed."""
    if not turn.rig.film_roles:
        return turn.memory.exposure is Exposure.YES
    seen = turn.seen
    return not seen.film_known or seen.film_Pa is None or seen.film_Pa > turn.rig.limits.bled_Pa


def violations(outputs: Outputs, memory: Memory, rig: Rig) -> tuple[str, ...]:
    """Return what an image does that no image may do in this step; empty for a right one."""
    found = []
    step = memory.step
    if outputs.supply_open and step not in GAS_STEPS:
        found.append("film supply open outside the steps under gas")
    if outputs.isolation_open and (step not in GAS_STEPS or step in NO_FEED):
        found.append("film isolation open outside the steps under gas")
    if outputs.supply_open and outputs.clamp is not Clamp.APPLY:
        found.append("film supply open without the clamp applied")
    if outputs.supply_open and outputs.vent_open and (outputs.isolation_open or not rig.isolated):
        found.append("supply, isolation and vent open at once")
    if outputs.heater_on and step not in HEATED_STEPS:
        found.append("heater on outside the heated steps")
    let_go = outputs.clamp is Clamp.RELEASE and memory.outputs.clamp is not Clamp.RELEASE
    if let_go and memory.exposure is not Exposure.NO:
        found.append("clamp released on a film that is not proven bled")
    return tuple(found)


def clamp_down(outputs: Outputs, turn: Turn) -> Outputs:
    """Force the safe image while a trip stands; the clamp keeps what the fall-back decided.

    Two things may be less than safe in a fault step: a vent that is stroked because it does not let
    the film off, and, without a trip and under clamp, the supply valve that drains the gap.
    """
    memory = turn.memory
    if memory.trip is None and memory.step not in FAULT_STEPS:
        return outputs
    drains = outputs.supply_open and memory.step is CycleStep.SAFE_CLAMPED and memory.trip is None
    powered = not turn.rig.has("emergency_stop") or turn.seen.chain_ok is True
    stroked = memory.step is CycleStep.VENT_UNCONFIRMED and not turn.rig.three_way and powered
    releasing = memory.step is CycleStep.RELEASING and memory.trip is None
    clamp = outputs.clamp if releasing else memory.fallback_clamp
    if clamp is Clamp.RELEASE and memory.exposure is not Exposure.NO:
        clamp = Clamp.LEAVE
    return replace(
        outputs,
        clamp=clamp,
        supply_open=drains and clamp is Clamp.APPLY and turn.rig.isolated,
        isolation_open=False,
        vent_open=outputs.vent_open or not stroked,
        heater_on=False,
        heater_setpoint_degC=0.0,
        coolant_on=False,
    )
