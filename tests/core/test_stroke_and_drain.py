"""Strokes of a vent that does not work, and the gap's gas let off under clamp before a release."""

import pytest

from sequencer.core.memory import Gap
from sequencer.core.waits import STROKE_AFTER_VENTS, VENT_STROKES, VENT_STROKE_s
from sequencer.events import Noted
from sequencer.model import Clamp, RequestKind
from sequencer.model import CycleStep as C
from sequencer.units import PSI_Pa
from tests.core.bench import at, safe
from tests.core.plant_fake import shows


def vents(bench, time_s):
    """How often the vent was shut in a time, and for how long at most."""
    shut, longest, runs = 0, 0, 0
    for _ in range(round(time_s * 1e9 / bench.tick_ns)):
        bench.tick()
        if bench.outputs.vent_open:
            shut = 0
        else:
            runs += shut == 0
            shut += 1
            longest = max(longest, shut)
    return runs, longest * bench.tick_ns / 1e9


def unconfirmed(name="instrumented"):
    bench = at(C.HOLDING, name)
    bench.plant.vent_stuck_shut = True
    bench.request(RequestKind.ABORT)
    return bench.until(C.VENT_UNCONFIRMED)


def test_a_stuck_vent_is_stroked_three_times_and_then_left_open():
    bench = unconfirmed()
    usual_s = bench.rig.commissioned.film_vent_s
    runs, longest_s = vents(bench, (VENT_STROKES + 1) * STROKE_AFTER_VENTS * usual_s + 5.0)
    assert runs == VENT_STROKES == 3
    assert longest_s <= VENT_STROKE_s + 0.1
    assert vents(bench, 60.0) == (0, 0.0)
    assert safe(bench.outputs)
    assert bench.last.step is C.VENT_UNCONFIRMED
    assert [e.text for e in bench.of(Noted)][-1] == "vent stroke 3 of 3"


def test_a_stroke_that_frees_the_vent_leads_to_the_proof():
    bench = unconfirmed()
    bench.until("vent stroke")
    bench.plant.vent_stuck_shut = False
    bench.until(C.SAFE_CLAMPED)
    assert bench.memory.vent_strokes == 0  # counted anew each time


@pytest.mark.parametrize("name", ["three-way", "three-way isolated"])
def test_a_three_way_valve_is_never_stroked_for_that_would_open_the_supply(name):
    bench = unconfirmed(name)
    assert vents(bench, 60.0) == (0, 0.0)
    assert not bench.outputs.supply_open


def test_an_empty_film_or_one_that_nothing_shows_is_not_stroked():
    bench = at(C.HOLDING, "gauges two valves")
    bench.person.silent.add("film_empty")
    bench.request(RequestKind.ABORT)
    bench.until(C.VENT_UNCONFIRMED, within_s=2000.0)
    assert vents(bench, 60.0) == (0, 0.0)


def test_a_stroke_ends_at_once_when_the_film_rises():
    bench = unconfirmed()
    bench.until("vent stroke")
    bench.tick()
    bench.plant.film_Pa += 10.0 * PSI_Pa
    bench.tick()
    assert bench.last.stage == "locked"


def test_without_the_stop_chain_the_vent_is_not_stroked():
    bench = unconfirmed()
    bench.until("vent stroke")
    bench.plant.chain_ok = False
    bench.tick()
    assert bench.outputs.vent_open
    bench.run(3.0)
    assert vents(bench, 30.0)[0] == 0


# ---- the gap ------------------------------------------------------------------------------------


def safe_clamped(name="instrumented"):
    bench = at(C.HOLDING, name)
    bench.request(RequestKind.ABORT)
    bench.until(C.SAFE_CLAMPED)
    assert bench.request(RequestKind.RESET).accepted
    return bench


def test_the_gap_is_drained_under_clamp_before_a_release():
    bench = safe_clamped()
    assert bench.memory.gap is Gap.CHARGED
    assert bench.request(RequestKind.RELEASE).accepted
    bench.until("drain gap")
    bench.tick()
    out = bench.outputs
    assert (out.supply_open, out.isolation_open, out.vent_open) == (True, False, True)
    assert out.clamp is Clamp.APPLY
    bench.until("bled")
    assert bench.memory.gap is Gap.EMPTY
    bench.until(C.RELEASING)
    assert bench.plant.gap_Pa == 0.0
    bench.until(C.IDLE)


def test_no_drain_where_there_is_no_gap():
    bench = safe_clamped("no isolation")
    bench.request(RequestKind.RELEASE)
    bench.until(C.RELEASING)
    assert "drain gap" not in [s for step, s in bench.stages() if step is C.SAFE_CLAMPED]


def test_gas_in_the_gap_waits_for_a_full_clamp():
    bench = safe_clamped()
    bench.plant.air_Pa *= 0.3
    bench.run(2.0)
    answer = bench.request(RequestKind.RELEASE)
    assert any("between the shut-offs" in reason for reason in answer.reasons)
    bench.plant.air_Pa /= 0.3
    bench.run(2.0)
    assert bench.request(RequestKind.RELEASE).accepted


def test_a_trip_in_the_drain_shuts_the_supply_in_the_same_scan():
    bench = safe_clamped()
    bench.request(RequestKind.RELEASE)
    bench.until("drain gap")
    bench.tick()
    assert bench.outputs.supply_open
    bench.plant.chain_ok = False
    bench.tick()
    assert safe(bench.outputs)
    assert bench.last.step is C.SAFE_CLAMPED
    bench.run(1.0)
    assert safe(bench.outputs)


def test_a_film_that_stays_up_after_the_drain_is_unconfirmed():
    bench = safe_clamped()
    bench.request(RequestKind.RELEASE)
    bench.until("drain gap")
    full = {role: shows(bench.rig, role, 60.0 * PSI_Pa) for role in bench.rig.film_roles}
    bench.plant.sensors.update(full)
    bench.until(C.VENT_UNCONFIRMED, within_s=60.0)
    assert bench.outputs.clamp is Clamp.APPLY
