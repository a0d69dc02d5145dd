"""Where a fault may strike: every step of the cycle, at nine instants, as worlds to be copied.

Five reference runs come by every step: a cycle from start-up, the bleeding of the lines, and three
that stand in the fault steps. Each is run twice: once to learn when its steps begin and end, once
to take the copies. A time-out's instants are made by ageing the stage, everything else being as it
is in the middle of it.
"""

import math
from collections.abc import Iterator
from functools import cache
from typing import NamedTuple

from benchmarks.campaign.world import QUICK, Asking, World, rig
from sequencer.core.stages import STAGES
from sequencer.core.turn import Turn
from sequencer.events import Step
from sequencer.model import CycleStep, RequestKind
from sequencer.units import ns
from simulator.faults import Fault

C = CycleStep
TICK_ns = 20_000_000
INSTANTS = (
    "first scan", "one after it", "middle", "one before the guard", "guard true", "one after",
    "before time-out", "time-out", "after time-out",
)  # fmt: skip
START_UP = "start-up"
STEPS = (START_UP, *(step.value for step in CycleStep))
REFERENCES: dict[str, tuple[str, ...]] = {
    "cycle": (
        START_UP, "idle", "heating", "clamping", "pressurizing", "holding", "cooling", "venting",
        "releasing",
    ),
    "purge": ("purging",),
    "stopped": ("tripped", "safe_clamped"),
    "unvented": ("vent_unconfirmed",),
    "early": ("faulted",),
}  # fmt: skip
LONGEST_s = 120.0
DAY_END = {**QUICK["start"], "supply_pressure": "180 psi", "regulator": "180 psi"}


class Visit(NamedTuple):
    """A step's scans in a reference run, by their number, and the stage that is aged there."""

    first: int
    last: int
    aged: int | None


class Places(NamedTuple):
    """Worlds by step and instant, and the whole cycle's scans for crashes."""

    worlds: dict[tuple[str, str], World]
    scans: int


def turns(name: str, seed: int, *, compiled: bool) -> Iterator[tuple[World, Step]]:
    """Turn a reference run scan by scan."""
    options = {**QUICK, "start": DAY_END} if name == "purge" else QUICK
    world = World(rig(), seed, compiled=compiled, options=options)
    world.ask(RequestKind.RESET)
    script = _Script(name)
    end_ns = ns(LONGEST_s)
    while world.clock.now_ns() < end_ns:
        step = world.loop.turn()
        script(world, step)
        yield world, step
        if script.over:
            return


class _Script:
    """What is asked and what strikes in a reference run."""

    def __init__(self, name: str) -> None:
        self._name = name
        self._begun = self._struck = self._led_out = False
        self._ends_ns: int | None = None
        self.over = False

    def __call__(self, world: World, step: Step) -> None:
        now_ns, at = world.clock.now_ns(), step.step
        if not self._begun and at is C.IDLE:
            self._begun = True
            kind = RequestKind.PURGE if self._name == "purge" else RequestKind.START
            world.driver.bench().at(now_ns + ns(1.0), Asking(world, kind.value))
        struck_in = C.HEATING if self._name == "early" else C.HOLDING
        faulty = self._name in ("stopped", "unvented", "early")
        if faulty and not self._struck and at is struck_in:
            self._struck = True
            self._strike(world, now_ns)
        if self._struck and not self._led_out and at in (C.SAFE_CLAMPED, C.FAULTED):
            self._led_out = True
            world.driver.bench().at(now_ns + ns(2.0), Asking(world, "reset"))
            if at is C.SAFE_CLAMPED:
                world.driver.bench().at(now_ns + ns(3.0), Asking(world, "release"))
        past_start = self._begun and at is C.IDLE and world.sequencer.snapshot().last_end != ""
        if self._ends_ns is None and (past_start or (self._led_out and at is C.IDLE)):
            self._ends_ns = now_ns + ns(1.0)
        self.over = self._ends_ns is not None and now_ns > self._ends_ns

    def _strike(self, world: World, now_ns: int) -> None:
        stop = Fault("emergency_stop", "", 0.0, ns(1.0), ns(2.0))
        world.driver.strike(stop, now_ns)
        if self._name == "unvented":
            world.driver.strike(Fault("vent_stuck_shut", "", 0.0, ns(0.5), ns(30.0)), now_ns)


def _where(step: Step, begun: bool) -> str:
    return START_UP if not begun and step.step is C.FAULTED else step.step.value


def _visits(name: str, seed: int, *, compiled: bool) -> tuple[dict[str, Visit], int]:
    first: dict[str, int] = {}
    last: dict[str, int] = {}
    stages: dict[str, dict[str, list[int]]] = {}
    begun, number, here = False, 0, ""
    for number, (world, step) in enumerate(turns(name, seed, compiled=compiled)):
        begun = begun or step.step is C.IDLE
        where = _where(step, begun)
        if where != here and here in first and here not in last:
            last[here] = number
        here = where
        if where in REFERENCES[name]:
            first.setdefault(where, number)
            memory = world.sequencer.snapshot()
            stage = STAGES[memory.step][memory.stage]
            limit_s = stage.limit(Turn(world.rig, world.clock.now_ns(), memory, step.estimate))
            if where not in last and math.isfinite(limit_s):
                stages.setdefault(where, {}).setdefault(stage.name, []).append(number)
    visits = {}
    for where in first:
        longest = max(stages.get(where, {}).values(), key=len, default=None)
        aged = None if longest is None else longest[len(longest) // 2]
        visits[where] = Visit(first[where], last.get(where, number), aged)
    return visits, number


def _wanted(visits: dict[str, Visit]) -> dict[int, list[tuple[str, str]]]:
    wanted: dict[int, list[tuple[str, str]]] = {}
    for where, (first, last, aged) in visits.items():
        numbers = (first, first + 1, (first + last) // 2, last - 2, last - 1, last)
        for instant, number in zip(INSTANTS, numbers, strict=False):
            wanted.setdefault(max(first, number), []).append((where, instant))
        if aged is not None:
            for instant in INSTANTS[6:]:
                wanted.setdefault(aged, []).append((where, instant))
    return wanted


def _aged(world: World, instant: str) -> None:
    """Make the stage pass its limit in the next scan, in the one after it, or just now."""
    memory = world.sequencer.snapshot()
    due_ns = world.loop._due_ns
    assert due_ns is not None
    limit_s = STAGES[memory.step][memory.stage].limit(Turn(world.rig, due_ns, memory))
    early_ns = TICK_ns - 1_000 if instant == "before time-out" else -1_000
    memory.stage_since_ns = due_ns - ns(limit_s) + early_ns
    world.sequencer.restore(memory)
    if instant == "after time-out":
        world.loop.turn()


@cache
def places(seed: int, compiled: bool) -> Places:
    """Return every place of a seed."""
    worlds: dict[tuple[str, str], World] = {}
    scans = 0
    for name in REFERENCES:
        visits, last = _visits(name, seed, compiled=compiled)
        scans = last if name == "cycle" else scans
        wanted = _wanted(visits)
        for number, (world, _) in enumerate(turns(name, seed, compiled=compiled)):
            for place in wanted.get(number, ()):
                copy = world.copied()
                if place[1] in INSTANTS[6:]:
                    _aged(copy, place[1])
                worlds[place] = copy
    return Places(worlds, scans)


def until(name: str, seed: int, number: int, *, compiled: bool) -> World:
    """Return a reference run after its scan of a number."""
    for at, (world, _) in enumerate(turns(name, seed, compiled=compiled)):
        if at == number:
            return world
    raise IndexError(f"{name} has no scan {number}")
