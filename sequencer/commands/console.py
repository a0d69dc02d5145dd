"""The person at the terminal: prompts put and answers typed, while the scan goes on.

Lines are read by a thread of their own. A gauge reading may be typed with its unit ("180 psi",
"12.4 bar") or as a plain number in psi or degC; a choice by its words, their beginning, or its
number. ``stop`` asks for the ordered end at any time.
"""

import sys
import threading
from collections.abc import Callable
from itertools import count

from sequencer.driver import Attendant
from sequencer.events import PromptAsked, PromptClosed, Step
from sequencer.model import Inputs, Prompt, Request, RequestKind
from sequencer.runtime.attend import prompt_of
from sequencer.units import PRESSURE, TEMPERATURE, PSI_Pa, parse, show_pressure, show_temperature

Say = Callable[[str], None]


class Console:
    """A sink that puts prompts to the terminal and posts what is typed.

    Where the back end has a simulated person, its hands do what is asked and its eyes read the
    gauge; what it sees is shown, the answer is still the typed one.
    """

    def __init__(
        self, post: Callable[[Request], None], attendant: Attendant | None, stop: Callable[[], None]
    ) -> None:
        self._post = post
        self._attendant = attendant
        self._stop = stop
        self._numbers = count(1)
        self._open: dict[int, Prompt] = {}
        threading.Thread(target=self._serve, name="console", daemon=True).start()

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Put this scan's questions."""
        for event in step.events:
            if isinstance(event, PromptAsked):
                prompt = prompt_of(event, now_ns)
                self._open[prompt.prompt_id] = prompt
                _say(f"            type {how_to_answer(prompt)}")
                if self._attendant is not None:
                    self._attendant.asked(prompt, now_ns)
            elif isinstance(event, PromptClosed):
                self._open.pop(event.prompt_id, None)
        if self._attendant is not None:
            for seen in self._attendant.answers(now_ns):
                prompt_seen = self._open.get(seen.prompt_id)
                if prompt_seen is not None and seen.value is not None:
                    shown = _shown(seen.value, prompt_seen.unit)
                    _say(f"            at the simulated rig it is done; you see: {shown}")

    def _serve(self) -> None:
        for line in sys.stdin:
            self._typed(line.strip())

    def _typed(self, text: str) -> None:
        if not text:
            return
        if text.lower() == "stop":
            self._stop()
            return
        # Copied in one go: the loop's thread may close a question meanwhile.
        prompt = next(iter(list(self._open.values())), None)
        if prompt is None:
            _say("            no question is open; type stop to end the run in the safe order")
            return
        try:
            value = answer_typed(text, prompt)
        except ValueError as error:
            _say(f"            {error}")
            return
        self._post(
            Request(
                RequestKind.ANSWER,
                request_id=f"console-{next(self._numbers)}",
                actor="console",
                at_rig=True,
                prompt_id=prompt.prompt_id,
                value=value,
            )
        )


def how_to_answer(prompt: Prompt) -> str:
    """Return what may be typed to a prompt."""
    if prompt.choices:
        return ", ".join(f"{n} for {choice!r}" for n, choice in enumerate(prompt.choices, 1))
    return "the reading in psi (or with another unit)" if prompt.unit == "Pa" else "degrees C"


def answer_typed(text: str, prompt: Prompt) -> float | str:
    """Return the answer that a line means.

    Raises:
        ValueError: in one line, if it is no answer to this prompt.
    """
    if prompt.choices:
        return _choice(text, prompt.choices)
    kind, factor = (PRESSURE, PSI_Pa) if prompt.unit == "Pa" else (TEMPERATURE, 1.0)
    try:
        return float(text) * factor
    except ValueError:
        return parse(text, kind)


def _choice(text: str, choices: tuple[str, ...]) -> str:
    if text.isdecimal() and 1 <= int(text) <= len(choices):
        return choices[int(text) - 1]
    found = [choice for choice in choices if choice.startswith(text.lower())]
    if text.lower() in choices:
        return text.lower()
    if len(found) != 1:
        numbered = ", ".join(f"{n} {choice}" for n, choice in enumerate(choices, 1))
        raise ValueError(f"type one of: {numbered}")
    return found[0]


def _shown(value: float | str, unit: str) -> str:
    if isinstance(value, str):
        return value
    return show_pressure(value) if unit == "Pa" else show_temperature(value)


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)
