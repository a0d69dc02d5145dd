"""Alarms after ISA-18.2 (IEC 62682): their states, and what moves them from one to the next.

An alarm that trips is latched: it stays after its cause is gone, until the trip is reset.
Acknowledging says "I have seen it" and changes nothing else. What follows from a trip is
suppressed by design: still looked at and recorded, not announced beside the first-out. A person
may shelve an alarm of low priority, for a time and with a reason. Hidden or not, an alarm never
changes what its interlock does.
"""

from dataclasses import replace

from sequencer.core.interlocks import BY_NAME, Interlock
from sequencer.core.memory import AlarmMemory, Memory, Shelf
from sequencer.core.turn import Turn
from sequencer.events import AlarmChanged
from sequencer.model import AlarmState, Priority
from sequencer.units import ns, show_time

CHATTERS, CHATTER_WINDOW_s = 3, 60.0
"""So many times within such a time is chattering; from memory, common practice."""
LONGEST_SHELF_s = 8 * 3600.0
REASON_LETTERS = 10


def state_of(memory: Memory, name: str) -> AlarmState:
    """Return the state of an alarm in the words of ISA-18.2."""
    known = memory.alarms.get(name)
    if name in memory.shelves:
        return AlarmState.SHELVED
    if known is None:
        return AlarmState.NORMAL
    if known.suppressed:
        return AlarmState.SUPPRESSED
    if known.true_now:
        return AlarmState.ACKNOWLEDGED if known.acknowledged else AlarmState.UNACKNOWLEDGED
    if BY_NAME[name].response != "trip":
        return AlarmState.RETURNED
    return AlarmState.LATCHED if known.acknowledged else AlarmState.LATCHED_UNACKNOWLEDGED


def announced(memory: Memory) -> tuple[str, ...]:
    """Return the alarms that are true now and hidden by nothing."""
    return tuple(
        name
        for name, known in memory.alarms.items()
        if known.true_now and not known.suppressed and name not in memory.shelves
    )


def raise_alarm(turn: Turn, item: Interlock, detail: str) -> None:
    """Raise an alarm, or keep it raised."""
    memory = turn.memory
    known = memory.alarms.get(item.name)
    if known is not None and known.true_now:
        if known.gone_ns is not None:
            memory.alarms[item.name] = replace(known, gone_ns=None)
        return
    raised_ns = turn.now_ns if known is None else known.raised_ns
    suppressed = _follows_from_a_trip(turn, item)
    memory.alarms[item.name] = AlarmMemory(raised_ns, True, False, suppressed)
    if suppressed:
        _tell(turn, item, "suppressed", detail)
    elif item.name in memory.shelves:
        _tell(turn, item, "on shelf", detail)
    else:
        # While it chatters it stays known and true, but is not announced again and again.
        if known is None or not _chatters(turn, item.name):
            _tell(turn, item, "raised", detail)
        _count(turn, item)


def _follows_from_a_trip(turn: Turn, item: Interlock) -> bool:
    trip = turn.memory.trip
    return trip is not None and trip.name != item.name and not item.told_after_trip


def _count(turn: Turn, item: Interlock) -> None:
    """Count how often an alarm came lately, and tell it once when it chatters."""
    memory = turn.memory
    earliest_ns = turn.now_ns - ns(CHATTER_WINDOW_s)
    rises = [at_ns for at_ns in memory.alarm_rises.get(item.name, ()) if at_ns >= earliest_ns]
    rises.append(turn.now_ns)
    # One more than chattering is enough to know that it goes on, and tells it once only.
    memory.alarm_rises[item.name] = tuple(rises[-CHATTERS - 1 :])
    if len(rises) == CHATTERS:
        text = f"{CHATTERS} times in {show_time((turn.now_ns - rises[0]) / 1e9)}"
        _tell(turn, item, "chattering", text)


def _chatters(turn: Turn, name: str) -> bool:
    """Tell whether an alarm that is still kept came so often lately that it is chattering."""
    earliest_ns = turn.now_ns - ns(CHATTER_WINDOW_s)
    rises = turn.memory.alarm_rises.get(name, ())
    return sum(at_ns >= earliest_ns for at_ns in rises) >= CHATTERS


def settle(turn: Turn, true_now: set[str]) -> None:
    """Return or clear the alarms whose cause is gone; what trips stays latched."""
    memory = turn.memory
    for name, known in list(memory.alarms.items()):
        if name in true_now or not known.true_now:
            continue
        item = BY_NAME[name]
        if item.response == "trip" and not item.steps:
            continue  # raised by name: it has no cause that could go away by itself
        if item.off_delay_s:
            gone_ns = turn.now_ns if known.gone_ns is None else known.gone_ns
            if turn.now_ns - gone_ns < ns(item.off_delay_s):
                memory.alarms[name] = replace(known, gone_ns=gone_ns)
                continue
        if item.response == "trip":
            memory.alarms[name] = replace(known, true_now=False, gone_ns=None)
            if not _chatters(turn, name):
                _tell(turn, item, "returned", "latched until reset")
        elif known.acknowledged or known.suppressed or name in memory.shelves:
            _clear(turn, item)
        else:
            memory.alarms[name] = replace(known, true_now=False, gone_ns=None)
            _tell(turn, item, "returned", "not yet acknowledged")
    for name, shelf in list(memory.shelves.items()):
        if turn.now_ns >= shelf.until_ns:
            _take_off_shelf(turn, BY_NAME[name])


def acknowledge(turn: Turn) -> None:
    """Mark every announced alarm as seen; those whose cause is gone and that do not latch go."""
    memory = turn.memory
    for name, known in list(memory.alarms.items()):
        item = BY_NAME[name]
        if known.suppressed or name in memory.shelves:
            continue
        if not known.acknowledged:
            memory.alarms[name] = replace(known, acknowledged=True)
            _tell(turn, item, "acknowledged", "")
        if not known.true_now and item.response != "trip":
            _clear(turn, item)


def clear_latched(turn: Turn) -> None:
    """Clear what tripped, on an accepted reset, except where the cause is still there.

    What was suppressed by design beside the trip and is still true is announced from here on.
    """
    memory = turn.memory
    for name, known in list(memory.alarms.items()):
        item = BY_NAME[name]
        if item.response == "trip" and (not known.true_now or not item.steps):
            _clear(turn, item)
        elif known.suppressed:
            memory.alarms[name] = replace(known, suppressed=False)
            _tell(turn, item, "raised", "was suppressed by design while the trip stood")


def shelving_refused(name: str, reason: str, for_s: float) -> tuple[str, ...]:
    """Return why an alarm may not be shelved so; empty if it may."""
    item = BY_NAME.get(name)
    if item is None:
        return (f"there is no alarm {name!r}",)
    reasons = []
    if item.priority is not Priority.LOW or item.response != "warn":
        reasons.append("only an alarm of low priority that asks for nothing may be shelved")
    if not 0.0 < for_s <= LONGEST_SHELF_s:
        reasons.append(f"shelving needs a time, at most {show_time(LONGEST_SHELF_s)}")
    if len(reason.strip()) < REASON_LETTERS:
        reasons.append("write down the reason")
    return tuple(reasons)


def shelve(turn: Turn, name: str, reason: str, for_s: float, actor: str) -> None:
    """Hide an alarm of low priority for a time; it is looked at and recorded all the same."""
    turn.memory.shelves[name] = Shelf(turn.now_ns + ns(for_s), reason, actor)
    _tell(turn, BY_NAME[name], "shelved", f"for {show_time(for_s)} by {actor}: {reason}")


def _take_off_shelf(turn: Turn, item: Interlock) -> None:
    memory = turn.memory
    del memory.shelves[item.name]
    _tell(turn, item, "unshelved", "its time is over")
    known = memory.alarms.get(item.name)
    if known is not None and known.true_now and not known.suppressed:
        memory.alarms[item.name] = replace(known, acknowledged=False)
        _tell(turn, item, "raised", "still there after its time on the shelf")


def _clear(turn: Turn, item: Interlock) -> None:
    del turn.memory.alarms[item.name]
    _tell(turn, item, "cleared", "")


def _tell(turn: Turn, item: Interlock, change: str, detail: str) -> None:
    trip = turn.memory.trip
    turn.emit(
        AlarmChanged(
            item.name,
            change,
            item.priority,
            trip is not None and trip.name == item.name,
            detail,
            item.cause,
            item.consequence,
            item.action,
            state_of(turn.memory, item.name).value,
        )
    )


def tripping_now(turn: Turn) -> list[str]:
    """Return the trip causes that are true in this very scan."""
    return [
        name
        for name, known in turn.memory.alarms.items()
        if known.true_now and BY_NAME[name].response == "trip" and BY_NAME[name].steps
    ]
