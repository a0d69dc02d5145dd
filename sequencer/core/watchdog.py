"""The dead-man's pulse: the watchdog output changes only after a scan in which all was well.

A relay outside the computer opens when the pulse stops, and drops heater, nitrogen and vent group;
the clamp keeps what it has. The level changes several times in the relay's time, not in every scan,
so that a link that writes only now and then cannot turn the pulse into a steady level.
"""

from sequencer.config import Rig
from sequencer.core.host_symptoms import overrun, read_back
from sequencer.core.interlocks import fitted
from sequencer.core.turn import Turn
from sequencer.model import CycleStep, Quality
from sequencer.units import ns

PULSES = 4  # changes in the time in which the relay opens
Required = dict[CycleStep, tuple[str, ...]]


def required(rig: Rig) -> Required:
    """Return for each step the inputs that must be read: those by which something could trip."""
    trips = [item for item in fitted(rig) if item.response == "trip"]
    return {
        step: tuple(
            role
            for role in rig.inputs
            if any(role in item.reads and step in item.steps for item in trips)
        )
        for step in CycleStep
    }


def all_well(turn: Turn, roles: tuple[str, ...]) -> bool:
    """Tell whether this scan was whole: on time, link up, inputs fresh, outputs as written."""
    if turn.contradicted or overrun(turn) or not turn.host.link_ok:
        return False
    readings = turn.seen.readings
    for role in roles:
        reading = readings.get(role)
        if reading is None or reading.quality is Quality.BAD:
            return False
    return not read_back(turn)


def pulse(turn: Turn, roles: tuple[str, ...]) -> bool:
    """Return the level of the watchdog output: the other one, where it is time and all is well."""
    memory = turn.memory
    level = memory.outputs.watchdog_on
    every_ns = ns(turn.rig.timing.watchdog_drops_after_s) // PULSES
    changed_ns = memory.pulsed_ns
    if changed_ns is not None and turn.now_ns - changed_ns < every_ns:
        return level
    if not all_well(turn, roles):
        return level
    memory.pulsed_ns = turn.now_ns
    return not level
