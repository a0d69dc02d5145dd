"""What the core tells the world: one frozen value per kind of event, its topic beside it.

Field names carry units. Events are compared field by field in replay, written to the record in
process and published on ZeroMQ; ``wire`` turns one into plain JSON values.
"""

import dataclasses
import functools
import re
from dataclasses import dataclass
from enum import Enum
from typing import ClassVar

from sequencer.model import CycleStep, Estimate, Means, Outputs, Priority, ProceduralState


@dataclass(frozen=True, slots=True)
class Event:
    """Base of every event; never made itself."""

    topic: ClassVar[str] = "event"


@dataclass(frozen=True, slots=True)
class RunStarted(Event):
    """A run has begun; ``purpose`` is ``cycle`` or ``purge``."""

    topic: ClassVar[str] = "run"
    purpose: str
    recipe: str
    sample: str
    actor: str


@dataclass(frozen=True, slots=True)
class PermissivesRead(Event):
    """The permissives of a start: for each its name, what is seen, and why it is not met."""

    topic: ClassVar[str] = "permissive"
    permissives: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class RunEnded(Event):
    """A run is over: complete, stopped or tripped, with the weakest means of its evidence,
    empty where nothing was proven."""

    topic: ClassVar[str] = "run"
    outcome: str
    verified: str
    reason: str


@dataclass(frozen=True, slots=True)
class StepEntered(Event):
    """The cycle went on to another step, because of ``cause``."""

    topic: ClassVar[str] = "step"
    step: CycleStep
    left: CycleStep
    cause: str
    procedural_state: ProceduralState


@dataclass(frozen=True, slots=True)
class StageEntered(Event):
    """A stage inside a step began; ``waits_for`` says what ends it, ``limit_s`` by when."""

    topic: ClassVar[str] = "stage"
    step: CycleStep
    stage: str
    waits_for: str
    limit_s: float | None


@dataclass(frozen=True, slots=True)
class EvidenceHad(Event):
    """A piece of evidence was had: which, how, and the value that proved it."""

    topic: ClassVar[str] = "evidence"
    step: CycleStep
    evidence: str
    means: Means
    detail: str


@dataclass(frozen=True, slots=True)
class PromptAsked(Event):
    """A question was put to a person."""

    topic: ClassVar[str] = "prompt"
    prompt_id: int
    name: str
    question: str
    choices: tuple[str, ...]
    unit: str
    low: float
    high: float
    target: float | None
    answer_within_s: float


@dataclass(frozen=True, slots=True)
class PromptClosed(Event):
    """A question is no longer open: answered, withdrawn, or nobody answered in time."""

    topic: ClassVar[str] = "prompt"
    prompt_id: int
    name: str
    end: str
    answer: str
    actor: str


@dataclass(frozen=True, slots=True)
class RequestAnswered(Event):
    """A request was accepted, or rejected with every reason."""

    topic: ClassVar[str] = "request"
    request_id: str
    kind: str
    actor: str
    accepted: bool
    reasons: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class AlarmChanged(Event):
    """An alarm was raised, acknowledged, returned to normal, or cleared (ISA-18.2 words).

    Further changes: ``suppressed`` (raised, but hidden by design), ``shelved`` and ``unshelved``,
    ``on shelf`` (raised while shelved), ``chattering``. Only ``raised`` wants a person's eye.
    ``state`` is where the alarm stands then.
    """

    topic: ClassVar[str] = "alarm"
    name: str
    change: str
    priority: Priority
    first_out: bool
    detail: str
    cause: str
    consequence: str
    action: str
    state: str = ""


@dataclass(frozen=True, slots=True)
class TripLatched(Event):
    """A trip was latched; ``name`` is the first-out cause."""

    topic: ClassVar[str] = "trip"
    name: str
    step: CycleStep
    detail: str


@dataclass(frozen=True, slots=True)
class OutputsChanged(Event):
    """The image of outputs changed."""

    topic: ClassVar[str] = "output"
    clamp: str
    supply_open: bool
    isolation_open: bool
    vent_open: bool
    heater_on: bool
    heater_setpoint_degC: float
    coolant_on: bool
    film_setpoint_Pa: float


@dataclass(frozen=True, slots=True)
class Noted(Event):
    """Something worth keeping that is no alarm."""

    topic: ClassVar[str] = "note"
    text: str


@functools.cache
def _words(name: str) -> str:
    """Return a kind of event in words: `EvidenceHad` is told as ``evidence_had``."""
    return re.sub(r"(?<!^)([A-Z])", r"_\1", name).lower()


def wire(event: Event) -> dict[str, object]:
    """Return an event's facts as plain JSON values, with ``event`` naming its kind."""
    facts: dict[str, object] = {"event": _words(type(event).__name__)}
    for item in dataclasses.fields(event):
        value = getattr(event, item.name)
        facts[item.name] = value.value if isinstance(value, Enum) else value
    return facts


@dataclass(frozen=True, slots=True)
class Step:
    """What one scan gives: the image to write, what happened, and what the core believes."""

    outputs: Outputs
    events: tuple[Event, ...]
    estimate: Estimate
    step: CycleStep
    stage: str
    procedural_state: ProceduralState
