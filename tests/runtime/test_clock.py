"""Clocks: virtual time jumps and never goes back; real time is kept to a fraction of a ms."""

import time

import pytest

from sequencer.runtime.clock import PacedClock, RealClock, VirtualClock


def test_virtual_time_stands_until_it_is_told_to_jump():
    clock = VirtualClock(5)
    assert clock.now_ns() == 5
    clock.sleep_until(5)
    clock.sleep_until(1_000)
    assert clock.now_ns() == 1_000


def test_virtual_time_refuses_to_go_back():
    clock = VirtualClock(10)
    with pytest.raises(ValueError, match="cannot go back from 10 to 9"):
        clock.sleep_until(9)
    assert clock.now_ns() == 10


@pytest.mark.slow
def test_real_sleep_is_never_short():
    clock = RealClock()
    late_ns = []
    for _ in range(40):
        due_ns = clock.now_ns() + 3_000_000
        clock.sleep_until(due_ns)
        late_ns.append(clock.now_ns() - due_ns)
    assert min(late_ns) >= 0


def test_a_time_that_has_passed_is_not_waited_for():
    began = time.monotonic()
    RealClock().sleep_until(0)
    assert time.monotonic() - began < 0.5


def test_paced_time_keeps_its_pace_and_every_tick_its_length():
    wall = VirtualClock(7_000_000_000)
    clock = PacedClock(50.0, wall)
    assert clock.now_ns() == 0
    clock.sleep_until(100_000_000_000)
    assert clock.now_ns() == 100_000_000_000
    assert wall.now_ns() == 9_000_000_000


def test_a_machine_that_falls_behind_makes_the_pace_sag_and_is_never_late():
    wall = VirtualClock()
    clock = PacedClock(10.0, wall)
    wall.sleep_until(5_000_000_000)  # the machine was busy for 5 s
    clock.sleep_until(20_000_000)
    assert clock.now_ns() == 20_000_000
    clock.sleep_until(40_000_000)
    assert wall.now_ns() == 5_002_000_000  # at the pace again, without a burst to catch up


@pytest.mark.parametrize("speed", [0.0, -1.0, float("inf"), float("nan")])
def test_a_speed_that_is_none_is_refused(speed):
    with pytest.raises(ValueError, match="greater than 0"):
        PacedClock(speed)
