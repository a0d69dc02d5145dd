"""Rules of the fall-back and of what may be believed: trips, time, readings, start-up."""

from sequencer.core.interlocks import UNDER_CLAMP
from sequencer.core.memory import Exposure
from sequencer.core.stages import STAGES
from sequencer.core.turn import Turn
from sequencer.events import RequestAnswered
from sequencer.invariants.look import Look, safe, safe_but_for_its_stage
from sequencer.model import FAULT_STEPS, Clamp, CycleStep, Quality
from sequencer.units import ns
from sequencer.wiring import channel_values

C = CycleStep
MOVING = (*UNDER_CLAMP, C.RELEASING)  # the steps in which the clamp may move or the film hold gas
READ_BACK_s = 0.2
LATE_ns = 150_000_000


def a_standing_trip_means_the_safe_image(look: Look) -> str:
    """In the scan that latches a trip and in all that follow."""
    if look.memory.trip is None and look.step.step not in FAULT_STEPS:
        return ""
    safe_enough = safe_but_for_its_stage(look)
    return "" if safe_enough else "trip or fault step without the safe image"


def a_trip_is_written_gas_first_and_lets_nothing_go(look: Look) -> str:
    """Shut-offs stand before the vent and the clamp last in what is written on a trip."""
    if look.step.step not in FAULT_STEPS or look.then.step in FAULT_STEPS:
        return ""
    let_go = look.out.clamp is Clamp.RELEASE and look.told is Clamp.APPLY
    if let_go and (look.then.step is not C.CLAMPING or look.memory.exposure is not Exposure.NO):
        return f"a trip in {look.then.step.value} let the clamp go"
    outputs = look.rig.outputs
    place = {name: at for at, name in enumerate(channel_values(look.out, look.rig))}

    def at(*roles: str) -> list[int]:
        found = (outputs[role].channel for role in roles if role in outputs)
        return [place[name] for name in found if name in place]

    gas, vent = at("film_supply", "film_isolation"), at("film_vent")
    clamp = at("clamp", "clamp_apply", "clamp_release")
    in_order = max(gas, default=-1) < min(vent or clamp or [len(place)])
    last = min(clamp, default=len(place)) > max(gas + vent, default=-1)
    return "" if in_order and last else "shut-offs are not written before vent and clamp"


def vent_unconfirmed_is_left_only_with_a_bled_film(look: Look) -> str:
    """By proof, or by a maintenance entry, which counts as one; never by time or button."""
    if look.then.step is not C.VENT_UNCONFIRMED or look.step.step is C.VENT_UNCONFIRMED:
        return ""
    if look.memory.exposure is not Exposure.NO:
        return "vent_unconfirmed left without proof"
    rest = (C.SAFE_CLAMPED, C.FAULTED)
    return "" if look.step.step in rest else f"vent_unconfirmed led to {look.step.step.value}"


def only_a_person_leads_out_of_a_fault(look: Look) -> str:
    """Out of the fault steps only by an accepted reset or release."""
    if look.then.step in FAULT_STEPS and look.step.step not in FAULT_STEPS:
        return "" if look.way_back else f"left {look.then.step.value} by itself"
    return ""


def a_reset_moves_nothing(look: Look) -> str:
    """In the scan of an accepted reset no output goes towards power, gas or motion."""
    if not any(
        isinstance(event, RequestAnswered) and event.kind == "reset" and event.accepted
        for event in look.step.events
    ):
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


def every_stage_ends_in_its_time(look: Look) -> str:
    """No stage with a limit stands a scan longer than that limit."""
    memory = look.memory
    stage = STAGES[memory.step][memory.stage]
    turn = Turn(look.rig, look.now_ns, memory, look.step.estimate)
    over_s = turn.stage_age_s() - stage.limit(turn)
    return f"{memory.step.value}/{stage.name} stands {over_s:.2f} s too long" if over_s > 0 else ""


def the_first_out_stays(look: Look) -> str:
    """A latched trip is replaced by nothing; it goes only with a reset, out of a fault step."""
    then, now = look.then.trip, look.memory.trip
    if then is None or now is then or now == then:
        return ""
    if now is not None:
        return f"first-out {then.name} replaced by {now.name}"
    return "" if look.way_back else f"first-out {then.name} lost without a reset"


def a_needed_reading_gone_bad_trips(look: Look) -> str:
    """A film, clamp or head reading that cannot be believed trips the steps that need it."""
    if look.step.step in FAULT_STEPS:
        return ""
    needed: list[str] = []
    if look.then.step in MOVING or look.then.step is C.PURGING:
        needed += look.rig.film_roles
    if look.then.step in UNDER_CLAMP:
        needed += ("clamp_pressure", "clamp_closed")
    if look.then.step in (C.HEATING, *UNDER_CLAMP):
        needed += look.rig.head_roles
    readings = look.step.estimate.readings
    bad = [role for role in needed if role in readings and not readings[role].good]
    return f"{look.step.step.value} goes on with a bad {', '.join(bad)}" if bad else ""


def an_old_value_is_a_bad_one(look: Look) -> str:
    """A value older than its channel may be is never good."""
    for role, reading in look.step.estimate.readings.items():
        age_ns = look.now_ns - reading.taken_ns
        if reading.good and age_ns > ns(look.rig.inputs[role].fresh_for_s):
            return f"{role} is {age_ns / 1e9:.1f} s old and taken for good"
    return ""


def outputs_that_differ_trip(look: Look) -> str:
    """A read-back other than what was written, for longer than a valve needs, trips."""
    if not look.inputs.read_back or look.step.step in FAULT_STEPS:
        return ""
    written = channel_values(look.before, look.rig)
    wrong = [n for n, value in look.inputs.read_back if n in written and written[n] != value]
    since_ns = look.then.watched_since_ns.get("outputs_differ")
    late = since_ns is not None and look.now_ns - since_ns > ns(READ_BACK_s)
    return f"{', '.join(wrong)} not driven as written, no trip" if wrong and late else ""


def the_watchdog_pulses_only_after_a_whole_scan(look: Look) -> str:
    """Its level changes only with the link up, on time, as written and with no film reading bad."""
    if look.out.watchdog_on is look.before.watchdog_on:
        return ""
    host, readings = look.inputs.host, look.step.estimate.readings
    if not host.link_ok or host.late_ns > LATE_ns:
        return "watchdog pulsed although the link is down or the scan late"
    moving = look.then.step in MOVING
    bad = [r for r in look.rig.film_roles if moving and readings[r].quality is Quality.BAD]
    if bad:
        return f"watchdog pulsed with a bad {', '.join(bad)}"
    written = channel_values(look.before, look.rig)
    wrong = [n for n, value in look.inputs.read_back if n in written and written[n] != value]
    return f"watchdog pulsed, {', '.join(wrong)} not driven as written" if wrong else ""


def an_open_stop_chain_means_the_safe_image(look: Look) -> str:
    """With the emergency stop pressed, or its state unknown, nothing is energised towards harm."""
    if not look.rig.has("emergency_stop") or look.step.estimate.chain_ok is True:
        return ""
    if look.step.step not in FAULT_STEPS:
        return f"stop chain open in {look.step.step.value}"
    return "" if safe(look.out) else "stop chain open without the safe image"


def nothing_is_resumed_at_start_up(look: Look) -> str:
    """The first scan stands in a fault step, leaves the clamp as found, writes the safe image."""
    if look.then.last_ns is not None:
        return ""
    as_found = look.out.clamp is Clamp.LEAVE and look.step.step in FAULT_STEPS
    return "" if as_found and safe(look.out) else "the first scan moved or resumed something"
