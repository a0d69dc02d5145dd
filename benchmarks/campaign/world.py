"""One rig with its sequencer, loop, person and clock, that can be copied at any scan.

The loop, the core and the simulated rig are the very ones that a run uses; only the clock is
virtual. A copy is carried on by itself, so that each case begins at the scan that it names.
"""

from collections.abc import Callable
from copy import deepcopy

from benchmarks.campaign.injectors import Injector
from benchmarks.campaign.judge import Judge
from sequencer.config import Rig
from sequencer.core.step import Sequencer
from sequencer.events import Step
from sequencer.files import find, load
from sequencer.material import load_materials
from sequencer.model import Inputs, Request, RequestKind
from sequencer.recipe import Recipe
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import LONG_TICK_ns, Loop
from sequencer.units import ns
from simulator.driver import SimulatedDriver
from simulator.faults import Fault
from simulator.options import read_options
from simulator.values import PlantState

RIG, RECIPE = "bench-instrumented", "pmma-grating"
QUICK: dict[str, dict[str, str | float]] = {
    "start": {"head_temperature": "159 degC"},
    "head": {"loss": "0.5 W/K", "cooled_loss": "60 W/K"},
    "person": {"handling": "5 s", "delay": "0.8 s", "spread": 0.2},
}
"""A head found hot and a nimble person: a cycle without its long waits, with all its steps."""
NEVER = Request(RequestKind.ANSWER, "", "")


class CampaignClock(VirtualClock):
    """A virtual clock that can be late, or have slept."""

    def __init__(self) -> None:
        super().__init__()
        self.late_ns = 0
        self.slept_ns = 0

    def sleep_until(self, due_ns: int) -> None:
        super().sleep_until(due_ns + self.late_ns)
        self.late_ns = 0

    def asleep_ns(self) -> int:
        return self.slept_ns


class FailingRecord:
    """A record that fails when it is told to, and keeps nothing."""

    ok = True

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        pass


def rig(answer_within_s: float = 8.0) -> Rig:
    """Return the instrumented rig with less patience, so that silence is short."""
    whole = load(find("rigs", RIG), Rig)
    prompts = whole.prompts.model_copy(
        update={"answer_within_s": answer_within_s, "announce_s": 1.0}
    )
    return whole.model_copy(update={"prompts": prompts})


def recipe() -> Recipe:
    """Return the shipped recipe with short soaks and a short dwell, released not far below heat."""
    whole = load(find("recipes", RECIPE), Recipe)
    imprint = whole.imprint.model_copy(
        update={"soak_s": 1.0, "soak_under_clamp_s": 1.0, "hold_s": 5.0}
    )
    assert whole.demold is not None
    demold = whole.demold.model_copy(
        update={"temperature_degC": whole.imprint.temperature_degC - 3.0}
    )
    return whole.model_copy(update={"imprint": imprint, "demold": demold})


class World:
    """A rig that turns."""

    def __init__(
        self, the_rig: Rig, seed: int, *, compiled: bool, options: dict[str, dict[str, str | float]]
    ) -> None:
        self.rig = the_rig
        given = {**the_rig.driver.options, **options, "seed": seed, "compiled": compiled}
        self.driver = SimulatedDriver(read_options(given, RIG), the_rig)
        self.recipe = recipe()
        self.driver.lay_in(self.recipe, load_materials().get(self.recipe.material))
        self.driver.open()
        self.clock = CampaignClock()
        self.record = FailingRecord()
        self.sequencer = Sequencer(the_rig)
        self.judge = Judge(the_rig, self.driver, self.sequencer)
        self.numbered = 0
        self._made()

    def _made(self) -> None:
        self.loop = Loop(
            self.sequencer, self.driver, self.rig, self.clock, record=self.record,
            long_tick_ns=LONG_TICK_ns,
        )  # fmt: skip
        self.loop.tell(self.judge)
        self.loop.tell(Attended(self.driver.attendant(), self.loop.post))

    def copied(self) -> "World":
        """Return an independent world in the same state; the core itself is made anew."""
        fresh = Sequencer(self.rig)
        fresh.restore(self.sequencer.snapshot())
        bench = self.driver.bench()
        memo = {
            id(item): item
            for item in (self.rig, self.recipe, bench.params, bench.state, self.loop._image)
        }
        memo[id(self.sequencer)] = fresh
        memo[id(self.driver._options)] = self.driver._options
        return deepcopy(self, memo)

    def restarted(self) -> None:
        """Have the program die and begin again on the same rig."""
        self.sequencer = Sequencer(self.rig)
        self.judge.begin_again(self.sequencer)
        self._made()

    def ask(self, kind: RequestKind) -> None:
        """Ask for something at the rig."""
        self.numbered += 1
        self.loop.post(
            Request(
                kind, f"{kind.value}-{self.numbered}", "campaign", at_rig=True,
                recipe=self.recipe if kind is RequestKind.START else None,
            )
        )  # fmt: skip

    def strike(self, injector: Injector, after_s: float, for_s: float | None) -> None:
        """Have a fault strike after a time, for a time or for ever."""
        now_ns = self.clock.now_ns()
        self.judge.injected(injector)
        if injector.where == "rig":
            until_ns = None if for_s is None else ns(after_s + for_s)
            fault = Fault(injector.kind, injector.role, injector.size, ns(after_s), until_ns)
            self.driver.strike(fault, now_ns)
        elif injector.where == "request":
            self.driver.bench().at(now_ns + ns(after_s), Asking(self, injector.kind))
        else:
            bench, ending = self.driver.bench(), 10.0 if for_s is None else for_s
            bench.at(now_ns + ns(after_s), _HostFault(self, injector.kind, ending, begins=True))
            bench.at(
                now_ns + ns(after_s + ending),
                _HostFault(self, injector.kind, ending, begins=False),
            )

    @property
    def truth(self) -> PlantState:
        """The plant as it really is."""
        return self.driver.truth()

    def turn_until(self, done: Callable[[Step], bool], longest_s: float) -> Step:
        """Turn until a step says so, or for a time."""
        end_ns = self.clock.now_ns() + ns(longest_s)
        while True:
            step = self.loop.turn()
            if done(step) or self.clock.now_ns() >= end_ns:
                return step


class Asking:
    """A request that falls due."""

    def __init__(self, world: World, kind: str) -> None:
        self._world, self._kind = world, RequestKind(kind)

    def __call__(self) -> None:
        self._world.ask(self._kind)


class _HostFault:
    """A fault of the host that begins or ends."""

    def __init__(self, world: World, kind: str, for_s: float, *, begins: bool) -> None:
        self._world, self._kind, self._for_s, self._begins = world, kind, for_s, begins

    def __call__(self) -> None:
        world = self._world
        if self._kind == "record_failing":
            world.record.ok = not self._begins
        elif self._begins and self._kind == "late":
            world.clock.late_ns = ns(min(self._for_s, 0.4)) + 160_000_000
        elif self._begins:
            world.clock.slept_ns += ns(self._for_s) + 600_000_000
