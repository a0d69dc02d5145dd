"""What one scan costs: the core with 12 channels and with 16, the record, and its replay."""

import sqlite3
import statistics
import tempfile
import time
from pathlib import Path

from benchmarks.cycle import bench, run
from benchmarks.timing import percentile, tell, times, took
from sequencer.config import Input, Rig
from sequencer.core.step import Sequencer
from sequencer.events import Step
from sequencer.model import Inputs, RawInput
from sequencer.runtime.clock import utc_now
from sequencer.runtime.loop import LONG_TICK_ns
from sequencer.runtime.record import Head, Recorder, open_run
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay

TICK_s = 0.02
EXTRA = 4


def main() -> None:
    """Measure and tell."""
    _core()
    _record()


def _core() -> None:
    """Feed the scans of a cycle to a fresh core, as they were and with more channels."""
    scans: list[tuple[int, Inputs]] = []

    def keep(now_ns: int, inputs: Inputs, step: Step) -> None:  # noqa: ARG001
        scans.append((now_ns, inputs))

    ready = bench(long_tick_ns=LONG_TICK_ns, sinks=[keep])
    run(ready)
    rows = []
    for rig, more in ((ready.rig, 0), (_wider(ready.rig), EXTRA)):
        fed = [(now_ns, _widened(inputs, more)) for now_ns, inputs in scans]
        core, took_us = Sequencer(rig), []
        for now_ns, inputs in fed:
            began_ns = time.thread_time_ns()
            core.step(now_ns, inputs)
            took_us.append((time.thread_time_ns() - began_ns) / 1e3)
        half, most = percentile(took_us, 0.5), percentile(took_us, 0.99)
        rows.append(
            (
                f"{len(rig.inputs)} channels",
                f"{half / TICK_s / 1e4:.2f} %",
                f"{most / TICK_s / 1e4:.2f} %",
                f"{half:.1f} us",
                f"{most:.1f} us",
            )
        )
    tell(
        f"One scan of the core, over the {len(scans)} scans of a cycle",
        ("rig", "of a 20 ms tick at p50", "at p99", "p50", "p99"),
        rows,
        f"The second rig is the first with {EXTRA} recorded channels that play no role. "
        "Processor time: what else the machine does is left out.",
    )


def _wider(rig: Rig) -> Rig:
    extra = {f"recorded_{at}": Input(channel=f"recorded {at}") for at in range(EXTRA)}
    return rig.model_copy(update={"inputs": {**rig.inputs, **extra}})


def _widened(inputs: Inputs, more: int) -> Inputs:
    taken_ns = inputs.raw[0].taken_ns
    added = tuple(RawInput(float(at), True, taken_ns) for at in range(more))
    return Inputs((*inputs.raw, *added), inputs.read_back, inputs.requests, inputs.host)


class _Timed:
    """A record that notes how long it kept the scan waiting."""

    def __init__(self, recorder: Recorder, flush_every: int) -> None:
        self._recorder = recorder
        self._flush_every = flush_every
        self.took_us: list[float] = []

    @property
    def ok(self) -> bool:
        return self._recorder.ok

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        began_ns = time.perf_counter_ns()
        self._recorder(now_ns, inputs, step)
        self.took_us.append((time.perf_counter_ns() - began_ns) / 1e3)
        if self._flush_every and len(self.took_us) % self._flush_every == 0:
            self._recorder.flush()  # virtual time outruns any disk; a real tick does not


def _record() -> None:
    """Record a cycle at every tick, in line and by the thread of a live run; replay it."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.db"
        rows = []
        for name, live in (("in line", False), ("by its thread, as live", True)):
            plain = bench(long_tick_ns=None)
            head = Head(name, utc_now(), "dry-run", plain.rig, plain.recipe, simulated=True)
            recorder = open_run(path, head, live=live)
            timed = _Timed(recorder, 1000 if live else 0)
            ready = bench(long_tick_ns=None, record=timed)
            ran = run(ready)
            recorder.close(ran.document)
            half, most = percentile(timed.took_us, 0.5), percentile(timed.took_us, 0.99)
            rows.append(
                (
                    name,
                    f"{half / TICK_s / 1e4:.2f} %",
                    f"{half:.1f} us",
                    f"{most:.1f} us",
                    f"{statistics.fmean(timed.took_us):.1f} us",
                    _bytes_a_scan(path, name),
                )
            )
        tell(
            "Keeping the record, every tick",
            ("record", "of a tick at p50", "p50", "p99", "mean", "on disk"),
            rows,
            "What the scan waits for, by the wall; 12 channels, every input bit kept.",
        )
        _replay(path, "in line", ran.simulated_s)


def _bytes_a_scan(path: Path, run_id: str) -> str:
    with sqlite3.connect(path) as database:
        size, count = database.execute(
            "SELECT sum(length(block)), sum(count) FROM scans WHERE run_id = ?", (run_id,)
        ).fetchone()
    database.close()
    return f"{size / count:.1f} bytes a scan"


def _replay(path: Path, run_id: str, simulated_s: float) -> None:
    records = Records(path)
    results = []
    spent = took(lambda: results.append(replay(records, run_id)))
    records.close()
    found = results[0]
    tell(
        "Replay of that record",
        ("replay", "by processor time", "by wall", "a scan", "found"),
        [
            (
                f"{found.scans} scans, every tick",
                times(simulated_s / spent.cpu_s),
                times(simulated_s / spent.wall_s),
                f"{spent.cpu_s / found.scans * 1e6:.0f} us",
                "identical" if found.identical else str(found.difference),
            )
        ],
    )
