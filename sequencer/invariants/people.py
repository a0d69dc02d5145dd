"""Rules of heat, of people and their requests, and of what is told."""

from sequencer.core.cycle import TABLE
from sequencer.core.interlocks import UNDER_CLAMP
from sequencer.events import AlarmChanged, OutputsChanged, RequestAnswered, StepEntered
from sequencer.invariants.look import Look, where
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, Estimate, Outputs

C = CycleStep
MOVING = (*UNDER_CLAMP, C.RELEASING)  # the steps in which the clamp may move
AT_RIG = ("start", "purge", "reset", "release", "answer", "maintenance")


def no_heat_on_a_doubtful_head(look: Look) -> str:
    """The heater is off with a head reading that is bad, or above the rig's limit."""
    if not look.out.heater_on:
        return ""
    seen, limit_degC = look.step.estimate, look.rig.limits.head_temperature_degC
    heads = [seen.readings[role] for role in look.rig.head_roles]
    if any(not reading.good for reading in heads):
        return "heater on with a bad head reading"
    return "heater on above the limit" if any(r.value > limit_degC for r in heads) else ""


def a_hot_head_is_shown(hot: bool, seen: Estimate, hot_from_degC: float) -> str:
    """HOT is shown if any good head reading is hot, or none is good; looks at a status."""
    heads = [r.value for role, r in seen.readings.items() if "head" in role and r.good]
    is_hot = not heads or max(heads) >= hot_from_degC
    return "" if hot is is_hot else f"HOT shown {hot}, head {heads}"


def heat_only_where_it_belongs(look: Look) -> str:
    """The heater is on only from heating to the end of the dwell, in a run with a recipe."""
    if not look.out.heater_on:
        return ""
    if look.step.step not in (C.HEATING, C.CLAMPING, C.PRESSURIZING, C.HOLDING):
        return f"heater on in {look.step.step.value}"
    return "" if look.memory.run is not None and look.memory.run.recipe else "heater on, no recipe"


def no_open_guard_at_a_working_clamp(look: Look) -> str:
    """A guard not seen shut trips every step in which clamp or film may do harm."""
    if not look.rig.has("guard_closed") or look.step.estimate.guard_closed is True:
        return ""
    harmful = look.then.step in MOVING
    return where(look, "guard open") if harmful and look.step.step not in FAULT_STEPS else ""


CLOSING = ((C.CLAMPING, "fill"), (C.PURGING, "fill"), (C.PURGING, "air stroke"))


def the_clamp_closes_only_where_it_is_meant_to(look: Look) -> str:
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
        return where(look, "clamp told to close")
    if not look.rig.has("guard_closed"):
        return ""
    return "" if look.step.estimate.guard_closed is True else "clamp told to close, guard open"


def the_line_is_stroked_no_more_than_its_cap(look: Look) -> str:
    """The strokes that empty the nitrogen line are counted, and end."""
    stroking = look.step.step is C.PURGING and look.step.stage in ("stroke", "let off")
    over = look.memory.strokes > look.rig.limits.purge_strokes
    return f"{look.memory.strokes} strokes" if stroking and over else ""


def requests_are_taken_only_where_they_may_be(look: Look) -> str:
    """An accepted request stood at the rig where it must, and a start began in idle."""
    asked = {request.request_id: request for request in look.inputs.requests}
    for event in look.step.events:
        if not isinstance(event, RequestAnswered) or not event.accepted:
            continue
        request = asked.get(event.request_id)
        if request is None or (event.kind in AT_RIG and not request.at_rig):
            return f"{event.kind} accepted from afar"
        again = event.request_id in look.then.requests_seen
        if event.kind in ("start", "purge") and look.then.step is not C.IDLE and not again:
            return f"{event.kind} accepted in {look.then.step.value}"
    return ""


def each_change_of_outputs_is_told_once(look: Look) -> str:
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


def every_move_stands_in_the_table(look: Look) -> str:
    """Steps follow one another only by a row of the table, each told by an event."""
    at = look.then.step
    for event in look.step.events:
        if isinstance(event, StepEntered):
            if event.left is not at:
                return f"left {event.left.value} while standing in {at.value}"
            if not any(row.source is at and row.dest is event.step for row in TABLE):
                return f"no row from {at.value} to {event.step.value}"
            at = event.step
    return "" if at is look.step.step else f"went to {look.step.step.value} without an event"


def the_core_never_contradicts_itself(look: Look) -> str:
    """The last net below table, stages and fall-back never has anything to catch."""
    for event in look.step.events:
        if isinstance(event, AlarmChanged) and event.name == "core_fault":
            return event.detail
    return ""
