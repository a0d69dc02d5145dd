"""The frozen values that pass between driver, core and runtime.

Rules of this file: values only, no behaviour beyond small look-ups; equal content means equal
values, because replay compares them; pressures are gauge, in Pa; times are integer nanoseconds
of the loop's clock. What is made a dozen times in every scan is a NamedTuple, made in half the
time of a frozen dataclass; the rest are dataclasses.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import NamedTuple

from sequencer.recipe import Recipe


class CycleStep(StrEnum):
    """Where the cycle stands."""

    IDLE = "idle"
    HEATING = "heating"
    CLAMPING = "clamping"
    PRESSURIZING = "pressurizing"
    HOLDING = "holding"
    COOLING = "cooling"
    VENTING = "venting"
    RELEASING = "releasing"
    PURGING = "purging"
    TRIPPED = "tripped"
    SAFE_CLAMPED = "safe_clamped"
    VENT_UNCONFIRMED = "vent_unconfirmed"
    FAULTED = "faulted"


FAULT_STEPS = (
    CycleStep.TRIPPED,
    CycleStep.SAFE_CLAMPED,
    CycleStep.VENT_UNCONFIRMED,
    CycleStep.FAULTED,
)


class ProceduralState(StrEnum):
    """The state of the run in the words of ISA-88 (IEC 61512-1)."""

    IDLE = "IDLE"
    RUNNING = "RUNNING"
    STOPPING = "STOPPING"
    STOPPED = "STOPPED"
    ABORTING = "ABORTING"
    ABORTED = "ABORTED"
    COMPLETE = "COMPLETE"


class Quality(IntEnum):
    """Whether a reading may be believed; only GOOD may permit, the others can only forbid."""

    GOOD = 0
    UNCERTAIN = 1
    BAD = 2


class Clamp(StrEnum):
    """What the clamp is told; LEAVE writes nothing, so that it stays as found."""

    APPLY = "apply"
    RELEASE = "release"
    LEAVE = "leave"


class Means(StrEnum):
    """How a piece of evidence was had, strongest first."""

    MEASURED = "measured"
    OPERATOR = "operator"
    BY_EAR = "by_ear"
    TIMED = "timed"


class Priority(StrEnum):
    """Alarm priority in the sense of ISA-18.2."""

    HIGH = "high"
    MEDIUM = "medium"
    LOW = "low"


class AlarmState(StrEnum):
    """Where an alarm stands, in the words of ISA-18.2 (IEC 62682)."""

    NORMAL = "normal"
    UNACKNOWLEDGED = "unacknowledged"
    ACKNOWLEDGED = "acknowledged"
    RETURNED = "returned unacknowledged"
    LATCHED_UNACKNOWLEDGED = "latched unacknowledged"
    LATCHED = "latched acknowledged"
    SHELVED = "shelved"
    SUPPRESSED = "suppressed by design"


class RawInput(NamedTuple):
    """One channel as the driver read it: its raw value, whether the device vouched for it, when."""

    value: float
    ok: bool
    taken_ns: int


class Reading(NamedTuple):
    """One scaled input with its quality; ``value`` means nothing unless quality is GOOD."""

    value: float
    quality: Quality
    taken_ns: int
    reason: str = ""

    @property
    def good(self) -> bool:
        """Whether the value may permit anything."""
        return self.quality is Quality.GOOD


@dataclass(frozen=True, slots=True)
class Outputs:
    """The whole image of outputs for one scan, in the cycle's own words, with its expiry.

    If no newer image has come by ``expires_ns`` the driver writes the safe image by itself.
    """

    clamp: Clamp = Clamp.LEAVE
    supply_open: bool = False
    isolation_open: bool = False
    vent_open: bool = True
    heater_on: bool = False
    heater_setpoint_degC: float = 20.0
    coolant_on: bool = False
    film_setpoint_Pa: float = 0.0
    watchdog_on: bool = False
    expires_ns: int = 0


ChannelValue = bool | float


@dataclass(frozen=True, slots=True)
class Image:
    """Channel values to write, valid until ``expires_ns``; absent channels are left alone.

    After expiry the driver writes ``safe`` by itself, in its order, once.
    """

    values: Mapping[str, ChannelValue]
    safe: Mapping[str, ChannelValue]
    expires_ns: int


class RequestKind(StrEnum):
    """What may be asked of the sequencer."""

    START = "start"
    PURGE = "purge"
    PAUSE = "pause"
    RESUME = "resume"
    STOP = "stop"
    ABORT = "abort"
    ANSWER = "answer"
    ACKNOWLEDGE = "acknowledge"
    SHELVE = "shelve"
    RESET = "reset"
    RELEASE = "release"
    MAINTENANCE = "maintenance"


@dataclass(frozen=True, slots=True)
class Request:
    """Something a person or a script asks for.

    ``recipe`` goes with START; ``topic`` and ``value`` (a number in the prompt's unit, or one of
    its choices) with ANSWER; ``finish_cooling`` with STOP; ``person``, ``reason`` and ``value``
    (the gauge's reading in Pa) with MAINTENANCE; ``alarm``, ``for_s`` and ``reason`` with SHELVE;
    ``planned``, the runs that the bottle must serve, with START. ``at_rig`` tells that the asker
    stands there.
    """

    kind: RequestKind
    request_id: str
    actor: str
    at_rig: bool = False
    recipe: Recipe | None = None
    sample: str = ""
    prompt_id: int = 0
    value: float | str | None = None
    finish_cooling: bool = False
    person: str = ""
    reason: str = ""
    alarm: str = ""
    for_s: float = 0.0
    planned: int = 1


@dataclass(frozen=True, slots=True)
class Host:
    """What the loop knows of its own health this scan."""

    record_ok: bool = True
    late_ns: int = 0
    clock_gap_ns: int = 0
    link_ok: bool = True


@dataclass(frozen=True, slots=True)
class Inputs:
    """Everything the core is given in one scan besides the time.

    ``raw`` stands in the order of the rig's inputs. ``read_back`` maps channels to what the device
    says it drives (None where it cannot say), empty where the back end reads nothing back.
    """

    raw: tuple[RawInput, ...]
    read_back: tuple[tuple[str, bool], ...] = ()
    requests: tuple[Request, ...] = ()
    host: Host = Host()


@dataclass(frozen=True, slots=True)
class Prompt:
    """A question to a person at the rig, with its time limit.

    ``topic`` is the fixed name of the question; ``choices`` is empty where a number is wanted,
    then ``unit`` (``Pa`` or ``degC``) and the gauge's range say which; ``target`` is what the
    person is to reach or find, in the same unit, None where there is none.
    """

    prompt_id: int
    topic: str
    question: str
    asked_ns: int
    answer_by_ns: int
    choices: tuple[str, ...] = ()
    unit: str = ""
    low: float = 0.0
    high: float = 0.0
    target: float | None = None


@dataclass(frozen=True, slots=True)
class Trip:
    """The first cause of a trip, kept until reset."""

    name: str
    at_ns: int
    step: CycleStep
    detail: str


@dataclass(frozen=True, slots=True)
class Wait:
    """What the cycle waits for now: the condition, its value now, its target, how long it may take.

    ``target`` begins with its word ("up to", "of"). ``progress`` is the share of the wait that is
    over, None where nobody can say; ``usual_s`` and ``limit_s`` count from the stage's beginning.
    """

    condition: str
    now: str
    target: str
    waited_s: float
    usual_s: float
    limit_s: float
    left_s: float
    progress: float | None = None


@dataclass(frozen=True, slots=True)
class Estimate:
    """What the core believes of the rig this scan; None means unknown, never zero.

    ``film_Pa`` is the highest of the good film sensors; ``film_known`` is true only if every
    film sensor of the rig is good and they agree. ``clamp_margin`` is eta p A_cylinder over
    p A_film, at the measured film pressure, None without a film under pressure.
    """

    readings: Mapping[str, Reading] = field(default_factory=dict)
    film_Pa: float | None = None
    film_known: bool = False
    clamp_Pa: float | None = None
    clamp_closed: bool | None = None
    clamp_margin: float | None = None
    supply_Pa: float | None = None
    bottle_Pa: float | None = None
    air_Pa: float | None = None
    head_degC: float | None = None
    head_known: bool = False
    guard_closed: bool | None = None
    chain_ok: bool | None = None
    logic_ok: bool | None = None


@dataclass(frozen=True, slots=True)
class Status:
    """Where the cycle stands, for screens; made on demand, never in the scan."""

    step: CycleStep
    stage: str
    procedural_state: ProceduralState
    wait: Wait | None
    prompts: tuple[Prompt, ...]
    trip: Trip | None
    alarms: tuple[str, ...]
    hot: bool
    paused: bool
    shelved: tuple[str, ...] = ()
