"""The datagrams for a service manager, as sd_notify(3) describes them."""

import configparser
import os
import socket
from pathlib import Path

import pytest

from sequencer.core.step import Sequencer
from sequencer.model import Inputs, RawInput
from sequencer.runtime.notify import ALIVE, READY, Alive, notifier, watchdog_s
from tests.core.bench import INSTRUMENTED

S = 1_000_000_000


@pytest.fixture
def manager(tmp_path):
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.settimeout(2.0)
        heard.bind(str(tmp_path / "notify"))
        yield heard


def test_a_line_goes_out_as_one_datagram(manager):
    send = notifier({"NOTIFY_SOCKET": manager.getsockname()})
    assert send(READY)
    assert manager.recv(100) == b"READY=1"


def test_an_abstract_address_is_reached_too():
    name = f"imprint-test-{os.getpid()}"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as heard:
        heard.settimeout(2.0)
        heard.bind("\0" + name)
        assert notifier({"NOTIFY_SOCKET": "@" + name})(ALIVE)
        assert heard.recv(100) == b"WATCHDOG=1"


@pytest.mark.parametrize("environ", [{}, {"NOTIFY_SOCKET": ""}, {"NOTIFY_SOCKET": "relative"}])
def test_without_a_manager_nothing_is_sent_and_nothing_is_wrong(environ):
    assert notifier(environ)(READY) is False


def test_a_manager_that_is_gone_or_deaf_neither_raises_nor_blocks(tmp_path):
    assert notifier({"NOTIFY_SOCKET": str(tmp_path / "nobody")})(READY) is False
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as deaf:
        deaf.bind(str(tmp_path / "deaf"))
        send = notifier({"NOTIFY_SOCKET": str(tmp_path / "deaf")})
        assert not all(send(ALIVE) for _ in range(10_000))  # its queue is full, and we came back


@pytest.mark.parametrize(
    ("environ", "wanted_s"),
    [
        ({}, None),
        ({"WATCHDOG_USEC": "5000000"}, 5.0),
        ({"WATCHDOG_USEC": "0"}, None),
        ({"WATCHDOG_USEC": "soon"}, None),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": str(os.getpid())}, 5.0),
        ({"WATCHDOG_USEC": "5000000", "WATCHDOG_PID": "1"}, None),
    ],
)
def test_how_often_it_wants_to_hear(environ, wanted_s):
    assert watchdog_s(environ) == wanted_s


def test_ready_once_then_alive_three_times_within_the_time_and_only_with_scans():
    said = []
    alive = Alive(lambda line: said.append(line) is None, within_s=3.0)
    step = Sequencer(INSTRUMENTED).step(
        0, Inputs(tuple(RawInput(0.0, False, 0) for _ in INSTRUMENTED.inputs))
    )
    assert said == []
    for tick in range(150):  # three seconds of scans
        alive(tick * S // 50, Inputs(()), step)
    assert said == [READY, ALIVE, ALIVE, ALIVE]


def test_the_unit_in_the_documents_fits_what_is_sent():
    unit = configparser.ConfigParser(strict=False)
    unit.optionxform = str
    unit.read(Path(__file__).parents[2] / "docs" / "imprint-run.service")
    service = unit["Service"]
    assert service["Type"] == "notify"
    assert float(service["WatchdogSec"]) >= 3.0
    assert service["Restart"] == "no"
    assert service["KillSignal"] == "SIGTERM"
    assert service["SendSIGKILL"] == "no"
