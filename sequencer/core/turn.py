"""One turn of the core: what every judgement in a scan may look at, and how it tells the world."""

from dataclasses import dataclass, field
from enum import Enum

from sequencer.config import Rig
from sequencer.core.memory import Memory
from sequencer.errors import CoreFault
from sequencer.events import Event, EvidenceHad
from sequencer.model import Clamp, CycleStep, Estimate, Host, Means
from sequencer.recipe import Recipe
from sequencer.units import ns


class Verdict(Enum):
    """What a stage's wait has come to."""

    WAIT = "wait"
    DONE = "done"
    BACK = "back"  # the stage before must be done again
    SILENT = "silent"  # nobody answered in time
    FAILED = "failed"  # what was tried has shown a fault


@dataclass(slots=True)
class Turn:
    """The rig, the time, the memory and the estimate of this scan, and the events it makes."""

    rig: Rig
    now_ns: int
    memory: Memory
    seen: Estimate = field(default_factory=Estimate)
    host: Host = field(default_factory=Host)
    read_back: tuple[tuple[str, bool], ...] = ()
    events: list[Event] = field(default_factory=list)
    failure: str = ""
    contradicted: bool = False  # an invariant of the image, or of the core, did not hold
    dead_band: float = 0.0  # share of its limit that a raised alarm's value must come back by

    @property
    def recipe(self) -> Recipe:
        """The recipe of the run in hand.

        Raises:
            CoreFault: if there is none; stages that need one stand only in a cycle.
        """
        run = self.memory.run
        if run is None or run.recipe is None:
            raise CoreFault("a stage of the cycle stands without a recipe")
        return run.recipe

    def emit(self, event: Event) -> None:
        """Tell the world."""
        self.events.append(event)

    def step_age_s(self) -> float:
        """Time in the present step."""
        return (self.now_ns - self.memory.step_since_ns) / 1e9

    def stage_age_s(self) -> float:
        """Time in the present stage."""
        return (self.now_ns - self.memory.stage_since_ns) / 1e9

    def held(self, name: str, true_now: bool, for_s: float) -> bool:
        """Tell whether a condition has now held without a break for a time.

        Each name has one memory, forgotten when the condition breaks or the stage changes.
        """
        since_ns = self.memory.since_ns
        if not true_now:
            since_ns.pop(name, None)
            return False
        return self.now_ns - since_ns.setdefault(name, self.now_ns) >= ns(for_s)

    def proved(self, evidence: str, means: Means, detail: str) -> None:
        """Note a piece of evidence; the run is as well verified as its weakest piece."""
        order, memory = list(Means), self.memory
        worse = memory.weakest is None or order.index(means) > order.index(memory.weakest)
        if memory.run is not None and worse:
            memory.weakest = means
        self.emit(EvidenceHad(self.memory.step, evidence, means, detail))

    def under_clamp(self) -> bool:
        """Tell whether the clamp was last told to close."""
        return self.memory.outputs.clamp is Clamp.APPLY

    def in_step(self, *steps: CycleStep) -> bool:
        """Tell whether the cycle stands in one of these steps."""
        return self.memory.step in steps
