"""What can happen between two scans: nothing, a person, a request, a fault, a repair."""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.core.memory import Memory
from sequencer.explore.plant import FULL, Fault, FILM_Pa, Plant, broken, mended, value_of
from sequencer.model import FAULT_STEPS, CycleStep, Prompt, Request, RequestKind
from sequencer.recipe import Recipe

TARGET_Pa = FILM_Pa[FULL]

# Here an open guard neither moves nor stops anything; only its shutting is looked for.
LOCKED = (CycleStep.TRIPPED, CycleStep.VENT_UNCONFIRMED, CycleStep.FAULTED)


class Move(NamedTuple):
    """One thing that happens: in words, what it does to the plant, and what is asked for."""

    words: str
    plant: Plant
    request: Request | None = None
    long: bool = False  # a long time passes first, in which nothing changes


def moves(
    memory: Memory, plant: Plant, rig: Rig, recipe: Recipe, faults: tuple[Fault, ...]
) -> Iterator[Move]:
    """Give everything that can happen from here, the uneventful tick first.

    On a sound rig the person gives every answer, right or wrong, or none, and opens the guard
    anywhere. On a broken one the person gives the right answer or none, and asks for anything
    that could be granted: a wrong answer besides the fault would be a second one.
    ``faults`` are those that may still come; empty where no further one is looked for.
    """
    yield Move("", plant)
    for prompt in memory.prompts.values():
        yield from _answers(prompt, plant)
    kept_shut = memory.step in LOCKED or (plant.faults and memory.step is not CycleStep.HEATING)
    if "guard_closed" in rig.inputs and not (plant.guard and kept_shut):
        words = "a person opens the guard" if plant.guard else "a person shuts the guard"
        yield Move(words, plant._replace(guard=not plant.guard))
    yield from _requests(memory, plant, recipe)
    for fault in faults:
        if not any(fault.what == known.what for known in plant.faults):
            yield Move(f"FAULT: {fault.words}", broken(plant, fault))
    if plant.faults and (memory.step in FAULT_STEPS or memory.step is CycleStep.IDLE):
        yield Move("what is broken is mended", mended(plant))


def _ask(kind: RequestKind, **more: object) -> Request:
    return Request(kind, "asked", "person", at_rig=True, **more)  # type: ignore[arg-type]


def _requests(memory: Memory, plant: Plant, recipe: Recipe) -> Iterator[Move]:
    step, kinds = memory.step, RequestKind
    wanted: list[tuple[str, Request]] = []
    if not plant.faults or step is CycleStep.IDLE:
        wanted.append(("start", _ask(kinds.START, recipe=recipe)))
        wanted.append(("purge", _ask(kinds.PURGE)))
    if not plant.faults or step not in FAULT_STEPS:
        wanted.append(("stop", _ask(kinds.STOP)))
        wanted.append(("abort", _ask(kinds.ABORT)))
        if step is CycleStep.COOLING:
            wanted.append(("stop, cooled first", _ask(kinds.STOP, finish_cooling=True)))
        if step is CycleStep.HOLDING:
            paused = memory.paused_since_ns is not None
            wanted.append(
                ("resume" if paused else "pause", _ask(kinds.RESUME if paused else kinds.PAUSE))
            )
    if not plant.faults or step in FAULT_STEPS or step is CycleStep.IDLE:
        wanted.append(("reset", _ask(kinds.RESET)))
        wanted.append(("release", _ask(kinds.RELEASE)))
    if not plant.faults or step is CycleStep.VENT_UNCONFIRMED:
        entry = _ask(
            kinds.MAINTENANCE,
            value=_film_gauge_Pa(plant),
            person="A. Reader",
            reason="mechanical gauge read",
        )
        wanted.append(("a maintenance entry", entry))
    for words, request in wanted:
        yield Move(f"a person asks: {words}", plant, request)


def _film_gauge_Pa(plant: Plant) -> float:
    return 0.0 if plant.has("shows zero", "film_gauge") else FILM_Pa[plant.film]


def _answers(prompt: Prompt, plant: Plant) -> Iterator[Move]:
    for value, does in _said(prompt, plant):
        if plant.faults and value in WRONG:
            continue
        request = Request(
            RequestKind.ANSWER,
            "answered",
            "person",
            at_rig=True,
            prompt_id=prompt.prompt_id,
            value=value,
        )
        shown = value if isinstance(value, str) else f"{value / 1e3:.0f} kPa"
        topic = prompt.topic.replace("_", " ")
        done = "" if does is not plant or prompt.topic not in DEEDS else ", which is not so"
        yield Move(f"{topic}: a person says {shown}{done}", does, request)


WRONG = ("not ready", "not clear", "keep clamped", "wait")
DEEDS = ("bottle_shut", "air_shut", "regulator_out")  # to be done, not only said


def _said(prompt: Prompt, plant: Plant) -> Iterator[tuple[float | str, Plant]]:
    """Give each answer with what the person does besides; gauges are read as they stand."""
    match prompt.topic:
        case "supply_gauge":
            yield TARGET_Pa, plant._replace(line=plant.line if plant.bottle_shut else FULL)
            if not plant.faults:
                yield 0.0, plant
        case "film_empty":
            yield _film_gauge_Pa(plant), plant
            if not plant.faults:
                yield TARGET_Pa, plant
        case "gauges_zero":
            yield value_of("supply_pressure", plant.line), plant
        case "air_gauge":
            yield value_of("air_pressure", FULL if plant.air else 0), plant
        case "bottle_shut":
            yield "shut", plant._replace(bottle_shut=True)
            if not plant.faults:
                yield "shut", plant
        case "air_shut":
            yield "shut", plant._replace(air_shut=True)
            if not plant.faults:
                yield "shut", plant
        case "regulator_out":
            yield "backed out", plant._replace(line=0)
        case _:
            for choice in prompt.choices:
                yield choice, plant
