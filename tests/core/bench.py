"""A core on the logical plant with a scripted person, and the invariants watching every scan."""

import dataclasses
import functools
import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from sequencer.config import Rig
from sequencer.core.step import Sequencer
from sequencer.events import AlarmChanged, Event, RequestAnswered, StageEntered, Step, StepEntered
from sequencer.files import find, validate
from sequencer.model import CycleStep, Host, Inputs, Outputs, Prompt, Request, RequestKind
from sequencer.recipe import Recipe
from tests.core.invariants import Watch
from tests.core.plant_fake import Plant

TICK_ns, COARSE_ns = 40_000_000, 250_000_000
S = 1_000_000_000
Answer = float | str | None


def _merged(given: dict[str, Any], edits: dict[str, Any]) -> dict[str, Any]:
    for key, value in edits.items():
        if value is None:
            given.pop(key, None)
        elif isinstance(value, dict) and isinstance(given.get(key), dict):
            _merged(given[key], value)
        else:
            given[key] = value
    return given


QUICK = {"commissioned": {"heating": "600 K/min", "cooling": "600 K/min"}}


def rig_of(name: str = "bench-instrumented", **edits: Any) -> Rig:
    """A shipped rig with keys of its file replaced (None takes one out); heats at 10 K/s."""
    given = tomllib.loads(find("rigs", name).read_text())
    given["driver"]["options"] = {}
    for item in given["inputs"].values():
        item.pop("frozen_after", None)  # the logical plant has no noise to tell life by
    return validate(_merged(_merged(given, dict(QUICK)), edits), Rig, f"{name}.toml")


def recipe_of(name: str = "pmma-grating", **imprint: Any) -> Recipe:
    """A shipped recipe made short; ``demold=None`` takes the demold temperature out."""
    given = tomllib.loads(find("recipes", name).read_text())
    if "demold" in imprint and imprint.pop("demold") is None:
        given.pop("demold")
    given["imprint"].update({"soak": "1 s", "soak_under_clamp": "1 s", "hold": "4 s"} | imprint)
    return validate(given, Recipe, f"{name}.toml")


INSTRUMENTED, GAUGES, BY_EAR = (
    rig_of(name) for name in ("bench-instrumented", "bench-gauges", "bench-by-ear")
)
RECIPE = recipe_of()
LOW_RECIPE = recipe_of(film_pressure="120 psi")  # under the gauges-only rig's cap
EAR_RECIPE = recipe_of(film_pressure="60 psi")

# Two-valve and three-way, with and without isolation, and three ways for the clamp to rest.
NO_ISOLATION = rig_of(outputs={"film_isolation": None})
SPRING_RETURN = rig_of(
    outputs={
        "clamp_apply": None,
        "clamp_release": None,
        "clamp": {"channel": "clamp", "de_energised": "release"},
    }
)
AIR_TO_CLAMP = rig_of(
    outputs={
        "clamp_apply": None,
        "clamp_release": None,
        "clamp": {"channel": "clamp", "de_energised": "apply"},
    }
)
THREE_WAY = rig_of(
    outputs={
        "film_vent": None,
        "film_isolation": None,
        "film_supply": {"channel": "supply", "de_energised": "shut", "three_way": True},
    }
)
THREE_WAY_ISOLATED = rig_of(
    outputs={
        "film_vent": None,
        "film_supply": {"channel": "supply", "de_energised": "shut", "three_way": True},
    }
)
GAUGES_TWO_VALVES = rig_of(
    "bench-gauges",
    outputs={
        "film_supply": {"channel": "film", "de_energised": "shut", "three_way": False},
        "film_vent": {"channel": "vent", "de_energised": "open"},
        "film_isolation": {"channel": "isolation", "de_energised": "shut"},
    },
)
SEALED = rig_of(hold="sealed")
FITTED = {
    "instrumented": INSTRUMENTED,
    "no isolation": NO_ISOLATION,
    "spring return": SPRING_RETURN,
    "air to clamp": AIR_TO_CLAMP,
    "three-way": THREE_WAY,
    "three-way isolated": THREE_WAY_ISOLATED,
    "sealed": SEALED,
}
TYPED = {"gauges": GAUGES, "gauges two valves": GAUGES_TWO_VALVES, "by ear": BY_EAR}
RIGS = FITTED | TYPED


def recipe_for(rig: Rig) -> Recipe:
    """A recipe that the rig's evidence allows."""
    if rig.evidence.film_bled.by == "by_ear":
        return EAR_RECIPE
    return RECIPE if rig.film_roles else LOW_RECIPE


def good_person(plant: Plant, prompt: Prompt) -> Answer:
    """What an attentive person does and answers."""
    match prompt.topic:
        case "head_setpoint":
            return prompt.target
        case "head_gauge":
            return plant.head_degC
        case "sample_in" | "blank_in":
            return "in place"
        case "supply_gauge":
            plant.regulator_Pa = prompt.target or 0.0
            return plant.regulator_Pa
        case "hands_clear":
            return "clear"
        case "clamp_gauge":
            return plant.clamp_Pa
        case "film_gauge" | "film_empty" | "still_at_pressure":
            return plant.film_Pa
        case "flow_ceased":
            return "ceased" if plant.film_Pa < 1.0 else "still flowing"
        case "clamp_open":
            return "closed" if plant.clamp_closed else "open"
        case "bottle_gauge":
            return plant.bottle_Pa
        case "cooling_late":
            return "vent now"
        case "hot_release":
            return "release hot"
        case "bottle_shut":
            plant.bottle_shut = True
            return "shut"
        case "gauges_zero":
            return plant.supply_Pa
        case "regulator_out":
            plant.regulator_Pa = 0.0
            return "backed out"
        case "air_shut":
            plant.air_shut = True
            return "shut"
        case "air_gauge":
            return plant.air_Pa
    raise AssertionError(prompt.topic)


@dataclass
class Person:
    """Answers after ``delay_s``; ``says`` overrides topics (a value, or a function of nothing).

    A topic in ``silent`` is never answered. Before the sample is in, the guard is opened and shut.
    """

    delay_s: float = 0.5
    says: dict[str, Answer | Callable[[], Answer]] = field(default_factory=dict)
    silent: set[str] = field(default_factory=set)
    done: set[int] = field(default_factory=set)
    answered: list[tuple[str, Answer, int]] = field(default_factory=list)

    def act(self, plant: Plant, prompts: Sequence[Prompt], now_ns: int) -> list[Request]:
        found = []
        for prompt in prompts:
            waited_s = (now_ns - prompt.asked_ns) / 1e9
            if prompt.topic in self.silent or prompt.prompt_id in self.done:
                continue
            if prompt.topic == "sample_in":
                plant.guard_closed = waited_s >= 0.4 * self.delay_s
            if waited_s < self.delay_s:
                continue
            self.done.add(prompt.prompt_id)
            value = self.says.get(prompt.topic, self)
            if callable(value):
                value = value()
            elif value is self:
                value = good_person(plant, prompt)
            self.answered.append((prompt.topic, value, now_ns))
            found.append(
                Request(
                    RequestKind.ANSWER,
                    f"said {prompt.prompt_id}",
                    "person",
                    at_rig=True,
                    prompt_id=prompt.prompt_id,
                    value=value,
                )
            )
        return found


class Bench:
    """Turns the core tick by tick; every scan is looked at by every invariant."""

    def __init__(self, rig: Rig = INSTRUMENTED, recipe: Recipe | None = None) -> None:
        self.rig = rig
        self.recipe = recipe or recipe_for(rig)
        self.core = Sequencer(rig)
        self.plant = Plant(rig, regulator_Pa=self.recipe.imprint.film_pressure_Pa)
        self.person = Person()
        self.host = Host()
        self.read_back: tuple[tuple[str, bool], ...] = ()
        self.now_ns = 0
        self.tick_ns = TICK_ns
        self.outputs = Outputs()
        self.events: list[tuple[int, Event]] = []
        self.fresh: tuple[Event, ...] = ()
        self.last: Step | None = None
        self.watch = Watch(rig)
        self._count = 0

    def copied(self) -> "Bench":
        """A bench that stands where this one does and goes its own way from here."""
        other = Bench(self.rig, self.recipe)
        other.core.restore(self.core.snapshot())
        other.plant = dataclasses.replace(self.plant, sensors=dict(self.plant.sensors))
        other.person = dataclasses.replace(
            self.person,
            says=dict(self.person.says),
            silent=set(self.person.silent),
            done=set(self.person.done),
            answered=list(self.person.answered),
        )
        other.now_ns, other.outputs, other.last = self.now_ns, self.outputs, self.last
        other.events, other.fresh = list(self.events), self.fresh
        other.watch = dataclasses.replace(self.watch)
        other._count = self._count
        return other

    # ---- time ----

    def tick(self, *requests: Request) -> Step:
        """One scan: the plant moves, the person answers, the core steps."""
        self.now_ns += self.tick_ns
        self.plant.run(self.outputs, self.tick_ns / 1e9)
        prompts = tuple(self.memory.prompts.values())
        asked = (*requests, *self.person.act(self.plant, prompts, self.now_ns))
        inputs = Inputs(self.plant.raw(self.now_ns), self.read_back, asked, self.host)
        step = self.core.step(self.now_ns, inputs)
        self.watch.look(self.now_ns, inputs, step, self.core.snapshot())
        self.outputs, self.last, self.fresh = step.outputs, step, step.events
        self.events += [(self.now_ns, event) for event in step.events]
        return step

    def run(self, time_s: float) -> Step:
        """Run for a time; a long one in coarser ticks."""
        self.tick_ns = COARSE_ns if time_s > 20.0 else TICK_ns
        end_ns = self.now_ns + round(time_s * 1e9)
        while self.now_ns < end_ns:
            step = self.tick()
        self.tick_ns = TICK_ns
        return step

    def until(self, *where: CycleStep | str, within_s: float = 200.0) -> "Bench":
        """Run until one of these steps, or a stage of this name, stands.

        Ticks get coarser once the same stage has stood for a while, as in a person's silence.
        """
        end_ns = self.now_ns + round(within_s * 1e9)
        while True:
            calm = self.now_ns - self.memory.stage_since_ns > 20 * S
            self.tick_ns = COARSE_ns if calm else TICK_ns
            step = self.tick()
            if step.step in where or step.stage in where:
                self.tick_ns = TICK_ns
                return self
            stands = f"{step.step.value}/{step.stage}"
            assert self.now_ns < end_ns, f"{where} never came; {stands}; {self.tail()}"

    # ---- requests ----

    def ask(self, kind: RequestKind, *, request_id: str = "", **more: Any) -> Request:
        self._count += 1
        more = {"at_rig": True} | more
        return Request(kind, request_id or f"{kind.value} {self._count}", "test", **more)

    def request(self, kind: RequestKind, **more: Any) -> RequestAnswered:
        """Post a request in the next scan and return its answer."""
        request = self.ask(kind, **more)
        self.tick(request)
        return self.answer_to(request.request_id)

    def answer_to(self, request_id: str) -> RequestAnswered:
        found = [
            event
            for event in self.fresh
            if isinstance(event, RequestAnswered) and event.request_id == request_id
        ]
        assert found, f"no answer to {request_id}: {self.fresh}"
        return found[-1]

    # ---- the way to a step ----

    def idle(self) -> "Bench":
        """From start-up to idle, by a reset."""
        self.tick()
        assert self.request(RequestKind.RESET).accepted
        return self.until(CycleStep.IDLE)

    def started(self) -> "Bench":
        if self.last is None or self.last.step is not CycleStep.IDLE:
            self.idle()
        answer = self.request(RequestKind.START, recipe=self.recipe)
        assert answer.accepted, answer.reasons
        return self

    def to(self, where: CycleStep | str) -> "Bench":
        """From start-up through a normal cycle to a step or stage."""
        return self.started().until(where)

    # ---- what happened ----

    def steps(self) -> list[CycleStep]:
        return [event.step for _, event in self.events if isinstance(event, StepEntered)]

    def stages(self) -> list[tuple[CycleStep, str]]:
        found = [event for _, event in self.events if isinstance(event, StageEntered)]
        return [(event.step, event.stage) for event in found]

    def raised(self) -> list[str]:
        found = [event for _, event in self.events if isinstance(event, AlarmChanged)]
        return [event.name for event in found if event.change == "raised"]

    def of(self, kind: type[Event]) -> list[Any]:
        return [event for _, event in self.events if isinstance(event, kind)]

    @property
    def memory(self):
        """The core's own memory, to be looked at and, in tests of a single rule, to be set."""
        return self.core._memory

    def tail(self) -> str:
        return "; ".join(str(event) for _, event in self.events[-4:])


def safe(outputs: Outputs) -> bool:
    """The safe image but for the clamp."""
    return (
        not outputs.supply_open
        and not outputs.isolation_open
        and outputs.vent_open
        and not outputs.heater_on
        and not outputs.coolant_on
    )


@functools.cache
def _there(name: str, where: CycleStep | str) -> Bench:
    return Bench(RIGS[name]).to(where)


def at(where: CycleStep | str, name: str = "instrumented") -> Bench:
    """A bench of its own that stands at a step or stage of its first cycle."""
    return _there(name, where).copied()
