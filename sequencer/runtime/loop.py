"""The scan cycle: read, step, write, tell; one turn a tick.

The loop owns the only clock. It decides nothing about the rig: a link that fails becomes inputs
that are not ok, and what follows from that is the core's business.
"""

from collections import deque
from collections.abc import Callable, Sequence
from typing import Protocol

from sequencer import wiring
from sequencer.config import Rig
from sequencer.driver import Driver, Scan
from sequencer.errors import CoreFault, DriverError
from sequencer.events import Step
from sequencer.model import CycleStep, Host, Inputs, Outputs, RawInput, Request
from sequencer.runtime.clock import Clock
from sequencer.units import ns

Sink = Callable[[int, Inputs, Step], None]

LONG_TICK_ns = 200_000_000
CALM_STAGES = {
    CycleStep.IDLE: frozenset({"rest"}),
    CycleStep.HEATING: frozenset({"set-point", "warm", "load", "regulator"}),
    CycleStep.PRESSURIZING: frozenset({"soak"}),
    CycleStep.HOLDING: frozenset({"dwell"}),
    CycleStep.COOLING: frozenset({"cool"}),
}
"""Where a tick may stretch: nothing moves but heat, and no gas or person is being timed.

A stage that is not named here stays on short ticks, so forgetting one costs speed only.
"""
HEALTHY = Host()
CALM_AFTER_ns = 2_000_000_000
"""How long step and stage must have stood, without an event, before a tick stretches."""


class Core(Protocol):
    """What the loop needs of a sequencer."""

    def step(self, now_ns: int, inputs: Inputs) -> Step:
        """Take one scan and give the image to write."""


class Record(Protocol):
    """A sink whose health the core is told of."""

    @property
    def ok(self) -> bool:
        """Whether everything given so far is kept or will be."""

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        """Keep one scan."""


class Loop:
    """Turns a sequencer and a driver at the rig's tick, on any clock.

    ``record`` is told first after the write, then every sink in order; no sink may raise, one that
    does is not called again. ``long_tick_ns`` lets the tick stretch to that length (at most half
    the life of an image of outputs) in calm stages; None keeps every tick short.
    """

    def __init__(
        self,
        sequencer: Core,
        driver: Driver,
        rig: Rig,
        clock: Clock,
        sinks: Sequence[Sink] = (),
        *,
        record: Record | None = None,
        long_tick_ns: int | None = None,
    ) -> None:
        self._sequencer = sequencer
        self._driver = driver
        self._rig = rig
        self._image = wiring.wired(rig)
        self._clock = clock
        self._sinks = list(sinks)
        self._record = record
        self._tick_ns = ns(rig.timing.tick_s)
        longest_ns = ns(rig.timing.outputs_expire_s) // 2
        self._long_ns = max(self._tick_ns, min(long_tick_ns or 0, longest_ns))
        self._inbox: deque[Request] = deque()
        self._record_ok = True
        self._link_ok = True
        self._due_ns: int | None = None
        self._asleep_ns = clock.asleep_ns()
        self._place: tuple[CycleStep, str] | None = None
        self._calm_since_ns = 0
        self.turns = 0
        self.read_faults = 0
        self.write_faults = 0
        self.sink_faults: list[str] = []

    def tell(self, sink: Sink) -> None:
        """Add a sink; for those that need the loop's ``post`` and so cannot be made before it."""
        self._sinks.append(sink)

    def post(self, request: Request) -> None:
        """Hand a request to the next turn; safe from any thread and from a signal handler."""
        self._inbox.append(request)

    def turn(self) -> Step:
        """Wait for the tick, then read, step, write and tell the sinks.

        Raises:
            CoreFault: if the core failed; the safe image has then been handed to the driver.
        """
        now_ns, late_ns = self._wait()
        scan = self._read(now_ns)
        inputs = Inputs(scan.raw, scan.read_back, self._requests(), self._host(late_ns))
        step = self._step(now_ns, inputs)
        self._write(step.outputs, now_ns)
        self._tell_all(now_ns, inputs, step)
        self._due_ns = self._next_due_ns(now_ns, late_ns, inputs, step)
        self.turns += 1
        return step

    def run_until(self, done: Callable[[Step], bool]) -> Step:
        """Turn until ``done`` says so of the latest step, and return that step."""
        while not done(step := self.turn()):
            pass
        return step

    def _wait(self) -> tuple[int, int]:
        now_ns = self._clock.now_ns()
        if self._due_ns is None:
            return now_ns, 0
        if self._due_ns > now_ns:
            self._clock.sleep_until(self._due_ns)
            now_ns = self._clock.now_ns()
        return now_ns, now_ns - self._due_ns

    def _read(self, now_ns: int) -> Scan:
        try:
            scan = self._driver.read(now_ns)
        except DriverError:
            self.read_faults += 1
            self._link_ok = False
            # Not NaN: equal inputs must compare equal, and a value that is not ok means nothing.
            return Scan(tuple(RawInput(0.0, False, now_ns) for _ in self._rig.inputs))
        return scan

    def _requests(self) -> tuple[Request, ...]:
        if not self._inbox:
            return ()
        requests = []
        while self._inbox:
            requests.append(self._inbox.popleft())
        return tuple(requests)

    def _host(self, late_ns: int) -> Host:
        asleep_ns = self._clock.asleep_ns()
        gap_ns, self._asleep_ns = asleep_ns - self._asleep_ns, asleep_ns
        record_ok = self._record_ok and (self._record is None or self._record.ok)
        if record_ok and self._link_ok and not late_ns and not gap_ns:
            return HEALTHY
        host = Host(record_ok, late_ns, gap_ns, self._link_ok)
        # The failure of this scan's read, or of the write before it, has now been told.
        self._link_ok = True
        return host

    def _step(self, now_ns: int, inputs: Inputs) -> Step:
        try:
            return self._sequencer.step(now_ns, inputs)
        except Exception as error:
            self._write(Outputs(expires_ns=now_ns + ns(self._rig.timing.outputs_expire_s)), now_ns)
            if isinstance(error, CoreFault):
                raise
            raise CoreFault(f"the core failed: {type(error).__name__}: {error}") from error

    def _write(self, outputs: Outputs, now_ns: int) -> None:
        try:
            self._driver.write(self._image(outputs), now_ns)
        except DriverError:
            self.write_faults += 1
            self._link_ok = False

    def _tell_all(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        if self._record is not None and self._record_ok:
            try:
                self._record(now_ns, inputs, step)
            except Exception as error:  # a record that breaks its promise is a record that failed
                self._record_ok = False
                self.sink_faults.append(f"record: {type(error).__name__}: {error}")
        for sink in tuple(self._sinks):
            try:
                sink(now_ns, inputs, step)
            except Exception as error:  # nobody who listens may stop the rig
                self._sinks.remove(sink)
                self.sink_faults.append(f"{type(sink).__name__}: {type(error).__name__}: {error}")

    def _next_due_ns(self, now_ns: int, late_ns: int, inputs: Inputs, step: Step) -> int:
        place = (step.step, step.stage)
        if place != self._place or step.events or not inputs.host.link_ok:
            self._place, self._calm_since_ns = place, now_ns
        calm = step.stage in CALM_STAGES.get(step.step, ())
        settled = now_ns - self._calm_since_ns >= CALM_AFTER_ns
        tick_ns = self._long_ns if calm and settled else self._tick_ns
        # A little lateness is made up for, so that the tick does not drift; scans that were missed
        # are missed, because a burst of them would tell nothing new.
        return now_ns + tick_ns if late_ns >= tick_ns else now_ns - late_ns + tick_ns
