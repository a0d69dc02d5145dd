"""Replay: the same core gives the same run, and whatever differs is found and named."""

import json
import sqlite3
from dataclasses import replace
from datetime import UTC, datetime

import pytest

from sequencer.errors import RecordError
from sequencer.events import Noted
from sequencer.model import CycleStep
from sequencer.runtime import blocks
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import LONG_TICK_ns, Loop
from sequencer.runtime.record import Head, open_run
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay
from tests.fakes import FakeDriver, FakeSequencer, bench_rig, grating_recipe, start

RIG = bench_rig()
PLAN = {CycleStep.HEATING: 60.0, CycleStep.CLAMPING: 1.0, CycleStep.HOLDING: 60.0}


def planned(rig, **more):
    return FakeSequencer(rig, plan=PLAN, **more)


@pytest.fixture
def path(tmp_path):
    path = tmp_path / "records.db"
    head = Head("one", datetime(2026, 1, 1, tzinfo=UTC), "dry-run", RIG, grating_recipe())
    recorder = open_run(path, head, live=False)
    driver = FakeDriver(
        RIG,
        lambda now_ns: {"head_temperature": 20.0 + now_ns * 1e-9},
        mute=lambda now_ns: 10_000_000_000 < now_ns < 10_100_000_000,
    )
    loop = Loop(
        planned(RIG), driver, RIG, VirtualClock(), record=recorder, long_tick_ns=LONG_TICK_ns
    )
    loop.turn()
    loop.post(start(grating_recipe()))
    loop.run_until(lambda step: step.step is CycleStep.IDLE)
    recorder.close({})
    return path


def test_the_same_core_gives_the_same_run(path):
    result = replay(Records(path), "last", planned)
    assert result.identical
    assert result.scans == len(list(Records(path).scans("one")))
    assert result.events == len(list(Records(path).events("one"))) > 10
    assert result.duration_s == pytest.approx(121, abs=1)


def test_a_core_with_other_outputs_is_found_and_the_field_named(path):
    result = replay(Records(path), "one", lambda rig: planned(rig, head_gain=1.5))
    assert not result.identical
    difference = result.difference
    assert (difference.scan, difference.field) == (0, "outputs.heater_setpoint_degC")
    assert difference.line() == (
        "scan 0, 0.000 s into the run: outputs.heater_setpoint_degC "
        "was 20.0 when recorded and is 30.0 now"
    )


def test_a_core_that_tells_other_facts_is_found_and_the_fact_named(path):
    result = replay(Records(path), "one", lambda rig: planned(rig, waits_for="heat"))
    assert result.difference.field == "stage_entered.waits_for"
    assert (result.difference.recorded, result.difference.now) == ('"time"', '"heat"')


def test_a_core_that_is_late_is_found(path):
    late = PLAN | {CycleStep.HEATING: 60.2}
    result = replay(Records(path), "one", lambda rig: FakeSequencer(rig, plan=late))
    assert result.difference.field == "outputs.clamp"
    assert result.difference.time_s == pytest.approx(60.1, abs=0.2)
    assert (result.difference.recorded, result.difference.now) == ('"apply"', '"leave"')


def test_a_core_that_fails_now_is_found(path):
    class Failing(FakeSequencer):
        def step(self, now_ns, inputs):
            if now_ns > 5_000_000_000:
                raise RuntimeError("no such stage")
            return super().step(now_ns, inputs)

    result = replay(Records(path), "one", lambda rig: Failing(rig, plan=PLAN))
    assert result.difference.now == "failing: no such stage"


def altered(path, change):
    """Change one recorded scan, as a planted fault would."""
    database = sqlite3.connect(path)
    (first, block) = database.execute("SELECT first, block FROM scans WHERE first = 256").fetchone()
    kept = list(blocks.unpack(block))
    kept[10] = change(kept[10])
    database.execute("UPDATE scans SET block = ? WHERE first = ?", (blocks.pack(kept), first))
    database.commit()


def test_one_changed_bit_of_an_input_is_found(path):
    def change(scan):
        raw = list(scan.inputs.raw)
        place = list(RIG.inputs).index("head_temperature")
        raw[place] = raw[place].__class__(raw[place].value * (1 + 2**-52), True, scan.now_ns)
        return scan._replace(inputs=scan.inputs.__class__(tuple(raw), (), (), scan.inputs.host))

    altered(path, change)
    difference = replay(Records(path), "one", planned).difference
    assert (difference.scan, difference.field) == (266, "outputs.heater_setpoint_degC")


@pytest.mark.parametrize(
    ("change", "field", "recorded"),
    [
        ("DELETE FROM events WHERE seq = 3", "stage_entered", "absent"),
        (
            "UPDATE events SET json = replace(json, '\"heating\"', '\"cooling\"') WHERE seq = 3",
            "step_entered.step",
            '"cooling"',
        ),
    ],
)
def test_a_changed_or_missing_event_is_found(path, change, field, recorded):
    database = sqlite3.connect(path)
    rows = database.execute("SELECT json FROM events ORDER BY seq LIMIT 4").fetchall()
    assert json.loads(rows[2][0])["event"] == "step_entered"
    database.execute(change)
    database.commit()
    difference = replay(Records(path), "one", planned).difference
    assert difference.scan == 1
    if recorded == "absent":
        # The events after the missing one have moved up, so the first to differ is in its place.
        assert difference.field == "event"
        assert (difference.recorded, difference.now) == (field, "step_entered")
    else:
        assert (difference.field, difference.recorded) == (field, recorded)


def test_an_event_too_many_is_found(path):
    class Talking(FakeSequencer):
        def step(self, now_ns, inputs):
            step = super().step(now_ns, inputs)
            return replace(step, events=(*step.events, Noted("something new")))

    difference = replay(Records(path), "one", lambda rig: Talking(rig, plan=PLAN)).difference
    assert (difference.field, difference.recorded) == ("event 1 of this scan", "absent")
    assert "something new" in difference.now


def test_a_record_whose_rig_was_changed_is_refused(path):
    database = sqlite3.connect(path)
    database.execute(
        """UPDATE runs SET rig = replace(rig, '"purge_strokes":12', '"purge_strokes":9')"""
    )
    database.commit()
    with pytest.raises(RecordError, match="its rig is not the one that was recorded"):
        replay(Records(path), "one", planned)


def test_a_record_without_scans_is_refused(path):
    database = sqlite3.connect(path)
    database.execute("DELETE FROM scans")
    database.execute("DELETE FROM events")
    database.commit()
    with pytest.raises(RecordError, match="holds no scan"):
        replay(Records(path), "one", planned)


def test_a_record_that_was_never_closed_replays_as_far_as_it_goes(path):
    database = sqlite3.connect(path)
    database.execute("DELETE FROM scans WHERE first >= 512")
    database.execute("DELETE FROM events WHERE scan >= 512")
    database.execute("UPDATE runs SET state = 'open', outcome = NULL")
    database.commit()
    result = replay(Records(path), "one", planned)
    assert result.identical
    assert result.scans == 512
