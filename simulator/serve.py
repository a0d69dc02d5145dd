"""Serves a simulated rig in real time as the board of ``docs/board-protocol.md``.

The board hangs on a pseudo-terminal, so that the whole path of a real rig is used: the port, the
lines, the time-outs, and the board's own expiry when the host falls silent.
"""

import errno
import os
import select
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import TextIO

from sequencer.config import Rig
from sequencer.driver import Attendant, Driver
from sequencer.errors import DriverUnavailable, InputRefused, LinkLost, Problem
from simulator.board import Board
from simulator.errands import Errands

BEAT_s = 0.02
"""How often the plant is carried on while nobody asks."""
LONGEST_LINE = 512
HELP = "type a topic to have the simulated person do it (supply_gauge 180 psi), or: reset board"

Say = Callable[[str], None]


def serve(driver: Driver, rig: Rig, path: Path, seed: int) -> None:
    """Serve a simulated rig on a pseudo-terminal at ``path`` until interrupted.

    Lines of standard input go to the simulated person and its answers to standard output.

    Raises:
        InputRefused: if something else stands at the path.
        DriverUnavailable: if the system has no pseudo-terminals.
    """
    person = driver.attendant()
    driver.open()
    with Line(path) as line:
        _say(f"board on {path}, rig {rig.name}; {HELP}; Ctrl-C ends")
        try:
            _serve(driver, Board(driver, rig, seed), line, person, sys.stdin)
        except KeyboardInterrupt:
            _say("board gone; the simulated rig ends here")
        finally:
            driver.close()


def _serve(
    driver: Driver, board: Board, line: "Line", person: Attendant | None, typed: TextIO | None
) -> None:
    errands = None if person is None else Errands(person)
    while True:
        listened = [line.fileno] if typed is None else [line.fileno, typed.fileno()]
        ready, _, _ = select.select(listened, [], [], BEAT_s)
        if line.fileno in ready:
            answer_lines(board, line)
        if typed is not None and typed.fileno() in ready:
            text = os.read(typed.fileno(), LONGEST_LINE).decode(errors="replace")
            if not text:
                typed = None  # nobody types any more; the board goes on
            for item in text.splitlines():
                _typed(item.strip(), board, errands)
        now_ns = time.monotonic_ns()
        carry_on(driver, now_ns)
        for said in () if errands is None else errands.said(now_ns):
            _say(said)


def _typed(text: str, board: Board, errands: Errands | None) -> None:
    now_ns = time.monotonic_ns()
    if text == "reset board":
        board.reset(now_ns)
        _say(f"board reset, session {board.session}")
    elif text and errands is not None:
        _say(errands.send(text, now_ns) or f"{text}: being done")


def answer_lines(board: Board, line: "Line") -> None:
    """Answer every whole line that has come."""
    for asked in line.received():
        try:
            answer = board.answer(asked, time.monotonic_ns())
        except LinkLost:
            continue  # a fault that was asked for: the board is mute
        line.send(answer)


def carry_on(driver: Driver, now_ns: int) -> None:
    """Let the rig's time pass, so that what is due happens whether anybody asks or not."""
    try:
        driver.read(now_ns)
    except LinkLost:
        return


class Line:
    """The board's end of a serial line: a pseudo-terminal, and a link to its other end."""

    def __init__(self, path: Path) -> None:
        self._path = path
        self._buffer = b""

    def __enter__(self) -> "Line":
        if not hasattr(os, "openpty"):
            raise DriverUnavailable("this system has no pseudo-terminals to serve a board on")
        import tty

        path = self._path
        if path.exists() and not path.is_symlink():
            limit = "something else stands there"
            raise InputRefused(Problem("--serial", "", str(path), limit, "name a free path"))
        self.fileno, self._other = os.openpty()
        # Held open and raw from the start: a host that comes and goes is silence, not an error.
        tty.setraw(self._other)
        os.set_blocking(self.fileno, False)
        path.unlink(missing_ok=True)
        self._target = os.ttyname(self._other)
        try:
            path.symlink_to(self._target)
        except OSError as error:
            reason = error.strerror or "cannot be made"
            problem = Problem("--serial", "", str(path), reason, "name a path in a folder of yours")
            raise InputRefused(problem) from None
        return self

    def __exit__(self, *_: object) -> None:
        if self._path.is_symlink() and os.readlink(self._path) == self._target:
            self._path.unlink()
        os.close(self.fileno)
        os.close(self._other)

    def received(self) -> list[bytes]:
        """Return the whole lines that have come, without their ends."""
        try:
            self._buffer += os.read(self.fileno, 4096)
        except BlockingIOError:
            return []
        except OSError as error:
            if error.errno == errno.EIO:
                return []
            raise
        *lines, self._buffer = self._buffer.split(b"\n")
        self._buffer = self._buffer[-LONGEST_LINE:]
        return lines

    def send(self, data: bytes) -> None:
        """Send what the line takes; a board does not wait for a host that is not there."""
        try:
            os.write(self.fileno, data)
        except BlockingIOError:
            return


def _say(text: str) -> None:
    print(text, flush=True)
