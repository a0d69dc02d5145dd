"""The pulse of the watchdog output: it goes on only after scans in which all was well."""

import dataclasses
import itertools

import pytest

from sequencer.core import watchdog
from sequencer.model import Clamp, Host
from sequencer.model import CycleStep as C
from sequencer.wiring import channel_values
from tests.core.bench import INSTRUMENTED, Bench, rig_of
from tests.core.plant_fake import dead, stale

RIG = rig_of(
    dead_man="watchdog_relay",
    outputs={"watchdog": {"channel": "watchdog"}},
    timing={"watchdog_drops_after": "1 s"},
)
QUARTER_s = 1.0 / watchdog.PULSES


def levels(bench, time_s):
    """The level in each scan of a time."""
    return [_tick(bench) for _ in range(round(time_s / (bench.tick_ns / 1e9)))]


def _tick(bench):
    bench.tick()
    return bench.outputs.watchdog_on


def changes(found):
    return sum(one is not other for one, other in itertools.pairwise(found))


@pytest.fixture(scope="module")
def holding():
    return Bench(RIG).to(C.HOLDING)


def test_it_pulses_several_times_in_the_relays_time_and_in_every_step(holding):
    bench = holding.copied()
    found = levels(bench, 3.0)
    longest = max(len(run) for run in _runs(found))
    assert 2 * QUARTER_s >= longest * bench.tick_ns / 1e9
    assert changes(found) >= 9
    resting = Bench(RIG)
    assert changes(levels(resting, 3.0)) >= 9  # at rest too: the relay is tried before any run


def _runs(found):
    runs, start = [], 0
    for at in range(1, len(found) + 1):
        if at == len(found) or found[at] is not found[start]:
            runs.append(found[start:at])
            start = at
    return runs


@pytest.mark.parametrize(
    "trouble",
    [
        lambda b: setattr(b, "host", Host(late_ns=160_000_000)),
        lambda b: setattr(b, "host", Host(link_ok=False)),
        lambda b: setattr(b, "read_back", (("vent", b.outputs.vent_open),)),
        lambda b: b.plant.sensors.update(emergency_stop=dead),
        lambda b: b.plant.sensors.update(head_temperature=stale),
    ],
    ids=["late", "link", "read-back", "dead contact", "stale sensor"],
)
def test_it_stops_while_anything_is_wrong_and_goes_on_after(holding, trouble):
    bench = holding.copied()
    bench.watch.rules = ()  # a rig that is kept in the dwell by force breaks them
    bench.core._armed = dict.fromkeys(C, ())
    levels(bench, 1.0)
    trouble(bench)
    assert changes(levels(bench, 2.0)) == 0
    bench.host, bench.read_back = Host(), ()
    bench.plant.sensors.clear()
    assert changes(levels(bench, 1.0)) >= 2


def test_a_contradiction_in_the_core_stops_it(holding, monkeypatch):
    bench = holding.copied()
    bench.watch.rules = ()
    levels(bench, 1.0)
    monkeypatch.setattr("sequencer.core.step.violations", lambda *_: ("made up",))
    found = levels(bench, 2.0)
    assert changes(found) == 0
    assert bench.outputs.vent_open


def test_a_sensor_that_nothing_trips_on_does_not_stop_it(holding):
    bench = holding.copied()
    bench.plant.sensors["bottle_pressure"] = dead
    assert changes(levels(bench, 2.0)) >= 6


def test_only_inputs_that_may_trip_are_required():
    needed = watchdog.required(INSTRUMENTED)
    assert "bottle_pressure" not in needed[C.HOLDING]
    assert {"film_pressure", "clamp_pressure", "emergency_stop"} <= set(needed[C.HOLDING])
    assert "clamp_pressure" not in needed[C.IDLE]


def test_a_rig_without_the_output_never_hears_of_it():
    bench = Bench(INSTRUMENTED)
    assert not any(levels(bench, 2.0))
    assert "watchdog" not in channel_values(bench.outputs, INSTRUMENTED)


def test_it_is_written_before_the_clamp_and_its_safe_value_is_off():
    values = channel_values(dataclasses.replace(_pressed(), watchdog_on=True), RIG)
    assert values["watchdog"] is True
    assert list(values).index("watchdog") < list(values).index("clamp apply")
    assert channel_values(_pressed(), RIG)["watchdog"] is False


def _pressed():
    bench = Bench(RIG)
    bench.tick()
    return dataclasses.replace(bench.outputs, clamp=Clamp.APPLY, watchdog_on=False)
