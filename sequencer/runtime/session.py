"""One run from the opened driver to the rig at rest: recovery, start, the run, its ending.

A session owns the loop, the record, the summary and, if asked for, the publisher. It decides when
to ask for reset and start and when everything is over; what happens in between is the core's
business. An interrupt is a stop request: it ends the run in the safe order, however often it comes.
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime
from enum import Enum
from pathlib import Path
from typing import Literal

from sequencer.config import Rig
from sequencer.core.step import Sequencer
from sequencer.driver import Attendant, Driver, Rehearsing, make_driver
from sequencer.errors import InputRefused, Problem
from sequencer.events import AlarmChanged, Noted, RequestAnswered, RunEnded, RunStarted, Step
from sequencer.material import Material
from sequencer.model import CycleStep, Request, RequestKind, Status
from sequencer.recipe import Recipe
from sequencer.runtime.bus import Publisher
from sequencer.runtime.clock import Clock, utc_now
from sequencer.runtime.loop import LONG_TICK_ns, Loop, Sink
from sequencer.runtime.record import Head, Recorder, new_run_id, open_run
from sequencer.runtime.rehearse import Followed
from sequencer.runtime.summary import Summary
from sequencer.runtime.threaded import ThreadedDriver
from sequencer.runtime.trace import Point
from sequencer.units import ns

RESTING = (
    CycleStep.IDLE,
    CycleStep.SAFE_CLAMPED,
    CycleStep.VENT_UNCONFIRMED,
    CycleStep.FAULTED,
)
_REST = "rest"
PATIENCE_s = 600.0  # how long an unconfirmed vent is watched before the session lets go
RECOVERY_s = 900.0  # and how long the proofs before a start may take

Post = Callable[[Request], None]
Answering = Callable[[Post, Attendant | None], Sink]
Publishing = Callable[[str, str, datetime, int], Publisher | None]
"""Makes the publisher from rig name, run id, UTC start and the loop's time then."""


@dataclass(frozen=True, slots=True)
class Job:
    """What a session is to do, and for whom."""

    kind: Literal["run", "dry-run", "purge"]
    rig: Rig
    rig_file: str
    recipe: Recipe | None = None
    material: Material | None = None
    materials_digest: str = ""
    sample: str = ""
    operator: str = ""
    seed: int | None = None
    warnings: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True)
class Ended:
    """How a session ended: the result document, the trace to plot, and where the rig stands."""

    document: dict[str, object]
    trace: tuple[Point, ...]
    interrupted: bool
    step: CycleStep
    trouble: str


class _Phase(Enum):
    RECOVERING = "recovering"
    ASKED = "asked"
    RUNNING = "running"
    OVER = "over"


def seeded(rig: Rig, seed: int | None) -> Rig:
    """Return the rig with the seed of its back end's noise set, if one is given."""
    if seed is None:
        return rig
    options = {**rig.driver.options, "seed": seed}
    return rig.model_copy(update={"driver": rig.driver.model_copy(update={"options": options})})


class Session:
    """One run; make it, `run` it once.

    ``answering`` makes the sink that has the questions answered, ``publisher`` the one that
    publishes; ``records`` None keeps no record;
    ``live`` tells that the clock is a real one, so that the record is written by a thread.
    """

    def __init__(
        self,
        job: Job,
        clock: Clock,
        answering: Answering,
        *,
        live: bool,
        keep: bool = True,
        records: Path | None = None,
        publisher: Publishing | None = None,
        long_ticks: bool = False,
    ) -> None:
        self._job = job
        self._clock = clock
        self._answering = answering
        self._live = live
        self._keep = keep
        self._records = records
        self._publishing = publisher
        self._long_ticks = long_ticks
        self._interrupts = 0
        self._stop_seen = False
        self._phase = _Phase.RECOVERING
        self._since_ns = 0
        self._way_back = False
        self._raised: list[str] = []
        self._loop: Loop | None = None
        self._driver = make_driver(seeded(job.rig, job.seed), job.rig_file)
        if live and self._driver.attendant() is None:
            self._driver = ThreadedDriver(self._driver, job.rig, clock)
        if job.recipe is not None and job.material is not None:
            self._driver.lay_in(job.recipe, job.material)
        self._utc_start = utc_now()
        self.run_id = new_run_id(self._utc_start)
        self.sequencer = Sequencer(job.rig)
        self.summary = Summary(
            job.rig,
            job.recipe,
            run_id=self.run_id,
            prediction=self._driver.prediction,
            warnings=job.warnings,
        )

    @property
    def driver(self) -> Driver:
        """The back end in use."""
        return self._driver

    def status(self) -> Status:
        """Return where the cycle stands, for a screen fed from the loop's own thread."""
        return self.sequencer.status(self._clock.now_ns())

    def interrupt(self) -> None:
        """Ask for the ordered end; safe from a signal handler, harmless when repeated."""
        self._interrupts += 1

    def run(self, sinks: Sequence[Sink] = ()) -> Ended:
        """Do the job and return how it ended.

        Raises:
            InputRefused: if nobody could answer the questions on this rig.
            DriverError: if the rig cannot be reached.
            RecordError: if a record is wanted and cannot be begun.
        """
        self._driver.open()
        publisher: Publisher | None = None
        recorder: Recorder | None = None
        try:
            if self._publishing is not None:
                start_ns = self._clock.now_ns()
                publisher = self._publishing(
                    self._job.rig.name, self.run_id, self._utc_start, start_ns
                )
            recorder = self._open_record()
            step = self._turn_until_over(recorder, publisher, sinks)
        except BaseException:
            # What was recorded until then is what tells why.
            _closed(recorder, self.summary.document())
            raise
        finally:
            self._driver.close()
            if publisher is not None:
                publisher.close()
        document = self.summary.document()
        faults = self._loop.sink_faults if self._loop is not None else []
        trouble = "; ".join(filter(None, [_closed(recorder, document), *faults]))
        return Ended(document, self.summary.trace(), self._interrupts > 0, step, trouble)

    def _open_record(self) -> Recorder | None:
        if not self._keep:
            return None
        job = self._job
        head = Head(
            run_id=self.run_id,
            utc_start=self._utc_start,
            kind=job.kind,
            rig=job.rig,
            recipe=job.recipe,
            rig_file=job.rig_file,
            materials_digest=job.materials_digest,
            sample=job.sample,
            operator=job.operator,
            seed=job.seed,
            simulated=self._driver.attendant() is not None,
        )
        return open_run(self._records, head, live=self._live)

    def _turn_until_over(
        self, recorder: Recorder | None, publisher: Publisher | None, sinks: Sequence[Sink]
    ) -> CycleStep:
        loop = self._loop = Loop(
            self.sequencer,
            self._driver,
            self._job.rig,
            self._clock,
            record=recorder,
            long_tick_ns=LONG_TICK_ns if self._long_ticks else None,
        )
        loop.tell(self.summary)
        if publisher is not None:
            loop.tell(publisher)
        if isinstance(self._driver, Rehearsing):
            loop.tell(Followed(self._driver))
        for sink in sinks:
            loop.tell(sink)
        # Last, so that a question has been told before it is put to whoever answers.
        loop.tell(self._answering(loop.post, self._driver.attendant()))
        self._since_ns = self._clock.now_ns()
        self._ask(RequestKind.RESET)
        return loop.run_until(self._over).step

    # ---- what to ask for, and when it is over ---------------------------------------------------

    def _ask(self, kind: RequestKind) -> None:
        assert self._loop is not None
        recipe = self._job.recipe if kind is RequestKind.START else None
        self._loop.post(
            Request(
                kind,
                request_id=f"{self.run_id}-{kind.value}",
                actor=self._job.operator or "console",
                at_rig=True,
                recipe=recipe,
                sample=self._job.sample,
            )
        )

    def _over(self, step: Step) -> bool:
        now_ns = self._clock.now_ns()
        for event in step.events:
            if isinstance(event, RequestAnswered):
                self._answered(event)
            elif isinstance(event, RunStarted):
                self._go_on(_Phase.RUNNING, now_ns)
            elif isinstance(event, RunEnded):
                self._go_on(_Phase.OVER, now_ns)
            elif isinstance(event, Noted) and self._phase is _Phase.RECOVERING:
                self._refuse(event.text)
            elif isinstance(event, AlarmChanged) and event.change == "raised":
                self._raised.append(event.detail)
        if self._interrupts and not self._stop_seen:
            self._stop_seen = True
            self._stop(now_ns)
        if self._phase is _Phase.RECOVERING:
            self._recover(step, now_ns)
        if self._phase is not _Phase.OVER or step.step not in RESTING:
            return False
        waited_s = (now_ns - self._since_ns) / 1e9
        return step.step is not CycleStep.VENT_UNCONFIRMED or waited_s > PATIENCE_s

    def _go_on(self, phase: _Phase, now_ns: int) -> None:
        self._phase = phase
        self._since_ns = now_ns

    def _stop(self, now_ns: int) -> None:
        if self._phase in (_Phase.RECOVERING, _Phase.ASKED):
            # Nothing has been moved yet, so there is nothing to bring to an end.
            self.summary.refuse("interrupted before the start")
            self._go_on(_Phase.OVER, now_ns)
        else:
            self._ask(RequestKind.STOP)

    def _answered(self, event: RequestAnswered) -> None:
        if event.kind == RequestKind.RESET.value and self._phase is _Phase.RECOVERING:
            self._way_back = event.accepted
            if not event.accepted:
                self._refuse(*event.reasons)
        elif self._phase is _Phase.ASKED and not event.accepted:
            # The summary has heard the reasons itself.
            self._go_on(_Phase.OVER, self._clock.now_ns())

    def _recover(self, step: Step, now_ns: int) -> None:
        if step.step is CycleStep.IDLE:
            self._go_on(_Phase.ASKED, now_ns)
            self._ask(self._purpose())
        elif step.step is CycleStep.SAFE_CLAMPED:
            self._refuse("the clamp was found closed; the film is bled, release it by hand")
        elif step.step is CycleStep.VENT_UNCONFIRMED:
            self._refuse("the film was found under pressure, or its reading is not known")
        elif self._way_back and step.step is CycleStep.FAULTED and step.stage == _REST:
            self._refuse(*(self._raised or ["a fault came up before the start"]))
        elif now_ns - self._since_ns > ns(RECOVERY_s):
            self._refuse("film bled and clamp open could not be proven")

    def _purpose(self) -> RequestKind:
        return RequestKind.PURGE if self._job.kind == "purge" else RequestKind.START

    def _refuse(self, *reasons: str) -> None:
        """Note why there is no start, and ask for it all the same, to hear every other reason.

        The cycle is not in idle here, so the request is always rejected.
        """
        self.summary.refuse(*reasons)
        self._go_on(_Phase.ASKED, self._clock.now_ns())
        self._ask(self._purpose())


def _closed(recorder: Recorder | None, document: dict[str, object]) -> str:
    """Close the record; a record that is not whole is told, it does not undo the run."""
    if recorder is None:
        return ""
    try:
        recorder.close(document)
    except Exception as error:
        return str(error)
    return ""


def need_attendant(driver: Driver, file: str, flag: str) -> None:
    """Refuse what only a rig with a simulated person may do.

    Raises:
        InputRefused: naming the flag, if only real people answer on this rig.
    """
    if driver.attendant() is None:
        limit = "only a simulated person may be answered for, and this rig has none"
        advice = "use a rig that is simulated"
        if flag.startswith("--"):
            advice = f"leave {flag} out and answer yourself"
        raise InputRefused(Problem(file, flag, "", limit, advice))
