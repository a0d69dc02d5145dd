"""Breadth-first search of everything that the real core can come to on an abstracted plant.

Each edge is one scan of `Sequencer`: restore, step, snapshot. Every edge is looked at by every
invariant. A state in which an uneventful tick changes nothing has one more edge, on which a long
time passes: so the long deadlines are met although elapsed times are capped in the key.
"""

from array import array
from collections.abc import Iterator
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.core.memory import Exposure, Memory
from sequencer.core.step import Sequencer
from sequencer.core.waits import COOL_ENOUGH_degC
from sequencer.events import RequestAnswered
from sequencer.explore.key import Key, state_key
from sequencer.explore.moves import Move, moves
from sequencer.explore.plant import (
    BLED,
    FULL,
    CLAMP_Pa,
    Fault,
    FILM_Pa,
    Plant,
    after_a_tick,
    raw_of,
    read_back_of,
    served_again,
)
from sequencer.explore.rigs import TICK_ns, recipe
from sequencer.invariants.look import Look, Past, Truth, look_at, remember
from sequencer.invariants.people import a_hot_head_is_shown
from sequencer.invariants.table import broken
from sequencer.model import CycleStep, Host, Inputs

START_ns = 1_000_000_000_000
LONG_ns = 1_000_000_000_000


class State(NamedTuple):
    """Where core, plant and rules stand after a scan."""

    memory: Memory
    plant: Plant
    past: Past


class Found(NamedTuple):
    """A violated invariant: its label, what is wrong, under which faults, and the way there."""

    label: str
    what: str
    faults: tuple[Fault, ...]
    path: tuple[int, ...]


class Graph(NamedTuple):
    """What a search has found."""

    states: int
    edges: int
    depth: int
    complete: bool
    found: tuple[Found, ...]
    steps: frozenset[CycleStep]


# What the plant may be when the program starts: at rest, and as a crash in the dwell leaves it.
BEGINNINGS = (
    Plant(),
    Plant(clamp=FULL, told=True),
    Plant(film=FULL, gap=FULL, clamp=FULL, told=True, line=FULL),
)
LIVENESS = "I39 from everywhere a person leads back to idle, bled and released"
TWICE = "I28 the same inputs give the same outputs and events"
HOT_SHOWN = "I30 a hot head is shown"
REJECTED = "I34 a rejected request changes nothing"
BEYOND_SCANS = (TWICE, HOT_SHOWN, REJECTED, LIVENESS)


class Search:
    """The search of one rig: ``first`` are the faults that may come first, on a sound rig.

    On each of them may follow one of ``second`` that stands behind it there, so that a pair is
    looked for once, though in either order of their names.
    """

    def __init__(
        self, rig: Rig, first: tuple[Fault, ...] = (), second: tuple[Fault, ...] = ()
    ) -> None:
        self._rig = rig
        self._first, self._second = first, second
        self._recipe = recipe()
        self._core = Sequencer(rig)
        self._twin = Sequencer(rig)
        self._ids: dict[Key, int] = {}
        self._parents = array("l")
        self._moves = array("l")
        self._depths = array("l")
        self._goals: set[int] = set()
        self._sources, self._targets = array("l"), array("l")
        self._found: dict[tuple[str, tuple[str, ...]], Found] = {}
        self._steps: set[CycleStep] = set()

    # ---- one scan ----

    def beginnings(self) -> tuple[State, ...]:
        """Return the states from which the program may be started."""
        clamp_rests = self._rig.clamp_rests
        plants = BEGINNINGS if clamp_rests != "release" else BEGINNINGS[:1]
        return tuple(State(Memory(), plant, Past()) for plant in plants)

    def moves(self, state: State) -> list[Move]:
        """Return what may happen in a state, the uneventful tick first."""
        known = state.plant.faults
        more = self._first
        if known:
            after = (at for at, one in enumerate(self._second) if one[:2] == known[0][:2])
            more = self._second[next(after, len(self._second)) :] if len(known) == 1 else ()
        return list(moves(state.memory, state.plant, self._rig, self._recipe, more))

    def scan(self, state: State, move: Move) -> tuple[State, Look]:
        """Do one scan from a state, after what happens."""
        memory, rig = state.memory, self._rig
        if memory.last_ns is None:
            now_ns, plant = START_ns, move.plant
        elif move.long:
            now_ns, plant = memory.last_ns + LONG_ns, move.plant
        else:
            now_ns = memory.last_ns + TICK_ns
            plant = after_a_tick(move.plant, memory.outputs, rig)
        inputs = Inputs(
            raw_of(plant, rig, now_ns),
            read_back_of(plant, memory.outputs, rig),
            () if move.request is None else (move.request,),
            Host(record_ok=not plant.has("lost", "record")),
        )
        self._core.restore(memory)
        step = self._core.step(now_ns, inputs)
        after = self._core.snapshot()
        truth = Truth(FILM_Pa[plant.film], CLAMP_Pa[plant.clamp])
        look = look_at(state.past, rig, now_ns, inputs, step, after, truth)
        past = remember(look)
        after.requests_seen.clear()
        if after.step is not CycleStep.PURGING:
            plant = served_again(plant)
        return State(after, plant, past), look

    # ---- the whole ----

    def run(self, most_states: int = 0, *, first_only: bool = False) -> Graph:
        """Search until nothing new is left.

        A cap ends the search once so many states are known; ``first_only`` ends it at the depth of
        the first violation.
        """
        frontier: list[tuple[int, State]] = []
        for at, state in enumerate(self.beginnings()):
            after, look = self.scan(state, Move("the program starts", state.plant))
            self._judge(look, after, -1, at)
            frontier.append((self._known(after, -1, at), after))
        depth = 0
        while frontier and not (most_states and len(self._ids) >= most_states):
            if first_only and self._found:
                break
            depth += 1
            frontier = [new for node in frontier for new in self._expanded(*node)]
        complete = not frontier
        if complete:
            self._look_for_dead_ends()
        return Graph(
            len(self._ids),
            len(self._sources),
            depth,
            complete,
            tuple(self._found.values()),
            frozenset(self._steps),
        )

    def _key(self, state: State) -> Key:
        past = state.past
        return state_key(state.memory, state.plant, past.told, past.way_back, self._rig)

    def _known(self, state: State, parent: int, move: int) -> int:
        """Return a state's number, a new one if it has not been seen."""
        key = self._key(state)
        number = self._ids.setdefault(key, len(self._ids))
        if number == len(self._parents):
            self._parents.append(parent)
            self._moves.append(move)
            memory, plant = state.memory, state.plant
            self._steps.add(memory.step)
            home = memory.step is CycleStep.IDLE and memory.exposure is Exposure.NO
            if home and plant.film == BLED and plant.clamp == BLED:
                self._goals.add(number)
        return number

    def _expanded(self, number: int, state: State) -> Iterator[tuple[int, State]]:
        """Do every scan that may follow on a state, and give the new ones."""
        quiet = -1
        choices = self.moves(state)
        at = 0
        while at < len(choices):
            move = choices[at]
            after, look = self.scan(state, move)
            if not self._judge(look, after, number, at):
                at += 1
                continue
            size = len(self._ids)
            target = self._known(after, number, at)
            self._sources.append(number)
            self._targets.append(target)
            if at == 0:
                quiet = target
                self._look_twice(state, look, number)
                if target == number:
                    choices.append(Move("a long time passes", state.plant, long=True))
            elif target != quiet and _rejected(look) and move.plant == state.plant:
                self._note(REJECTED, move.words, after.plant.faults, number, at)
            if len(self._ids) > size:
                yield target, after
            at += 1

    def _judge(self, look: Look, after: State, parent: int, move: int) -> bool:
        wrong = broken(look)
        if wrong is None:
            return True
        self._note(wrong[0].label, wrong[1], after.plant.faults, parent, move)
        return False

    def _look_twice(self, state: State, look: Look, number: int) -> None:
        """Step a second core from the same snapshot, and look at what screens would show."""
        self._twin.restore(state.memory)
        step = self._twin.step(look.now_ns, look.inputs)
        if step != look.step:
            self._note(TWICE, "two steps from one snapshot differ", state.plant.faults, number, 0)
        hot = self._twin.status(look.now_ns).hot
        wrong = a_hot_head_is_shown(hot, step.estimate, COOL_ENOUGH_degC)
        if wrong:
            self._note(HOT_SHOWN, wrong, state.plant.faults, number, 0)

    def _note(
        self, label: str, what: str, faults: tuple[Fault, ...], parent: int, move: int
    ) -> None:
        """Keep the first, and so the shortest, way to each violation under each set of faults."""
        which = (label, tuple(sorted(fault.words for fault in faults)))
        if which not in self._found:
            self._found[which] = Found(label, what, faults, self._path(parent, move))

    def _path(self, parent: int, move: int) -> tuple[int, ...]:
        path = [move]
        while parent >= 0:
            path.append(self._moves[parent])
            parent = self._parents[parent]
        return tuple(reversed(path))

    def _look_for_dead_ends(self) -> None:
        """Look backwards from home: a state that is never met has no way there."""
        before: list[list[int]] = [[] for _ in range(len(self._ids))]
        for source, target in zip(self._sources, self._targets, strict=True):
            before[target].append(source)
        met, frontier = set(self._goals), list(self._goals)
        while frontier:
            for source in before[frontier.pop()]:
                if source not in met:
                    met.add(source)
                    frontier.append(source)
        for number in range(len(self._ids)):
            if number not in met:
                plant = next(key for key, at in self._ids.items() if at == number)[0]
                assert isinstance(plant, Plant)
                path = (self._parents[number], self._moves[number])
                self._note(LIVENESS, "no way home from here", plant.faults, *path)
                if len(self._found) > 50:
                    break


def _rejected(look: Look) -> bool:
    return any(isinstance(e, RequestAnswered) and not e.accepted for e in look.step.events)
