"""The loop: order of a turn, link faults, requests, lateness, long ticks, and sinks that fail."""

import threading
from itertools import pairwise

import pytest

from sequencer.core.stages import STAGES
from sequencer.errors import CoreFault, LinkLost
from sequencer.model import CycleStep, RawInput, Request, RequestKind
from sequencer.runtime.clock import VirtualClock
from sequencer.runtime.loop import CALM_STAGES, LONG_TICK_ns, Loop
from tests.fakes import (
    FakeDriver,
    FakeSequencer,
    SECOND_ns,
    TICK_ns,
    bench_rig,
    grating_recipe,
    start,
)

RIG = bench_rig()


class Watching:
    def __init__(self):
        self.scans = []

    def __call__(self, now_ns, inputs, step):
        self.scans.append((now_ns, inputs, step))

    @property
    def hosts(self):
        return [inputs.host for _, inputs, _ in self.scans]


class Forgetful(Watching):
    """A record that is well until a given number of scans."""

    def __init__(self, well_for):
        super().__init__()
        self.well_for = well_for

    @property
    def ok(self):
        return len(self.scans) < self.well_for


def make(driver=None, sinks=(), core=None, clock=None, **more):
    clock = clock or VirtualClock()
    return Loop(core or FakeSequencer(RIG), driver or FakeDriver(RIG), RIG, clock, sinks, **more)


def test_a_turn_reads_steps_writes_and_tells_at_every_tick():
    seen, driver = Watching(), FakeDriver(RIG)
    loop = make(driver, [seen])
    for _ in range(3):
        loop.turn()
    times = [0, TICK_ns, 2 * TICK_ns]
    assert driver.reads == times
    assert [at for at, _ in driver.written] == times
    assert [at for at, _, _ in seen.scans] == times


def test_sinks_are_told_after_the_write():
    driver = FakeDriver(RIG)
    written = []
    make(driver, [lambda now_ns, inputs, step: written.append(len(driver.written))]).turn()
    assert written == [1]


def test_a_lost_read_becomes_inputs_that_are_not_ok_and_the_driver_is_tried_again():
    seen = Watching()
    driver = FakeDriver(RIG, mute=lambda now_ns: now_ns == TICK_ns)
    loop = make(driver, [seen])
    for _ in range(3):
        loop.turn()
    assert seen.scans[1][1].raw == (RawInput(0.0, False, TICK_ns),) * len(RIG.inputs)
    assert [host.link_ok for host in seen.hosts] == [True, False, True]
    assert all(raw.ok for raw in seen.scans[2][1].raw)
    assert loop.read_faults == 1


def test_a_lost_write_is_counted_and_told_in_the_next_scan():
    seen = Watching()
    loop = make(FakeDriver(RIG, deaf=lambda now_ns: now_ns == TICK_ns), [seen])
    for _ in range(4):
        loop.turn()
    assert [host.link_ok for host in seen.hosts] == [True, True, False, True]
    assert loop.write_faults == 1


def test_only_errors_of_the_link_are_forgiven():
    driver = FakeDriver(RIG)
    driver.read = lambda now_ns: 1 / 0
    with pytest.raises(ZeroDivisionError):
        make(driver).turn()


def test_a_core_that_fails_leaves_the_safe_image_with_the_driver():
    class Broken:
        def step(self, now_ns, inputs):
            raise KeyError("stage")

    driver = FakeDriver(RIG)
    with pytest.raises(CoreFault, match="KeyError"):
        make(driver, core=Broken()).turn()
    (_, image) = driver.written[-1]
    assert image.values == image.safe
    assert image.values["supply"] is False
    assert image.expires_ns > 0


def test_a_core_that_fails_while_the_link_is_down_still_says_that_it_failed():
    class Broken:
        def step(self, now_ns, inputs):
            raise CoreFault("contradiction")

    with pytest.raises(CoreFault, match="contradiction"):
        make(FakeDriver(RIG, deaf=lambda now_ns: True), core=Broken()).turn()


def test_requests_are_taken_in_order_by_the_next_turn_only():
    seen = Watching()
    loop = make(sinks=[seen])
    first = start(grating_recipe(), "a")
    second = Request(RequestKind.PAUSE, "b", "test")
    loop.post(first)
    loop.post(second)
    loop.turn()
    loop.turn()
    assert seen.scans[0][1].requests == (first, second)
    assert seen.scans[1][1].requests == ()


def test_requests_may_come_from_many_threads_at_once():
    seen = Watching()
    loop = make(sinks=[seen])

    def ask(name):
        for number in range(200):
            loop.post(Request(RequestKind.PAUSE, f"{name}-{number}", name))

    threads = [threading.Thread(target=ask, args=(str(name),)) for name in range(4)]
    for thread in threads:
        thread.start()
    while any(thread.is_alive() for thread in threads):
        loop.turn()
    loop.turn()
    taken = [r.request_id for _, inputs, _ in seen.scans for r in inputs.requests]
    assert len(taken) == len(set(taken)) == 800


class SlowClock(VirtualClock):
    """A clock on which waking takes ``late_ns`` longer than asked, and the host may sleep."""

    late_ns = 0
    slept_ns = 0

    def sleep_until(self, due_ns):
        super().sleep_until(due_ns + self.late_ns)

    def asleep_ns(self):
        return self.slept_ns


def test_lateness_is_told_and_made_up_for():
    seen, clock = Watching(), SlowClock()
    clock.late_ns = 3_000_000
    loop = make(sinks=[seen], clock=clock)
    for _ in range(5):
        loop.turn()
    assert [host.late_ns for host in seen.hosts] == [0] + [3_000_000] * 4
    assert seen.scans[-1][0] == 4 * TICK_ns + 3_000_000


def test_a_stall_is_told_once_and_not_followed_by_a_burst():
    seen, clock = Watching(), SlowClock()
    loop = make(sinks=[seen], clock=clock)
    loop.turn()
    clock.sleep_until(300_000_000)  # something held the loop up
    for _ in range(3):
        loop.turn()
    assert [host.late_ns for host in seen.hosts] == [0, 280_000_000, 0, 0]
    assert [at for at, _, _ in seen.scans[1:]] == [300_000_000, 320_000_000, 340_000_000]


def test_a_host_that_slept_is_told_in_the_scan_after():
    seen, clock = Watching(), SlowClock()
    loop = make(sinks=[seen], clock=clock)
    loop.turn()
    clock.slept_ns = 4 * SECOND_ns
    loop.turn()
    loop.turn()
    assert [host.clock_gap_ns for host in seen.hosts] == [0, 4 * SECOND_ns, 0]


def ticks_by_step(long_tick_ns):
    seen = Watching()
    loop = make(sinks=[seen], long_tick_ns=long_tick_ns)
    loop.turn()
    loop.post(start(grating_recipe()))
    loop.run_until(lambda step: step.step is CycleStep.IDLE)
    times = [at for at, _, _ in seen.scans]
    found = {}
    for (_, _, step), (this_ns, next_ns) in zip(seen.scans, pairwise(times), strict=False):
        found.setdefault(step.step, []).append(next_ns - this_ns)
    return found


def test_ticks_stretch_in_calm_stages_only_and_not_before_two_seconds():
    found = ticks_by_step(LONG_TICK_ns)
    for step in (CycleStep.HEATING, CycleStep.HOLDING):
        assert found[step][:100] == [TICK_ns] * 100  # 2 s
        assert set(found[step][101:]) == {LONG_TICK_ns}
    for step in (CycleStep.CLAMPING, CycleStep.VENTING, CycleStep.FAULTED):
        assert set(found[step]) == {TICK_ns}


def test_ticks_stay_short_where_long_ones_are_not_allowed():
    assert {tick for ticks in ticks_by_step(None).values() for tick in ticks} == {TICK_ns}


def test_a_long_tick_never_outlives_half_the_life_of_the_outputs():
    longest = max(tick for ticks in ticks_by_step(10 * SECOND_ns).values() for tick in ticks)
    assert longest == SECOND_ns // 4  # outputs_expire = 500 ms on this rig


def test_a_request_brings_the_short_tick_back():
    driver = FakeDriver(RIG)
    loop = make(driver, long_tick_ns=LONG_TICK_ns)
    loop.post(start(grating_recipe()))
    loop.run_until(lambda step: driver.reads[-1] > 5 * SECOND_ns)
    loop.post(Request(RequestKind.PAUSE, "p", "test"))
    loop.turn()
    loop.turn()
    loop.turn()
    assert driver.reads[-1] - driver.reads[-2] == TICK_ns


def test_a_fault_of_the_link_brings_the_short_tick_back():
    driver = FakeDriver(RIG, mute=lambda now_ns: 5 * SECOND_ns < now_ns < 5.3 * SECOND_ns)
    core = FakeSequencer(RIG, plan={CycleStep.HEATING: 60.0})
    loop = make(driver, core=core, long_tick_ns=LONG_TICK_ns)
    loop.post(start(grating_recipe()))
    loop.run_until(lambda step: loop.read_faults == 1)
    failed_ns = driver.reads[-1]
    for _ in range(3):
        loop.turn()
    assert failed_ns - driver.reads[-5] == LONG_TICK_ns
    assert [at - failed_ns for at in driver.reads[-3:]] == [TICK_ns, 2 * TICK_ns, 3 * TICK_ns]


def test_every_calm_stage_is_one_that_the_core_knows():
    for step, stages in CALM_STAGES.items():
        assert stages <= {stage.name for stage in STAGES[step]}


def test_a_record_that_is_not_well_is_told_to_the_core():
    record = Forgetful(2)
    loop = make(record=record)
    for _ in range(4):
        loop.turn()
    assert [host.record_ok for host in record.hosts] == [True, True, False, False]


def test_a_record_that_raises_has_failed_for_good():
    class Raising:
        ok = True

        def __call__(self, now_ns, inputs, step):
            raise OSError("gone")

    seen = Watching()
    loop = make(sinks=[seen], record=Raising())
    for _ in range(3):
        loop.turn()
    assert [host.record_ok for host in seen.hosts] == [True, False, False]
    assert loop.sink_faults == ["record: OSError: gone"]


def test_a_sink_that_raises_is_not_called_again_and_harms_nobody():
    calls = []

    def raising(now_ns, inputs, step):
        calls.append(now_ns)
        raise LinkLost("x")

    seen = Watching()
    loop = make(sinks=[raising, seen])
    loop.turn()
    loop.turn()
    assert calls == [0]
    assert len(seen.scans) == 2
    assert [host.record_ok for host in seen.hosts] == [True, True]
    assert loop.sink_faults == ["function: LinkLost: x"]
