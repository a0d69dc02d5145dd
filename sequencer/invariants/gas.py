"""Rules of the order that protects film and person: clamp, prove, press; vent, prove, release."""

from collections.abc import Iterable

from sequencer.core.estimate import margin_at
from sequencer.core.memory import Exposure, Gap
from sequencer.events import RunStarted, StepEntered
from sequencer.invariants.look import Look, film_low, where
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, RequestKind

C = CycleStep
DRAINED_IN = (C.CLAMPING, C.VENTING, C.PURGING, C.SAFE_CLAMPED)
SETTLED = (C.IDLE, C.HEATING, C.RELEASING, *FAULT_STEPS)  # the vent stands open in all of them


def supply_opens_only_onto_a_proven_clamp(look: Look) -> str:
    """At the opening of the supply the measured clamp holds the larger of recipe and supply."""
    if not look.out.supply_open:
        return ""
    if look.out.clamp is not Clamp.APPLY:
        return "supply open, clamp not applied"
    if look.before.supply_open or look.step.step is C.VENTING:
        return "" if look.memory.clamp_found == "closed" else "supply open, clamp never proven"
    rig, seen, run = look.rig, look.step.estimate, look.memory.run
    if rig.evidence.clamp_full.by != "measured":
        return "" if look.memory.clamp_found == "closed" else "supply open, clamp never proven"
    target_Pa = run.recipe.imprint.film_pressure_Pa if run and run.recipe else 0.0
    behind_Pa = seen.supply_Pa if rig.has("supply_pressure") else None
    target_Pa = max(target_Pa, rig.limits.relief_Pa if behind_Pa is None else behind_Pa)
    if seen.clamp_Pa is None or (rig.has("clamp_closed") and seen.clamp_closed is not True):
        return "supply opened, clamp unknown or not closed"
    margin = margin_at(rig, seen.clamp_Pa, target_Pa)
    return "" if margin >= rig.limits.clamp_permit else f"supply opened at margin {margin:.2f}"


GAS_STAGES = {
    (C.CLAMPING, "drain gap"): (True, False),
    (C.CLAMPING, "try isolation"): (True, False),
    (C.CLAMPING, "try supply"): (False, True),
    (C.PRESSURIZING, "raise"): (True, True),
    (C.HOLDING, "dwell"): (True, True),
    (C.HOLDING, "leak test"): (False, True),
    (C.COOLING, "cool"): (True, True),
    (C.VENTING, "drain gap"): (True, False),
    (C.SAFE_CLAMPED, "drain gap"): (True, False),
    (C.PURGING, "stroke"): (True, True),
    (C.PURGING, "drain gap"): (True, False),
}


def supply_open_only_in_its_stages(look: Look) -> str:
    """The supply is shut but for the feeding, the trial of the isolation and the gap's drain."""
    may, _ = GAS_STAGES.get((look.step.step, look.step.stage), (False, False))
    return where(look, "supply open") if look.out.supply_open and not may else ""


def isolation_open_only_in_its_stages(look: Look) -> str:
    """The isolation is shut but for the feeding and the trial of the supply valve."""
    _, may = GAS_STAGES.get((look.step.step, look.step.stage), (False, False))
    return where(look, "isolation open") if look.out.isolation_open and not may else ""


def no_straight_way_from_bottle_to_room(look: Look) -> str:
    """Supply, isolation and vent are never open together."""
    fed = look.out.supply_open and (look.out.isolation_open or not look.rig.isolated)
    return "supply, isolation and vent open" if fed and look.out.vent_open else ""


def a_shut_clamp_lets_go_only_after_the_proof(look: Look) -> str:
    """No time-out, button or fault opens the clamp on a film that is not proven bled."""
    if look.out.clamp is not Clamp.RELEASE or look.told is not Clamp.APPLY:
        return ""
    exposure = look.memory.exposure
    return "" if exposure is Exposure.NO else f"clamp let go, film's exposure {exposure.value}"


def a_shut_clamp_stays_on_a_film_not_seen_empty(look: Look) -> str:
    """Whatever was proven before: with a film reading high or bad the clamp is not let go."""
    let_go = look.out.clamp is Clamp.RELEASE and look.told is Clamp.APPLY
    return "clamp let go, the film not seen empty" if let_go and not film_low(look) else ""


def the_clamp_holds_the_film(look: Look) -> str:
    """True pressure in the film has a true clamp force over it (needs the truth)."""
    if look.truth is None or look.truth.film_Pa <= look.rig.limits.bled_Pa:
        return ""
    margin = margin_at(look.rig, look.truth.clamp_Pa, look.truth.film_Pa)
    return "" if margin >= 1.0 else f"film under pressure, true clamp margin {margin:.2f}"


def pressure_only_after_the_proven_clamp(look: Look) -> str:
    """Pressurizing follows on the end of clamping, clamp found closed, no trip standing."""
    for event in _entered(look, C.PRESSURIZING):
        if event.left is not C.CLAMPING or event.cause != "done":
            return f"pressurizing from {event.left.value} by {event.cause}"
        if look.memory.clamp_found != "closed" or look.memory.trip is not None:
            return "pressurizing without a proven clamp, or with a trip standing"
    return ""


def release_only_after_the_bled_film(look: Look) -> str:
    """Releasing begins on a film proven bled, or with a clamp that was told to let go before."""
    for event in _entered(look, C.RELEASING):
        if look.memory.exposure is not Exposure.NO and look.told is not Clamp.RELEASE:
            return f"releasing from {event.left.value}, film's exposure {look.memory.exposure}"
    return ""


def _entered(look: Look, step: CycleStep) -> Iterable[StepEntered]:
    return (e for e in look.step.events if isinstance(e, StepEntered) and e.step is step)


def settled_steps_stand_vented(look: Look) -> str:
    """Outside the steps under gas the vent is open, and so it is with every drain of the gap."""
    draining = look.step.stage == "drain gap" and not look.rig.three_way
    if look.step.step not in SETTLED and not draining:
        return ""
    if (look.step.step, look.step.stage) == (C.VENT_UNCONFIRMED, "vent stroke"):
        return ""  # counted by `the_vent_is_stroked_three_times_at_most`
    return "" if look.out.vent_open else where(look, "vent shut")


def the_vent_is_stroked_three_times_at_most(look: Look) -> str:
    """Where the vent does not let the film off, it alone is shut and opened, and not for ever."""
    strokes = look.memory.vent_strokes
    return "" if strokes <= 3 else where(look, f"{strokes} strokes of the vent")


def a_run_starts_within_the_rig(look: Look) -> str:
    """A cycle begins only with a film pressure that the rig and today's air can hold."""
    run, rig = look.memory.run, look.rig
    if not any(isinstance(event, RunStarted) for event in look.step.events):
        return ""
    if run is None or run.recipe is None:
        return ""
    film_Pa, air_Pa = run.recipe.imprint.film_pressure_Pa, look.step.estimate.air_Pa
    if film_Pa > rig.limits.film_pressure_Pa:
        return "run started above the rig's film pressure"
    if air_Pa is not None and margin_at(rig, air_Pa, film_Pa) < rig.limits.clamp_permit:
        return "run started on too little house air"
    return ""


def no_feeding_far_above_the_recipe(look: Look) -> str:
    """A film far above its target is not fed, from the scan on that shows it."""
    film_Pa, run = look.step.estimate.film_Pa, look.memory.run
    if not look.out.supply_open or film_Pa is None or run is None or run.recipe is None:
        return ""
    target_Pa = run.recipe.imprint.film_pressure_Pa
    over = film_Pa > max(1.1 * target_Pa, target_Pa + 1.5 * look.rig.limits.film_over_Pa)
    return "supply open, film far above the recipe" if over else ""


def no_feeding_at_a_short_clamp(look: Look) -> str:
    """A film under pressure is not fed while the clamp margin is short or the clamp unknown."""
    if not look.out.supply_open or look.rig.evidence.clamp_full.by != "measured":
        return ""
    margin, film_Pa = look.step.estimate.clamp_margin, look.step.estimate.film_Pa
    if film_Pa is None or film_Pa <= look.rig.limits.bled_Pa:
        return ""
    if look.step.estimate.clamp_Pa is None and look.step.step is not C.PURGING:
        return "supply open, clamp reading not to be believed"
    short = margin is not None and margin < look.rig.limits.clamp_trip
    return f"supply open at clamp margin {margin:.2f}" if short else ""


def no_gas_at_an_open_clamp(look: Look) -> str:
    """An image that lets the clamp go or leaves it carries no gas."""
    gas = look.out.supply_open or look.out.isolation_open
    return "gas valve open, clamp not applied" if gas and look.out.clamp is not Clamp.APPLY else ""


def the_film_is_bled_only_by_proof(look: Look) -> str:
    """Exposure ends only in a scan whose sensors, if any, show an empty film and no gas flows."""
    ended = look.then.exposure is not Exposure.NO and look.memory.exposure is Exposure.NO
    if not ended:
        return ""
    maintained = any(request.kind is RequestKind.MAINTENANCE for request in look.inputs.requests)
    if look.before.supply_open or look.before.isolation_open:
        return "film taken for bled with a gas valve open"
    return "" if maintained or film_low(look) else "film taken for bled on readings that do not"


def a_charged_gap_is_remembered(look: Look) -> str:
    """The gap is empty only after a drain."""
    if look.then.gap is Gap.EMPTY or look.memory.gap is not Gap.EMPTY:
        return ""
    drained = look.then.step in DRAINED_IN and look.before.supply_open
    return "" if drained and not look.before.isolation_open else "gap taken for empty, not drained"
