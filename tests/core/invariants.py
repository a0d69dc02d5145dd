"""Looks at every scan of a bench with every invariant, and raises on the first that is broken."""

from dataclasses import dataclass, field

from sequencer.config import Rig
from sequencer.core.memory import Memory
from sequencer.events import Step
from sequencer.invariants.look import Look, Past, look_at, remember
from sequencer.invariants.table import INVARIANTS, Invariant
from sequencer.model import Inputs


class Broken(AssertionError):
    """An invariant is broken; ``rule`` is its name."""

    def __init__(self, rule: str, what: str, look: Look) -> None:
        self.rule = rule
        at = f"{look.now_ns / 1e9:.2f} s in {look.step.step.value}/{look.step.stage}"
        super().__init__(f"{rule}: {what}, at {at}; events {look.step.events}")


@dataclass
class Watch:
    """Looks at every scan with every invariant that no truth is needed for."""

    rig: Rig
    past: Past = field(default_factory=Past)
    rules: tuple[Invariant, ...] = INVARIANTS

    def look(self, now_ns: int, inputs: Inputs, step: Step, memory: Memory) -> None:
        """Look at one scan.

        Raises:
            Broken: if an invariant is.
        """
        look = look_at(self.past, self.rig, now_ns, inputs, step, memory)
        for invariant in self.rules:
            wrong = invariant.rule(look)
            if wrong:
                raise Broken(invariant.label, wrong, look)
        self.past = remember(look)
