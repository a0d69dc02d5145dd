"""Everything the core remembers from one scan to the next, in one value that can be copied.

Rules of this file: plain values only (numbers, enums, frozen values, dicts of those), so that a
copy is a snapshot and two equal memories behave equally for ever after.
"""

from dataclasses import dataclass, field, fields
from enum import StrEnum

from sequencer.model import (
    Clamp,
    CycleStep,
    Means,
    Outputs,
    Prompt,
    Trip,
)
from sequencer.recipe import Recipe


class Exposure(StrEnum):
    """Whether the film may hold gas since it was last proven bled."""

    NO = "no"
    YES = "yes"
    UNKNOWN = "unknown"


class Gap(StrEnum):
    """What stands between the two nitrogen shut-offs."""

    EMPTY = "empty"
    CHARGED = "charged"
    UNKNOWN = "unknown"


class Purpose(StrEnum):
    """What a run is for."""

    CYCLE = "cycle"
    PURGE = "purge"


@dataclass(frozen=True, slots=True)
class Run:
    """The run in hand: its frozen recipe (None for a purge) and who asked for it."""

    purpose: Purpose
    recipe: Recipe | None
    sample: str
    actor: str
    started_ns: int


@dataclass(frozen=True, slots=True)
class Answer:
    """What a person answered, and when."""

    value: float | str
    at_ns: int
    actor: str


@dataclass(frozen=True, slots=True)
class AlarmMemory:
    """An alarm that has been raised and not yet cleared (ISA-18.2 states as a few facts).

    ``gone_ns`` is when its cause went away, while its off-delay runs.
    """

    raised_ns: int
    true_now: bool
    acknowledged: bool
    suppressed: bool = False
    gone_ns: int | None = None


@dataclass(frozen=True, slots=True)
class Shelf:
    """An alarm that a person has hidden: until when, why, and who."""

    until_ns: int
    reason: str
    actor: str


@dataclass(slots=True)
class Memory:
    """The state of the core. ``*_ns`` are instants of the loop's clock unless named a duration."""

    step: CycleStep = CycleStep.FAULTED
    stage: int = 0
    step_since_ns: int = 0
    stage_since_ns: int = 0
    last_ns: int | None = None

    run: Run | None = None
    last_end: str = ""
    weakest: Means | None = None  # of the run's evidence so far
    stopping: bool = False
    stop_reason: str = ""
    finish_cooling: bool = False

    trip: Trip | None = None
    fallback_clamp: Clamp = Clamp.LEAVE
    reset_wanted: bool = False
    release_wanted: bool = False

    exposure: Exposure = Exposure.UNKNOWN
    peaks_Pa: tuple[float, ...] = ()
    gap: Gap = Gap.UNKNOWN
    vent_open_since_ns: int | None = None
    clamp_found: str = "unknown"  # open, closed or unknown, as last proven
    guard_opened: bool = False

    outputs: Outputs = field(default_factory=Outputs)
    reference_Pa: float | None = None  # a film pressure kept since the stage began
    reference_degC: float | None = None  # a head temperature kept since its window began
    stroke_peak_Pa: float = 0.0
    strokes: int = 0
    cooled: bool = False
    late_s: float = 0.0  # by how much a person let the cooling go on beyond its time
    in_band_ns: int = 0  # duration counted in the dwell
    out_of_band_ns: int = 0  # duration out of band in the dwell
    paused_since_ns: int | None = None
    paused_ns: int = 0  # duration of ended pauses

    since_ns: dict[str, int] = field(default_factory=dict)  # conditions held, in this stage
    watched_since_ns: dict[str, int] = field(default_factory=dict)  # causes held, by interlock
    prompts: dict[str, Prompt] = field(default_factory=dict)
    answers: dict[str, Answer] = field(default_factory=dict)
    next_prompt: int = 1
    alarms: dict[str, AlarmMemory] = field(default_factory=dict)
    alarm_rises: dict[str, tuple[int, ...]] = field(default_factory=dict)  # lately, by alarm
    shelves: dict[str, Shelf] = field(default_factory=dict)
    requests_seen: dict[str, tuple[bool, tuple[str, ...]]] = field(default_factory=dict)
    raw_last: dict[str, tuple[float, int]] = field(default_factory=dict)
    windows: dict[str, tuple[int, float]] = field(default_factory=dict)  # trends: since, value
    supply_set_Pa: float | None = None  # what the regulator gave when it was proven set
    pulsed_ns: int | None = None  # when the watchdog output changed last
    vent_strokes: int = 0  # of a vent that does not let the film off
    leak_tested_ns: int | None = None  # when the supply was last shut for a look at the film

    def copied(self) -> "Memory":
        """Return an independent copy: values are shared, the dicts are not."""
        other = Memory()
        for name in _FIELDS:
            value = getattr(self, name)
            setattr(other, name, dict(value) if type(value) is dict else value)
        return other


_FIELDS = tuple(item.name for item in fields(Memory))
