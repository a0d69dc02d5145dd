"""The simulated person: does by hand what a prompt asks, reads real gauges, and answers honestly.

Nothing is ever answered from the target: a number is what the gauge shows, a word what is so,
unless a fault makes the person hasty or wrong. A person who does not understand a question, or has
no gauge to read, says nothing.
"""

from collections.abc import Callable
from functools import partial
from random import Random

from sequencer.model import Prompt, Request, RequestKind
from sequencer.units import ns
from simulator.bench import Bench
from simulator.faults import Fault, struck
from simulator.gauges import Eyes
from simulator.hands import TASKS, Deed, looks_open
from simulator.options import Person as Habits

NAME = "simulated person"
GAUGE_OF = {
    "head_gauge": "head",
    "supply_gauge": "regulator",
    "clamp_gauge": "clamp",
    "film_gauge": "film",
    "film_empty": "film",
    "still_at_pressure": "film",
    "bottle_gauge": "bottle",
    "air_gauge": "air",
}
HASTE_s = 0.3
WRONG_NUMBER = 1.5
FLOW_OPENING = 0.05
"""An opening below which nothing is heard."""


class SimulatedPerson:
    """Someone at the simulated rig; see `sequencer.driver.Attendant`."""

    def __init__(self, bench: Bench, eyes: Eyes, habits: Habits, rng: Random) -> None:
        self._bench = bench
        self._eyes = eyes
        self._habits = habits
        self._rng = rng
        self._busy: dict[int, int] = {}
        self._begun = 0
        self._said: list[Request] = []
        self._answered = 0

    def asked(self, prompt: Prompt, now_ns: int) -> None:
        """Hear a question and get to work on it; asked the same again, start afresh."""
        task = TASKS.get(prompt.topic)
        if task is None:
            return
        self._begun += 1
        self._busy[prompt.prompt_id] = self._begun
        usual_s = self._habits.handling_s if task.hands_on else self._habits.delay_s
        takes_s = usual_s * (1.0 + self._habits.spread * self._rng.uniform(-1.0, 1.0))
        hasty = struck(self._bench.faults, "person_hasty")
        takes_s = HASTE_s if hasty else takes_s
        for share, deed in () if hasty else task.deeds:
            self._plan(now_ns, share * takes_s, prompt, partial(self._do, deed, prompt))
        self._plan(now_ns, takes_s, prompt, partial(self._say, prompt))

    def answers(self, now_ns: int) -> tuple[Request, ...]:  # noqa: ARG002  the bench keeps time
        """Return the answers given since this was last asked."""
        said, self._said = tuple(self._said), []
        return said

    def _plan(self, now_ns: int, after_s: float, prompt: Prompt, act: Callable[[], None]) -> None:
        begun = self._begun
        self._bench.at(now_ns + ns(after_s), partial(self._unless_away, begun, prompt, act))

    def _unless_away(self, begun: int, prompt: Prompt, act: Callable[[], None]) -> None:
        if self._busy.get(prompt.prompt_id) != begun:
            return
        away = next((fault for fault in self._bench.faults if fault.kind == "person_silent"), None)
        if away is None:
            act()
        else:
            self._leave(prompt, away)

    def _leave(self, prompt: Prompt, away: Fault) -> None:
        """Drop the task; on coming back the question still stands on the screen."""
        del self._busy[prompt.prompt_id]
        if away.until_ns is not None:
            self._bench.at(away.until_ns, partial(self.asked, prompt, away.until_ns))

    def _do(self, deed: Deed, prompt: Prompt) -> None:
        deed(self._bench, self._eyes, prompt)

    def _say(self, prompt: Prompt) -> None:
        del self._busy[prompt.prompt_id]
        value = self._mistaken(self._answer(prompt.topic), prompt)
        if value is None:
            return
        self._answered += 1
        self._said.append(
            Request(
                RequestKind.ANSWER,
                request_id=f"simulated-person-{self._answered}",
                actor=NAME,
                at_rig=True,
                prompt_id=prompt.prompt_id,
                value=value,
            )
        )

    def _mistaken(self, value: float | str | None, prompt: Prompt) -> float | str | None:
        """Return what is said instead of the truth by a person who is in a hurry or wrong."""
        faults = self._bench.faults
        if not faults or value is None:
            return value
        if struck(faults, "person_hasty"):
            # What is wanted, not what is so.
            return prompt.choices[0] if prompt.choices else prompt.target
        if isinstance(value, float):
            return value * WRONG_NUMBER if struck(faults, "person_wrong_number") else value
        others = [choice for choice in prompt.choices if choice != value]
        return others[0] if others and struck(faults, "person_contrary") else value

    def _answer(self, topic: str) -> float | str | None:
        bench = self._bench
        match topic:
            case "head_setpoint":
                return bench.actuation.heater_setpoint_degC
            case "gauges_zero":
                readings = [self._read("regulator"), self._read("bottle")]
                return max((shown for shown in readings if shown is not None), default=None)
            case "sample_in":
                in_place = bench.hands.stack_in and bench.guard_closed
                return "in place" if in_place else "not ready"
            case "blank_in":
                return "in place" if bench.guard_closed else "not ready"
            case "hands_clear":
                return "clear" if bench.guard_closed else "not clear"
            case "flow_ceased":
                return "still flowing" if self._hears_flow() else "ceased"
            case "clamp_open":
                return "open" if looks_open(bench) else "closed"
            case "cooling_late":
                return self._habits.cooling_late
            case "hot_release":
                return self._habits.hot_release
            case "bottle_shut" | "air_shut":
                return "shut"
            case "regulator_out":
                return "backed out"
            case _:
                return self._read(GAUGE_OF[topic])

    def _read(self, gauge: str) -> float | None:
        return self._eyes.read(gauge, self._bench.state)

    def _hears_flow(self) -> bool:
        """Gas is heard only where it flows: behind a stuck vent there is silence, and pressure."""
        state, told = self._bench.state, self._bench.actuation
        way_out = told.vent * (1.0 - told.vent_blocked) > FLOW_OPENING or state.film_intact == 0.0
        return way_out and state.film_Pa > self._habits.hears_Pa
