"""The cycle that is measured: the shipped 20-minute PMMA recipe on the shipped bench rig."""

from collections.abc import Callable, Sequence
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.core.step import Sequencer
from sequencer.files import find, load
from sequencer.material import load_materials
from sequencer.model import CycleStep, Request, RequestKind
from sequencer.recipe import Recipe
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import Loop, Record, Sink
from sequencer.runtime.summary import Summary
from simulator.driver import SimulatedDriver
from simulator.options import read_options

RIG, RECIPE = "bench-instrumented", "pmma-grating"


class Ran(NamedTuple):
    """A cycle that has been run: its simulated time, its turns, its result."""

    simulated_s: float
    turns: int
    document: dict[str, object]


class Bench(NamedTuple):
    """Everything ready to turn."""

    rig: Rig
    recipe: Recipe
    driver: SimulatedDriver
    clock: VirtualClock
    loop: Loop
    summary: Summary


def bench(
    *,
    long_tick_ns: int | None,
    compiled: bool = False,
    sinks: Sequence[Sink] = (),
    record: Record | None = None,
    recipe: Recipe | None = None,
) -> Bench:
    """Set up a dry-run as the command does, around the classes themselves.

    Not over the entry point, so that a source tree can be measured that is not installed.
    """
    rig = load(find("rigs", RIG), Rig)
    recipe = recipe or load(find("recipes", RECIPE), Recipe)
    driver = SimulatedDriver(read_options({**rig.driver.options, "compiled": compiled}, RIG), rig)
    driver.lay_in(recipe, load_materials().get(recipe.material))
    driver.open()
    summary = Summary(rig, recipe, prediction=driver.prediction)
    clock = VirtualClock()
    loop = Loop(Sequencer(rig), driver, rig, clock, sinks, record=record, long_tick_ns=long_tick_ns)
    loop.tell(summary)
    loop.tell(Attended(driver.attendant(), loop.post))
    return Bench(rig, recipe, driver, clock, loop, summary)


def run(ready: Bench, on_turn: Callable[[CycleStep, str], None] | None = None) -> Ran:
    """Run the cycle from start-up to the rig at rest."""
    loop = ready.loop
    loop.post(_request(RequestKind.RESET))
    loop.run_until(lambda step: step.step is CycleStep.IDLE)
    loop.post(_request(RequestKind.START, ready.recipe))
    step = loop.turn()
    while step.step not in (CycleStep.IDLE, CycleStep.FAULTED):
        if on_turn is not None:
            on_turn(step.step, step.stage)
        step = loop.turn()
    document = ready.summary.document()
    if document["outcome"] != "complete":
        raise RuntimeError(f"the cycle to be measured did not complete: {document['problems']}")
    return Ran(ready.clock.now_ns() / 1e9, loop.turns, document)


def _request(kind: RequestKind, recipe: Recipe | None = None) -> Request:
    return Request(kind, kind.value, "benchmark", at_rig=True, recipe=recipe)
