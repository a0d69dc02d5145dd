"""Devices that speak lines of text: options refused, templates and patterns, resets, dead ports."""

import time
from collections.abc import Iterator
from typing import Any

import pytest

from drivers.checksum import CHECKSUMS
from sequencer.config import Rig
from sequencer.driver import Driver, make_driver
from sequencer.errors import BadFrame, InputRefused, LinkLost, LinkTimeout
from sequencer.files import find, load
from sequencer.model import Clamp, Image, Outputs
from sequencer.wiring import image
from tests.drivers.wire import Bench, Wire, serial_rig

LIFE_ns = 2_000_000_000


@pytest.fixture
def bench() -> Bench:
    return Bench()


@pytest.fixture
def wire(bench: Bench) -> Iterator[Wire]:
    wire = Wire(bench.device)
    yield wire
    wire.pull()


def opened(rig: Rig) -> Driver:
    driver = make_driver(rig, "rig.toml")
    driver.open()
    return driver


def read(driver: Driver):
    return driver.read(time.monotonic_ns())


def write(driver: Driver, rig: Rig, outputs: Outputs) -> None:
    now_ns = time.monotonic_ns()
    whole = image(outputs, rig)
    driver.write(Image(whole.values, whole.safe, now_ns + LIFE_ns), now_ns)


# ---- checksums ----------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("kind", "data", "wanted"),
    [
        # Check value of CRC-16/MODBUS in the catalogue of parametrised CRC algorithms (reveng).
        ("crc16-modbus", b"123456789", "4B37"),
        # Frame 02 07 with CRC bytes 41 12, low byte first: Modbus over serial line V1.02, figure
        # of the CRC example (from memory).
        ("crc16-modbus", b"\x02\x07", "1241"),
        # Check values of both for "123456789", computed by hand: 31^32^..^39 and 0x1DD mod 256.
        ("xor8", b"123456789", "31"),
        ("sum8", b"123456789", "DD"),
        # The sentence of many handbooks of satellite receivers (from memory).
        ("xor8", b"GPGLL,5300.97914,N,00259.98174,E,125926,A", "28"),
    ],
)
def test_checksums_are_the_published_ones(kind: str, data: bytes, wanted: str) -> None:
    assert CHECKSUMS[kind](data) == wanted


# ---- options ------------------------------------------------------------------------------------

READ = {"send": "{tag} in", "expect": "{tag} nothing"}


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"bdau": 9600}, "driver.options.bdau = 9600: unknown key; did you mean baud"),
        ({"baud": "9600"}, "must be a whole number"),
        ({"parity": "mark"}, "parity = \"mark\": must be one of 'none', 'even' or 'odd'"),
        ({"reply_within": 100}, "has no unit"),
        ({"checksum": "crc32"}, "driver.options.checksum"),
        ({"retries": 9}, "must be at most 5"),
        ({"number": "x"}, "formats no number"),
        ({"read": []}, "driver.options.read"),
        ({"read": [{**READ, "expect": "("}]}, "is no regular expression"),
        ({"read": [{**READ, "expect": "(?P<film_3>.)"}]}, "no channel of the rig has this group"),
        ({"read": [READ]}, '"film 1": no pattern gives this input; add a group (?P<film_1>'),
        ({"read": [{**READ, "send": "{tga} in"}]}, '"{tga}": unknown place; did you mean tag'),
        ({"write": [{"send": "x"}]}, '"vent": nothing writes this output; add {vent}'),
        ({"write": [{"send": "x", "channel": "vnet"}]}, "is no output channel of the rig"),
        ({"leave": None}, "leave"),
        ({"identity": {"send": "who", "expect": "(?P<name>.*)"}}, "known: session"),
    ],
)  # fmt: skip
def test_wrong_options_are_refused_in_one_line(change: dict[str, Any], said: str) -> None:
    rig = serial_rig("port", **change)
    if change == {"leave": None}:
        rig.driver.options.pop("leave")
    with pytest.raises(InputRefused) as refused:
        make_driver(rig, "rig.toml")
    lines = [problem.line() for problem in refused.value.problems]
    assert any(said in line for line in lines), lines
    assert all(line.startswith("rig.toml: driver.options") for line in lines)
    assert not any("\n" in line for line in lines)


def test_every_wrong_option_is_told_at_once() -> None:
    with pytest.raises(InputRefused) as refused:
        make_driver(serial_rig("port", bdau=1, retrys=2, stopbits=7), "rig.toml")
    assert len(refused.value.problems) == 3


# ---- the board ----------------------------------------------------------------------------------


def test_opening_asks_who_it_is_and_writes_nothing(wire: Wire) -> None:
    driver = opened(serial_rig(wire.port))
    read(driver)
    assert [line.split()[1].partition(b"*")[0] for line in wire.asked] == [b"who", b"in"]


def test_a_device_that_was_reset_is_not_written_to(wire: Wire, bench: Bench) -> None:
    rig = serial_rig(wire.port)
    driver = opened(rig)
    write(driver, rig, Outputs(vent_open=False, heater_on=True))
    assert bench.coils()["heater"]
    with bench.lock:
        bench.board.reset(time.monotonic_ns())
    assert not bench.coils()["heater"]
    for _ in range(2):
        with pytest.raises(LinkLost, match="reset"):
            write(driver, rig, Outputs(vent_open=False, heater_on=True))
    with pytest.raises(LinkLost, match="reset"):
        read(driver)
    assert not bench.coils()["heater"]
    driver.close()
    driver.open()
    assert not any(on for _, on in read(driver).read_back)


def test_a_reset_is_seen_by_a_read_too(wire: Wire, bench: Bench) -> None:
    driver = opened(serial_rig(wire.port))
    with bench.lock:
        bench.board.reset(time.monotonic_ns())
    with pytest.raises(LinkLost, match="reset"):
        read(driver)


def test_another_device_is_refused_at_opening() -> None:
    wire = Wire(lambda line: b"HELLO 2.0\n")
    with pytest.raises(BadFrame, match="another device, or another baud rate"):
        opened(serial_rig(wire.port))
    wire.pull()


def test_a_wrong_baud_rate_is_garbage_and_told_as_such() -> None:
    # What a fast sender looks like to a slow receiver: few bytes, none of them right.
    wire = Wire(lambda line: bytes(byte & 0xF0 | 0x80 for byte in line[::4]))
    with pytest.raises(BadFrame, match="baud"):
        opened(serial_rig(wire.port))
    wire.pull()


def test_a_port_that_is_not_there_is_a_lost_link() -> None:
    with pytest.raises(LinkLost, match="cannot open"):
        opened(serial_rig("./no-such-port"))


def test_a_port_in_use_is_refused(wire: Wire) -> None:
    driver = opened(serial_rig(wire.port))
    with pytest.raises(LinkLost):
        opened(serial_rig(wire.port))
    driver.close()


@pytest.mark.slow
def test_a_silent_device_is_told_within_the_time_out() -> None:
    wire = Wire(lambda line: b"")
    rig = serial_rig(wire.port, reply_within="50 ms", retries=1)
    began_s = time.monotonic()
    with pytest.raises(LinkTimeout):
        opened(rig)
    assert time.monotonic() - began_s < 0.2
    wire.pull()


@pytest.mark.slow
def test_a_device_that_never_falls_silent_is_told_within_the_time_out() -> None:
    wire = Wire(lambda line: bytes(range(1, 10)) * 7000)
    began_s = time.monotonic()
    with pytest.raises(BadFrame):
        opened(serial_rig(wire.port, reply_within="50 ms", retries=0))
    assert time.monotonic() - began_s < 0.3
    wire.pull()


@pytest.mark.slow
def test_a_pulled_cable_is_a_lost_link(wire: Wire) -> None:
    rig = serial_rig(wire.port)
    driver = opened(rig)
    wire.pull()
    began_s = time.monotonic()
    with pytest.raises(LinkLost):
        read(driver)
    with pytest.raises(LinkLost):
        write(driver, rig, Outputs())
    assert time.monotonic() - began_s < 0.5
    driver.close()
    with pytest.raises(LinkLost):
        driver.open()


def test_a_bad_channel_is_not_ok_and_the_others_are() -> None:
    bench = Bench(faults=[{"kind": "sensor_bad", "role": "air_pressure"}])
    wire = Wire(bench.device)
    rig = serial_rig(wire.port)
    scan = read(opened(rig))
    assert [role for role, raw in zip(rig.inputs, scan.raw, strict=True) if not raw.ok] == [
        "air_pressure"
    ]
    wire.pull()


def test_a_clamp_that_is_left_alone_is_not_named(wire: Wire, bench: Bench) -> None:
    rig = serial_rig(wire.port)
    driver = opened(rig)
    write(driver, rig, Outputs(clamp=Clamp.APPLY))
    write(driver, rig, Outputs())
    assert wire.asked[-1].split(b" ")[4].startswith(b"--")
    assert bench.coils()["clamp apply"]


# ---- an instrument with a line for each output, no tags, no checksum ----------------------------


class Relays:
    """Eight words of the kind "SUPPLY ON", "SUPPLY?"; it keeps the order in which they came."""

    def __init__(self, rig: Rig) -> None:
        self.state = {output.channel: "0" for output in rig.outputs.values()}
        self.heard: list[tuple[str, str]] = []
        self.deaf_to = ""

    def __call__(self, line: bytes) -> bytes:
        words = line.decode().strip().split(";")
        if words[0] == "SET":
            if words[1] == self.deaf_to:
                return b""
            self.state[words[1]] = words[2]
            self.heard.append((words[1], words[2]))
            return b"OK\r\n"
        if words[0] == "OUT?":
            return (";".join(self.state.values()) + "\r\n").encode()
        return b"1.5;OVER;CLOSED\r\n" if words[0] == "A?" else b"\r\n"


def relay_rig(port: str) -> Rig:
    plain = load(find("rigs", "bench-instrumented"), Rig)
    keep = ("film_pressure", "head_temperature", "clamp_closed")
    outs = [name for name in plain.outputs if name != "heater_setpoint"]
    plain = plain.model_copy(
        update={
            "inputs": {role: plain.inputs[role] for role in keep},
            "outputs": {role: plain.outputs[role] for role in outs},
        }
    )
    channels = [plain.outputs[role].channel for role in outs]
    options = {
        "port": port,
        "terminator": "\r\n",
        "reply_within": "40 ms",
        "words": {"CLOSED": 1.0, "OPEN": 0.0},
        "read": [
            {
                "send": "A?",
                "expect": "(?P<film_1>[^;]*);(?P<head_control>[^;]*);(?P<clamp_closed>[^;]*)",
            },
            {
                "send": "OUT?",
                "expect": ";".join(f"(?P<out_{c.replace(' ', '_')}>[01])" for c in channels),
            },
        ],
        "write": [{"channel": c, "send": f"SET;{c};{{value}}", "expect": "OK"} for c in channels],
    }
    choice = plain.driver.model_copy(update={"name": "serial_lines", "options": options})
    return plain.model_copy(update={"driver": choice})


@pytest.fixture
def relays() -> Iterator[tuple[Relays, Wire, Rig]]:
    plain = relay_rig("")
    device = Relays(plain)
    wire = Wire(device, end=b"\r\n")
    yield device, wire, relay_rig(wire.port)
    wire.pull()


def test_words_numbers_and_what_is_neither(relays: tuple[Relays, Wire, Rig]) -> None:
    scan = read(opened(relays[2]))
    assert [(raw.value, raw.ok) for raw in scan.raw] == [(1.5, True), (0.0, False), (1.0, True)]


def test_outputs_go_in_the_order_given_and_only_if_they_change(
    relays: tuple[Relays, Wire, Rig],
) -> None:
    device, _, rig = relays
    driver = opened(rig)
    outputs = Outputs(clamp=Clamp.APPLY, vent_open=False)
    write(driver, rig, outputs)
    wanted = [(n, "1" if v else "0") for n, v in image(outputs, rig).values.items()]
    assert device.heard == wanted
    assert device.heard[-1] == ("clamp apply", "1")
    device.heard.clear()
    write(driver, rig, outputs)
    assert device.heard == []
    write(driver, rig, Outputs(clamp=Clamp.APPLY))
    assert device.heard == [("vent", "0")]


@pytest.mark.slow
def test_after_a_failed_line_only_safe_values_are_written(
    relays: tuple[Relays, Wire, Rig],
) -> None:
    device, _, rig = relays
    driver = opened(rig)
    device.deaf_to = "supply"
    with pytest.raises(LinkTimeout):
        write(driver, rig, Outputs(clamp=Clamp.APPLY, supply_open=True, vent_open=False))
    heard = dict(device.heard)
    assert heard["coolant"] == "0", "what is safe still goes out"
    assert "vent" not in heard
    assert "clamp apply" not in heard


def test_what_a_device_dropped_by_itself_is_not_switched_on_again(
    relays: tuple[Relays, Wire, Rig],
) -> None:
    device, _, rig = relays
    driver = opened(rig)
    on = Outputs(clamp=Clamp.APPLY, supply_open=True, vent_open=False)
    write(driver, rig, on)
    device.state["supply"] = "0"
    assert dict(read(driver).read_back)["supply"] is False
    device.heard.clear()
    write(driver, rig, on)
    assert device.heard == []
    device.state["heater"] = "1"
    read(driver)
    write(driver, rig, on)
    assert device.heard == [("heater", "0")], "what went on by itself is made safe"


def test_it_says_which_package_is_missing(wire: Wire, monkeypatch: pytest.MonkeyPatch) -> None:
    import sys

    from sequencer.errors import DriverUnavailable

    monkeypatch.setitem(sys.modules, "serial", None)
    with pytest.raises(DriverUnavailable, match=r"imprint-sequencer\[serial\]"):
        opened(serial_rig(wire.port))
