"""The database of records: where it lies, its tables, and its errors in plain words.

SQLite in WAL mode with ``synchronous=FULL``: what was committed survives the end of the process,
and of the machine if its disk keeps what it says it has written.
"""

import sqlite3
from pathlib import Path

from sequencer.errors import RecordError

SCHEMA = 1
_APPLICATION_ID = 0x496D7072
_WAIT_FOR_LOCK_s = 5.0
_TABLES = """
CREATE TABLE IF NOT EXISTS meta (key TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE IF NOT EXISTS runs (
    run_id TEXT PRIMARY KEY,
    utc_start TEXT NOT NULL,
    kind TEXT NOT NULL,
    state TEXT NOT NULL,
    versions TEXT NOT NULL,
    rig TEXT NOT NULL,
    rig_digest TEXT NOT NULL,
    rig_file TEXT NOT NULL,
    recipe TEXT,
    recipe_digest TEXT NOT NULL,
    materials_digest TEXT NOT NULL,
    sample TEXT NOT NULL,
    operator TEXT NOT NULL,
    seed INTEGER,
    simulated INTEGER NOT NULL,
    outcome TEXT,
    trouble TEXT NOT NULL
);
CREATE TABLE IF NOT EXISTS events (
    run_id TEXT NOT NULL REFERENCES runs,
    seq INTEGER NOT NULL,
    scan INTEGER NOT NULL,
    t_ns INTEGER NOT NULL,
    topic TEXT NOT NULL,
    json TEXT NOT NULL,
    PRIMARY KEY (run_id, seq)
) WITHOUT ROWID;
CREATE TABLE IF NOT EXISTS scans (
    run_id TEXT NOT NULL REFERENCES runs,
    first INTEGER NOT NULL,
    count INTEGER NOT NULL,
    t_ns INTEGER NOT NULL,
    block BLOB NOT NULL,
    PRIMARY KEY (run_id, first)
);
"""


def default_path() -> Path:
    """Return where records are kept unless a file is named: the user's data folder."""
    import platformdirs

    return platformdirs.user_data_path("imprint-sequencer", appauthor=False) / "records.db"


def open_to_write(path: Path) -> sqlite3.Connection:
    """Open the database, making folder, file and tables where they are missing.

    Raises:
        RecordError: if that cannot be done, in one line.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        fresh = not path.exists() or path.stat().st_size == 0
    except OSError as error:
        raise RecordError(f"{path}: no record can be kept here: {error.strerror}") from None
    try:
        connection = sqlite3.connect(
            path, timeout=_WAIT_FOR_LOCK_s, isolation_level=None, check_same_thread=False
        )
    except sqlite3.Error as error:
        raise told(path, error) from None
    try:
        if not fresh:
            _check(path, connection)
        connection.execute("PRAGMA journal_mode=WAL")
        connection.execute("PRAGMA synchronous=FULL")
        connection.execute("PRAGMA foreign_keys=ON")
        if fresh:
            connection.execute(f"PRAGMA application_id={_APPLICATION_ID}")
        connection.executescript("BEGIN IMMEDIATE;" + _TABLES + "COMMIT;")
        connection.execute("INSERT OR IGNORE INTO meta VALUES ('schema', ?)", (str(SCHEMA),))
    except sqlite3.Error as error:
        connection.close()
        raise told(path, error) from None
    except RecordError:
        connection.close()
        raise
    return connection


def open_to_read(path: Path) -> sqlite3.Connection:
    """Open an existing database for reading only.

    Raises:
        RecordError: if there is none, or it is no database of records, in one line.
    """
    try:
        if not path.exists():
            raise RecordError(f"{path}: there are no records here yet")
        if path.is_dir():
            raise RecordError(f"{path}: is a folder; name a file of records")
    except OSError as error:
        raise RecordError(f"{path}: cannot be read: {error.strerror}") from None
    try:
        connection = sqlite3.connect(
            f"{path.resolve().as_uri()}?mode=ro", uri=True, timeout=_WAIT_FOR_LOCK_s
        )
    except sqlite3.Error as error:
        raise told(path, error) from None
    try:
        _check(path, connection)
    except sqlite3.Error as error:
        connection.close()
        raise told(path, error) from None
    except RecordError:
        connection.close()
        raise
    return connection


def _check(path: Path, connection: sqlite3.Connection) -> None:
    (application,) = connection.execute("PRAGMA application_id").fetchone()
    if application != _APPLICATION_ID:
        raise RecordError(f"{path}: is a database, but not one of records")
    row = connection.execute("SELECT value FROM meta WHERE key = 'schema'").fetchone()
    schema = row[0] if row else "none"
    if schema != str(SCHEMA):
        raise RecordError(f"{path}: holds records of schema {schema}; this version reads {SCHEMA}")


def told(path: Path, error: sqlite3.Error) -> RecordError:
    """Put an error of the database into one line that says what to do."""
    text = str(error)
    for fragment, words in _WORDS.items():
        if fragment in text:
            return RecordError(f"{path}: {words}")
    return RecordError(f"{path}: {text}")


_WORDS = {
    "not a database": "is not a database of records; name another file",
    "locked": "is locked by another program; end that program or name another file",
    "unable to open": "cannot be opened; check that its folder exists and may be written",
    "disk is full": "the disk is full; make room or name another file",
    "readonly": "may not be written; check its permissions or name another file",
    "malformed": "is damaged; restore it from a copy or name another file",
    "disk I/O error": "the disk failed while it was read or written",
}
