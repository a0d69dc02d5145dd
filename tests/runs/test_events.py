"""Live events of `imprint run`, heard by a plain subscriber in another process (this one)."""

import json
import re
import socket
import subprocess
import sys
import time
from itertools import pairwise
from pathlib import Path
from typing import Any

import pytest
import zmq

from sequencer.runtime.records import Records
from tests.runs.bench import CYCLE
from tests.runs.command import Imprint, live
from tests.runs.test_script import the_code

pytestmark = pytest.mark.slow
FAULT = """
[[driver.options.faults]]
kind = "regulator_creep"
at = "45 s"
"""
UNITS = ("_Pa", "_degC", "_K", "_s", "_ns", "_kPa", "_psi")


def free_port() -> int:
    with socket.socket() as found:
        found.bind(("127.0.0.1", 0))
        return int(found.getsockname()[1])


def heard(folder: Path, extra: str = "") -> tuple[list[tuple[str, dict[str, Any]]], Imprint]:
    """Everything that a subscriber to everything gets of one run, from its first message on."""
    address = f"tcp://127.0.0.1:{free_port()}"
    context = zmq.Context()
    subscriber = context.socket(zmq.SUB)
    subscriber.setsockopt(zmq.RECONNECT_IVL, 5)
    subscriber.setsockopt(zmq.RECONNECT_IVL_MAX, 20)
    subscriber.setsockopt(zmq.RCVHWM, 0)
    subscriber.subscribe(b"")
    subscriber.connect(address)
    running = Imprint(live(folder, "--publish", address, speed=20, extra=extra))
    got: list[tuple[str, dict[str, Any]]] = []
    until = time.monotonic() + 60.0
    try:
        while time.monotonic() < until:
            if subscriber.poll(100):
                topic, body = subscriber.recv_multipart()
                got.append((topic.decode(), json.loads(body)))
            elif running.process.poll() is not None:
                break
    finally:
        subscriber.close(linger=0)
        context.term()
        if running.process.poll() is None:
            running.kill()
    return got, running


@pytest.fixture(scope="module")
def messages(
    tmp_path_factory: pytest.TempPathFactory,
) -> tuple[list[tuple[str, dict[str, Any]]], Path]:
    folder = tmp_path_factory.mktemp("heard")
    got, running = heard(folder, FAULT)
    assert running.end() == 1, running.said
    return got, folder


def test_every_step_prompt_evidence_and_alarm_is_heard(messages) -> None:
    got, _ = messages
    steps = [body["step"] for topic, body in got if topic == "step"]
    assert steps == ["idle", *CYCLE[:4], "venting", "releasing", "idle"]
    prompts = {body["name"] for topic, body in got if topic == "prompt"}
    assert {"sample_in", "supply_gauge", "hands_clear"} <= prompts
    evidence = {body["evidence"] for topic, body in got if topic == "evidence"}
    assert {"head_at_temperature", "clamp_full", "film_at_pressure", "film_bled"} <= evidence
    alarms = [body for topic, body in got if topic == "alarm"]
    assert alarms[0]["name"] == "film_over"
    assert alarms[0]["action"]
    topics = {topic for topic, _ in got}
    assert {"run", "permissive", "stage", "output", "reading", "heartbeat", "request"} <= topics


def test_the_numbers_have_no_gap_and_the_facts_are_the_records(messages) -> None:
    got, folder = messages
    numbers = [body["seq"] for _, body in got]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))
    assert all(set(body) >= {"schema", "rig", "run_id", "seq", "t_ns", "utc"} for _, body in got)
    assert len({body["run_id"] for _, body in got}) == 1
    assert [body["t_ns"] for _, body in got] == sorted(body["t_ns"] for _, body in got)
    records = Records(folder / "records.db")
    kept = [event.facts() for event in records.events(records.find("last").run_id)]
    records.close()
    frame = {"schema", "rig", "run_id", "seq", "t_ns", "utc"}
    told = [
        {key: value for key, value in body.items() if key not in frame}
        for topic, body in got
        if topic not in ("reading", "heartbeat")
    ]
    assert told == kept[-len(told) :]


def test_readings_come_five_times_a_second_with_units_in_their_names(messages) -> None:
    got, _ = messages
    readings = [body for topic, body in got if topic == "reading"]
    steps = [later["t_ns"] - body["t_ns"] for body, later in pairwise(readings)]
    assert min(steps) >= 180_000_000
    assert max(steps) <= 220_000_000
    last = readings[-1]
    assert {"film_Pa", "head_degC", "clamp_margin"} <= last.keys()
    for role, reading in last["readings"].items():
        keys = set(reading) - {"quality", "age_s", "reason"}
        (key,) = keys
        assert key == "closed" or key.endswith(UNITS), role
        if "pressure" in role:
            assert key == "value_Pa"
        if "temperature" in role:
            assert key == "value_degC"


def test_the_readmes_subscriber_hears_a_real_run(tmp_path: Path) -> None:
    code = the_code("zmq.SUB")
    address = f"tcp://127.0.0.1:{free_port()}"
    code, changed = re.subn(r"tcp://127\.0\.0\.1:5870", address, code)
    assert changed == 1, "the usual address stands in the example"
    (tmp_path / "plain").mkdir()
    listener = subprocess.Popen(
        [sys.executable, "-u", "-c", code],
        cwd=tmp_path / "plain", stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    try:
        running = Imprint(live(tmp_path, "--publish", address, speed=20))
        assert running.end() == 0, running.said
        time.sleep(0.3)
        assert listener.poll() is None, "it goes on listening"
    finally:
        listener.kill()
    out, err = listener.communicate(timeout=10)
    assert err == ""
    lines = out.splitlines()
    topics = {line.split()[2] for line in lines}
    assert {"step", "stage", "evidence", "prompt", "reading", "heartbeat"} <= topics
    numbers = [int(line.split()[0]) for line in lines]
    assert numbers == list(range(numbers[0], numbers[0] + len(numbers)))


def test_a_taken_address_does_not_keep_a_run_from_its_work(tmp_path: Path) -> None:
    with socket.socket() as other:
        other.bind(("127.0.0.1", 0))
        other.listen()
        address = f"tcp://127.0.0.1:{other.getsockname()[1]}"
        running = Imprint(live(tmp_path, "--publish", address, speed=400))
        assert running.end() == 2, "an address that was asked for must be had"
        assert address in running.said
    records = tmp_path / "records.db"
    assert not records.exists() or Records(records).runs() == []
