"""What `run` and `purge` share: a session on a real or scaled clock, told and answered."""

import argparse
import getpass
import sys
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

from sequencer.codes import COMPLETE, ENDED_OTHERWISE, INTERRUPTED
from sequencer.commands.console import Console
from sequencer.commands.document import print_document
from sequencer.commands.result import FOOTER, limits_lines, recovery_lines, summary_tables
from sequencer.commands.tables import print_tables
from sequencer.commands.talk import Course
from sequencer.driver import Attendant
from sequencer.errors import InputRefused
from sequencer.model import CycleStep
from sequencer.runtime.attend import Attended
from sequencer.runtime.bus import DEFAULT_ADDRESS, Publisher
from sequencer.runtime.clock import PacedClock, RealClock
from sequencer.runtime.log import LogEvents, open_log
from sequencer.runtime.loop import Sink
from sequencer.runtime.session import (
    Answering,
    Ended,
    Job,
    Post,
    Publishing,
    Session,
    need_attendant,
)
from sequencer.runtime.signals import ordered_end


def perform(job: Job, given: argparse.Namespace) -> int:
    """Run a session as the arguments say, tell its course, and return the exit code.

    Raises:
        SequencerError: of any kind, before anything has moved.
    """
    stop: list[Session] = []
    published: list[str] = []
    session = Session(
        job,
        RealClock() if given.speed == 1.0 else PacedClock(given.speed),
        _answering(by_person=not given.yes, stop=lambda: stop[0].interrupt()),
        live=given.speed == 1.0,
        records=None if given.records is None else Path(given.records),
        publisher=_publisher(given.publish, published),
    )
    stop.append(session)
    if given.yes:
        need_attendant(session.driver, job.rig_file, "--yes")
    if given.speed != 1.0:
        need_attendant(session.driver, job.rig_file, "--speed")
    simulated = session.driver.attendant() is not None
    # A program that asked for one document still needs the questions told, if a person answers.
    told = not given.json or not given.yes
    course = Course(
        session, lambda: _opening(job, session, given.speed, published, simulated=simulated)
    )
    sinks: list[Sink] = [course] if told else []
    log_file = None
    if given.log is not None:
        log, log_file = open_log(Path(given.log))
        sinks.append(LogEvents(log, session.run_id))
    try:
        with ordered_end(session.interrupt, last=True):
            ended = session.run(sinks)
    finally:
        course.close()
        if log_file is not None:
            log_file.close()
    if given.json:
        print_document(ended.document)
        if told:
            _what_next(ended)
    else:
        closing(ended, predicted=simulated)
    return exit_code(ended)


def _publisher(address: str | None, published: list[str]) -> Publishing | None:
    """Return what makes the publisher; none, with a word, where the usual address is taken.

    The address that it publishes on is added to ``published``.
    """
    if address == "none":
        return None

    def make(rig_name: str, run_id: str, utc_start: datetime, start_ns: int) -> Publisher | None:
        try:
            publisher = Publisher(address or DEFAULT_ADDRESS, rig_name, run_id, utc_start, start_ns)
        except InputRefused as refused:
            if address is not None:
                raise
            print(f"no live events: {refused}", file=sys.stderr)
            return None
        published.append(publisher.address)
        return publisher

    return make


def _answering(*, by_person: bool, stop: Callable[[], None]) -> Answering:
    def make(post: Post, attendant: Attendant | None) -> Sink:
        if by_person or attendant is None:
            return Console(post, attendant, stop)
        return Attended(attendant, post)

    return make


def _opening(
    job: Job, session: Session, speed: float, published: list[str], *, simulated: bool
) -> str:
    if not simulated:
        mode = "LIVE RIG"
    elif speed == 1.0:
        mode = "SIMULATION"
    else:
        mode = f"SIMULATION at {speed:g} times the speed of the wall clock"
    what = job.recipe.name if job.recipe is not None else "bleed lines"
    events = ", ".join(published) or "not published"
    return (
        f"{mode}   rig {job.rig.name}   {what}   run {session.run_id}\n"
        f"reaction {job.rig.timing.reaction_s * 1e3:.0f} ms from sensor to outputs, of "
        f"{job.rig.limits.reaction_s * 1e3:.0f} ms allowed; live events: {events}\n{FOOTER}"
    )


def closing(ended: Ended, *, predicted: bool) -> None:
    """Print the closing summary: the result to stdout, what to do next to stderr."""
    print_tables(summary_tables(ended.document, predicted=predicted))
    limits = limits_lines(ended.document)
    if limits:
        print("\nWhat limits this result\n" + "\n".join(limits))
    sys.stdout.flush()
    _what_next(ended)


def _what_next(ended: Ended) -> None:
    """Say on stderr why it ended early, if it did, and what a person does now."""
    head = "not started" if ended.document["outcome"] == "refused" else "ended early"
    for problem in ended.document["problems"]:  # type: ignore[attr-defined]
        print(f"{head}: {problem}", file=sys.stderr)
    if ended.trouble:
        print(f"the record is not whole: {ended.trouble}", file=sys.stderr)
    if ended.step is not CycleStep.IDLE:
        print("\n".join(recovery_lines(ended.step)), file=sys.stderr)


def exit_code(ended: Ended) -> int:
    """Return the exit code of a session's ending."""
    if ended.interrupted:
        return INTERRUPTED
    return COMPLETE if ended.document["outcome"] == "complete" else ENDED_OTHERWISE


def operator() -> str:
    """Return who sits at this console, as the record names the operator."""
    try:
        return getpass.getuser()
    except (KeyError, OSError):
        return "console"
