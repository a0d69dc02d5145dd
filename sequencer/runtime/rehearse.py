"""Rehearsals: what strikes or is asked for when the cycle comes to a step, and what came of it."""

from collections.abc import Callable, Sequence

from sequencer.driver import Rehearsing
from sequencer.events import AlarmChanged, RequestAnswered, StageEntered, Step, TripLatched
from sequencer.model import Inputs, Request, RequestKind
from sequencer.moment import is_at
from sequencer.recipe import Recipe
from sequencer.scenario import Asked
from sequencer.units import ns

ACTOR = "rehearsal"


class Followed:
    """A sink that tells a back end which step and stage begin."""

    def __init__(self, driver: Rehearsing) -> None:
        self._driver = driver

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Tell what this scan entered."""
        for event in step.events:
            if isinstance(event, StageEntered):
                self._driver.entered(event.step.value, event.stage, now_ns)


class Rehearsed:
    """A sink that asks at the moments of a scenario, and notes how the cycle took it."""

    def __init__(
        self, asked: Sequence[Asked], post: Callable[[Request], None], recipe: Recipe
    ) -> None:
        self._waiting = list(asked)
        self._post = post
        self._recipe = recipe
        self._due: list[tuple[int, Asked]] = []
        self._numbered = 0
        self.first_out = ""
        self.first_raised = ""
        self.refused: list[str] = []
        self.accepted: list[str] = []

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Look at one scan."""
        for event in step.events:
            if isinstance(event, StageEntered):
                self._entered(event, now_ns)
            elif isinstance(event, TripLatched):
                self.first_out = self.first_out or event.name
            elif isinstance(event, AlarmChanged) and event.change == "raised":
                self.first_raised = self.first_raised or event.name
            elif isinstance(event, RequestAnswered) and event.actor == ACTOR:
                (self.accepted if event.accepted else self.refused).append(event.kind)
        for due_ns, asked in tuple(self._due):
            if now_ns >= due_ns:
                self._due.remove((due_ns, asked))
                self._ask(asked)

    def _entered(self, event: StageEntered, now_ns: int) -> None:
        for asked in tuple(self._waiting):
            place, after_s = asked.moment()
            if is_at(place, event.step, event.stage):
                self._waiting.remove(asked)
                self._due.append((now_ns + ns(after_s), asked))

    def _ask(self, asked: Asked) -> None:
        self._numbered += 1
        kind = RequestKind(asked.kind)
        self._post(
            Request(
                kind,
                request_id=f"{ACTOR}-{self._numbered}",
                actor=ACTOR,
                at_rig=True,
                recipe=self._recipe if kind is RequestKind.START else None,
                value=asked.value or None,
            )
        )
