"""What every driver must pass, to be run against any installed one.

::

    pytest -p drivers.conformance_plugin --pyargs drivers.conformance --rig FILE
           [--dead-rig FILE] [--bad-rig FILE] [--within SECONDS]

THE OUTPUTS OF THE RIG ARE SWITCHED: the supply and isolation valves stay shut, everything else may
move. Never run it on a rig with gas or air on, or with hands near the clamp.

A driver's own tests may instead take the suite in, ``from drivers.conformance import *``, and
replace the fixture ``write_log`` by one that gives what reached the device, in order.
"""

import time
from collections.abc import Callable, Iterator, Mapping

import pytest

from sequencer.config import Rig
from sequencer.driver import Driver, Scan, make_driver
from sequencer.errors import DriverError, InputRefused, LinkLost, LinkTimeout
from sequencer.files import find, load
from sequencer.model import ChannelValue, Clamp, Image, Outputs
from sequencer.units import ns
from sequencer.wiring import image

SETTLES_s = 2.0
"""How long a device may take until it reads back what was written."""
FUTURE_ns = 1_000_000
WriteLog = Callable[[], list[tuple[str, ChannelValue]]]


def _file(request: pytest.FixtureRequest, option: str) -> str:
    given = request.config.getoption(option, None)
    if given is None:
        pytest.skip(f"{option} was not given")
    return str(find("rigs", str(given)))


@pytest.fixture
def rig_file(request: pytest.FixtureRequest) -> str:
    """The rig file of the driver under test."""
    return _file(request, "--rig")


@pytest.fixture
def rig(rig_file: str) -> Rig:
    """The rig of the driver under test."""
    return load(find("rigs", rig_file), Rig)


@pytest.fixture
def within_s(request: pytest.FixtureRequest) -> float:
    """The driver's time-out, retries included."""
    return float(request.config.getoption("--within", 1.0))


@pytest.fixture
def driver(rig: Rig, rig_file: str) -> Iterator[Driver]:
    """The driver under test, open."""
    made = make_driver(rig, rig_file)
    made.open()
    yield made
    made.close()


@pytest.fixture
def write_log() -> WriteLog | None:
    """What reached the device, in order, since it was asked last; replace it where it is known."""
    return None


# ---- opening and reading -----------------------------------------------------------------------


def test_it_has_every_part_of_the_port(driver: Driver) -> None:
    """Every method of the port is there."""
    assert isinstance(driver, Driver)
    assert isinstance(driver.prediction(), Mapping)


def test_opening_writes_nothing(rig: Rig, rig_file: str) -> None:
    """Outputs stand after opening, reading and closing as they did before."""
    found: list[tuple[tuple[str, bool], ...]] = []
    for _ in range(2):
        driver = make_driver(rig, rig_file)
        driver.open()
        try:
            found += [driver.read(time.monotonic_ns()).read_back for _ in range(2)]
        finally:
            driver.close()
    assert all(one == found[0] for one in found)


def test_a_scan_has_one_value_for_each_input(driver: Driver, rig: Rig) -> None:
    """One raw value per input of the rig, finite where it is vouched for."""
    scan = driver.read(time.monotonic_ns())
    assert len(scan.raw) == len(rig.inputs)
    assert all(raw.value == raw.value for raw in scan.raw if raw.ok)
    known = {output.channel for output in rig.outputs.values()}
    assert {name for name, _ in scan.read_back} <= known


def test_times_are_honest(driver: Driver) -> None:
    """No value is younger than the scan, and no value that is vouched for is ages old."""
    for _ in range(3):
        scan = driver.read(time.monotonic_ns())
        done_ns = time.monotonic_ns()
        for raw in scan.raw:
            assert raw.taken_ns <= done_ns + FUTURE_ns
            assert not raw.ok or raw.taken_ns > done_ns - ns(60.0)
        time.sleep(0.05)


def test_values_get_newer(driver: Driver, rig: Rig) -> None:
    """A value is taken anew before it is stale by the rig file's own measure."""
    longest_s = max(item.fresh_for_s for item in rig.inputs.values())
    first = driver.read(time.monotonic_ns())
    until_s = time.monotonic() + longest_s + 1.0
    while time.monotonic() < until_s:
        scan = driver.read(time.monotonic_ns())
        pairs = zip(first.raw, scan.raw, strict=True)
        if all(new.taken_ns > old.taken_ns for old, new in pairs):
            return
        time.sleep(0.02)
    pytest.fail("some value is still the one of the first scan")


# ---- writing -----------------------------------------------------------------------------------


def _write(driver: Driver, rig: Rig, outputs: Outputs, life_s: float = 2.0) -> Image:
    now_ns = time.monotonic_ns()
    whole = image(outputs, rig)
    written = Image(whole.values, whole.safe, now_ns + ns(life_s))
    driver.write(written, now_ns)
    return written


def _switches(values: Mapping[str, ChannelValue], scan: Scan) -> dict[str, bool]:
    readable = {name for name, _ in scan.read_back}
    return {n: v for n, v in values.items() if isinstance(v, bool) and n in readable}


def _agrees(driver: Driver, wanted: Mapping[str, ChannelValue], *, within_s: float) -> bool:
    until_s = time.monotonic() + within_s
    while True:
        scan = driver.read(time.monotonic_ns())
        read = dict(scan.read_back)
        if all(read[name] == value for name, value in _switches(wanted, scan).items()):
            return True
        if time.monotonic() > until_s:
            return False
        time.sleep(0.02)


def _needs_read_back(driver: Driver) -> None:
    if not driver.read(time.monotonic_ns()).read_back:
        pytest.skip("this driver reads no output back")


@pytest.mark.parametrize("vent_open", [False, True])
def test_what_is_written_is_read_back(driver: Driver, rig: Rig, vent_open: bool) -> None:
    """The vent follows what is written, both ways."""
    _needs_read_back(driver)
    written = _write(driver, rig, Outputs(vent_open=vent_open))
    assert _agrees(driver, written.values, within_s=SETTLES_s)
    _write(driver, rig, Outputs())


@pytest.mark.parametrize("clamp", [Clamp.APPLY, Clamp.RELEASE])
def test_a_clamp_that_is_left_alone_stays(driver: Driver, rig: Rig, clamp: Clamp) -> None:
    """Channels that an image leaves out stay as they are."""
    _needs_read_back(driver)
    told = _write(driver, rig, Outputs(clamp=clamp))
    assert _agrees(driver, told.values, within_s=SETTLES_s)
    before = dict(driver.read(time.monotonic_ns()).read_back)
    left = _write(driver, rig, Outputs(clamp=Clamp.LEAVE))
    absent = {name for name in told.values if name not in left.values}
    assert absent, "the rig has no clamp output"
    time.sleep(0.1)
    after = dict(driver.read(time.monotonic_ns()).read_back)
    assert {n: after[n] for n in absent & after.keys()} == {
        n: before[n] for n in absent & before.keys()
    }


def test_outputs_are_written_in_the_order_given(
    driver: Driver, rig: Rig, write_log: WriteLog | None
) -> None:
    """The device hears of the outputs in the order of the image."""
    if write_log is None:
        pytest.skip("nobody tells what reached the device: replace the fixture write_log")
    _write(driver, rig, Outputs())
    write_log()
    written = _write(driver, rig, Outputs(clamp=Clamp.APPLY, vent_open=False, heater_on=True))
    heard = write_log()
    assert heard, "nothing reached the device"
    assert heard == [item for item in written.values.items() if item in heard]
    _write(driver, rig, Outputs())


def test_safe_values_come_by_themselves(driver: Driver, rig: Rig) -> None:
    """After the expiry of an image its safe values are driven, though nobody writes them."""
    if rig.dead_man == "none":
        pytest.skip("declared: dead_man = none; only the thread before the driver does it")
    _needs_read_back(driver)
    written = _write(driver, rig, Outputs(vent_open=False, heater_on=True), life_s=0.5)
    assert _agrees(driver, written.values, within_s=0.3), "the image was not driven at first"
    time.sleep(0.6)
    if rig.dead_man == "io_timeout":
        assert _agrees(driver, written.safe, within_s=SETTLES_s)
    # With a watchdog relay the coils have no power, whatever the module's registers say.


# ---- refusing and failing ------------------------------------------------------------------------


def test_unknown_options_are_refused_all_at_once(rig: Rig, rig_file: str) -> None:
    """Each unknown option is a problem of one line, and all of them come together."""
    unknown = ("no_such_option", "nor_this_one")
    options = {**rig.driver.options, **dict.fromkeys(unknown, 1)}
    choice = rig.driver.model_copy(update={"options": options})
    with pytest.raises(InputRefused) as refused:
        make_driver(rig.model_copy(update={"driver": choice}), rig_file)
    lines = [problem.line() for problem in refused.value.problems]
    assert all("\n" not in line for line in lines)
    for name in unknown:
        assert any(name in line for line in lines), f"{name} is not told: {lines}"


def test_it_can_be_closed_and_opened_again(driver: Driver, rig: Rig) -> None:
    """Closing twice is no error, and an opened driver reads again."""
    driver.close()
    driver.close()
    driver.open()
    assert len(driver.read(time.monotonic_ns()).raw) == len(rig.inputs)


def test_a_closed_driver_does_not_read(driver: Driver) -> None:
    """Reading a closed driver is an error of the driver's own kind."""
    driver.close()
    with pytest.raises(DriverError):
        driver.read(time.monotonic_ns())


def test_a_dead_link_is_told_in_time(request: pytest.FixtureRequest, within_s: float) -> None:
    """Opening and reading a device that does not answer ends within the time-out."""
    file = _file(request, "--dead-rig")
    driver = make_driver(load(find("rigs", file), Rig), file)
    began_s = time.monotonic()
    with pytest.raises((LinkLost, LinkTimeout)):
        _reach(driver)
    took_s = time.monotonic() - began_s
    assert took_s < 2.0 * within_s, f"it took {took_s:.2f} s"


def _reach(driver: Driver) -> None:
    try:
        driver.open()
        driver.read(time.monotonic_ns())
    finally:
        driver.close()


def test_a_bad_channel_is_no_exception(request: pytest.FixtureRequest) -> None:
    """A channel that fails is not vouched for, and the others are."""
    file = _file(request, "--bad-rig")
    rig = load(find("rigs", file), Rig)
    driver = make_driver(rig, file)
    driver.open()
    try:
        vouched = [raw.ok for raw in driver.read(time.monotonic_ns()).raw]
    finally:
        driver.close()
    assert len(vouched) == len(rig.inputs)
    assert False in vouched
    assert True in vouched
