"""The end-of-day bleed of both gas lines."""

import pytest

from sequencer.events import RunEnded
from sequencer.model import Clamp, RequestKind
from sequencer.model import CycleStep as C
from tests.core.bench import RIGS, Bench
from tests.core.plant_fake import shows


def purging(name="instrumented", where=None):
    bench = Bench(RIGS[name]).idle()
    assert bench.request(RequestKind.PURGE).accepted
    assert bench.last.step is C.PURGING
    return bench if where is None else bench.until(where)


@pytest.mark.parametrize("name", RIGS)
def test_both_lines_end_empty(name):
    bench = purging(name).until(C.IDLE, within_s=900.0)
    plant = bench.plant
    assert bench.of(RunEnded)[-1].outcome == "complete"
    assert plant.bottle_shut
    assert plant.air_shut
    assert plant.regulator_Pa == 0.0
    assert plant.supply_Pa <= bench.rig.limits.bled_Pa
    assert plant.air_Pa <= bench.rig.limits.clamp_open_Pa
    assert plant.film_Pa == 0.0
    assert plant.gap_Pa <= bench.rig.limits.bled_Pa
    assert not plant.clamp_closed
    assert bench.outputs.clamp is Clamp.LEAVE
    said = [topic for topic, _, _ in bench.person.answered]
    order = ["blank_in", "hands_clear", "bottle_shut", "gauges_zero", "regulator_out", "air_shut"]
    assert [topic for topic in said if topic in order] == order
    assert not any(step.heater_on for step in [bench.outputs])


def test_strokes_until_one_stays_under_the_limit():
    bench = purging().until("back out")
    strokes = bench.stages().count((C.PURGING, "stroke"))
    assert 3 <= strokes <= bench.rig.limits.purge_strokes


def test_an_open_bottle_is_found_by_the_cap_on_strokes():
    bench = purging()
    bench.person.says["bottle_shut"] = "shut"  # it is not
    bench.until(C.TRIPPED, within_s=300.0)
    assert bench.memory.trip.name == "line_not_empty"
    assert bench.stages().count((C.PURGING, "stroke")) == bench.rig.limits.purge_strokes
    assert bench.outputs.clamp is Clamp.APPLY


@pytest.mark.parametrize("name", ["instrumented", "gauges"])
def test_a_gauge_that_is_not_at_zero_wants_another_stroke(name):
    bench = purging(name)
    said = iter([50e3, 0.0])
    bench.person.says["gauges_zero"] = lambda: next(said)
    bench.until("gauges", within_s=300.0)
    before = bench.stages().count((C.PURGING, "stroke"))
    bench.until("back out", within_s=100.0)
    assert bench.stages().count((C.PURGING, "stroke")) == before + 1


@pytest.mark.parametrize("name", ["instrumented", "gauges"])
def test_an_air_gauge_that_is_not_at_zero_wants_another_stroke(name):
    bench = purging(name)
    said = iter([50e3, 0.0])
    bench.person.says["air_gauge"] = lambda: next(said)
    bench.until("air gauge", within_s=400.0)
    before = bench.stages().count((C.PURGING, "air stroke"))
    bench.until(C.IDLE, within_s=100.0)
    assert bench.stages().count((C.PURGING, "air stroke")) == before + 1


STOPS = {
    "blank": [C.IDLE],
    "announce": [C.IDLE],
    "fill": [C.RELEASING],  # nothing has reached the film yet
    "bottle shut": [C.RELEASING],
    "stroke": [C.VENTING],
    "let off": [C.VENTING],
    "gauges": [C.VENTING],
    "open": [C.RELEASING],
    "air shut": [C.RELEASING],
    "air stroke": [C.RELEASING],
    "air let off": [C.RELEASING],
}


@pytest.mark.parametrize("name", ["instrumented", "gauges"])
@pytest.mark.parametrize("where", STOPS)
def test_stop(name, where):
    bench = purging(name, where)
    before = len(bench.steps())
    closed = bench.outputs.clamp
    bench.request(RequestKind.STOP)
    assert bench.steps()[before:] == STOPS[where]
    if closed is Clamp.RELEASE:
        assert bench.outputs.clamp is Clamp.RELEASE  # never closed for a question
    bench.until(C.IDLE, within_s=300.0)
    assert bench.of(RunEnded)[-1].outcome == "stopped"


@pytest.mark.parametrize(
    ("topic", "then"),
    [
        ("blank_in", C.IDLE),
        ("hands_clear", C.IDLE),
        ("bottle_shut", C.RELEASING),
        ("gauges_zero", C.VENTING),
        ("air_shut", C.RELEASING),
        ("air_gauge", C.RELEASING),
    ],
)
def test_silence(topic, then):
    bench = purging()
    bench.person.silent.add(topic)
    bench.until(then, within_s=900.0)


@pytest.mark.parametrize(
    ("where", "then", "clamp"),
    [
        ("blank", C.FAULTED, Clamp.LEAVE),
        ("fill", C.TRIPPED, Clamp.APPLY),
        ("stroke", C.TRIPPED, Clamp.APPLY),
        ("open", C.FAULTED, Clamp.LEAVE),
        ("air shut", C.FAULTED, Clamp.LEAVE),
        ("air stroke", C.TRIPPED, Clamp.APPLY),
    ],
)
def test_trip(where, then, clamp):
    bench = purging(where=where)
    bench.plant.chain_ok = False
    bench.tick()
    assert bench.last.step is then
    assert bench.outputs.clamp is clamp


def test_a_stroke_waits_for_a_clamp_that_is_still_full():
    bench = purging(where="bottle shut")
    bench.plant.air_Pa *= 0.2
    bench.run(10.0)
    assert bench.last.stage == "bottle shut"
    bench.plant.air_Pa /= 0.2
    bench.until("stroke", within_s=5.0)


@pytest.mark.parametrize("where", ["air shut", "air stroke", "air let off"])
def test_gas_in_the_film_while_the_air_line_is_stroked_is_a_trip(where):
    bench = purging(where=where)
    bench.plant.film_Pa, bench.plant.vent_stuck_shut = 50e3, True
    bench.run(0.3)
    assert bench.memory.trip.name in ("film_unexpected", "clamp_margin")
    assert "film_unexpected" in bench.raised() or bench.last.step is not C.PURGING


def test_the_guard_may_stand_open_until_the_clamp_is_to_move():
    bench = purging()
    bench.plant.guard_closed = False
    bench.run(1.0)
    assert bench.last.step is C.PURGING
    bench.plant.guard_closed = True
    bench.until("fill")
    bench.plant.guard_closed = False
    bench.tick()
    assert bench.memory.trip.name == "guard_open"


def test_gas_seen_at_the_very_end_of_an_air_stroke_keeps_the_clamp_shut():
    bench = purging(where="air stroke")
    bench.run(bench.rig.commissioned.clamp_fill_s - 0.06)
    bench.plant.sensors = {
        "clamp_pressure": shows(bench.rig, "clamp_pressure", 600e3),
        "film_pressure": shows(bench.rig, "film_pressure", 30e3),
        "film_pressure_2": shows(bench.rig, "film_pressure_2", 30e3),
    }
    bench.until(C.TRIPPED, within_s=0.3)  # never a release: the watch looks at that
    assert bench.memory.trip.name == "film_unexpected"
    assert bench.outputs.clamp is Clamp.APPLY
