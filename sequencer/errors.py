"""The one tree of exceptions, split by who is wrong.

::

    SequencerError
     +-- InputRefused(ValueError)      a file or an argument is wrong   exit 2
     +-- NotStarted                    the rig is not ready             exit 1
     +-- RecordError                   a record cannot be kept or read  exit 1
     +-- DriverError                   the rig cannot be reached        exit 3
     |    +-- DriverUnavailable(ImportError)
     |    +-- LinkLost(ConnectionError)
     |    +-- LinkTimeout(TimeoutError)
     |    '-- BadFrame
     '-- CoreFault                     this program is wrong            safe state, stop
"""

from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Problem:
    """One thing wrong with what a person wrote: where, what, the limit and what to do."""

    file: str
    key: str
    value: str
    limit: str
    advice: str

    def line(self) -> str:
        """Return the problem as one line of text."""
        where = f"{self.file}: {self.key}" if self.key else self.file
        given = f" = {self.value}" if self.value else ""
        advice = f"; {self.advice}" if self.advice else ""
        start = f"{where}{given}: " if where else ""
        return f"{start}{self.limit}{advice}"


class SequencerError(Exception):
    """Anything this program raises on purpose."""


class InputRefused(SequencerError, ValueError):
    """A file or an argument is wrong; carries every problem found, not only the first."""

    def __init__(self, *problems: Problem) -> None:
        self.problems = problems
        super().__init__("\n".join(problem.line() for problem in problems))


class NotStarted(SequencerError):
    """The run could not start; carries every unmet permissive."""

    def __init__(self, *reasons: str) -> None:
        self.reasons = reasons
        super().__init__("not started: " + "; ".join(reasons))


class RecordError(SequencerError):
    """A record cannot be written, found or read."""


class DriverError(SequencerError):
    """The rig cannot be reached or does not answer as it should."""


class DriverUnavailable(DriverError, ImportError):
    """A back end is known but the package that it needs is not installed."""


class LinkLost(DriverError, ConnectionError):
    """The link to a device is gone."""


class LinkTimeout(DriverError, TimeoutError):
    """A device did not answer in time."""


class BadFrame(DriverError):
    """A device answered with something that is not an answer."""


class CoreFault(SequencerError):
    """The sequencer contradicts itself; the safe image is written and the run ends."""
