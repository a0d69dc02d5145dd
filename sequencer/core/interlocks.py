"""The interlocks: each a declared record with what it reads, its limit, and what it asks for.

Software permissives and trip requests of an ordinary control program, no more: nothing here is an
interlock in the sense of the functional-safety standards. Responses: ``warn`` tells, ``stop`` asks
for the orderly end, ``trip`` for the fall-back. The tests stand in `symptoms`.
"""

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

from sequencer.config import Rig
from sequencer.core import heat_symptoms, host_symptoms, symptoms
from sequencer.core.turn import Turn
from sequencer.model import CycleStep, Priority

S = CycleStep
EVERY = tuple(CycleStep)
NOT_BLEEDING = tuple(step for step in CycleStep if step is not S.PURGING)
NO_GAS = (S.IDLE, S.HEATING, S.RELEASING, S.PURGING)
UNDER_GAS = (S.PRESSURIZING, S.HOLDING, S.COOLING)
UNDER_CLAMP = (S.CLAMPING, *UNDER_GAS, S.VENTING)
RUNNING = (S.HEATING, *UNDER_CLAMP, S.RELEASING, S.PURGING)


@dataclass(frozen=True, slots=True)
class Interlock:
    """One interlock; ``limit`` names the key in the rig file that its message quotes.

    ``delay_s`` is how long its cause must hold, ``off_delay_s`` how long it must be gone before the
    alarm returns, ``dead_band`` the share of the limit that a value must come back by.
    An alarm not ``told_after_trip`` is suppressed by design while another one's trip stands.
    """

    name: str
    reads: tuple[str, ...]
    limit: str
    response: Literal["warn", "stop", "trip"]
    priority: Priority
    steps: tuple[CycleStep, ...]
    delay_s: float
    test: Callable[[Turn], str]
    cause: str
    consequence: str
    action: str
    off_delay_s: float = 0.0
    dead_band: float = 0.0
    told_after_trip: bool = False


# fmt: off
INTERLOCKS: tuple[Interlock, ...] = (
    Interlock("emergency_stop", ("emergency_stop",), "", "trip", Priority.HIGH, EVERY, 0.0,
        symptoms.chain,
        "an emergency stop was pressed, or its wiring is open",
        "heater and nitrogen are cut; the run is lost",
        "see to the person first; free the button on the rig, then reset",
        told_after_trip=True),
    Interlock("guard_open", ("guard_closed",), "", "trip", Priority.HIGH,
        (*UNDER_CLAMP, S.RELEASING, S.PURGING), 0.0, symptoms.guard,
        "the guard was opened while the clamp may move or the film may hold pressure",
        "a hand or face may be near the film's edge",
        "keep clear; shut the guard; reset when the film is proven bled",
        told_after_trip=True),
    Interlock("logic_power", ("logic_power_ok",), "", "trip", Priority.HIGH, EVERY, 0.0,
        symptoms.logic,
        "the 24 V supply of the valves sags or is gone",
        "valves go to their resting positions, not in any order",
        "mend the supply; treat the film as pressurised until it is proven bled",
        told_after_trip=True),
    Interlock("clamp_margin", ("clamp_pressure", "film_pressure"), "limits.clamp_trip", "trip",
        Priority.HIGH, (*UNDER_GAS, S.PURGING), 0.0, symptoms.margin_trip,
        "clamp force is short of what the film pressure needs",
        "the seal lifts and the film blows out",
        "keep clear of the film's edge; look for lost house air or a leaking cylinder"),
    Interlock("clamp_margin_low", ("clamp_pressure", "film_pressure"), "limits.clamp_warn",
        "warn", Priority.MEDIUM, UNDER_GAS, 0.5, symptoms.margin_warn,
        "clamp force is near what the film pressure needs",
        "a little less air and the run trips",
        "look at house air; lower the film pressure of the next run",
        off_delay_s=0.5, dead_band=0.01),
    Interlock("air_lost", ("air_pressure",), "limits.air_pressure", "trip", Priority.HIGH,
        UNDER_GAS, 0.2, symptoms.air,
        "house air is low while the film is under pressure",
        "the clamp may let go under the film",
        "keep clear; restore the air; never re-fill the clamp under a pressurised film"),
    Interlock("film_sensor_bad", ("film_pressure", "film_pressure_2"), "", "trip", Priority.HIGH,
        (*UNDER_CLAMP, S.RELEASING, S.PURGING), 0.0, symptoms.film_bad,
        "a film pressure reading is bad or stale",
        "the film must be treated as pressurised",
        "read the mechanical gauge; mend the sensor before the next run"),
    Interlock("film_sensors_apart", ("film_pressure", "film_pressure_2"), "limits.twin_pressure",
        "trip", Priority.HIGH, (*UNDER_CLAMP, S.RELEASING, S.PURGING), 0.3, symptoms.films_apart,
        "the two film sensors disagree",
        "one of them is wrong, and nobody knows which",
        "read the mechanical gauge; compare both sensors against it"),
    Interlock("clamp_sensor_bad", ("clamp_pressure", "clamp_closed"), "", "trip", Priority.HIGH,
        UNDER_CLAMP, 0.0, symptoms.clamp_bad,
        "a clamp reading is bad or stale",
        "the clamp must be treated as open",
        "mend the sensor before the next run"),
    Interlock("supply_sensor_bad", ("supply_pressure",), "", "stop", Priority.MEDIUM, UNDER_GAS,
        0.5, symptoms.supply_bad,
        "the supply pressure reading is bad or stale",
        "a creeping regulator would not be seen before the film shows it",
        "mend the sensor before the next run"),
    Interlock("film_unexpected", ("film_pressure", "film_pressure_2"), "limits.bled", "trip",
        Priority.HIGH, NO_GAS, 0.1, symptoms.unexpected,
        "gas reaches the film although its supply is shut",
        "with the clamp open the film blows out",
        "shut the bottle valve by hand; mend the supply valve"),
    Interlock("film_over", ("film_pressure", "film_pressure_2"), "limits.film_over", "stop",
        Priority.MEDIUM, UNDER_GAS, 0.3, symptoms.film_over,
        "film pressure above the recipe: a creeping or mis-set regulator",
        "stamp and film carry more than was checked",
        "look at the regulator; the film is being let off"),
    Interlock("film_high_high", ("film_pressure", "film_pressure_2"), "limits.film_over", "trip",
        Priority.HIGH, (*UNDER_GAS, S.PURGING), 0.0, symptoms.film_high_high,
        "film pressure far above the recipe",
        "the film may burst",
        "keep clear; close the bottle valve; look at the regulator and the relief valve"),
    Interlock("film_leak", ("film_pressure", "film_pressure_2"), "limits.leak", "stop",
        Priority.MEDIUM, (S.HOLDING, S.COOLING), 0.0, symptoms.leak,
        "the film, its seal or its vent leaks: it lost pressure while it was shut in",
        "gas in the sample, a hot jet at the edge; a small hole may tear",
        "let it vent; look at film and seal, and replace the film"),
    Interlock("film_lost", ("film_pressure", "film_pressure_2"), "", "trip", Priority.HIGH,
        (S.HOLDING, S.COOLING), 0.0, symptoms.film_lost,
        "the film lost its pressure in the dwell: burst, leaking seal or empty bottle",
        "hot gas at the film's edge; the sample is lost",
        "keep clear until it is proven bled; inspect film and seal"),
    Interlock("supply_off_set", ("supply_pressure",), "limits.supply_band", "warn", Priority.LOW,
        (S.HOLDING, S.COOLING), 2.0, symptoms.supply_off,
        "the regulator has moved off its setting",
        "the film will follow it",
        "look at the regulator and at the bottle",
        off_delay_s=2.0, dead_band=0.1),
    Interlock("regulator_creep", ("supply_pressure",), "limits.supply_creep", "stop",
        Priority.MEDIUM, (S.HEATING, S.CLAMPING, *UNDER_GAS), 1.0, symptoms.creep,
        "the regulator creeps: its outlet rose above what it was set to",
        "the film would be put under more than was checked",
        "close the bottle valve; clean or replace the regulator's seat"),
    Interlock("bottle_falling", ("bottle_pressure",), "limits.bottle_fall", "warn",
        Priority.MEDIUM, (S.HOLDING, S.COOLING), 2.0, symptoms.bottle_falls,
        "nitrogen is used while the film should only hold it",
        "a leak that the regulator makes up for; nitrogen in the room",
        "air the room; look for the leak after this run"),
    Interlock("out_of_band", (), "limits.out_of_band", "stop",
        Priority.MEDIUM, (S.HOLDING,), 0.0, symptoms.out_of_band,
        "pressure or temperature was out of band for too long in the dwell",
        "the replica will not be what the recipe means",
        "look for a leak, a low bottle, a draught on the head"),
    Interlock("head_sensor_bad", ("head_temperature", "head_temperature_2"), "", "trip",
        Priority.MEDIUM, (S.HEATING, *UNDER_CLAMP), 0.0, heat_symptoms.head_bad,
        "a head temperature reading is bad: open, reversed or stale",
        "the heater could run away unseen; treat the head as hot",
        "look at the thermocouple and its wiring"),
    Interlock("head_sensors_apart", ("head_temperature", "head_temperature_2"),
        "limits.twin_temperature", "trip", Priority.MEDIUM, (S.HEATING, *UNDER_CLAMP), 2.0,
        heat_symptoms.heads_apart,
        "the two head sensors disagree",
        "one is loose or wrong; the head may be hotter than shown",
        "look at both sensors; treat the head as hot"),
    Interlock("head_over", ("head_temperature", "head_temperature_2"), "limits.head_over",
        "trip", Priority.HIGH, (S.HEATING, S.CLAMPING, S.PRESSURIZING, S.HOLDING), 2.0,
        heat_symptoms.head_over,
        "the head is well above its set-point",
        "the film loses strength; the polymer degrades",
        "the heater is off; look for a welded relay, use the independent cut-out"),
    Interlock("head_limit", ("head_temperature", "head_temperature_2"),
        "limits.head_temperature", "trip", Priority.HIGH, EVERY, 0.0, heat_symptoms.head_limit,
        "the head is above the rig's limit",
        "film, seal and wiring are not made for it; fire",
        "cut the heater's power at the rig; let it cool with the film let off",
        told_after_trip=True),
    Interlock("head_no_gain", ("head_temperature",), "limits.head_gain", "trip", Priority.MEDIUM,
        (S.HEATING,), 0.0, heat_symptoms.no_gain,
        "the head does not warm at heat: heater open, or sensor fallen off",
        "a sensor fallen off lets the head run hot unseen",
        "look at the sensor's seat, the heater and its fuse"),
    Interlock("heater_runaway", ("head_temperature", "head_temperature_2"),
        "limits.head_runaway", "trip", Priority.HIGH, EVERY, 0.0, heat_symptoms.runaway,
        "the head warms although the heater is off: a welded relay",
        "film and polymer overheat; fire",
        "cut the heater's power at the rig, use the independent cut-out",
        told_after_trip=True),
    Interlock("thermocouple_reversed", ("head_temperature",), "limits.head_reversed", "trip",
        Priority.MEDIUM, (S.HEATING,), 0.0, heat_symptoms.reversed_thermocouple,
        "the head reads ever colder while it is heated: a thermocouple with its wires changed over",
        "the controller would heat without end; treat the head as hot",
        "change the thermocouple's wires back; look at the second sensor"),
    Interlock("bottle_low", ("bottle_pressure",), "limits.bottle_change_out", "warn",
        Priority.LOW, NOT_BLEEDING, 2.0, symptoms.bottle,
        "the nitrogen bottle is near its end",
        "the next run will be refused",
        "change the bottle before the next run",
        off_delay_s=2.0, dead_band=0.01),
    Interlock("outputs_differ", (), "", "trip", Priority.HIGH, EVERY, 0.2, host_symptoms.read_back,
        "an output does not do what was written",
        "a valve may stand where nobody put it",
        "look at the output module, its fuse and its wiring"),
    Interlock("scan_late", (), "", "trip", Priority.MEDIUM, RUNNING, 0.0, host_symptoms.overrun,
        "the host was too slow for one scan",
        "a fault would have been seen late",
        "take other work off this computer"),
    Interlock("host_slept", (), "", "trip", Priority.MEDIUM, RUNNING, 0.0, host_symptoms.clock,
        "the host slept or was stopped",
        "nothing was watched in the meantime",
        "forbid sleep on this computer"),
    Interlock("record_lost", (), "", "stop", Priority.MEDIUM, RUNNING, 0.0, host_symptoms.record,
        "the record cannot be written: disk full, folder read-only or locked",
        "nobody could tell later what was done",
        "make room or mend the folder; the run ends in the safe order"),
    Interlock("step_overdue", (), "commissioned", "trip", Priority.MEDIUM, (), 0.0, symptoms.raised,
        "a step took more than three times its commissioned time",
        "what it waited for did not come",
        "look at what the step waited for; commission anew if the rig has changed"),
    Interlock("not_bled", (), "limits.bled", "trip", Priority.HIGH, (), 0.0, symptoms.raised,
        "FILM PRESSURE NOT CONFIRMED BLED: vent blocked, supply leaking, or nobody read the gauge",
        "opening the clamp now can blow the film out",
        "do not open; keep clear of the film's edge; close the nitrogen hand valve, open the "
        "hand bleed, read the mechanical gauge",
        told_after_trip=True),
    Interlock("shut_off_leaks", (), "limits.bled", "trip", Priority.HIGH, (), 0.0, symptoms.raised,
        "a nitrogen shut-off let gas through while it was tried",
        "a single further fault would pressurise an open film",
        "close the bottle valve; mend the valve before the next run"),
    Interlock("line_not_empty", (), "limits.purge_strokes", "trip", Priority.MEDIUM, (), 0.0,
        symptoms.raised,
        "a gas line is not empty after its strokes",
        "stored pressure stays in the line",
        "close the bottle valve or the house air by hand and bleed the line by hand"),
    Interlock("abort", (), "", "trip", Priority.MEDIUM, (), 0.0, symptoms.raised,
        "a person asked for the abort",
        "the run is lost",
        "when the film is proven bled: reset, then release"),
    Interlock("core_fault", (), "", "trip", Priority.HIGH, (), 0.0, symptoms.raised,
        "this program contradicted itself",
        "its outputs were forced safe",
        "keep clear; read the gauges; keep the record and report it",
        told_after_trip=True),
)
# fmt: on

BY_NAME = {item.name: item for item in INTERLOCKS}


def fitted(rig: Rig) -> tuple[Interlock, ...]:
    """Return the interlocks that this rig's inputs can feed, in their order."""
    return tuple(
        item
        for item in INTERLOCKS
        if item.steps and (not item.reads or any(rig.has(role) for role in item.reads))
    )


def unfitted(rig: Rig) -> tuple[Interlock, ...]:
    """Return the interlocks that this rig cannot have, because nothing reads what they read."""
    have = fitted(rig)
    return tuple(item for item in INTERLOCKS if item.steps and item not in have)
