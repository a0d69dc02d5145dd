"""Keeping a run: a sink that writes every scan and event to the database of records.

On a live rig a thread does the writing and the scan only hands over; in virtual time there is
nobody to keep waiting and the writing is done in line. Either way the record on disk is at every
moment a complete beginning of the run: a scan never lacks its events, nor an event its scan.
"""

import contextlib
import platform
import queue
import secrets
import sqlite3
import threading
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime
from importlib import metadata
from pathlib import Path

from sequencer.config import Rig
from sequencer.errors import RecordError
from sequencer.events import Step, wire
from sequencer.files import digest
from sequencer.model import Inputs
from sequencer.recipe import Recipe
from sequencer.runtime import blocks, database, stored
from sequencer.runtime.blocks import Kept
from sequencer.runtime.wire import text

BLOCK_SCANS = 256
_BACKLOG_SCANS = 1024
_BLOCK_ns = 1_000_000_000
_QUEUE_SCANS = 4096  # over a minute of short ticks: a disk that is away for longer has failed
_IDLE_s = 0.5
_PATIENCE_s = 10.0


@dataclass(frozen=True, slots=True)
class Head:
    """What is known of a run when it begins; ``kind`` is ``run``, ``dry-run`` or ``purge``."""

    run_id: str
    utc_start: datetime
    kind: str
    rig: Rig
    recipe: Recipe | None = None
    rig_file: str = ""
    materials_digest: str = ""
    sample: str = ""
    operator: str = ""
    seed: int | None = None
    simulated: bool = False


def new_run_id(utc_start: datetime) -> str:
    """Make a name that sorts by time and is short enough to write on a bag."""
    return f"{utc_start:%Y%m%d-%H%M%S}-{secrets.token_hex(2)}"


def open_run(path: Path | None, head: Head, *, live: bool) -> "Recorder":
    """Begin a record in the database at ``path``, or at the default one, and commit its head.

    Raises:
        RecordError: if the record cannot be kept.
    """
    path = database.default_path() if path is None else path
    connection = database.open_to_write(path)
    try:
        connection.execute(_INSERT_RUN, _row(head))
    except sqlite3.IntegrityError:
        connection.close()
        raise RecordError(f"{path}: there is a run {head.run_id} already") from None
    except sqlite3.Error as error:
        connection.close()
        raise database.told(path, error) from None
    return Recorder(path, connection, head.run_id, live=live)


_INSERT_RUN = """
INSERT INTO runs (run_id, utc_start, kind, state, versions, rig, rig_digest, rig_file, recipe,
    recipe_digest, materials_digest, sample, operator, seed, simulated, outcome, trouble)
VALUES (?, ?, ?, 'open', ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, NULL, '')
"""


def _row(head: Head) -> tuple[object, ...]:
    recipe = head.recipe
    return (
        head.run_id,
        head.utc_start.isoformat(timespec="microseconds"),
        head.kind,
        text(_versions()),
        stored.dump(head.rig),
        digest(head.rig),
        head.rig_file,
        None if recipe is None else stored.dump(recipe),
        "" if recipe is None else digest(recipe),
        head.materials_digest,
        head.sample,
        head.operator,
        head.seed,
        int(head.simulated),
    )


def _versions() -> dict[str, object]:
    versions: dict[str, object] = {
        "python": platform.python_version(),
        "system": platform.system(),
        "sqlite": sqlite3.sqlite_version,
    }
    with contextlib.suppress(metadata.PackageNotFoundError):
        versions["imprint-sequencer"] = metadata.version("imprint-sequencer")
    return versions


class Recorder:
    """The record of one run, as a sink of the loop; made by ``open_run``."""

    def __init__(
        self, path: Path, connection: sqlite3.Connection, run_id: str, *, live: bool
    ) -> None:
        self.run_id = run_id
        self.trouble = ""
        self._path = path
        self._connection = connection
        self._pages = _Pages(connection, run_id)
        self._queue: queue.Queue[_Scan | threading.Event | None] = queue.Queue(_QUEUE_SCANS)
        self._thread: threading.Thread | None = None
        if live:
            self._thread = threading.Thread(target=self._serve, name="record", daemon=True)
            self._thread.start()

    @property
    def ok(self) -> bool:
        """Whether everything given so far is kept or about to be; once false it stays so."""
        return not self.trouble

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        """Take one scan; never waits on a live rig, never raises."""
        if self.trouble:
            return
        if self._thread is None:
            try:
                self._pages.add(now_ns, inputs, step)
                if self._pages.full:
                    self._pages.commit()
            except Exception as error:  # a scan must not fail because its record did
                self._fail(error)
            return
        try:
            self._queue.put_nowait((now_ns, inputs, step))
        except queue.Full:
            self._fail(TimeoutError("the disk does not keep up"))

    def flush(self) -> None:
        """Wait until everything given so far is on the disk.

        Raises:
            RecordError: if it cannot be brought there.
        """
        if self._thread is None:
            try:
                self._pages.commit()
            except Exception as error:
                self._fail(error)
        else:
            written = threading.Event()
            with contextlib.suppress(queue.Full):
                self._queue.put(written, timeout=_PATIENCE_s)
                # The thread may fail, and then never come to this mark: look at both.
                while not written.wait(0.05) and self._thread.is_alive():
                    pass
        if self.trouble:
            raise RecordError(self.trouble)

    def close(self, outcome: Mapping[str, object]) -> None:
        """Write what is left and the outcome document, and end the record.

        Raises:
            RecordError: if the record is not whole; what was kept of it stays readable.
        """
        with contextlib.suppress(RecordError):
            self.flush()
        if self._thread is not None:
            with contextlib.suppress(queue.Full):
                self._queue.put(None, timeout=_PATIENCE_s if self.ok else 0.1)
            self._thread.join(_PATIENCE_s)
        try:
            self._connection.execute(
                "UPDATE runs SET outcome = ?, state = 'closed', trouble = ? WHERE run_id = ?",
                (text(outcome), self.trouble, self.run_id),
            )
            self._connection.close()
        except sqlite3.Error as error:
            self._fail(error)
        if self.trouble:
            raise RecordError(self.trouble)

    def _serve(self) -> None:
        try:
            while True:
                try:
                    item = self._queue.get(timeout=_IDLE_s)
                except queue.Empty:
                    self._pages.commit()
                    continue
                if item is None:
                    return
                if isinstance(item, threading.Event):
                    self._pages.commit()
                    item.set()
                    continue
                self._pages.add(*item)
                due = self._pages.eventful or self._pages.full or self._pages.old
                # With a backlog a commit serves many scans, or a slow disk would never catch up.
                if due and (self._queue.empty() or self._pages.count >= _BACKLOG_SCANS):
                    self._pages.commit()
        except Exception as error:  # whatever it was, the record is broken and the core must know
            self._fail(error)

    def _fail(self, error: Exception) -> None:
        if isinstance(error, sqlite3.Error):
            self.trouble = self.trouble or str(database.told(self._path, error))
        else:
            self.trouble = self.trouble or f"{self._path}: the record failed: {error}"


_INSERT_EVENT = "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)"
_Scan = tuple[int, Inputs, Step]


class _Pages:
    """Gathers scans and events of one run and writes them, always both together."""

    def __init__(self, connection: sqlite3.Connection, run_id: str) -> None:
        self._connection = connection
        self._run_id = run_id
        self._written = 0
        self._seq = 0
        self._scans: list[Kept] = []
        self._events: list[tuple[object, ...]] = []

    @property
    def count(self) -> int:
        return len(self._scans)

    @property
    def eventful(self) -> bool:
        return bool(self._events)

    @property
    def full(self) -> bool:
        return len(self._scans) >= BLOCK_SCANS

    @property
    def old(self) -> bool:
        return bool(self._scans) and self._scans[-1].now_ns - self._scans[0].now_ns >= _BLOCK_ns

    def add(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        if self._scans and len(inputs.raw) != len(self._scans[0].inputs.raw):
            self.commit()
        scan = self._written + len(self._scans)
        self._scans.append(Kept(now_ns, inputs, step.outputs))
        for event in step.events:
            self._seq += 1
            self._events.append(
                (self._run_id, self._seq, scan, now_ns, event.topic, text(wire(event)))
            )

    def commit(self) -> None:
        if not self._scans:
            return
        block = blocks.pack(self._scans)
        count, first_ns = len(self._scans), self._scans[0].now_ns
        self._connection.execute("BEGIN IMMEDIATE")
        try:
            self._connection.execute(
                "INSERT INTO scans VALUES (?, ?, ?, ?, ?)",
                (self._run_id, self._written, count, first_ns, block),
            )
            self._connection.executemany(
                "INSERT INTO events VALUES (?, ?, ?, ?, ?, ?)", self._events
            )
            self._connection.execute("COMMIT")
        except sqlite3.Error:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")
            raise
        self._written += count
        self._scans, self._events = [], []
