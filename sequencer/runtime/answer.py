"""Having a script's own function answer the prompts, without ever keeping the scan waiting.

On a real clock the function is called in a thread of its own; in virtual time, where nobody waits,
in line. Where the back end has a simulated person, that person's hands do what a prompt asks (the
regulator is turned, the guard opened), but the words are the function's.
"""

import queue
import threading
from collections.abc import Callable
from itertools import count

from sequencer.driver import Attendant
from sequencer.events import PromptAsked, PromptClosed, Step
from sequencer.model import Inputs, Prompt, Request, RequestKind
from sequencer.runtime.attend import prompt_of

Answer = Callable[[Prompt], float | str | None]


class AskCallback:
    """A sink that puts each prompt to a function and posts what it returns."""

    def __init__(
        self,
        answer: Answer,
        post: Callable[[Request], None],
        attendant: Attendant | None,
        *,
        inline: bool,
    ) -> None:
        self._answer = answer
        self._post = post
        self._attendant = attendant
        self._numbers = count(1)
        self._open: dict[int, Prompt] = {}
        self._prompts: queue.Queue[Prompt] | None = None
        if not inline:
            self._prompts = queue.Queue()
            threading.Thread(target=self._serve, name="answers", daemon=True).start()

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Put this scan's questions once the hands, if any, have done their part."""
        for event in step.events:
            if isinstance(event, PromptAsked):
                prompt = prompt_of(event, now_ns)
                if self._attendant is None:
                    self._put(prompt)
                else:
                    self._open[prompt.prompt_id] = prompt
                    self._attendant.asked(prompt, now_ns)
            elif isinstance(event, PromptClosed):
                self._open.pop(event.prompt_id, None)
        if self._attendant is not None:
            for done in self._attendant.answers(now_ns):
                ready = self._open.pop(done.prompt_id, None)
                if ready is not None:
                    self._put(ready)

    def _put(self, prompt: Prompt) -> None:
        if self._prompts is None:
            self._ask(prompt)
        else:
            self._prompts.put(prompt)

    def _serve(self) -> None:
        assert self._prompts is not None
        while True:
            self._ask(self._prompts.get())

    def _ask(self, prompt: Prompt) -> None:
        value = self._answer(prompt)
        if value is None:
            return
        self._post(
            Request(
                RequestKind.ANSWER,
                request_id=f"answer-{next(self._numbers)}",
                actor="script",
                at_rig=True,
                prompt_id=prompt.prompt_id,
                value=value,
            )
        )
