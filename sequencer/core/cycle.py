"""The cycle as one flat table: which step follows which, on what, under which guard.

Rules of this file: every move between steps stands here and nowhere else; guards only look; the
first row whose guards are all true wins, so the order of rows is their priority. Triggers:

- ``trip``     a trip request was latched this scan
- ``overdue``  a step that must not trip on its time-out ran out of time
- ``silent``   nobody answered a question in time
- ``start``, ``purge``, ``stop``, ``reset``  an accepted request
- ``done``     every stage of the step is done
- ``lost``     evidence that held a fault step in place is gone
- ``maintained``  a maintenance entry was accepted

This is the only user of the state machine library. Its machine is kept to the smallest form: no
time-outs, no queue, no callbacks, no automatic triggers; names are checked by an architecture test.
"""

from typing import Any, NamedTuple, Protocol

from transitions import Machine

from sequencer.model import CycleStep

IDLE = CycleStep.IDLE
HEATING = CycleStep.HEATING
CLAMPING = CycleStep.CLAMPING
PRESSURIZING = CycleStep.PRESSURIZING
HOLDING = CycleStep.HOLDING
COOLING = CycleStep.COOLING
VENTING = CycleStep.VENTING
RELEASING = CycleStep.RELEASING
PURGING = CycleStep.PURGING
TRIPPED = CycleStep.TRIPPED
SAFE_CLAMPED = CycleStep.SAFE_CLAMPED
VENT_UNCONFIRMED = CycleStep.VENT_UNCONFIRMED
FAULTED = CycleStep.FAULTED


class Row(NamedTuple):
    """One legal move; every guard in ``when`` must hold and none in ``unless``."""

    trigger: str
    source: CycleStep
    dest: CycleStep
    when: tuple[str, ...] = ()
    unless: tuple[str, ...] = ()


TABLE: tuple[Row, ...] = (
    # Fall-back. Supply and isolation shut, vent open and heater off go with every one of these;
    # what the clamp does is decided in `outputs.fallback_clamp`.
    Row("trip", IDLE, VENT_UNCONFIRMED, ("pressure_seen",)),
    Row("trip", IDLE, FAULTED),
    Row("trip", HEATING, VENT_UNCONFIRMED, ("pressure_seen",)),
    Row("trip", HEATING, FAULTED),
    Row("trip", CLAMPING, FAULTED, ("film_untouched",)),
    Row("trip", CLAMPING, TRIPPED),
    Row("trip", PRESSURIZING, TRIPPED),
    Row("trip", HOLDING, TRIPPED),
    Row("trip", COOLING, TRIPPED),
    Row("trip", VENTING, TRIPPED),
    Row("trip", RELEASING, VENT_UNCONFIRMED, ("pressure_seen",)),
    Row("trip", RELEASING, FAULTED),
    Row("trip", PURGING, TRIPPED, ("clamp_applied",)),
    Row("trip", PURGING, VENT_UNCONFIRMED, ("pressure_seen",)),
    Row("trip", PURGING, FAULTED),
    # Out of time.
    Row("overdue", VENTING, VENT_UNCONFIRMED),
    Row("overdue", TRIPPED, VENT_UNCONFIRMED),
    # A person's silence.
    Row("silent", HEATING, IDLE),
    Row("silent", CLAMPING, RELEASING, ("film_untouched",)),
    Row("silent", CLAMPING, VENTING),
    Row("silent", PRESSURIZING, VENTING),
    Row("silent", HOLDING, VENTING),
    Row("silent", COOLING, VENTING),
    Row("silent", VENTING, VENT_UNCONFIRMED),
    Row("silent", RELEASING, FAULTED),
    Row("silent", PURGING, IDLE, ("clamp_not_begun",)),
    Row("silent", PURGING, RELEASING, ("film_untouched",)),
    Row("silent", PURGING, VENTING, ("clamp_applied",)),
    Row("silent", PURGING, RELEASING),
    Row("silent", TRIPPED, VENT_UNCONFIRMED),
    # Requests.
    Row("start", IDLE, HEATING),
    Row("purge", IDLE, PURGING),
    Row("reset", IDLE, FAULTED),  # the film has to be proven bled anew
    Row("stop", HEATING, IDLE),
    Row("stop", CLAMPING, RELEASING, ("film_untouched",)),
    Row("stop", CLAMPING, VENTING),
    Row("stop", PRESSURIZING, VENTING),
    Row("stop", HOLDING, VENTING),
    Row("stop", COOLING, VENTING, (), ("finish_cooling",)),
    Row("stop", PURGING, IDLE, ("clamp_not_begun",)),
    Row("stop", PURGING, RELEASING, ("film_untouched",)),
    Row("stop", PURGING, VENTING, ("clamp_applied",)),
    Row("stop", PURGING, RELEASING),
    # The order that protects the film and the person: clamp, prove full, pressurise; vent, prove
    # bled, release.
    Row("done", HEATING, CLAMPING),
    Row("done", CLAMPING, PRESSURIZING),
    Row("done", PRESSURIZING, HOLDING),
    Row("done", HOLDING, COOLING, ("wants_cooling",)),
    Row("done", HOLDING, VENTING),
    Row("done", COOLING, VENTING),
    Row("done", VENTING, RELEASING),
    Row("done", RELEASING, IDLE),
    Row("done", PURGING, IDLE),
    # The way back from a fault.
    Row("done", TRIPPED, SAFE_CLAMPED, ("clamp_kept",)),
    Row("done", TRIPPED, FAULTED),
    Row("done", VENT_UNCONFIRMED, SAFE_CLAMPED, ("clamp_kept",)),
    Row("done", VENT_UNCONFIRMED, FAULTED),
    Row("maintained", VENT_UNCONFIRMED, SAFE_CLAMPED, ("clamp_kept",)),
    Row("maintained", VENT_UNCONFIRMED, FAULTED),
    Row("lost", SAFE_CLAMPED, VENT_UNCONFIRMED),
    Row("lost", FAULTED, VENT_UNCONFIRMED),
    Row("done", SAFE_CLAMPED, RELEASING),
    Row("done", FAULTED, IDLE, ("clamp_seen_open",)),
    Row("done", FAULTED, SAFE_CLAMPED),
)


class Guards(Protocol):
    """What the table asks; the machine sets ``state`` on the same object."""

    state: str

    def pressure_seen(self) -> bool:
        """A film sensor shows pressure, or what it shows cannot be believed."""

    def film_untouched(self) -> bool:
        """No gas has reached the film since it was proven bled, none waits, and it still shows."""

    def clamp_applied(self) -> bool:
        """The clamp was last told to close."""

    def clamp_not_begun(self) -> bool:
        """The clamp has not yet been told anything in this purge."""

    def finish_cooling(self) -> bool:
        """The person who stopped wants the stack cooled under pressure first."""

    def wants_cooling(self) -> bool:
        """The recipe names a demold temperature."""

    def clamp_kept(self) -> bool:
        """The clamp stays closed."""

    def clamp_seen_open(self) -> bool:
        """The clamp has been proven open."""


class Cycle:
    """The machine that runs the table."""

    def __init__(self, guards: Guards) -> None:
        self._guards = guards
        rows: list[dict[str, Any]] = [
            {
                "trigger": row.trigger,
                "source": row.source.value,
                "dest": row.dest.value,
                "conditions": list(row.when),
                "unless": list(row.unless),
            }
            for row in TABLE
        ]
        self._machine = Machine(
            model=guards,
            states=[step.value for step in CycleStep],
            transitions=rows,
            initial=FAULTED.value,
            auto_transitions=False,
        )
        self._triggers = frozenset(row.trigger for row in TABLE)
        self._rows = frozenset((row.trigger, row.source) for row in TABLE)

    def fire(self, trigger: str, step: CycleStep) -> CycleStep:
        """Return the step that follows ``step`` on a trigger, ``step`` itself where no row fits."""
        if trigger not in self._triggers:
            raise KeyError(trigger)
        if (trigger, step) not in self._rows:
            return step  # the machine would log it
        self._guards.state = step.value
        self._machine.events[trigger].trigger(self._guards)
        return CycleStep(self._guards.state)
