"""Clocks of the loop: monotonic nanoseconds, real, paced, or virtual; the date is none of them.

Every duration comes from one of these. The date is stamped once, at the head of a record, by
whoever calls ``utc_now`` and passes the answer on.
"""

import time
from datetime import UTC, datetime
from typing import Protocol

_COARSE_UNTIL_ns = 400_000  # an operating system's sleep may overshoot by about a tenth of this
_FINE_SLEEP_s = 50e-6


class Clock(Protocol):
    """Time as the loop sees it."""

    def now_ns(self) -> int:
        """Return the time; it never goes back."""

    def sleep_until(self, due_ns: int) -> None:
        """Wait for a time; return at once if it has passed."""

    def asleep_ns(self) -> int:
        """Return for how long altogether the machine was suspended while this clock stood still."""


class VirtualClock:
    """A clock that stands still until it is told to jump."""

    def __init__(self, start_ns: int = 0) -> None:
        self._now_ns = start_ns

    def now_ns(self) -> int:
        """Return the time of the last jump."""
        return self._now_ns

    def sleep_until(self, due_ns: int) -> None:
        """Jump to a time.

        Raises:
            ValueError: if it lies in the past, which would be a mistake of the caller.
        """
        if due_ns < self._now_ns:
            raise ValueError(f"virtual time cannot go back from {self._now_ns} to {due_ns} ns")
        self._now_ns = due_ns

    def asleep_ns(self) -> int:
        """Return zero: nothing suspends virtual time."""
        return 0


class RealClock:
    """The machine's monotonic clock."""

    def now_ns(self) -> int:
        """Return the machine's monotonic time."""
        return time.monotonic_ns()

    def sleep_until(self, due_ns: int) -> None:
        """Sleep in one piece to just before the time, then in small pieces up to it."""
        while (left_ns := due_ns - time.monotonic_ns()) > 0:
            if left_ns > _COARSE_UNTIL_ns:
                time.sleep((left_ns - _COARSE_UNTIL_ns) * 1e-9)
            else:
                time.sleep(min(left_ns * 1e-9, _FINE_SLEEP_s))

    def asleep_ns(self) -> int:
        """Return how far the clock that counts suspension has run ahead; zero if there is none."""
        boot = getattr(time, "CLOCK_BOOTTIME", None)
        if boot is None:
            return 0
        return time.clock_gettime_ns(boot) - time.clock_gettime_ns(time.CLOCK_MONOTONIC)


class PacedClock:
    """Virtual time kept to a pace of ``speed`` times the wall's, as far as the machine keeps up.

    Every tick has its exact length, so that a run is the same at any speed; where the machine is
    too slow the pace sags, and nothing is late.
    """

    def __init__(self, speed: float, wall: Clock | None = None) -> None:
        if not 0.0 < speed < float("inf"):
            raise ValueError("speed must be a finite number greater than 0")
        self._speed = speed
        self._wall: Clock = RealClock() if wall is None else wall
        self._virtual = VirtualClock()
        self._wall_due_ns = self._wall.now_ns()

    def now_ns(self) -> int:
        """Return the virtual time."""
        return self._virtual.now_ns()

    def sleep_until(self, due_ns: int) -> None:
        """Jump to a time once the wall has come as far as the pace says.

        Raises:
            ValueError: if it lies in the past.
        """
        self._wall_due_ns += int((due_ns - self.now_ns()) / self._speed)
        # What was lost is not caught up by a burst: it would run faster than the pace promised.
        self._wall_due_ns = max(self._wall_due_ns, self._wall.now_ns())
        self._wall.sleep_until(self._wall_due_ns)
        self._virtual.sleep_until(due_ns)

    def asleep_ns(self) -> int:
        """Return zero: nothing suspends virtual time."""
        return 0


def utc_now() -> datetime:
    """Return the date and time in UTC, for the head of a record and nothing else."""
    return datetime.now(UTC)
