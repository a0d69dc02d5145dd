"""Talking to the simulated person in lines of text, for a rig that is served as hardware.

A line is the topic of a prompt and, where the topic has one, its target: ``supply_gauge 180 psi``.
The person does by hand what the topic asks and says what is seen.
"""

from itertools import count

from sequencer.driver import Attendant
from sequencer.model import Prompt, Request
from sequencer.units import (
    PRESSURE,
    TEMPERATURE,
    ns,
    parse,
    show_pressure,
    show_temperature,
)
from simulator.hands import TASKS

IN_DEGREES = ("head_setpoint", "head_gauge")
PATIENCE_s = 600.0


class Errands:
    """The simulated person behind a door of text."""

    def __init__(self, person: Attendant) -> None:
        self._person = person
        self._numbers = count(1)
        self._sent: dict[int, Prompt] = {}

    def send(self, line: str, now_ns: int) -> str:
        """Have the person do what a line says; return what is wrong with it, empty if nothing."""
        topic, _, text = line.strip().partition(" ")
        if topic not in TASKS:
            return f"{topic}: no such topic; known: {', '.join(TASKS)}"
        in_degrees = topic in IN_DEGREES
        try:
            target = parse(text.strip(), TEMPERATURE if in_degrees else PRESSURE) if text else None
        except ValueError as error:
            return f"{topic}: {error}"
        prompt = Prompt(
            next(self._numbers),
            topic,
            line,
            now_ns,
            now_ns + ns(PATIENCE_s),
            unit="degC" if in_degrees else "Pa",
            target=target,
        )
        self._sent[prompt.prompt_id] = prompt
        self._person.asked(prompt, now_ns)
        return ""

    def said(self, now_ns: int) -> list[str]:
        """Return a line for every errand that is done by now."""
        return [self._line(answer) for answer in self._person.answers(now_ns)]

    def _line(self, answer: Request) -> str:
        prompt = self._sent.pop(answer.prompt_id)
        value = answer.value
        if isinstance(value, float):
            show = show_temperature if prompt.unit == "degC" else show_pressure
            return f"{prompt.topic} = {value:.6g} {prompt.unit}   {show(value)}"
        return f"{prompt.topic} = {value}"
