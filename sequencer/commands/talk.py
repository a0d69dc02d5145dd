"""Telling the course of a run, line by line, on stderr; a bar on a terminal for the long waits.

Every line stands for itself and is never rewritten, so that a log of it reads the same. The bar and
the live values beside it are drawn by rich and only where stdout and stderr are terminals.
"""

import math
import sys
from collections.abc import Callable
from typing import Protocol

from sequencer.events import (
    AlarmChanged,
    Event,
    EvidenceHad,
    Noted,
    PermissivesRead,
    PromptAsked,
    PromptClosed,
    RequestAnswered,
    RunEnded,
    RunStarted,
    StageEntered,
    Step,
    StepEntered,
    TripLatched,
)
from sequencer.model import CycleStep, Estimate, Inputs, Status, Wait
from sequencer.units import psi, show_pressure, show_time

LONG_WAIT_s = 15.0  # waits usually longer than this get a bar, or a line now and then
LINE_EVERY = 0.2  # share of a long wait between two plain lines
REDRAW_ns = 500_000_000

SCREEN_WORDS = {CycleStep.HOLDING: "dwell", CycleStep.PURGING: "bleed lines"}


class Standing(Protocol):
    """Who can say where the cycle stands."""

    def status(self) -> Status:
        """Return where the cycle stands now."""


def word(step: CycleStep) -> str:
    """Return a step as screens name it: "dwell" for holding, which ISA-88 means otherwise."""
    return SCREEN_WORDS.get(step, step.value.replace("_", " "))


def on_terminal() -> bool:
    """Tell whether a person looks at both streams."""
    return sys.stdout.isatty() and sys.stderr.isatty()


class Course:
    """A sink that tells the course of a run; ``opening`` is said before all else."""

    def __init__(self, standing: Standing, opening: Callable[[], str] = str) -> None:
        self._standing = standing
        self._opening = opening
        self._began_ns: int | None = None
        self._bar = _Bar() if on_terminal() else None
        self._told_share = 0.0
        self._due_ns = 0

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG002
        """Tell what this scan brought, and how far the wait has come."""
        if self._began_ns is None:
            self._began_ns = now_ns
            # Not sooner: now the record is begun and the events have their address.
            if opening := self._opening():
                print(opening, file=sys.stderr, flush=True)
        for event in step.events:
            text = _line(event)
            if isinstance(event, StageEntered):
                self._told_share = 0.0
                self._stop_bar()
                text += self._wait_words()
            elif isinstance(event, PromptAsked):
                self._stop_bar()  # a person is about to type where it stands
            if text:
                self.say(now_ns, text)
        if now_ns >= self._due_ns:
            self._due_ns = now_ns + REDRAW_ns
            self._progress(now_ns, step.estimate)

    def say(self, now_ns: int, text: str) -> None:
        """Print lines, the first with the time in the session."""
        began_ns = now_ns if self._began_ns is None else self._began_ns
        at_s = (now_ns - began_ns) / 1e9
        first, *more = text.split("\n")
        lines = [f"{at_s:8.1f} s  {first}", *(f"{'':12}{line}" for line in more)]
        for line in lines:
            if self._bar is not None:
                self._bar.print(line)
            else:
                print(line, file=sys.stderr, flush=True)

    def _wait_words(self) -> str:
        """Return the value now, the target, the usual time and the limit of the wait in hand."""
        wait = self._standing.status().wait
        if wait is None:
            return ""
        parts = [f"{wait.now} {wait.target}".strip()] if wait.now else []
        if math.isfinite(wait.usual_s):
            parts.append(f"usually {show_time(wait.usual_s)}")
        if math.isfinite(wait.limit_s):
            parts.append(f"at most {show_time(wait.limit_s)}")
        return f" ({'; '.join(parts)})" if parts else ""

    def close(self) -> None:
        """Take the bar away."""
        self._stop_bar()

    def _stop_bar(self) -> None:
        if self._bar is not None:
            self._bar.stop()

    def _progress(self, now_ns: int, seen: Estimate) -> None:
        status = self._standing.status()
        wait = status.wait
        if wait is None or status.prompts or not wait.now or not _long(wait):
            return
        share = wait.progress or 0.0
        values = _values(seen)
        course, left = f"{wait.now} {wait.target}", show_time(wait.left_s)
        if self._bar is not None:
            short = _short_values(seen, but=wait.now)
            self._bar.show(f"{word(status.step)}: {course}, {left} left; {short}", share)
        elif share >= self._told_share + LINE_EVERY:
            self._told_share = share
            self.say(now_ns, f"     {share:4.0%} {course}; about {left} left; {values}")


def _long(wait: Wait) -> bool:
    return LONG_WAIT_s <= wait.usual_s < math.inf


class _Bar:
    """One line at the foot of the terminal."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TaskProgressColumn, TextColumn
        from rich.table import Column

        self._console = Console(stderr=True, highlight=False)
        # The bar and its share first: a narrow terminal cuts the words, not the bar.
        self._progress = Progress(
            TextColumn(" "),
            BarColumn(bar_width=12),
            TaskProgressColumn(),
            TextColumn(
                "{task.description}",
                markup=False,
                table_column=Column(no_wrap=True, overflow="ellipsis", ratio=1),
            ),
            console=self._console,
            transient=True,
            expand=True,
        )
        self._task = self._progress.add_task("", total=1.0)
        self._running = False

    def print(self, line: str) -> None:
        self._console.print(line, markup=False, soft_wrap=True)

    def show(self, text: str, share: float) -> None:
        if not self._running:
            self._running = True
            self._progress.start()
        self._progress.update(self._task, description=text, completed=share)

    def stop(self) -> None:
        if self._running:
            self._running = False
            self._progress.stop()


def _values(seen: Estimate) -> str:
    parts = []
    if seen.film_Pa is not None:
        parts.append(f"film {show_pressure(seen.film_Pa)}")
    if seen.clamp_margin is not None:
        parts.append(f"clamp margin {seen.clamp_margin:.2f}")
    if seen.head_degC is not None:
        parts.append(f"head {seen.head_degC:.1f} degC")
    return ", ".join(parts) or "no sensor to show"


def _short_values(seen: Estimate, *, but: str) -> str:
    """Return the live values in a few words, without the one that the wait shows already."""
    parts = []
    if seen.film_Pa is not None and not but.startswith("film"):
        parts.append(f"film {round(psi(seen.film_Pa)) + 0} psi")
    if seen.head_degC is not None and not but.startswith("head"):
        parts.append(f"head {seen.head_degC:.0f} degC")
    if seen.clamp_margin is not None:
        parts.append(f"margin {seen.clamp_margin:.2f}")
    return ", ".join(parts)


def _line(event: Event) -> str:
    match event:
        case RunStarted():
            sample = f", sample {event.sample}" if event.sample else ""
            return f"RUN  {event.recipe}{sample}, asked for by {event.actor}"
        case PermissivesRead():
            return _permissives(event)
        case StepEntered():
            why = "" if event.cause == "done" else f" ({event.cause.replace('_', ' ')})"
            return f"STEP {word(event.step)}{why}   [{event.procedural_state.value}]"
        case StageEntered():
            return f"  {event.stage}: waits for {event.waits_for}"
        case EvidenceHad():
            name = event.evidence.replace("_", " ")
            return f"  had: {name}, {event.means.value.replace('_', ' ')}: {event.detail}"
        case PromptAsked():
            return f"  ASK  {event.question} (within {show_time(event.answer_within_s)})"
        case PromptClosed(end="answered"):
            return f"  SAID {event.answer} ({event.actor})"
        case PromptClosed(end="unanswered"):
            return "  nobody answered in time"
        case RequestAnswered(accepted=False):
            return f"REFUSED {event.kind}: " + "; ".join(event.reasons)
        case AlarmChanged(change="raised"):
            return _alarm(event)
        case TripLatched():
            return f"TRIP {event.name.replace('_', ' ')}: {event.detail}"
        case Noted():
            return f"  note: {event.text}"
        case RunEnded():
            verified = event.verified.replace("_", " ")
            return f"END  {event.outcome}, " + (
                f"verified {verified}" if verified else "nothing proven"
            )
    return ""


def _permissives(event: PermissivesRead) -> str:
    rows = ["PERMISSIVES"]
    for name, now, why_not in event.permissives:
        mark = "NOT MET" if why_not else "met    "
        rows.append(f"{mark}  {name}: {why_not or now}")
    return "\n".join(rows)


def _alarm(event: AlarmChanged) -> str:
    first = ", first-out" if event.first_out else ""
    name = event.name.replace("_", " ")
    return (
        f"ALARM {event.priority.value.upper()}{first}: {name}: {event.detail}\n"
        f"cause: {event.cause}\nconsequence: {event.consequence}\ndo: {event.action}"
    )
