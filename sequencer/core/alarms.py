"""Alarms in the words of ISA-18.2: raised, acknowledged, returned, cleared; first-out marked.

An alarm that trips is latched: it stays after its cause is gone, until the trip is reset.
Acknowledging says "I have seen it" and changes nothing else.
"""

from sequencer.core.interlocks import BY_NAME, Interlock
from sequencer.core.memory import AlarmMemory
from sequencer.core.turn import Turn
from sequencer.events import AlarmChanged


def raise_alarm(turn: Turn, item: Interlock, detail: str) -> None:
    """Raise an alarm, or keep it raised."""
    memory = turn.memory
    known = memory.alarms.get(item.name)
    if known is not None and known.true_now:
        return
    memory.alarms[item.name] = AlarmMemory(
        turn.now_ns if known is None else known.raised_ns, True, False
    )
    _tell(turn, item, "raised", detail)


def settle(turn: Turn, true_now: set[str]) -> None:
    """Return or clear the alarms whose cause is gone; what trips stays latched."""
    memory = turn.memory
    for name, known in list(memory.alarms.items()):
        if name in true_now or not known.true_now:
            continue
        item = BY_NAME[name]
        if item.response == "trip":
            if not item.steps:
                continue  # raised by name: it has no cause that could go away by itself
            memory.alarms[name] = AlarmMemory(known.raised_ns, False, known.acknowledged)
            _tell(turn, item, "returned", "latched until reset")
        elif known.acknowledged:
            del memory.alarms[name]
            _tell(turn, item, "cleared", "")
        else:
            memory.alarms[name] = AlarmMemory(known.raised_ns, False, False)
            _tell(turn, item, "returned", "not yet acknowledged")


def acknowledge(turn: Turn) -> None:
    """Mark every alarm as seen; those whose cause is gone and that do not latch are cleared."""
    memory = turn.memory
    for name, known in list(memory.alarms.items()):
        item = BY_NAME[name]
        if not known.acknowledged:
            memory.alarms[name] = AlarmMemory(known.raised_ns, known.true_now, True)
            _tell(turn, item, "acknowledged", "")
        if not known.true_now and item.response != "trip":
            del memory.alarms[name]
            _tell(turn, item, "cleared", "")


def clear_latched(turn: Turn) -> None:
    """Clear what tripped, on an accepted reset, except where the cause is still there."""
    memory = turn.memory
    for name, known in list(memory.alarms.items()):
        item = BY_NAME[name]
        if item.response == "trip" and (not known.true_now or not item.steps):
            del memory.alarms[name]
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
        )
    )


def tripping_now(turn: Turn) -> list[str]:
    """Return the trip causes that are true in this very scan."""
    return [
        name
        for name, known in turn.memory.alarms.items()
        if known.true_now and BY_NAME[name].response == "trip" and BY_NAME[name].steps
    ]
