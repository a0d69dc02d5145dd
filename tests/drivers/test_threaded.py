"""The thread before a driver: newest scan, newest image, safe values by itself, never re-armed."""

import threading
import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import replace

import pytest

from sequencer.config import Rig
from sequencer.driver import Scan
from sequencer.errors import BadFrame, LinkLost, LinkTimeout
from sequencer.model import Clamp, Image, Outputs, RawInput
from sequencer.runtime.clock import RealClock
from sequencer.runtime.threaded import LinkState, ThreadedDriver
from sequencer.wiring import image
from tests.fakes import bench_rig

pytestmark = pytest.mark.slow
PRESSED = Outputs(clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False)
LIFE_ns = 300_000_000


class Device:
    """A module with registers: slow if asked to be, failing as told, keeping what it is written."""

    def __init__(self, rig: Rig) -> None:
        self.rig = rig
        self.opened = 0
        self.read_takes_s = 0.0
        self.read_raises: Exception | None = None
        self.write_raises: Exception | None = None
        self.open_raises: Exception | None = None
        self.written: list[tuple[int, Image]] = []
        self.coils: dict[str, bool] = {}

    def open(self) -> None:
        if self.open_raises is not None:
            raise self.open_raises
        self.opened += 1

    def read(self, now_ns: int) -> Scan:
        time.sleep(self.read_takes_s)
        if self.read_raises is not None:
            raise self.read_raises
        raw = tuple(RawInput(4.0, True, now_ns) for _ in self.rig.inputs)
        return Scan(raw, tuple(self.coils.items()))

    def write(self, written: Image, now_ns: int) -> None:
        if self.write_raises is not None:
            raise self.write_raises
        self.written.append((time.monotonic_ns(), written))
        self.coils |= {n: v for n, v in written.values.items() if isinstance(v, bool)}

    def close(self) -> None:
        pass

    def lay_in(self, recipe: object, material: object) -> None:
        pass

    def attendant(self) -> None:
        return None

    def prediction(self) -> Mapping[str, float]:
        return {}


@pytest.fixture
def rig() -> Rig:
    return bench_rig()


@pytest.fixture
def device(rig: Rig) -> Device:
    return Device(rig)


@pytest.fixture
def driver(device: Device, rig: Rig) -> Iterator[ThreadedDriver]:
    driver = ThreadedDriver(device, rig, RealClock())
    driver.open()
    yield driver
    device.read_takes_s = 0.0
    driver.close()


def fresh(outputs: Outputs, rig: Rig, life_ns: int = LIFE_ns) -> Image:
    return image(replace(outputs, expires_ns=time.monotonic_ns() + life_ns), rig)


def until(true: Callable[[], bool], within_s: float = 2.0) -> float:
    began_s = time.monotonic()
    while not true():
        assert time.monotonic() - began_s < within_s, "it never came true"
        time.sleep(0.002)
    return time.monotonic() - began_s


def keep(driver: ThreadedDriver, rig: Rig, outputs: Outputs, for_s: float = 0.1) -> None:
    """Read and write every tick, as the loop does."""
    end_s = time.monotonic() + for_s
    while time.monotonic() < end_s:
        driver.read(time.monotonic_ns())
        driver.write(fresh(outputs, rig), time.monotonic_ns())
        time.sleep(0.02)


def test_opening_writes_nothing_and_a_scan_is_there_at_once(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    assert len(driver.read(time.monotonic_ns()).raw) == len(rig.inputs)
    time.sleep(0.2)
    assert device.written == []


def test_the_newest_image_is_written_within_a_few_ms(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    delays_ms = []
    for _ in range(20):
        device.written.clear()
        posted_ns = time.monotonic_ns()
        driver.write(fresh(Outputs(), rig), posted_ns)
        until(lambda: bool(device.written))
        delays_ms.append((device.written[0][0] - posted_ns) / 1e6)
        time.sleep(0.005)
    assert sorted(delays_ms)[len(delays_ms) // 2] < 5.0


def test_a_slow_device_holds_up_nobody_and_its_values_tell_their_age(
    driver: ThreadedDriver, device: Device
) -> None:
    device.read_takes_s = 0.2
    time.sleep(0.25)
    longest_s, oldest_s = 0.0, 0.0
    for _ in range(40):
        now_ns = time.monotonic_ns()
        began_s = time.monotonic()
        scan = driver.read(now_ns)
        longest_s = max(longest_s, time.monotonic() - began_s)
        oldest_s = max(oldest_s, (now_ns - scan.raw[0].taken_ns) / 1e9)
        assert scan.raw[0].taken_ns <= now_ns
        time.sleep(0.01)
    assert longest_s < 0.1
    assert 0.15 < oldest_s < 0.5


def test_a_device_that_hangs_is_told(driver: ThreadedDriver, device: Device) -> None:
    device.read_takes_s = 1.0
    time.sleep(0.7)
    with pytest.raises(LinkTimeout):
        driver.read(time.monotonic_ns())


def test_a_stuck_loop_gets_the_safe_values_and_has_to_be_told(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    keep(driver, rig, PRESSED)
    assert device.coils["supply"]
    last = fresh(PRESSED, rig)
    driver.write(last, time.monotonic_ns())
    until(lambda: not device.coils["supply"])
    late_ms = (time.monotonic_ns() - last.expires_ns) / 1e6
    assert -1.0 < late_ms < 100.0
    assert not device.coils["isolation"]
    assert not device.coils["vent"]  # open without power
    assert device.coils["clamp apply"], "the safe image leaves the clamp alone"
    assert len([1 for _, image in device.written if image.values is last.safe]) == 1
    # What the core decided before it knew is not written; after it was told, its images count.
    with pytest.raises(LinkLost):
        driver.write(fresh(PRESSED, rig), time.monotonic_ns())
    time.sleep(0.1)
    assert not device.coils["supply"]
    with pytest.raises(LinkLost):
        driver.read(time.monotonic_ns())
    driver.write(fresh(Outputs(clamp=Clamp.APPLY), rig), time.monotonic_ns())
    until(lambda: device.written[-1][1].values is not last.safe)
    assert driver.link.expiries == 1


def test_safe_values_that_fail_are_tried_again(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    keep(driver, rig, PRESSED)
    device.write_raises = BadFrame("garbled")
    time.sleep(0.5)
    assert device.coils["supply"]
    device.write_raises = None
    until(lambda: not device.coils["supply"], within_s=0.3)


def test_an_image_that_fails_is_not_repeated(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    device.write_raises = BadFrame("garbled")
    driver.write(fresh(PRESSED, rig, life_ns=10**9), time.monotonic_ns())
    time.sleep(0.1)
    device.write_raises = None
    time.sleep(0.2)
    assert device.written == []
    with pytest.raises(BadFrame):
        driver.write(fresh(PRESSED, rig), time.monotonic_ns())
    until(lambda: device.coils.get("supply", False))


def test_a_lost_link_is_reached_for_again_and_nothing_is_re_armed(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    keep(driver, rig, PRESSED)
    device.open_raises = device.read_raises = LinkLost("the cable is out")
    until(lambda: driver.link.state is LinkState.LOST)
    with pytest.raises(LinkLost, match="cable"):
        driver.read(time.monotonic_ns())
    with pytest.raises(LinkLost):
        driver.write(fresh(PRESSED, rig), time.monotonic_ns())
    time.sleep(0.5)
    assert 2 <= driver.link.attempts <= 5, "pauses grow"
    device.coils = dict.fromkeys(device.coils, False)
    device.written.clear()
    device.open_raises = device.read_raises = None
    until(lambda: driver.link.state is LinkState.UP)
    time.sleep(0.1)
    assert all(image.values is image.safe for _, image in device.written)
    with pytest.raises(LinkLost):
        driver.write(fresh(PRESSED, rig), time.monotonic_ns())
    with pytest.raises(LinkLost):
        driver.read(time.monotonic_ns())
    driver.read(time.monotonic_ns())
    assert not device.coils["supply"]
    assert driver.link.losses == 1


def test_a_garbled_scan_leaves_the_one_before_with_its_age(
    driver: ThreadedDriver, device: Device
) -> None:
    device.read_raises = BadFrame("garbled")
    time.sleep(0.15)
    now_ns = time.monotonic_ns()
    assert now_ns - driver.read(now_ns).raw[0].taken_ns > 100_000_000
    assert driver.link.state is LinkState.TROUBLED
    time.sleep(0.6)
    with pytest.raises((LinkLost, LinkTimeout)):
        driver.read(time.monotonic_ns())


def test_a_fault_of_the_back_end_itself_is_a_lost_link(
    driver: ThreadedDriver, device: Device
) -> None:
    device.read_raises = ZeroDivisionError("a bug")
    until(lambda: driver.link.losses == 1)
    with pytest.raises(LinkLost, match="ZeroDivisionError"):
        driver.read(time.monotonic_ns())
    device.read_raises = None
    until(lambda: driver.link.state is LinkState.UP)


def test_read_back_of_before_the_newest_image_is_left_out(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    keep(driver, rig, Outputs())
    device.read_takes_s = 0.1
    time.sleep(0.15)
    driver.write(fresh(PRESSED, rig), time.monotonic_ns())
    shown = dict(driver.read(time.monotonic_ns()).read_back)
    assert "supply" not in shown
    assert shown["heater"] is False
    device.read_takes_s = 0.0
    until(lambda: dict(driver.read(time.monotonic_ns()).read_back).get("supply") is True)


def test_an_output_that_differs_is_shown(driver: ThreadedDriver, device: Device, rig: Rig) -> None:
    keep(driver, rig, Outputs())
    device.coils["supply"] = True
    time.sleep(0.05)
    assert dict(driver.read(time.monotonic_ns()).read_back)["supply"] is True


def test_closing_writes_the_newest_image_and_then_the_safe_values(
    driver: ThreadedDriver, device: Device, rig: Rig
) -> None:
    keep(driver, rig, PRESSED)
    device.written.clear()
    newest = fresh(Outputs(clamp=Clamp.APPLY, heater_on=True), rig)
    driver.write(newest, time.monotonic_ns())
    driver.close()
    assert [image.values for _, image in device.written] == [newest.values, newest.safe]
    assert threading.active_count() < 20
    driver.close()
    with pytest.raises(LinkLost):
        driver.read(time.monotonic_ns())
