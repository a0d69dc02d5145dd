"""Publishing a run on ZeroMQ: lossy, numbered, never in the way of the scan.

Two frames a message: the topic, and one JSON document with ``schema``, ``rig``, ``run_id``,
``seq``, ``t_ns``, ``utc`` and the message's own facts. ``seq`` counts every message of the run
from 1 without gaps, so a subscriber to everything sees by a gap that it lost some. ``t_ns`` is the
loop's clock, as in the record; ``utc`` is the start of the run plus the time since.

Topics: one for each kind of event; ``reading`` with every reading, five times a second;
``heartbeat`` once a second. Both rates are of the loop's time.
"""

import math
import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

from sequencer.config import CONTACT_ROLES, PRESSURE_ROLES, TEMPERATURE_ROLES
from sequencer.errors import InputRefused, Problem
from sequencer.events import Step, wire
from sequencer.model import Inputs, Reading
from sequencer.runtime.wire import text

if TYPE_CHECKING:
    import zmq

SCHEMA = 1
DEFAULT_ADDRESS = "tcp://127.0.0.1:5870"
"""A loopback port rather than a socket file: the same on every system and in every language."""

_READING_EVERY_ns = 200_000_000
_HEARTBEAT_EVERY_ns = 1_000_000_000
_QUEUED_MESSAGES = 10_000  # half an hour of readings for a subscriber that has fallen behind
_LINGER_ms = 500
_LOOPBACK = re.compile(r"tcp://(127\.0\.0\.1|localhost|\[::1\]):(\d{1,5}|\*)")


def check_address(address: str) -> None:
    """Refuse an address that other machines could reach, or that is none.

    Raises:
        InputRefused: with the reason.
    """
    if address.startswith("ipc://"):
        path = Path(address.removeprefix("ipc://"))
        if not path.name or not path.parent.is_dir():
            raise _refused(address, "needs an existing folder", "name a socket file in one")
        return
    match = _LOOPBACK.fullmatch(address)
    if match is None:
        raise _refused(
            address,
            "must be loopback or ipc, because messages are neither encrypted nor signed",
            f"for example {DEFAULT_ADDRESS}",
        )
    if match[2] != "*" and not 1 <= int(match[2]) <= 65535:
        raise _refused(address, "the port must be from 1 to 65535", f"such as {DEFAULT_ADDRESS}")


def _refused(address: str, limit: str, advice: str) -> InputRefused:
    return InputRefused(Problem("address to publish on", "", f'"{address}"', limit, advice))


class Publisher:
    """A sink that publishes a run; ``start_ns`` is the loop's time at ``utc_start``.

    ``lost`` counts messages that ZeroMQ would not take.

    Raises:
        InputRefused: if the address is not allowed, or cannot be bound.
    """

    def __init__(
        self, address: str, rig_name: str, run_id: str, utc_start: datetime, start_ns: int
    ) -> None:
        check_address(address)
        self._rig_name = rig_name
        self._run_id = run_id
        self._utc_start = utc_start.astimezone(UTC)
        self._start_ns = start_ns
        self._seq = 0
        self._reading_due_ns = start_ns
        self._heartbeat_due_ns = start_ns
        self.lost = 0
        self._context, self._socket = _bound(address)
        self.address = _bound_address(self._socket)

    def __call__(self, now_ns: int, inputs: Inputs, step: Step) -> None:
        """Publish what this scan brought; never waits."""
        for event in step.events:
            self._send(event.topic, now_ns, wire(event))
        if now_ns >= self._reading_due_ns:
            self._reading_due_ns = _next(self._reading_due_ns, _READING_EVERY_ns, now_ns)
            self._send("reading", now_ns, _readings(now_ns, step))
        if now_ns >= self._heartbeat_due_ns:
            self._heartbeat_due_ns = _next(self._heartbeat_due_ns, _HEARTBEAT_EVERY_ns, now_ns)
            host = inputs.host
            self._send(
                "heartbeat",
                now_ns,
                {
                    **_place(step),
                    "link_ok": host.link_ok,
                    "record_ok": host.record_ok,
                    "late_s": host.late_ns / 1e9,
                },
            )

    def close(self) -> None:
        """Stop publishing; waits at most half a second for messages still on their way."""
        self._socket.close(linger=_LINGER_ms)
        self._context.term()

    def _send(self, topic: str, now_ns: int, facts: Mapping[str, object]) -> None:
        self._seq += 1
        message = {
            "schema": SCHEMA,
            "rig": self._rig_name,
            "run_id": self._run_id,
            "seq": self._seq,
            "t_ns": now_ns,
            "utc": self._utc(now_ns),
            **facts,
        }
        import zmq

        try:
            self._socket.send_multipart([topic.encode(), text(message).encode()], zmq.NOBLOCK)
        except zmq.ZMQError:
            self.lost += 1

    def _utc(self, now_ns: int) -> str:
        moment = self._utc_start + timedelta(microseconds=(now_ns - self._start_ns) // 1000)
        return moment.isoformat(timespec="microseconds").replace("+00:00", "Z")


def _bound(address: str) -> "tuple[zmq.Context[zmq.Socket[bytes]], zmq.Socket[bytes]]":
    import zmq

    context = zmq.Context()
    socket = context.socket(zmq.PUB)
    socket.setsockopt(zmq.SNDHWM, _QUEUED_MESSAGES)
    socket.setsockopt(zmq.LINGER, _LINGER_ms)
    socket.setsockopt(zmq.IPV6, int("[" in address))
    try:
        socket.bind(address)
    except zmq.ZMQError as error:
        socket.close(linger=0)
        context.term()
        raise _refused(
            address, f"cannot be used: {error.strerror}", "end what uses it or name another one"
        ) from None
    if address.startswith("ipc://"):
        Path(address.removeprefix("ipc://")).chmod(0o600)
    return context, socket


def _bound_address(socket: "zmq.Socket[bytes]") -> str:
    """Return the address with the port that was found where ``*`` was asked for."""
    import zmq

    return str(socket.getsockopt_string(zmq.LAST_ENDPOINT)).rstrip("\0")


def _next(due_ns: int, every_ns: int, now_ns: int) -> int:
    """Keep the beat from the start of the run, leaving out beats that were missed."""
    return due_ns + every_ns * ((now_ns - due_ns) // every_ns + 1)


def _place(step: Step) -> dict[str, object]:
    return {
        "step": step.step.value,
        "stage": step.stage,
        "procedural_state": step.procedural_state.value,
    }


def _readings(now_ns: int, step: Step) -> dict[str, object]:
    estimate = step.estimate
    return {
        **_place(step),
        "clamp_margin": estimate.clamp_margin,
        "film_Pa": estimate.film_Pa,
        "film_known": estimate.film_known,
        "head_degC": estimate.head_degC,
        "head_known": estimate.head_known,
        "clamp_closed": estimate.clamp_closed,
        "readings": {
            role: _reading(role, reading, now_ns) for role, reading in estimate.readings.items()
        },
    }


def _reading(role: str, reading: Reading, now_ns: int) -> dict[str, object]:
    usable = reading.good and math.isfinite(reading.value)
    key, value = _UNIT_KEYS.get(role, "value"), reading.value
    shown: object = None
    if usable:
        shown = value >= 0.5 if key == "closed" else value
    return {
        key: shown,
        "quality": reading.quality.name.lower(),
        "age_s": (now_ns - reading.taken_ns) / 1e9,
        "reason": reading.reason,
    }


_UNIT_KEYS = (
    dict.fromkeys(PRESSURE_ROLES, "value_Pa")
    | dict.fromkeys(TEMPERATURE_ROLES, "value_degC")
    | dict.fromkeys(CONTACT_ROLES, "closed")
)
