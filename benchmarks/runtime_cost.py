"""What the runtime around the core costs: record and replay of one simulated cycle.

Run it with ``python benchmarks/runtime_cost.py [--every-tick]``; figures are of this machine.
"""

import argparse
import sqlite3
import statistics
import tempfile
import time
from pathlib import Path

from sequencer.config import Rig
from sequencer.core.step import Sequencer
from sequencer.driver import make_driver
from sequencer.files import find, load
from sequencer.model import CycleStep, Request, RequestKind
from sequencer.recipe import Recipe
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import VirtualClock, utc_now
from sequencer.runtime.loop import LONG_TICK_ns, Loop
from sequencer.runtime.record import Head, Recorder, open_run
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay
from sequencer.runtime.summary import Summary


class Timed:
    """A record that notes how long it took each time."""

    def __init__(self, recorder: Recorder, *, live: bool) -> None:
        self.recorder = recorder
        self.live = live
        self.took_s: list[float] = []

    @property
    def ok(self) -> bool:
        return self.recorder.ok

    def __call__(self, now_ns, inputs, step) -> None:
        began = time.perf_counter()
        self.recorder(now_ns, inputs, step)
        self.took_s.append(time.perf_counter() - began)
        if self.live and len(self.took_s) % 1000 == 0:
            self.recorder.flush()  # virtual time outruns any disk; a real tick does not


def cycle(path: Path, *, every_tick: bool, live: bool) -> Timed:
    """Run the shipped grating recipe on the shipped bench rig in virtual time."""
    file = find("rigs", "bench-instrumented")
    rig, recipe = load(file, Rig), load(find("recipes", "pmma-grating"), Recipe)
    driver = make_driver(rig, str(file))
    driver.open()
    head = Head(f"live-{live}", utc_now(), "dry-run", rig, recipe)
    record = Timed(open_run(path, head, live=live), live=live)
    summary = Summary(rig, recipe, prediction=driver.prediction)
    long_ns = None if every_tick else LONG_TICK_ns
    clock = VirtualClock()
    loop = Loop(Sequencer(rig), driver, rig, clock, [summary], record=record, long_tick_ns=long_ns)
    loop.tell(Attended(driver.attendant(), loop.post))
    began = time.perf_counter()
    loop.post(Request(RequestKind.RESET, "reset", "benchmark", at_rig=True))
    loop.run_until(lambda step: step.step is CycleStep.IDLE)
    loop.post(Request(RequestKind.START, "start", "benchmark", at_rig=True, recipe=recipe))
    loop.turn()
    loop.run_until(lambda step: step.step in (CycleStep.IDLE, CycleStep.FAULTED))
    took_s = time.perf_counter() - began
    record.recorder.close(summary.document())
    name, us = "live" if live else "in-line", [1e6 * took_s for took_s in record.took_s]
    print(
        f"{name} record: {loop.turns} scans of {clock.now_ns() / 1e9:.0f} s in {took_s:.2f} s, "
        f"{took_s / loop.turns * 1e6:.0f} us a turn; record p50 {statistics.median(us):.1f} us, "
        f"mean {statistics.fmean(us):.1f} us, most {max(us) / 1e3:.1f} ms; "
        f"outcome {summary.document()['outcome']}"
    )
    return record


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--every-tick", action="store_true")
    every_tick = parser.parse_args().every_tick
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "records.db"
        for live in (False, True):
            cycle(path, every_tick=every_tick, live=live)
        database = sqlite3.connect(path)
        for run, size, scans, blocks in database.execute(
            "SELECT run_id, sum(length(block)), sum(count), count(*) FROM scans GROUP BY run_id"
        ):
            print(f"{run}: {size / scans:.1f} bytes a scan in {blocks} blocks")
        database.close()
        print(f"file: {path.stat().st_size / 1e3:.0f} kB for both runs, events and all")
        records = Records(path)
        began = time.perf_counter()
        result = replay(records, "live-False")
        took_s = time.perf_counter() - began
        print(
            f"replay: {'identical' if result.identical else result.difference}, "
            f"{result.duration_s / took_s:.0f} times real time, "
            f"{took_s / result.scans * 1e6:.0f} us a scan"
        )
        records.close()


if __name__ == "__main__":
    main()
