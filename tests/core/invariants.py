"""What must be true in every scan, whatever is asked, answered or broken: each rule stated once.

A rule sees the scan before and the scan after, and returns what is wrong, empty where nothing is.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.core.cycle import TABLE
from sequencer.core.estimate import margin_at
from sequencer.core.memory import Exposure, Gap, Memory
from sequencer.core.stages import STAGES
from sequencer.core.turn import Turn
from sequencer.events import AlarmChanged, OutputsChanged, RequestAnswered, Step, StepEntered
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, Inputs, Outputs, RequestKind

C = CycleStep


class Look(NamedTuple):
    """One scan and the one before it."""

    rig: Rig
    now_ns: int
    inputs: Inputs
    before: Outputs
    then: Memory
    step: Step
    memory: Memory
    told: Clamp  # the last thing the clamp was told before this scan, LEAVE if nothing yet
    way_back: bool  # a person's reset or release was accepted since this fault step began

    @property
    def out(self) -> Outputs:
        return self.step.outputs


def _film_low(look: Look) -> bool:
    seen = look.step.estimate
    if not look.rig.film_roles:
        return True
    return seen.film_known and seen.film_Pa is not None and seen.film_Pa <= look.rig.limits.bled_Pa


def i1_supply_opens_only_onto_a_proven_clamp(look: Look) -> str:
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


def i2_supply_isolation_and_vent_never_open_together(look: Look) -> str:
    """No straight way from the bottle to the room."""
    fed = look.out.supply_open and (look.out.isolation_open or not look.rig.isolated)
    return "supply, isolation and vent open" if fed and look.out.vent_open else ""


def i3_a_shut_clamp_lets_go_only_on_a_bled_film(look: Look) -> str:
    """No time-out, button or fault opens the clamp on a film that is not proven empty."""
    if look.out.clamp is not Clamp.RELEASE or look.told is not Clamp.APPLY:
        return ""
    if look.memory.exposure is not Exposure.NO:
        return f"clamp let go with the film's exposure {look.memory.exposure.value}"
    return "" if _film_low(look) else "clamp let go while the film is not seen empty"


def i4_heat_only_where_it_belongs(look: Look) -> str:
    """The heater is on only from heating to the end of the dwell, in a run with a recipe."""
    if not look.out.heater_on:
        return ""
    if look.step.step not in (C.HEATING, C.CLAMPING, C.PRESSURIZING, C.HOLDING):
        return f"heater on in {look.step.step.value}"
    return "" if look.memory.run is not None and look.memory.run.recipe else "heater on, no recipe"


def i5_a_standing_trip_means_the_safe_image(look: Look) -> str:
    """In the scan that latches a trip and in all that follow."""
    if look.memory.trip is None and look.step.step not in FAULT_STEPS:
        return ""
    out = look.out
    wrong = out.supply_open or out.isolation_open or not out.vent_open or out.heater_on
    return "trip or fault step without the safe image" if wrong or out.coolant_on else ""


def i6_every_stage_ends_in_its_time(look: Look) -> str:
    """No stage with a limit stands a scan longer than that limit."""
    memory = look.memory
    stage = STAGES[memory.step][memory.stage]
    turn = Turn(look.rig, look.now_ns, memory, look.step.estimate)
    over_s = turn.stage_age_s() - stage.limit(turn)
    return f"{memory.step.value}/{stage.name} stands {over_s:.2f} s too long" if over_s > 0 else ""


def i7_the_core_never_contradicts_itself(look: Look) -> str:
    """The last net below table, stages and fall-back never has anything to catch."""
    for event in look.step.events:
        if isinstance(event, AlarmChanged) and event.name == "core_fault":
            return event.detail
    return ""


def i8_every_move_stands_in_the_table(look: Look) -> str:
    """Steps follow one another only by a row of the table."""
    at = look.then.step
    for event in look.step.events:
        if isinstance(event, StepEntered):
            if event.left is not at:
                return f"left {event.left.value} while standing in {at.value}"
            if not any(row.source is at and row.dest is event.step for row in TABLE):
                return f"no row from {at.value} to {event.step.value}"
            at = event.step
    return "" if at is look.step.step else f"went to {look.step.step.value} without an event"


def i9_only_a_person_leads_out_of_a_fault(look: Look) -> str:
    """Out of the fault steps only by an accepted reset or release."""
    if look.then.step in FAULT_STEPS and look.step.step not in FAULT_STEPS:
        return "" if look.way_back else f"left {look.then.step.value} by itself"
    return ""


def i10_vent_unconfirmed_is_left_only_with_a_bled_film(look: Look) -> str:
    """By proof, or by a maintenance entry, which counts as one; never otherwise."""
    if look.then.step is C.VENT_UNCONFIRMED and look.step.step is not C.VENT_UNCONFIRMED:
        return "" if look.memory.exposure is Exposure.NO else "vent_unconfirmed left without proof"
    return ""


def i11_the_first_out_stays(look: Look) -> str:
    """A latched trip is replaced by nothing; it goes only with a reset, out of a fault step."""
    then, now = look.then.trip, look.memory.trip
    if then is None or now is then or now == then:
        return ""
    if now is not None:
        return f"first-out {then.name} replaced by {now.name}"
    return "" if look.way_back else f"first-out {then.name} lost without a reset"


GAS_STAGES = {
    (C.CLAMPING, "drain gap"): (True, False),
    (C.CLAMPING, "try isolation"): (True, False),
    (C.CLAMPING, "try supply"): (False, True),
    (C.PRESSURIZING, "raise"): (True, True),
    (C.HOLDING, "dwell"): (True, True),
    (C.COOLING, "cool"): (True, True),
    (C.VENTING, "drain gap"): (True, False),
    (C.PURGING, "stroke"): (True, True),
    (C.PURGING, "drain gap"): (True, False),
}


def i12_gas_valves_open_only_in_their_stages(look: Look) -> str:
    """Supply and isolation are shut in every stage but those nine."""
    may = GAS_STAGES.get((look.step.step, look.step.stage), (False, False))
    if look.out.supply_open and not may[0]:
        return f"supply open in {look.step.step.value}/{look.step.stage}"
    if look.out.isolation_open and not may[1]:
        return f"isolation open in {look.step.step.value}/{look.step.stage}"
    return ""


def i13_a_reset_moves_nothing(look: Look) -> str:
    """In the scan of an accepted reset no output goes towards power, gas or motion."""
    resets = [
        event
        for event in look.step.events
        if isinstance(event, RequestAnswered) and event.kind == "reset" and event.accepted
    ]
    if not resets:
        return ""
    out, before = look.out, look.before
    more = (
        out.supply_open > before.supply_open
        or out.isolation_open > before.isolation_open
        or out.heater_on > before.heater_on
        or out.coolant_on > before.coolant_on
        or out.vent_open < before.vent_open
    )
    moved = out.clamp is not before.clamp and out.clamp is not Clamp.LEAVE
    return "a reset moved something" if more or moved else ""


CLOSING = (
    (C.CLAMPING, "fill"),
    (C.PURGING, "fill"),
    (C.PURGING, "air stroke"),
)


def i14_the_clamp_closes_only_where_it_is_meant_to(look: Look) -> str:
    """Behind a shut guard, at the start of clamping or in a stroke of the air line.

    A clamp that was never moved may be held shut while a person is asked; a fault may re-apply one
    that has never opened.
    """
    if look.out.clamp is not Clamp.APPLY or look.told is Clamp.APPLY:
        return ""
    here = (look.step.step, look.step.stage)
    if look.step.step in FAULT_STEPS or (
        here == (C.RELEASING, "word") and look.told is Clamp.LEAVE
    ):
        return ""
    if here not in CLOSING:
        return f"clamp told to close in {here[0].value}/{here[1]}"
    if not look.rig.has("guard_closed"):
        return ""
    return "" if look.step.estimate.guard_closed is True else "clamp told to close, guard open"


def i15_no_gas_at_an_open_clamp(look: Look) -> str:
    """An image that lets the clamp go or leaves it carries no gas."""
    gas = look.out.supply_open or look.out.isolation_open
    return "gas valve open, clamp not applied" if gas and look.out.clamp is not Clamp.APPLY else ""


def i16_each_change_of_outputs_is_told_once(look: Look) -> str:
    """One event a changed image, none for an unchanged one."""
    told = sum(isinstance(event, OutputsChanged) for event in look.step.events)
    same = _said(look.out) == _said(look.before)
    return "" if told == (0 if same else 1) else f"{told} events for a change of outputs"


def _said(outputs: Outputs) -> tuple[object, ...]:
    return (
        outputs.clamp,
        outputs.supply_open,
        outputs.isolation_open,
        outputs.vent_open,
        outputs.heater_on,
        outputs.heater_setpoint_degC,
        outputs.coolant_on,
        outputs.film_setpoint_Pa,
    )


def i17_the_film_is_bled_only_by_proof(look: Look) -> str:
    """Exposure ends only in a scan whose sensors, if any, show an empty film and no gas flows."""
    ended = look.then.exposure is not Exposure.NO and look.memory.exposure is Exposure.NO
    if not ended:
        return ""
    maintained = any(request.kind is RequestKind.MAINTENANCE for request in look.inputs.requests)
    if look.before.supply_open or look.before.isolation_open:
        return "film taken for bled with a gas valve open"
    return "" if maintained or _film_low(look) else "film taken for bled on readings that do not"


def i18_a_charged_gap_is_remembered(look: Look) -> str:
    """The gap is empty only after a drain."""
    if look.then.gap is Gap.EMPTY or look.memory.gap is not Gap.EMPTY:
        return ""
    drained = look.then.step in (C.CLAMPING, C.VENTING, C.PURGING) and look.before.supply_open
    return "" if drained and not look.before.isolation_open else "gap taken for empty, not drained"


RULES: tuple[Callable[[Look], str], ...] = (
    i1_supply_opens_only_onto_a_proven_clamp,
    i2_supply_isolation_and_vent_never_open_together,
    i3_a_shut_clamp_lets_go_only_on_a_bled_film,
    i4_heat_only_where_it_belongs,
    i5_a_standing_trip_means_the_safe_image,
    i6_every_stage_ends_in_its_time,
    i7_the_core_never_contradicts_itself,
    i8_every_move_stands_in_the_table,
    i9_only_a_person_leads_out_of_a_fault,
    i10_vent_unconfirmed_is_left_only_with_a_bled_film,
    i11_the_first_out_stays,
    i12_gas_valves_open_only_in_their_stages,
    i13_a_reset_moves_nothing,
    i14_the_clamp_closes_only_where_it_is_meant_to,
    i15_no_gas_at_an_open_clamp,
    i16_each_change_of_outputs_is_told_once,
    i17_the_film_is_bled_only_by_proof,
    i18_a_charged_gap_is_remembered,
)
WAY_BACK = ("reset", "release")


class Broken(AssertionError):
    """A rule is broken; ``rule`` is its name."""

    def __init__(self, rule: str, what: str, look: Look) -> None:
        self.rule = rule
        at = f"{look.now_ns / 1e9:.2f} s in {look.step.step.value}/{look.step.stage}"
        super().__init__(f"{rule}: {what}, at {at}; events {look.step.events}")


@dataclass
class Watch:
    """Looks at every scan with every rule."""

    rig: Rig
    before: Outputs = field(default_factory=Outputs)
    then: Memory = field(default_factory=Memory)
    told: Clamp = Clamp.LEAVE
    way_back: bool = False
    rules: tuple[Callable[[Look], str], ...] = RULES

    def look(self, now_ns: int, inputs: Inputs, step: Step, memory: Memory) -> None:
        """Look at one scan.

        Raises:
            Broken: if a rule is.
        """
        answered = [event for event in step.events if isinstance(event, RequestAnswered)]
        asked = any(e.accepted and e.kind in WAY_BACK for e in answered)
        self.way_back |= asked
        look = Look(
            self.rig, now_ns, inputs, self.before, self.then, step, memory, self.told, self.way_back
        )
        for rule in self.rules:
            wrong = rule(look)
            if wrong:
                raise Broken(rule.__name__, wrong, look)
        if step.step is not self.then.step:
            # A reset out of faulted may end in safe_clamped; only its own step counts. One in idle
            # asks for the proofs of faulted.
            self.way_back = asked and self.then.step is C.IDLE
        if step.outputs.clamp is not Clamp.LEAVE:
            self.told = step.outputs.clamp
        self.before, self.then = step.outputs, memory
