"""For scripts: run cycles in process, one after the other, with typed results.

Example::

    from sequencer.api import run_cycle

    result = run_cycle("pmma-grating", sample="foil 12")
    print(result.outcome, result.verified, result.fill_fraction)
"""

import signal
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Literal, cast

from sequencer.check import load_pair
from sequencer.driver import Attendant
from sequencer.events import Event, Step
from sequencer.files import digest
from sequencer.model import Inputs, Prompt
from sequencer.runtime.answer import AskCallback
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import Clock, PacedClock, RealClock, VirtualClock
from sequencer.runtime.loop import Sink
from sequencer.runtime.session import Answering, Ended, Job, Post, Session, need_attendant
from sequencer.runtime.signals import ordered_end

Outcome = Literal["complete", "stopped", "tripped", "refused"]
Answer = Callable[[Prompt], float | str | None]


@dataclass(frozen=True, slots=True)
class RunResult:
    """What a run came to; None is unknown, never zero. ``document`` holds all of it as JSON values.

    ``verified`` is the weakest means of the run's evidence; ``problems`` say why it was refused or
    ended early; ``trouble`` what failed beside it: the record, ``on_event`` or ``answer``.
    """

    run_id: str
    outcome: Outcome
    verified: str | None
    duration_s: float
    gas_used_g: float | None
    cycles_left: float | None
    peak_film_pressure_kPa: float | None
    peak_head_temperature_degC: float | None
    min_clamp_margin: float | None
    min_film_margin: float | None
    fill_fraction: float | None
    alarms: tuple[str, ...]
    problems: tuple[str, ...]
    trouble: str
    document: dict[str, object]

    @property
    def complete(self) -> bool:
        """Whether the cycle went through as the recipe says."""
        return self.outcome == "complete"


def run_cycle(
    recipe: str | Path,
    rig: str | Path = "bench-instrumented",
    *,
    sample: str = "",
    answer: Answer | None = None,
    on_event: Callable[[int, Event], None] | None = None,
    speed: float | None = 1.0,
    seed: int | None = None,
    keep_record: bool = True,
    records: str | Path | None = None,
    operator: str = "script",
) -> RunResult:
    """Run one cycle and return when the rig is at rest again.

    Args:
        recipe: a recipe file, or the name of a shipped one.
        rig: a rig file, or the name of a shipped one.
        sample: what the sample's bag will say.
        answer: asked each prompt; returns a number in the prompt's unit, one of its choices, or
            None to leave it unanswered. Without it a simulated person answers, if the rig has one.
            If it raises, the run is ended in the safe order.
        on_event: told every event with its time in ns, from the loop's thread; not called again
            once it has raised.
        speed: how much faster than the wall the rig's time runs; None as fast as it can. Anything
            but 1 is for rigs with a simulated person only.
        seed: of the simulated rig's noise.
        keep_record: whether a record is kept, in ``records`` or the default database.

    Raises:
        InputRefused: if a file is wrong, or the recipe does not fit the rig.
        DriverError: if the rig cannot be reached.
        RecordError: if the record cannot be begun.
        KeyboardInterrupt: on Ctrl-C, after the run was ended in the safe order; SystemExit on
            SIGTERM likewise.
    """
    loaded = load_pair(str(recipe), str(rig))
    loaded.require()
    job = Job(
        kind="run",
        rig=loaded.rig,
        rig_file=loaded.rig_file,
        recipe=loaded.recipe,
        material=loaded.material,
        materials_digest=digest(loaded.materials),
        sample=sample,
        operator=operator,
        seed=seed,
        warnings=tuple(problem.line() for problem in loaded.check.warnings),
    )
    faults: list[str] = []

    def guarded(prompt: Prompt) -> float | str | None:
        assert answer is not None
        try:
            return answer(prompt)
        except Exception as error:
            faults.append(f"answer to {prompt.topic}: {type(error).__name__}: {error}")
            session.interrupt()
            return None

    session = Session(
        job,
        _clock(speed),
        _answering(None if answer is None else guarded, inline=speed is None),
        live=speed == 1.0,
        keep=keep_record,
        records=None if records is None else Path(records),
        long_ticks=speed is None,
    )
    if answer is None:
        need_attendant(session.driver, loaded.rig_file, "answer=None")
    if speed != 1.0:
        need_attendant(session.driver, loaded.rig_file, "speed")
    sinks = [] if on_event is None else [_listening(on_event)]
    with ordered_end(session.interrupt) as signals:
        ended = session.run(sinks)
    if signal.SIGINT in signals:
        raise KeyboardInterrupt
    if signals:
        raise SystemExit(128 + signals[0])
    return _result(ended, faults)


def _clock(speed: float | None) -> Clock:
    if speed is None:
        return VirtualClock()
    return RealClock() if speed == 1.0 else PacedClock(speed)


def _answering(answer: Answer | None, *, inline: bool) -> Answering:
    def make(post: Post, attendant: Attendant | None) -> Sink:
        if answer is not None:
            return AskCallback(answer, post, attendant, inline=inline)
        assert attendant is not None  # looked at before the session began
        return Attended(attendant, post)

    return make


def _listening(on_event: Callable[[int, Event], None]) -> Sink:
    def listen(now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG001
        for event in step.events:
            on_event(now_ns, event)

    return listen


def _result(ended: Ended, faults: list[str]) -> RunResult:
    document = ended.document
    alarms = cast("list[dict[str, object]]", document["alarms"])
    return RunResult(
        run_id=cast("str", document["run_id"]),
        outcome=cast("Outcome", document["outcome"]),
        verified=cast("str | None", document["verified"]),
        duration_s=cast("float", document["duration_s"]),
        gas_used_g=cast("float | None", document["gas_used_g"]),
        cycles_left=cast("float | None", document["cycles_left"]),
        peak_film_pressure_kPa=cast("float | None", document["peak_film_pressure_kPa"]),
        peak_head_temperature_degC=cast("float | None", document["peak_head_temperature_degC"]),
        min_clamp_margin=cast("float | None", document["min_clamp_margin"]),
        min_film_margin=cast("float | None", document["min_film_margin"]),
        fill_fraction=cast("float | None", document["fill_fraction"]),
        alarms=tuple(str(alarm["name"]) for alarm in alarms),
        problems=tuple(str(problem) for problem in cast("list[object]", document["problems"])),
        trouble="; ".join(filter(None, [ended.trouble, *faults])),
        document=document,
    )
