"""Putting the cycle's questions to whoever the back end stands in for, and taking the answers."""

from collections.abc import Callable

from sequencer.driver import Attendant
from sequencer.events import PromptAsked, Step
from sequencer.model import Inputs, Prompt, Request
from sequencer.units import ns


class Attended:
    """A sink that tells an attendant of every question and posts the answers as they fall due."""

    def __init__(self, attendant: Attendant, post: Callable[[Request], None]) -> None:
        self._attendant = attendant
        self._post = post

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Pass on this scan's questions, then whatever answers are due."""
        for event in step.events:
            if isinstance(event, PromptAsked):
                self._attendant.asked(prompt_of(event, now_ns), now_ns)
        for answer in self._attendant.answers(now_ns):
            self._post(answer)


def prompt_of(asked: PromptAsked, now_ns: int) -> Prompt:
    """Return the prompt that an event asks."""
    return Prompt(
        prompt_id=asked.prompt_id,
        topic=asked.name,
        question=asked.question,
        asked_ns=now_ns,
        answer_by_ns=now_ns + ns(asked.answer_within_s),
        choices=asked.choices,
        unit=asked.unit,
        low=asked.low,
        high=asked.high,
        target=asked.target,
    )
