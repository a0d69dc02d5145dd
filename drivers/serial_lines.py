"""A rig behind a device that speaks lines of text on a serial port; the rig file says which lines.

Reads are asked again a few times, writes never: one that is not confirmed is read back and
compared. A device that has been reset is not written to until the driver is opened anew.
"""

import math
import re
import time
from collections.abc import Iterator, Mapping

from drivers.line_link import Counts, LineLink, Port, open_port
from drivers.serial_options import (
    PLACE,
    READ_BACK,
    SESSION_GROUP,
    TAG_GROUP,
    Options,
    compiled,
    group_of,
    read_options,
    switches,
)
from sequencer.config import Rig
from sequencer.driver import Driver, Scan
from sequencer.errors import BadFrame, DriverError, LinkLost, LinkTimeout
from sequencer.material import Material
from sequencer.model import ChannelValue, Image, RawInput
from sequencer.recipe import Recipe
from sequencer.units import ns

TAGS = 100
UNREAD = RawInput(0.0, False, 0)


def create(options: Mapping[str, object], rig: Rig, file: str) -> Driver:
    """Make a driver for a device on a serial line; see `sequencer.driver.Factory`."""
    return SerialLines(read_options(options, rig, file), rig)


class SerialLines:
    """One device on a serial line; see `sequencer.driver.Driver`.

    It has no clock of its own: after the expiry of an image the device writes the safe values, if
    its lines carry ``{life_ms}``, or else the thread that stands before this driver.
    """

    def __init__(self, options: Options, rig: Rig) -> None:
        self._options = options
        self._switches = switches(rig)
        self._reads = [
            _Question(read.send, compiled(read.expect), ns(read.every_s)) for read in options.read
        ]
        self._writes = [
            (write.channel, _Question(write.send, compiled(write.expect)), bool(write.expect))
            for write in options.write
        ]
        self._groups = [group_of(item.channel) for item in rig.inputs.values()]
        self._link: LineLink | None = None
        self._tag = 0
        self._session = ""
        self._reset = ""
        self._latest: dict[str, RawInput] = {}
        self._driven: dict[str, bool] = {}
        self._confirmed: dict[str, ChannelValue] = {}
        self.counts = Counts()

    def open(self) -> None:
        """Open the port and ask the device who it is; nothing is written.

        Raises:
            DriverUnavailable: if pyserial is not installed.
            LinkLost: if the port cannot be opened.
            LinkTimeout, BadFrame: if the device does not say who it is.
        """
        if self._link is None:
            self._use(open_port(self._options))

    def _use(self, port: Port) -> None:
        self._link = LineLink(port, self._options, self.counts)
        self._latest.clear()
        self._driven.clear()
        self._confirmed.clear()
        self._session = self._reset = ""
        time.sleep(self._options.settle_s)
        identity = self._options.identity
        if identity is None:
            return
        try:
            match = self._read_match(_Question(identity.send, compiled(identity.expect)))
        except DriverError as error:
            self.close()
            if isinstance(error, BadFrame):
                raise BadFrame(f"{error}; another device, or another baud rate?") from error
            raise
        self._session = match.groupdict().get("session") or ""

    def close(self) -> None:
        """Let go of the port; nothing is written, the device's own time-out has the outputs."""
        if self._link is not None:
            self._link.close()
            self._link = None

    def read(self, now_ns: int) -> Scan:
        """Ask every question that is due; a value that is no number is not ok.

        Raises:
            LinkLost: if the port is gone, or the device was reset since `open`.
            LinkTimeout, BadFrame: if a question had no answer, the retries included.
        """
        for question in self._reads:
            if question.due_ns <= now_ns:
                self._take(self._read_match(question), now_ns)
                question.due_ns = now_ns + question.every_ns
        raw = tuple(self._latest.get(name, UNREAD) for name in self._groups)
        return Scan(raw, tuple(self._driven.items()))

    def write(self, image: Image, now_ns: int) -> None:
        """Write the image: in one line, or the outputs that changed, each in its line and order.

        After a line that is not confirmed only safe values are still written.

        Raises:
            LinkLost: if the port is gone, or the device was reset since `open`.
            LinkTimeout, BadFrame: if a line was not confirmed, nor found done when read back.
        """
        failed: DriverError | None = None
        for line in self._lines(image, now_ns):
            if failed is not None and not line.safe:
                continue
            try:
                self._write_line(line)
            except LinkLost:
                raise
            except DriverError as error:
                failed = failed or error
        if failed is not None:
            raise failed

    def lay_in(self, recipe: Recipe, material: Material) -> None:
        """Do nothing: a rig that measures has no use for it."""

    def attendant(self) -> None:
        """Return None: only people answer on a real rig."""
        return

    def prediction(self) -> Mapping[str, float]:
        """Return nothing: a real rig knows no more than its sensors."""
        return {}

    # ---- reading --------------------------------------------------------------------------------

    def _read_match(self, question: "_Question") -> re.Match[str]:
        """Ask, and ask again as often as the options allow."""
        for attempt in range(self._options.retries + 1):
            try:
                return self._ask(question.filled({}), question.pattern)
            except (BadFrame, LinkTimeout):
                if attempt == self._options.retries:
                    raise
        raise AssertionError("unreachable")

    def _ask(self, text: str, pattern: re.Pattern[str]) -> re.Match[str]:
        if self._link is None:
            raise LinkLost(f"{self._options.port} is not open")
        if self._reset:
            raise LinkLost(self._reset)
        self._tag = (self._tag + 1) % TAGS
        tag = f"{self._tag:02d}"
        filled = text.replace("{tag}", tag).replace("{session}", self._session)
        match = self._link.ask(
            filled,
            pattern,
            lambda found: TAG_GROUP not in pattern.groupindex or found[TAG_GROUP] == tag,
        )
        if SESSION_GROUP in pattern.groupindex and match[SESSION_GROUP] != self._session:
            self._reset = f"{self._options.port}: the device was reset, its outputs are its own"
            raise LinkLost(self._reset)
        return match

    def _take(self, match: re.Match[str], now_ns: int) -> None:
        # The time is that of the scan's beginning: a value is never held for younger than it is.
        for name, text in match.groupdict().items():
            if name in (TAG_GROUP, SESSION_GROUP):
                continue
            if name in self._switches:
                self._driven[self._switches[name]] = self._is_on(name, text)
            else:
                self._latest[name] = self._raw(text, now_ns)

    def _raw(self, text: str | None, now_ns: int) -> RawInput:
        text = (text or "").strip()
        try:
            value = self._options.words[text] if text in self._options.words else float(text)
        except ValueError:
            return RawInput(0.0, False, now_ns)
        return (
            RawInput(value, True, now_ns) if math.isfinite(value) else RawInput(0.0, False, now_ns)
        )

    def _is_on(self, name: str, text: str | None) -> bool:
        if text not in (self._options.on, self._options.off):
            self.counts.bad_frames += 1
            raise BadFrame(f"{self._options.port}: {name} reads {text!r}, neither on nor off")
        return text == self._options.on

    # ---- writing --------------------------------------------------------------------------------

    def _lines(self, image: Image, now_ns: int) -> Iterator["_Line"]:
        life_ms = str(max(0, (image.expires_ns - now_ns) // 1_000_000))
        shown = {f"safe:{name}": self._shown(value) for name, value in image.safe.items()}
        if len(self._writes) == 1 and not self._writes[0][0]:
            _, question, confirmed = self._writes[0]
            shown |= {name: self._shown(value) for name, value in image.values.items()}
            text = question.filled({"life_ms": life_ms, **shown}, self._options.leave or "")
            yield _Line(text, question.pattern if confirmed else None, image.values, safe=True)
            return
        by_channel = {channel: (question, done) for channel, question, done in self._writes}
        for channel, value in image.values.items():
            question, confirmed = by_channel[channel]
            is_safe = image.safe.get(channel) == value
            kept = self._driven.get(channel, value) == value
            done = self._confirmed.get(channel) == value
            # An output that the device changed by itself is made safe again, never switched on.
            if done and "{life_ms}" not in question.send and (kept or not is_safe):
                continue
            places = {"life_ms": life_ms, "value": self._shown(value), **shown}
            text = question.filled(places, self._options.leave or "")
            pattern = question.pattern if confirmed else None
            yield _Line(text, pattern, {channel: value}, safe=is_safe)

    def _write_line(self, line: "_Line") -> None:
        for channel in line.values:
            self._confirmed.pop(channel, None)
        try:
            self._send(line)
        except (BadFrame, LinkTimeout):
            if not self._found_done(line):
                raise
        self._confirmed.update(line.values)

    def _send(self, line: "_Line") -> None:
        if line.pattern is not None:
            match = self._ask(line.text, line.pattern)
            for name, text in match.groupdict().items():
                channel = self._switches.get(name)
                if channel is None:
                    continue
                self._driven[channel] = on = self._is_on(name, text)
                if channel in line.values and line.values[channel] != on:
                    raise BadFrame(f"{self._options.port}: {channel} is not driven as written")
            return
        if self._link is None or self._reset:
            raise LinkLost(self._reset or f"{self._options.port} is not open")
        self._tag = (self._tag + 1) % TAGS
        filled = line.text.replace("{tag}", f"{self._tag:02d}")
        self._link.tell(filled.replace("{session}", self._session))

    def _found_done(self, line: "_Line") -> bool:
        """Read the outputs back after a write of unknown fate; True if it is found done.

        A number cannot be read back: alone it stays unconfirmed, in a line with switches, which
        a device takes whole or not at all, they speak for it.
        """
        wanted = {name: value for name, value in line.values.items() if isinstance(value, bool)}
        found: dict[str, bool] = {}
        for question in self._reads:
            if any(name.startswith(READ_BACK) for name in question.pattern.groupindex):
                groups = self._read_match(question).groupdict()
                found |= {
                    channel: self._is_on(name, groups[name])
                    for name, channel in self._switches.items()
                    if name in groups
                }
        self._driven.update(found)
        return bool(wanted) and all(found.get(name) == value for name, value in wanted.items())

    def _shown(self, value: ChannelValue) -> str:
        if isinstance(value, bool):
            return self._options.on if value else self._options.off
        return format(value, self._options.number)


class _Question:
    """A template with the pattern of its answer, and when it is due again."""

    def __init__(self, send: str, pattern: re.Pattern[str], every_ns: int = 0) -> None:
        self.send = send
        self.pattern = pattern
        self.every_ns = every_ns
        self.due_ns = -(2**63)

    def filled(self, places: Mapping[str, str], leave: str = "") -> str:
        """Return the text with its places filled; tag and session are filled when it is sent."""

        def fill(place: re.Match[str]) -> str:
            name = place[1]
            return place[0] if name in ("tag", "session") else places.get(name, leave)

        return PLACE.sub(fill, self.send)


class _Line:
    """A line to write: its text, what confirms it, its values, whether they are safe ones."""

    def __init__(
        self,
        text: str,
        pattern: re.Pattern[str] | None,
        values: Mapping[str, ChannelValue],
        *,
        safe: bool,
    ) -> None:
        self.text = text
        self.pattern = pattern
        self.values = values
        self.safe = safe
