"""One serial port that is asked in lines and answers in lines, one question at a time.

Whatever came before a question, or does not answer it, is thrown away and counted: a reply that is
late, doubled, cut or garbled never becomes the answer to something else.
"""

import os
import re
import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

from drivers.checksum import CHECKSUMS
from drivers.serial_options import Options
from sequencer.errors import BadFrame, DriverUnavailable, LinkLost, LinkTimeout

LONGEST_LINE = 4096
"""Bytes without a terminator after which what came is garbage."""
LOOK_s = 0.01
"""How long one look at the port may block, so that no deadline is passed by more."""
SHOWN = 60


class Port(Protocol):
    """What is used of a port of pyserial."""

    @property
    def in_waiting(self) -> int:
        """Bytes that can be read at once."""

    def read(self, size: int) -> bytes:
        """Return up to that many bytes, fewer after the time of one look."""

    def write(self, data: bytes) -> int | None:
        """Send bytes."""

    def close(self) -> None:
        """Let go of the port."""


@dataclass(slots=True)
class Counts:
    """What went wrong on the link since it was made; replies that were thrown away among it."""

    bad_frames: int = 0
    timeouts: int = 0
    echoes: int = 0
    discarded_bytes: int = 0
    last_bad: str = ""


def open_port(options: Options) -> Port:
    """Open the port of these options; nothing is sent.

    Raises:
        DriverUnavailable: if pyserial is not installed.
        LinkLost: if there is no such port, or another program has it.
    """
    try:
        import serial
    except ImportError as error:
        raise DriverUnavailable(
            'back end serial_lines needs pyserial: pip install "imprint-sequencer[serial]"'
        ) from error
    port = serial.Serial()
    port.port = options.port
    port.baudrate = options.baud
    port.bytesize = options.bytesize
    port.parity = {"none": "N", "even": "E", "odd": "O"}[options.parity]
    port.stopbits = options.stopbits
    port.timeout = min(LOOK_s, options.reply_within_s / 4)
    port.write_timeout = options.reply_within_s
    port.dtr = options.raise_dtr
    port.exclusive = True
    try:
        port.open()
    except (OSError, ValueError) as error:
        number = getattr(error, "errno", None)
        reason = os.strerror(number) if number else str(error)
        raise LinkLost(f"cannot open {options.port}: {reason}") from error
    opened: Port = port
    return opened


class LineLink:
    """Questions and answers on an open port."""

    def __init__(self, port: Port, options: Options, counts: Counts) -> None:
        self._port = port
        self._name = options.port
        self._within_s = options.reply_within_s
        self._end = options.terminator.encode("ascii")
        self._echo = options.echo
        self._sum = CHECKSUMS.get(options.checksum)
        self._mark = options.checksum_mark.encode("ascii")
        self._buffer = bytearray()
        self.counts = counts

    def close(self) -> None:
        """Let go of the port; one that is gone already is no error."""
        try:
            self._port.close()
        except OSError:
            return

    def tell(self, text: str) -> None:
        """Send a line that nothing answers.

        Raises:
            LinkLost: if the port is gone.
            LinkTimeout: if it takes no more bytes.
        """
        self._drain()
        self._send(self._framed(text))

    def ask(
        self, text: str, pattern: re.Pattern[str], fits: Callable[[re.Match[str]], bool]
    ) -> re.Match[str]:
        """Send a line and return the match of the first line that answers it.

        ``fits`` tells whether a line of the right form belongs to this question.

        Raises:
            LinkTimeout: if nothing came in time.
            BadFrame: if something came in time, and none of it was the answer.
            LinkLost: if the port is gone.
        """
        self._drain()
        sent = self._framed(text)
        deadline_s = time.monotonic() + self._within_s
        self._send(sent)
        echo = sent.removesuffix(self._end).rstrip(b"\r")
        awaits_echo, bad_before = self._echo, self.counts.bad_frames
        while (line := self._line(deadline_s)) is not None:
            if line == echo:
                self.counts.echoes += 1
                if not awaits_echo:
                    self._bad(line, "the question came back")
                awaits_echo = False
                continue
            body = self._unframed(line)
            match = None if body is None else pattern.fullmatch(body)
            if match is not None and fits(match):
                return match
            self._bad(line, "no answer to it")
        if self._buffer:
            self._bad(bytes(self._buffer), "no whole line")
        if self.counts.bad_frames > bad_before:
            raise BadFrame(f"{self._name}: asked {text!r}, got {self.counts.last_bad}")
        self.counts.timeouts += 1
        raise LinkTimeout(f"{self._name}: no answer to {text!r} in {self._within_s * 1e3:.0f} ms")

    def _framed(self, text: str) -> bytes:
        body = text.encode("ascii")
        if self._sum is not None:
            body += self._mark + self._sum(body).encode("ascii")
        return body + self._end

    def _unframed(self, line: bytes) -> str | None:
        """Return the text of a line, None if its checksum is wrong or it is no text."""
        if self._sum is not None:
            line, mark, given = line.rpartition(self._mark)
            if not mark or given.upper() != self._sum(line).encode("ascii"):
                return None
        try:
            return line.decode("ascii")
        except UnicodeDecodeError:
            return None

    def _bad(self, line: bytes, why: str) -> None:
        self.counts.bad_frames += 1
        shown = repr(line[:SHOWN])[1:] + ("..." if len(line) > SHOWN else "")
        self.counts.last_bad = f"{shown} ({why})"

    def _drain(self) -> None:
        """Throw away what came unasked: it is a late reply or noise, never an answer."""
        late = len(self._buffer)
        self._buffer.clear()
        try:
            while waiting := self._port.in_waiting:
                late += len(self._port.read(waiting))
                if late > LONGEST_LINE:
                    break  # a line that never falls silent; the answer is looked for within it
        except OSError as error:
            raise self._gone(error) from error
        self.counts.discarded_bytes += late

    def _send(self, data: bytes) -> None:
        try:
            self._port.write(data)
        except OSError as error:
            if type(error).__name__ == "SerialTimeoutException":
                self.counts.timeouts += 1
                raise LinkTimeout(f"{self._name}: takes no more bytes") from error
            raise self._gone(error) from error

    def _line(self, deadline_s: float) -> bytes | None:
        """Return the next line without its terminator, None if none is whole in time."""
        while True:
            line, end, rest = self._buffer.partition(self._end)
            if end:
                self._buffer = rest
                return bytes(line).rstrip(b"\r")
            if len(self._buffer) > LONGEST_LINE:
                self.counts.discarded_bytes += len(self._buffer)
                self._bad(bytes(self._buffer), "endless line")
                self._buffer.clear()
            if time.monotonic() >= deadline_s:
                return None
            try:
                self._buffer += self._port.read(self._port.in_waiting or 1)
            except (OSError, TypeError) as error:
                # TypeError is pyserial's when its port was closed under it.
                raise self._gone(error) from error

    def _gone(self, error: Exception) -> LinkLost:
        return LinkLost(f"{self._name}: the port is gone ({error})")
