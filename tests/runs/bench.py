"""Whole runs on simulated rigs in virtual time, with the plant's truth looked at every scan."""

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from sequencer.config import Rig
from sequencer.driver import Attendant
from sequencer.events import (
    AlarmChanged,
    Event,
    PromptAsked,
    StageEntered,
    Step,
    StepEntered,
    TripLatched,
)
from sequencer.files import find, load
from sequencer.material import load_materials
from sequencer.model import Inputs
from sequencer.physics.clamp import clamp_margin
from sequencer.recipe import Recipe
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import Sink
from sequencer.runtime.session import Ended, Job, Post, Session
from simulator.press import piston_home
from simulator.values import PlantState

CYCLE = ["heating", "clamping", "pressurizing", "holding", "cooling", "venting", "releasing"]
HOT: dict[str, dict[str, str]] = {
    "start": {"head_temperature": "159 degC"},
    "head": {"loss": "0.5 W/K"},
    "person": {"handling": "4 s", "delay": "1.5 s"},
}
"""A head found hot and well insulated, and a nimble person: a run without its long waits."""


@cache
def rig(name: str = "bench-instrumented") -> Rig:
    return load(find("rigs", name), Rig)


@cache
def recipe(name: str = "pmma-grating") -> Recipe:
    return load(find("recipes", name), Recipe)


@cache
def quick(name: str = "pmma-grating") -> Recipe:
    """The shipped recipe with short soaks and a short dwell, released not far below heat."""
    whole = recipe(name)
    imprint = whole.imprint.model_copy(
        update={"soak_s": 5.0, "soak_under_clamp_s": 5.0, "hold_s": 20.0}
    )
    demold = whole.demold.model_copy(
        update={"temperature_degC": whole.imprint.temperature_degC - 10.0}
    )
    return whole.model_copy(update={"imprint": imprint, "demold": demold})


def with_options(base: Rig, **options: Any) -> Rig:
    """The rig with these tables of its simulated back end set beside the ones that it has."""
    merged = dict(base.driver.options)
    for key, value in options.items():
        old = merged.get(key)
        merged[key] = {**old, **value} if isinstance(value, dict) and old else value
    return base.model_copy(update={"driver": base.driver.model_copy(update={"options": merged})})


def hot(*faults: dict[str, Any], start: Mapping[str, str] | None = None, **more: Any) -> Rig:
    """The instrumented rig as `HOT` has it, with these faults."""
    begin = {**HOT["start"], **(start or {})}
    options = {**HOT, **more, "start": begin, "faults": list(faults)}
    return with_options(rig(), **options)


def impatient(base: Rig, answer_within_s: float = 20.0) -> Rig:
    """The rig with less time for an answer, so that silence is short."""
    prompts = base.prompts.model_copy(update={"answer_within_s": answer_within_s})
    return base.model_copy(update={"prompts": prompts})


def fault(kind: str, at_s: float, **more: str) -> dict[str, Any]:
    return {"kind": kind, "at": f"{at_s:.3f} s", **more}


@dataclass
class Watched:
    """What a run was in truth: every event with its time, and the order seen on the plant."""

    session: Session
    ended: Ended | None = None
    events: list[tuple[float, Event]] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)
    least_true_margin: float = float("inf")
    places: list[tuple[str, str]] = field(default_factory=list)
    first: PlantState | None = None
    supply_opened: bool = False
    clamp_told: set[str] = field(default_factory=set)

    @property
    def document(self) -> dict[str, Any]:
        assert self.ended is not None
        return self.ended.document

    @property
    def truth(self) -> PlantState:
        return self.session.driver.truth()

    @property
    def steps(self) -> list[str]:
        return [e.step.value for _, e in self.events if isinstance(e, StepEntered)]

    @property
    def trips(self) -> list[str]:
        return [e.name for _, e in self.events if isinstance(e, TripLatched)]

    @property
    def raised(self) -> list[str]:
        return [
            e.name for _, e in self.events if isinstance(e, AlarmChanged) and e.change == "raised"
        ]

    @property
    def asked(self) -> list[str]:
        return [e.name for _, e in self.events if isinstance(e, PromptAsked)]

    def entered_s(self, step: str, stage: str = "") -> float:
        """When a step, or a stage in it, was first entered, in s from the first scan."""
        for at_s, event in self.events:
            if (
                isinstance(event, StageEntered)
                and event.step == step
                and stage in ("", event.stage)
            ):
                return at_s
        raise AssertionError(f"{step} {stage} was never entered: {self.steps}")


def _watching(watched: Watched) -> Sink:
    size, limits = watched.session._job.rig.geometry, watched.session._job.rig.limits
    params = watched.session.driver.bench().params
    began: list[int] = []
    was_home = [True]

    def look(now_ns: int, inputs: Inputs, step: Step) -> None:
        if not began:
            began.append(now_ns)
            watched.first = watched.truth
        at_s = (now_ns - began[0]) / 1e9
        watched.events += [(at_s, event) for event in step.events]
        watched.supply_opened |= step.outputs.supply_open or step.outputs.isolation_open
        watched.clamp_told.add(step.outputs.clamp.value)
        place = (step.step.value, step.stage)
        if not watched.places or watched.places[-1] != place:
            watched.places.append(place)
        true = watched.truth
        home = piston_home(true.piston_m, params)
        pressed = true.film_Pa > limits.bled_Pa
        if pressed:
            margin = clamp_margin(
                true.cylinder_Pa, true.film_Pa, size.cylinder_bore_m,
                size.film_seal_diameter_m, size.cylinder_efficiency,
            )  # fmt: skip
            watched.least_true_margin = min(watched.least_true_margin, margin)
            if not home:
                watched.broken.append(f"{at_s:.2f} s: film {true.film_Pa:.0f} Pa, clamp not closed")
            elif margin < limits.clamp_trip:
                watched.broken.append(f"{at_s:.2f} s: true clamp margin {margin:.2f}")
            if was_home[0] and not home:
                watched.broken.append(f"{at_s:.2f} s: the clamp opens under {true.film_Pa:.0f} Pa")
        if true.film_intact < 1.0:
            watched.broken.append(f"{at_s:.2f} s: the film is burst")
        was_home[0] = home

    return look


def attended(post: Post, attendant: Attendant | None) -> Sink:
    assert attendant is not None
    return Attended(attendant, post)


def run(
    the_rig: Rig | None = None,
    the_recipe: Recipe | None = None,
    *,
    kind: str = "run",
    seed: int | None = None,
    records: Path | None = None,
    long_ticks: bool = True,
    answering: Callable[..., Sink] = attended,
    stop_in: tuple[str, str] | None = None,
    interrupts: int = 1,
    sinks: Iterable[Sink] = (),
) -> Watched:
    """Run a session in virtual time and return what it was in truth.

    ``stop_in`` is the step and stage in which it is interrupted, ``interrupts`` times in a row of
    scans.
    """
    the_rig = the_rig or hot()
    the_recipe = None if kind == "purge" else the_recipe or quick()
    material = None if the_recipe is None else load_materials().get(the_recipe.material)
    job = Job(kind, the_rig, "test rig", the_recipe, material, seed=seed)
    session = Session(
        job, VirtualClock(), answering, live=False, keep=records is not None, records=records,
        long_ticks=long_ticks,
    )  # fmt: skip
    watched = Watched(session)
    left = [interrupts]

    def interrupt(now_ns: int, inputs: Inputs, step: Step) -> None:
        begun = left[0] < interrupts
        here = stop_in is not None and (step.step.value, step.stage) == stop_in
        if left[0] and (begun or here):
            left[0] -= 1
            session.interrupt()

    extra = [] if stop_in is None else [interrupt]
    watched.ended = session.run([_watching(watched), *extra, *sinks])
    assert watched.ended.trouble == "", watched.ended.trouble
    if stop_in is not None:
        assert left[0] < interrupts, f"never came to {stop_in}: {watched.places}"
    return watched


def assert_safe(watched: Watched) -> None:
    """Heater off, nitrogen shut, vent open, and nothing in the film: what every ending must be."""
    outputs = watched.session.sequencer.snapshot().outputs
    assert not outputs.heater_on
    assert not outputs.supply_open
    assert not outputs.isolation_open
    assert outputs.vent_open
    assert not watched.broken, watched.broken[:3]
