"""Feeding a recorded run through the core again, and naming the first thing that differs."""

import itertools
import json
import math
from collections.abc import Callable
from dataclasses import dataclass, fields

from sequencer.config import Rig
from sequencer.errors import RecordError
from sequencer.events import Event, wire
from sequencer.files import digest
from sequencer.model import Outputs
from sequencer.runtime.loop import Core
from sequencer.runtime.records import KeptEvent, Records
from sequencer.runtime.wire import text


@dataclass(frozen=True, slots=True)
class Difference:
    """The first thing that came out differently: where, which field, what it was and is now."""

    scan: int
    time_s: float
    field: str
    recorded: str
    now: str

    def line(self) -> str:
        """Return the difference as one line of text."""
        return (
            f"scan {self.scan}, {self.time_s:.3f} s into the run: {self.field} "
            f"was {self.recorded} when recorded and is {self.now} now"
        )


@dataclass(frozen=True, slots=True)
class ReplayResult:
    """What a replay found; ``duration_s`` is the length of the replayed part of the run."""

    run_id: str
    scans: int
    events: int
    duration_s: float
    difference: Difference | None

    @property
    def identical(self) -> bool:
        """Whether every output and every event came out as recorded."""
        return self.difference is None


def replay(
    records: Records, run_id: str, make: Callable[[Rig], Core] | None = None
) -> ReplayResult:
    """Feed a run's inputs, at its times, to a new sequencer for its rig and compare what it gives.

    ``make`` gives the sequencer, the real one unless told otherwise. Ends at the first difference.

    Raises:
        RecordError: if the record cannot be read, is not what was recorded, or holds no scan.
    """
    run = records.find(run_id)
    rig = run.rig()
    if digest(rig) != run.rig_digest:
        raise RecordError(f"run {run.run_id}: its rig is not the one that was recorded")
    core = (make or _sequencer)(rig)
    kept = records.events(run.run_id)
    waiting: KeptEvent | None = next(kept, None)
    scans = events = 0
    began_ns = now_ns = 0
    difference: Difference | None = None
    for scan, (now_ns, inputs, outputs) in enumerate(records.scans(run.run_id)):
        if scan == 0:
            began_ns = now_ns
        try:
            step = core.step(now_ns, inputs)
        except Exception as error:  # the recorded core gave an answer here: so this is a difference
            time_s = (now_ns - began_ns) / 1e9
            difference = Difference(scan, time_s, "the core", "well", f"failing: {error}")
            break
        scans += 1
        recorded = []
        while waiting is not None and waiting.scan == scan:
            recorded.append(waiting)
            waiting = next(kept, None)
        events += len(recorded)
        found = _outputs_differ(outputs, step.outputs) or _events_differ(recorded, step.events)
        if found is not None:
            difference = Difference(scan, (now_ns - began_ns) / 1e9, *found)
            break
    if scans == 0 and difference is None:
        raise RecordError(f"run {run.run_id}: holds no scan")
    return ReplayResult(run.run_id, scans, events, (now_ns - began_ns) / 1e9, difference)


def _sequencer(rig: Rig) -> Core:
    from sequencer.core.step import Sequencer

    return Sequencer(rig)


_Found = tuple[str, str, str]


def _outputs_differ(recorded: Outputs, now: Outputs) -> _Found | None:
    if recorded == now:
        return None
    for field in fields(Outputs):
        old, new = getattr(recorded, field.name), getattr(now, field.name)
        if old != new and not _both_nan(old, new):
            return f"outputs.{field.name}", _shown(old), _shown(new)
    return None


def _both_nan(old: object, new: object) -> bool:
    return isinstance(old, float) and isinstance(new, float) and math.isnan(old) and math.isnan(new)


def _events_differ(recorded: list[KeptEvent], now: tuple[Event, ...]) -> _Found | None:
    for place, (old, new) in enumerate(itertools.zip_longest(recorded, now)):
        if old is None:
            return f"event {place + 1} of this scan", "absent", text(wire(new))
        if new is None:
            return f"event {place + 1} of this scan", old.json, "absent"
        if old.json != (again := text(wire(new))):
            return _facts_differ(old.facts(), json.loads(again))
    return None


def _facts_differ(old: dict[str, object], new: dict[str, object]) -> _Found:
    if old.get("event") != new.get("event"):
        return "event", str(old.get("event")), str(new.get("event"))
    name = next((key for key in [*old, *new] if old.get(key) != new.get(key)), "order of facts")
    return f"{old['event']}.{name}", _shown(old.get(name)), _shown(new.get(name))


def _shown(value: object) -> str:
    return str(value) if not isinstance(value, str) else f'"{value}"'
