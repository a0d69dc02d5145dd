"""The service log: one JSON line an event, for whoever runs the program rather than the press.

The record is the truth and this is not: it is lossy where the disk is, and nothing reads it back.
"""

from collections.abc import Callable
from pathlib import Path
from typing import IO

from sequencer.errors import InputRefused, Problem
from sequencer.events import Step, wire
from sequencer.model import Inputs

Log = Callable[..., object]


def open_log(path: Path) -> tuple[Log, IO[str]]:
    """Configure structlog to append JSON lines to a file; return its log call and the file.

    Raises:
        InputRefused: if the file cannot be written.
    """
    import structlog

    try:
        file = path.open("a", encoding="utf-8")
    except OSError as error:
        limit = error.strerror or "cannot be written"
        raise InputRefused(Problem("--log", "", str(path), limit, "name a writable file")) from None
    structlog.configure(
        processors=[
            structlog.processors.add_log_level,
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.JSONRenderer(),
        ],
        logger_factory=structlog.WriteLoggerFactory(file=file),
    )
    return structlog.get_logger().info, file


class LogEvents:
    """A sink that logs every event, and the loss and return of the link to the rig."""

    def __init__(self, log: Log, run_id: str) -> None:
        self._log = log
        self._run_id = run_id
        self._link_ok = True

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        """Log what this scan brought."""
        for event in step.events:
            facts = wire(event)
            kind = str(facts.pop("event"))  # structlog's own first argument has that name
            self._log(kind, run_id=self._run_id, t_ns=now_ns, **facts)
        if inputs.host.link_ok is not self._link_ok:
            # Once when it is lost and once when it is back, not every scan between.
            self._link_ok = inputs.host.link_ok
            change = "link_back" if self._link_ok else "link_lost"
            self._log(change, run_id=self._run_id, t_ns=now_ns)
