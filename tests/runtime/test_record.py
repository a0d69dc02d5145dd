"""Records: what was given comes back, faults are told in one line, and a killed run survives."""

import os
import signal
import sqlite3
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime
from pathlib import Path

import pytest

from sequencer.errors import RecordError
from sequencer.events import wire
from sequencer.files import digest
from sequencer.model import CycleStep
from sequencer.runtime import record as recording
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import Loop
from sequencer.runtime.record import Head, new_run_id, open_run
from sequencer.runtime.records import Records
from sequencer.runtime.wire import text
from tests.fakes import FakeDriver, FakeSequencer, bench_rig, grating_recipe, start

RIG = bench_rig()
UTC_START = datetime(2026, 11, 25, 10, 15, 2, 123456, tzinfo=UTC)


def head(run_id="20261125-101502-7f3a", **more):
    return Head(run_id, UTC_START, "dry-run", RIG, grating_recipe(), "bench.toml", **more)


def fake_run(recorder, turns=None):
    """Run the whole fake cycle into a recorder and return what was given to it."""
    given = []
    loop = Loop(
        FakeSequencer(RIG),
        FakeDriver(RIG, lambda now_ns: {"head_temperature": 20.0 + now_ns * 1e-9}),
        RIG,
        VirtualClock(),
        [lambda *scan: given.append(scan)],
        record=recorder,
    )
    loop.turn()
    loop.post(start(grating_recipe()))
    if turns is None:
        loop.run_until(lambda step: step.step is CycleStep.IDLE)
    else:
        for _ in range(turns):
            loop.turn()
    return given


def assert_kept(path, given, run_id="last"):
    records = Records(path)
    name = records.find(run_id).run_id
    scans = list(records.scans(name))
    assert [tuple(scan) for scan in scans] == [(t, i, s.outputs) for t, i, s in given]
    events = [
        (at, now_ns, event.topic, text(wire(event)))
        for at, (now_ns, _, step) in enumerate(given)
        for event in step.events
    ]
    kept = list(records.events(name))
    assert [(e.scan, e.t_ns, e.topic, e.json) for e in kept] == events
    assert [e.seq for e in kept] == list(range(1, len(events) + 1))
    records.close()


@pytest.mark.parametrize("live", [False, True])
def test_a_run_comes_back_whole(tmp_path, live):
    path = tmp_path / "deep" / "records.db"
    recorder = open_run(path, head(seed=7, sample="bag 12", simulated=True), live=live)
    given = fake_run(recorder)
    recorder.close({"outcome": "complete"})
    assert recorder.ok
    assert_kept(path, given)
    run = Records(path).find("last")
    assert (run.state, run.trouble, run.outcome) == ("closed", "", {"outcome": "complete"})
    assert (run.seed, run.sample, run.simulated, run.kind) == (7, "bag 12", True, "dry-run")
    assert run.utc_start == UTC_START
    assert run.rig() == RIG
    assert run.recipe() == grating_recipe()
    assert (run.rig_digest, run.recipe_digest) == (digest(RIG), digest(grating_recipe()))
    assert run.versions["python"].startswith("3.")


def test_a_run_without_recipe_has_none(tmp_path):
    path = tmp_path / "r.db"
    open_run(path, Head("p", UTC_START, "purge", RIG), live=False).close({})
    run = Records(path).find("p")
    assert (run.recipe(), run.recipe_digest, run.kind) == (None, "", "purge")


@pytest.mark.parametrize("live", [False, True])
def test_what_was_flushed_is_on_the_disk_before_the_run_ends(tmp_path, live):
    path = tmp_path / "r.db"
    recorder = open_run(path, head(), live=live)
    given = fake_run(recorder, turns=700)
    recorder.flush()
    assert_kept(path, given)
    assert Records(path).find("last").state == "open"
    recorder.close({})


def kept_within(path, wanted, deadline_s=5.0):
    """Wait for the writing thread to have brought so many scans to the disk."""
    deadline = time.monotonic() + deadline_s
    while len(kept := list(Records(path).scans(head().run_id))) < wanted:
        assert time.monotonic() < deadline, f"{len(kept)} scans of {wanted}"
        time.sleep(0.01)


@pytest.mark.slow
def test_a_live_record_holds_events_at_once_and_scans_within_a_second(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "_IDLE_s", 60.0)  # so that no lull can help
    path = tmp_path / "r.db"
    recorder = open_run(path, head(), live=True)
    given = fake_run(None, turns=300)
    eventful = [at for at, (_, _, step) in enumerate(given) if step.events]
    assert eventful[0] == 1
    for scan in given[:2]:
        recorder(*scan)
    kept_within(path, 2)
    quiet = [scan for scan in given[2:200] if not scan[2].events]
    for scan in quiet[:50]:
        recorder(*scan)
    time.sleep(0.1)
    assert len(list(Records(path).scans(head().run_id))) == 2  # 0.98 s: not yet due
    recorder(*quiet[50])
    kept_within(path, 53)
    recorder.close({})


def test_a_live_scan_only_hands_over(tmp_path):
    recorder = open_run(tmp_path / "r.db", head(), live=True)
    given = fake_run(None, turns=400)
    took = []
    for scan in given:
        began = time.perf_counter()
        recorder(*scan)
        took.append(time.perf_counter() - began)
    recorder.close({})
    assert sorted(took)[200] < 100e-6


def test_two_runs_and_two_writers_share_one_file(tmp_path):
    path = tmp_path / "r.db"
    first, second = open_run(path, head("a-1"), live=True), open_run(path, head("b-2"), live=True)
    given = fake_run(first), fake_run(second)
    first.close({})
    second.close({})
    assert_kept(path, given[0], "a-1")
    assert_kept(path, given[1], "b")
    assert [run.run_id for run in Records(path).runs()] == ["a-1", "b-2"]


def test_every_commit_reaches_the_disk_itself(tmp_path):
    recorder = open_run(tmp_path / "r.db", head(), live=True)
    asked = [recorder._connection.execute(f"PRAGMA {name}").fetchone()[0]
             for name in ("synchronous", "journal_mode", "foreign_keys")]  # fmt: skip
    assert asked == [2, "wal", 1]  # 2 is FULL in the manual of SQLite
    recorder.close({})


def test_a_backlog_is_written_in_fewer_commits(tmp_path):
    path = tmp_path / "r.db"
    recorder = open_run(path, head(), live=True)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")  # the writer waits for this lock while scans pile up
    given = fake_run(recorder, turns=1000)
    other.execute("ROLLBACK")
    recorder.close({})
    assert_kept(path, given)
    assert sqlite3.connect(path).execute("SELECT count(*) FROM scans").fetchone()[0] <= 5


def test_run_ids_sort_by_time_and_differ():
    early, late = new_run_id(UTC_START), new_run_id(UTC_START.replace(second=3))
    assert early.startswith("20261125-101502-")
    assert early < late
    assert len({new_run_id(UTC_START) for _ in range(20)}) > 15


def test_the_same_run_id_twice_is_refused(tmp_path):
    path = tmp_path / "r.db"
    open_run(path, head(), live=False).close({})
    with pytest.raises(RecordError, match="there is a run 20261125-101502-7f3a already"):
        open_run(path, head(), live=False)


def find(path, wanted):
    return Records(path).find(wanted).run_id


def test_runs_are_found_by_name_beginning_and_last(tmp_path):
    path = tmp_path / "r.db"
    for run_id in ("20260101-100000-aaaa", "20260101-100000-bbbb", "20260202-100000-cccc"):
        open_run(path, head(run_id), live=False).close({})
    assert find(path, "last") == "20260202-100000-cccc"
    assert find(path, "20260101-100000-bbbb") == "20260101-100000-bbbb"
    assert find(path, "202602") == "20260202-100000-cccc"
    with pytest.raises(RecordError, match=r"more than one run begins so: .*aaaa, .*bbbb"):
        find(path, "202601")
    with pytest.raises(RecordError, match=r"no such run in .*near it: 20260202-100000-cccc"):
        find(path, "20260202-100000-cxcc")
    with pytest.raises(RecordError, match="no such run"):
        find(path, "")


def one_line(error):
    assert "\n" not in str(error.value)
    return str(error.value)


def test_a_missing_file_a_folder_and_an_empty_database_are_told(tmp_path):
    with pytest.raises(RecordError, match="no records here yet") as error:
        Records(tmp_path / "none.db")
    one_line(error)
    with pytest.raises(RecordError, match="is a folder"):
        Records(tmp_path)
    open_run(tmp_path / "r.db", head(), live=False).close({})
    sqlite3.connect(tmp_path / "r.db").executescript("DELETE FROM runs")
    with pytest.raises(RecordError, match="no runs here yet"):
        Records(tmp_path / "r.db").find("last")


@pytest.mark.parametrize("opening", [Records, lambda path: open_run(path, head(), live=False)])
def test_a_file_that_is_no_database_of_records_is_left_alone(tmp_path, opening):
    path = tmp_path / "notes.db"
    path.write_text("these are my notes, not a database at all\n" * 50)
    with pytest.raises(RecordError, match="not a database of records") as error:
        opening(path)
    one_line(error)
    assert path.read_text().startswith("these are my notes")
    other = tmp_path / "other.db"
    sqlite3.connect(other).executescript("CREATE TABLE mine (x)")
    with pytest.raises(RecordError, match="not one of records"):
        opening(other)


def test_records_of_another_schema_are_refused(tmp_path):
    path = tmp_path / "r.db"
    open_run(path, head(), live=False).close({})
    sqlite3.connect(path).executescript("UPDATE meta SET value = '9' WHERE key = 'schema'")
    with pytest.raises(RecordError, match="schema 9; this version reads 1"):
        Records(path)


def test_a_place_where_nothing_can_be_kept_is_told(tmp_path):
    blocked = tmp_path / "file"
    blocked.write_text("x")
    with pytest.raises(RecordError, match="no record can be kept here") as error:
        open_run(blocked / "sub" / "records.db", head(), live=False)
    one_line(error)
    with pytest.raises(RecordError, match="cannot be opened"):
        open_run(tmp_path, head(), live=False)


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="permissions do not bind root")
def test_a_folder_that_may_not_be_written_is_told(tmp_path):
    tmp_path.chmod(0o500)
    with pytest.raises(RecordError, match="cannot be opened"):
        open_run(tmp_path / "records.db", head(), live=False)


def test_a_locked_database_is_told(tmp_path, monkeypatch):
    path = tmp_path / "r.db"
    monkeypatch.setattr(recording.database, "_WAIT_FOR_LOCK_s", 0.05)
    open_run(path, head("a"), live=False).close({})
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN EXCLUSIVE")
    with pytest.raises(RecordError, match="locked by another program"):
        open_run(path, head("b"), live=False)
    other.execute("ROLLBACK")


@pytest.mark.parametrize("live", [False, True])
def test_a_full_disk_breaks_the_record_not_the_run_and_the_core_is_told(tmp_path, live):
    path = tmp_path / "r.db"
    recorder = open_run(path, head(), live=live)
    (pages,) = recorder._connection.execute("PRAGMA page_count").fetchone()
    recorder._connection.execute(f"PRAGMA max_page_count={pages + 2}")
    given = fake_run(recorder, turns=3000)
    if live:
        recorder._thread.join(5)
        given += fake_run(recorder, turns=2)
    assert not recorder.ok
    assert "the disk is full" in recorder.trouble
    assert given[-1][1].host.record_ok is False
    with pytest.raises(RecordError, match="the disk is full"):
        recorder.flush()
    with pytest.raises(RecordError, match="the disk is full"):
        recorder.close({"outcome": "tripped"})
    kept = list(Records(path).scans(head().run_id))
    assert [tuple(s) for s in kept] == [(t, i, s.outputs) for t, i, s in given[: len(kept)]]


def test_a_disk_that_does_not_keep_up_breaks_the_record(tmp_path, monkeypatch):
    monkeypatch.setattr(recording, "_QUEUE_SCANS", 8)
    path = tmp_path / "r.db"
    recorder = open_run(path, head(), live=True)
    other = sqlite3.connect(path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")  # the writer now waits for this lock
    given = fake_run(recorder, turns=200)
    other.execute("ROLLBACK")
    assert "does not keep up" in recorder.trouble
    assert given[-1][1].host.record_ok is False
    with pytest.raises(RecordError, match="does not keep up"):
        recorder.close({})
    run = Records(path).find("last")
    assert (run.state, "does not keep up" in run.trouble) == ("closed", True)
    kept = list(Records(path).scans(run.run_id))
    assert kept
    assert [tuple(s) for s in kept] == [(t, i, s.outputs) for t, i, s in given[: len(kept)]]


def test_a_damaged_block_is_told_with_its_place(tmp_path):
    path = tmp_path / "r.db"
    recorder = open_run(path, head(), live=False)
    fake_run(recorder, turns=600)
    recorder.close({})
    sqlite3.connect(path).executescript("UPDATE scans SET block = x'00ff' WHERE first = 256")
    with pytest.raises(RecordError, match="from scan 256: a damaged block"):
        list(Records(path).scans(head().run_id))


KILLED = """
    import sys
    from pathlib import Path
    from sequencer.runtime.clock import RealClock
    from sequencer.runtime.loop import Loop
    from sequencer.runtime.record import open_run
    from tests.fakes import FakeDriver, FakeSequencer, start, grating_recipe
    from tests.runtime.test_record import RIG, head

    recorder = open_run(Path(sys.argv[1]), head(), live=True)
    loop = Loop(FakeSequencer(RIG), FakeDriver(RIG), RIG, RealClock(), record=recorder)
    loop.post(start(grating_recipe()))
    loop.turn()
    recorder.flush()
    print(loop.turns, flush=True)
    while True:
        loop.turn()
        if loop.turns % 10 == 0:
            recorder.flush()
            print(loop.turns, flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="needs kill -9")
@pytest.mark.parametrize("wait_s", [0.0, 0.33])
def test_what_was_acknowledged_survives_kill_9(tmp_path, wait_s):
    path = tmp_path / "r.db"
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(KILLED), str(path)],
        stdout=subprocess.PIPE,
        text=True,
        cwd=Path(__file__).parents[2],
        env={**os.environ, "PYTHONPATH": str(Path(__file__).parents[2])},
    )
    try:
        acknowledged = int(child.stdout.readline())
        time.sleep(wait_s)
    finally:
        child.send_signal(signal.SIGKILL)
    acknowledged = max([acknowledged, *(int(n) for n in child.stdout.read().split())])
    child.wait(10)
    records = Records(path)
    run = records.find("last")
    assert (run.state, run.outcome) == ("open", None)
    scans = list(records.scans(run.run_id))
    assert len(scans) >= acknowledged
    events = list(records.events(run.run_id))
    assert "run_started" in [event.facts()["event"] for event in events]
    assert all(event.scan < len(scans) for event in events)
