"""Finding and reading what was recorded."""

import difflib
import json
import sqlite3
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.errors import RecordError
from sequencer.recipe import Recipe
from sequencer.runtime import blocks, database, stored
from sequencer.runtime.blocks import Kept


class KeptEvent(NamedTuple):
    """One event: its number in the run, the scan that gave it, when, and its facts as JSON text."""

    seq: int
    scan: int
    t_ns: int
    topic: str
    json: str

    def facts(self) -> dict[str, object]:
        """Return the facts as plain values."""
        facts: dict[str, object] = json.loads(self.json)
        return facts


@dataclass(frozen=True, slots=True)
class Run:
    """The head of a recorded run; ``state`` is ``closed``, or ``open`` if it never ended orderly.

    ``trouble`` tells why a record is not whole, empty if it is.
    """

    run_id: str
    utc_start: datetime
    kind: str
    state: str
    versions: dict[str, str]
    rig_json: str
    rig_digest: str
    rig_file: str
    recipe_json: str | None
    recipe_digest: str
    materials_digest: str
    sample: str
    operator: str
    seed: int | None
    simulated: bool
    outcome: dict[str, object] | None
    trouble: str

    def rig(self) -> Rig:
        """Return the rig as it was.

        Raises:
            RecordError: if this version cannot read it.
        """
        try:
            return stored.rebuild(Rig, self.rig_json)
        except ValueError as error:
            raise RecordError(f"run {self.run_id}: {error}") from None

    def recipe(self) -> Recipe | None:
        """Return the recipe as it was, None if the run had none.

        Raises:
            RecordError: if this version cannot read it.
        """
        if self.recipe_json is None:
            return None
        try:
            return stored.rebuild(Recipe, self.recipe_json)
        except ValueError as error:
            raise RecordError(f"run {self.run_id}: {error}") from None


class Records:
    """The records in the database at ``path``, or at the default one, for reading.

    Raises:
        RecordError: from every method, in one line, if the database cannot be read.
    """

    def __init__(self, path: Path | None = None) -> None:
        self.path = database.default_path() if path is None else path
        self._connection = database.open_to_read(self.path)

    def close(self) -> None:
        """Let go of the database."""
        self._connection.close()

    def runs(self) -> list[Run]:
        """Return the heads of all runs, oldest first."""
        return [_run(row) for row in self._rows(f"SELECT {_COLUMNS} FROM runs ORDER BY rowid")]

    def find(self, wanted: str = "last") -> Run:
        """Return the run of that name, of that beginning of a name, or the ``last`` one.

        Raises:
            RecordError: if there is none, or more than one; near names are offered.
        """
        names = [row[0] for row in self._rows("SELECT run_id FROM runs ORDER BY rowid")]
        if not names:
            raise RecordError(f"{self.path}: there are no runs here yet")
        if wanted == "last":
            found = names[-1:]
        elif wanted in names:
            found = [wanted]
        else:
            found = [name for name in names if wanted and name.startswith(wanted)]
        if len(found) > 1:
            raise RecordError(f"{wanted}: more than one run begins so: {_some(found)}")
        if not found:
            near = difflib.get_close_matches(wanted, names, n=3, cutoff=0.5) or names[-3:]
            raise RecordError(f"{wanted}: no such run in {self.path}; near it: {_some(near)}")
        row = next(self._rows(f"SELECT {_COLUMNS} FROM runs WHERE run_id = ?", found[0]))
        return _run(row)

    def scans(self, run_id: str) -> Iterator[Kept]:
        """Give every scan of a run, in order, bit for bit as it was."""
        query = "SELECT first, block FROM scans WHERE run_id = ? ORDER BY first"
        for first, block in self._rows(query, run_id):
            try:
                yield from blocks.unpack(block)
            except ValueError as error:
                raise RecordError(f"run {run_id}, from scan {first}: {error}") from None

    def events(self, run_id: str) -> Iterator[KeptEvent]:
        """Give every event of a run, in order."""
        query = "SELECT seq, scan, t_ns, topic, json FROM events WHERE run_id = ? ORDER BY seq"
        return map(KeptEvent._make, self._rows(query, run_id))

    def _rows(self, query: str, *values: str) -> Iterator[tuple]:  # type: ignore[type-arg]
        try:
            yield from self._connection.execute(query, values)
        except sqlite3.Error as error:
            raise database.told(self.path, error) from None


def _some(names: list[str]) -> str:
    return ", ".join(names[:5]) + (", ..." if len(names) > 5 else "")


_COLUMNS = (
    "run_id, utc_start, kind, state, versions, rig, rig_digest, rig_file, recipe, recipe_digest, "
    "materials_digest, sample, operator, seed, simulated, outcome, trouble"
)
_READ: dict[str, Callable[..., object]] = {
    "utc_start": datetime.fromisoformat,
    "versions": json.loads,
    "simulated": bool,
    "outcome": lambda text: None if text is None else json.loads(text),
}


def _run(row: tuple) -> Run:  # type: ignore[type-arg]
    named = zip(_COLUMNS.split(", "), row, strict=True)
    values = {name: _READ[name](value) if name in _READ else value for name, value in named}
    names = {"rig": "rig_json", "recipe": "recipe_json"}
    return Run(**{names.get(name, name): value for name, value in values.items()})  # type: ignore[arg-type]
