"""The publisher: allowed addresses, and what a plain subscriber in another process receives."""

import json
import os
import subprocess
import sys
import textwrap
import time
from datetime import UTC, datetime, timedelta, timezone

import pytest
import zmq

from sequencer.errors import InputRefused
from sequencer.events import Step
from sequencer.model import (
    CycleStep,
    Estimate,
    Host,
    Inputs,
    Outputs,
    ProceduralState,
    Quality,
    RawInput,
    Reading,
)
from sequencer.runtime.bus import DEFAULT_ADDRESS, Publisher, check_address
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import Loop
from tests.fakes import FakeDriver, FakeSequencer, SECOND_ns, bench_rig, grating_recipe, start

UTC_START = datetime(2026, 11, 25, 10, 15, 2, 900000, tzinfo=UTC)
RIG = bench_rig()


@pytest.mark.parametrize(
    "address",
    [
        DEFAULT_ADDRESS,
        "tcp://localhost:1",
        "tcp://[::1]:65535",
        "tcp://127.0.0.1:*",
        "ipc:///tmp/x",
    ],
)
def test_loopback_and_socket_files_are_allowed(address):
    check_address(address)


@pytest.mark.parametrize(
    ("address", "reason"),
    [
        ("tcp://0.0.0.0:5870", "loopback or ipc"),
        ("tcp://*:5870", "loopback or ipc"),
        ("tcp://192.168.1.5:5870", "loopback or ipc"),
        ("tcp://127.0.0.1.example.org:5870", "loopback or ipc"),
        ("tcp://127.0.0.1:5870;tcp://0.0.0.0:1", "loopback or ipc"),
        ("tcp://[::]:5870", "loopback or ipc"),
        ("udp://127.0.0.1:5870", "loopback or ipc"),
        ("inproc://x", "loopback or ipc"),
        ("tcp://127.0.0.1", "loopback or ipc"),
        ("", "loopback or ipc"),
        ("tcp://127.0.0.1:0", "port must be from 1 to 65535"),
        ("tcp://127.0.0.1:70000", "port must be from 1 to 65535"),
        ("ipc://", "needs an existing folder"),
        ("ipc:///no/such/folder/x", "needs an existing folder"),
    ],
)
def test_any_other_address_is_refused_with_the_reason(address, reason):
    with pytest.raises(InputRefused, match=reason) as error:
        Publisher(address, "rig", "run", UTC_START, 0)
    assert len(str(error.value).splitlines()) == 1


def test_an_address_in_use_is_refused():
    first = Publisher("tcp://127.0.0.1:*", "rig", "run", UTC_START, 0)
    with pytest.raises(InputRefused, match="cannot be used: Address already in use"):
        Publisher(first.address, "rig", "run", UTC_START, 0)
    first.close()


@pytest.mark.skipif(os.name != "posix", reason="socket files")
def test_a_socket_file_is_for_its_owner_only(tmp_path):
    publisher = Publisher(f"ipc://{tmp_path}/bus", "rig", "run", UTC_START, 0)
    assert (tmp_path / "bus").stat().st_mode & 0o077 == 0
    publisher.close()


@pytest.mark.slow
def test_the_other_loopback_serves_too():
    try:
        publisher = Publisher("tcp://[::1]:*", "rig", "run", UTC_START, 0)
    except InputRefused as refused:
        pytest.skip(str(refused))
    assert publisher.address.startswith("tcp://[::1]:")
    publisher.close()


class Heard:
    """A subscriber in this process, for what one message holds."""

    def __init__(self, publisher):
        self.context = zmq.Context()
        self.socket = self.context.socket(zmq.SUB)
        self.socket.setsockopt(zmq.RCVTIMEO, 2000)
        self.socket.subscribe(b"")
        self.socket.connect(publisher.address)
        time.sleep(0.2)  # a subscription needs a moment to reach the publisher

    def take(self, count):
        frames = [self.socket.recv_multipart() for _ in range(count)]
        return [(topic.decode(), json.loads(text)) for topic, text in frames]

    def close(self):
        self.socket.close(0)
        self.context.term()


@pytest.mark.slow
def test_a_reading_has_value_unit_quality_and_age_or_null():
    now_ns = 3 * SECOND_ns
    readings = {
        "film_pressure": Reading(1.25e6, Quality.GOOD, now_ns - 10_000_000),
        "head_temperature": Reading(99.0, Quality.BAD, now_ns, "wire open"),
        "head_temperature_2": Reading(float("nan"), Quality.GOOD, now_ns),
        "guard_closed": Reading(1.0, Quality.GOOD, now_ns),
        "emergency_stop": Reading(0.0, Quality.GOOD, now_ns),
    }
    estimate = Estimate(readings=readings, film_Pa=1.25e6, clamp_margin=float("inf"))
    step = Step(Outputs(), (), estimate, CycleStep.HOLDING, "dwell", ProceduralState.RUNNING)
    local = UTC_START.astimezone(timezone(timedelta(hours=2)))
    publisher = Publisher("tcp://127.0.0.1:*", "bench", "r-1", local, SECOND_ns)
    heard = Heard(publisher)
    publisher(now_ns, Inputs((RawInput(0, True, 0),), host=Host(link_ok=False)), step)
    (topic, reading), (beat_topic, beat) = heard.take(2)
    heard.close()
    publisher.close()
    assert (topic, beat_topic) == ("reading", "heartbeat")
    assert {k: reading[k] for k in ("schema", "rig", "run_id", "seq", "t_ns", "utc")} == {
        "schema": 1,
        "rig": "bench",
        "run_id": "r-1",
        "seq": 1,
        "t_ns": now_ns,
        "utc": "2026-11-25T10:15:04.900000Z",
    }
    assert (reading["step"], reading["stage"], reading["procedural_state"]) == (
        "holding",
        "dwell",
        "RUNNING",
    )
    assert reading["clamp_margin"] is None
    assert reading["readings"] == {
        "film_pressure": {"value_Pa": 1.25e6, "quality": "good", "age_s": 0.01, "reason": ""},
        "head_temperature": {
            "value_degC": None,
            "quality": "bad",
            "age_s": 0.0,
            "reason": "wire open",
        },
        "head_temperature_2": {"value_degC": None, "quality": "good", "age_s": 0.0, "reason": ""},
        "guard_closed": {"closed": True, "quality": "good", "age_s": 0.0, "reason": ""},
        "emergency_stop": {"closed": False, "quality": "good", "age_s": 0.0, "reason": ""},
    }
    assert (beat["link_ok"], beat["record_ok"], beat["seq"]) == (False, True, 2)


SUBSCRIBER = """
    import sys, zmq
    context = zmq.Context()
    socket = context.socket(zmq.SUB)
    socket.setsockopt(zmq.RCVTIMEO, 8000)
    socket.setsockopt(zmq.RCVHWM, 0)
    socket.subscribe(b"")
    socket.connect(sys.argv[1])
    print("listening", flush=True)
    while True:
        topic, text = socket.recv_multipart()
        print(topic.decode(), text.decode(), flush=True)
        if b'"run_ended"' in text:
            break
"""


@pytest.mark.slow
@pytest.mark.parametrize("transport", ["tcp", "ipc"])
def test_a_plain_subscriber_in_another_process_misses_nothing(tmp_path, transport):
    if transport == "ipc" and os.name != "posix":
        pytest.skip("socket files")
    address = "tcp://127.0.0.1:*" if transport == "tcp" else f"ipc://{tmp_path}/bus"
    clock = VirtualClock(5 * SECOND_ns)
    publisher = Publisher(address, RIG.name, "run-1", UTC_START, clock.now_ns())
    child = subprocess.Popen(
        [sys.executable, "-c", textwrap.dedent(SUBSCRIBER), publisher.address],
        stdout=subprocess.PIPE,
        text=True,
    )
    try:
        assert child.stdout.readline() == "listening\n"
        time.sleep(0.5)
        loop = Loop(FakeSequencer(RIG), FakeDriver(RIG), RIG, clock, [publisher])
        loop.turn()
        loop.post(start(grating_recipe()))
        loop.run_until(lambda step: step.step is CycleStep.IDLE)
        publisher.close()
        output, _ = child.communicate(timeout=15)
    finally:
        child.kill()
    messages = [line.split(" ", 1) for line in output.splitlines()]
    documents = [json.loads(text) for _, text in messages]
    assert [d["seq"] for d in documents] == list(range(1, len(documents) + 1))
    assert {topic for topic, _ in messages} >= {
        "run", "step", "stage", "evidence", "prompt", "request", "output", "reading", "heartbeat",
    }  # fmt: skip
    assert {d["rig"] for d in documents} == {RIG.name}
    assert loop.sink_faults == []
    assert publisher.lost == 0
    run_s = (clock.now_ns() - 5 * SECOND_ns) / SECOND_ns
    beats = [d for (topic, _), d in zip(messages, documents, strict=True) if topic == "heartbeat"]
    readings = [d for (topic, _), d in zip(messages, documents, strict=True) if topic == "reading"]
    assert len(beats) == int(run_s) + 1
    assert abs(len(readings) - 5 * run_s) <= 1
    for document in documents:
        elapsed = timedelta(microseconds=(document["t_ns"] - 5 * SECOND_ns) // 1000)
        assert datetime.fromisoformat(document["utc"]) == UTC_START + elapsed
        assert document["utc"].endswith("Z")


def test_nobody_listening_is_no_error():
    publisher = Publisher("tcp://127.0.0.1:*", "rig", "run", UTC_START, 0)
    loop = Loop(FakeSequencer(RIG), FakeDriver(RIG), RIG, VirtualClock(), [publisher])
    for _ in range(2000):
        loop.turn()
    publisher.close()
    assert loop.sink_faults == []


@pytest.mark.slow
def test_a_subscriber_that_stopped_reading_never_holds_the_loop_up():
    publisher = Publisher("tcp://127.0.0.1:*", "rig", "run", UTC_START, 0)
    heard = Heard(publisher)
    step = Step(Outputs(), (), Estimate(), CycleStep.IDLE, "rest", ProceduralState.IDLE)
    longest_s = 0.0
    for count in range(30_000):
        began = time.perf_counter()
        publisher(count * SECOND_ns, Inputs(()), step)
        longest_s = max(longest_s, time.perf_counter() - began)
    began = time.perf_counter()
    publisher.close()
    assert time.perf_counter() - began < 2.0
    assert longest_s < 0.5
    heard.close()
