"""What a trip does in each step: in the same scan, in the same order, to the end."""

import pytest

from sequencer.core.memory import Exposure, Memory
from sequencer.core.outputs import clamp_down
from sequencer.core.turn import Turn
from sequencer.events import RequestAnswered, TripLatched
from sequencer.model import FAULT_STEPS, Clamp, Outputs, RequestKind, Trip
from sequencer.model import CycleStep as C
from tests.core.bench import INSTRUMENTED, RIGS, Bench, at, safe
from tests.core.plant_fake import between_bands, dead, shows

HOLD, SPRING, AIR = "instrumented", "spring return", "air to clamp"


def stop_chain(bench):
    bench.plant.chain_ok = False


def guard(bench):
    bench.plant.guard_closed = False


def power(bench):
    bench.plant.logic_ok = False


FALL_BACKS = [
    # where, cause, on a rig, ends the scan in, clamp
    ("rest", stop_chain, HOLD, C.FAULTED, Clamp.LEAVE),
    ("warm", stop_chain, HOLD, C.FAULTED, Clamp.LEAVE),
    ("warm", power, HOLD, C.FAULTED, Clamp.LEAVE),
    ("announce", stop_chain, HOLD, C.FAULTED, Clamp.LEAVE),
    # A hand may be in the clamp: it lets go only where letting go takes no power.
    ("fill", stop_chain, SPRING, C.FAULTED, Clamp.RELEASE),
    ("fill", guard, SPRING, C.FAULTED, Clamp.RELEASE),
    ("fill", stop_chain, HOLD, C.FAULTED, Clamp.LEAVE),
    ("fill", guard, HOLD, C.FAULTED, Clamp.LEAVE),
    ("fill", stop_chain, AIR, C.FAULTED, Clamp.LEAVE),
    ("fill", power, SPRING, C.FAULTED, Clamp.APPLY),
    ("fill", power, HOLD, C.FAULTED, Clamp.APPLY),
    # Once gas stands behind the supply valve the clamp is held.
    ("bled again", stop_chain, SPRING, C.TRIPPED, Clamp.APPLY),
    *(
        (where, cause, rig, C.TRIPPED, Clamp.APPLY)
        for where in ("soak", "raise", "dwell", "cool", "bled")
        for cause in (stop_chain, guard, power)
        for rig in (HOLD, SPRING)
    ),
    ("open", stop_chain, HOLD, C.FAULTED, Clamp.LEAVE),
    ("open", guard, HOLD, C.FAULTED, Clamp.LEAVE),
    ("open", power, HOLD, C.FAULTED, Clamp.RELEASE),
]


def standing(where, name=HOLD):
    if where == "rest":
        return Bench(RIGS[name]).idle()
    return at(where, name)


@pytest.mark.parametrize(("where", "cause", "rig", "then", "clamp"), FALL_BACKS)
def test_fall_back(where, cause, rig, then, clamp):
    bench = standing(where, rig)
    stood_in = bench.last.step
    cause(bench)
    step = bench.tick()
    assert step.step is then
    assert safe(step.outputs)
    assert step.outputs.clamp is clamp
    [trip] = bench.of(TripLatched)
    assert trip.step is stood_in
    assert (trip.name, stood_in) == (bench.memory.trip.name, bench.memory.trip.step)


@pytest.mark.parametrize("where", ["rest", "warm"])
def test_pressure_at_an_open_clamp_is_not_confirmed(where):
    bench = standing(where)
    bench.plant.gap_Pa = 1e6
    bench.plant.supply_stuck_open = bench.plant.isolation_stuck_open = True
    bench.plant.vent_stuck_shut = True
    bench.until(C.VENT_UNCONFIRMED, within_s=0.5)
    assert bench.memory.trip.name == "film_unexpected"
    assert bench.outputs.clamp is Clamp.LEAVE  # never onto a possible hand


def test_pressure_while_releasing_re_applies_a_clamp_that_has_not_opened():
    bench = at("open")
    bench.plant.clamp_stuck = True  # still shut, still full
    bench.plant.sensors["film_pressure"] = lambda raw: raw._replace(value=5.0)
    bench.until(C.VENT_UNCONFIRMED, within_s=0.3)
    assert bench.outputs.clamp is Clamp.APPLY
    assert bench.raised() == ["film_unexpected"]


def test_pressure_while_releasing_leaves_a_clamp_that_has_begun_to_open():
    bench = at("open")
    bench.run(0.6)
    bench.plant.sensors["film_pressure"] = lambda raw: raw._replace(value=8.0)
    bench.plant.sensors["film_pressure_2"] = lambda raw: raw._replace(value=8.0)
    bench.plant.clamp_Pa = 1e3
    bench.until(C.VENT_UNCONFIRMED, within_s=0.3)
    assert bench.outputs.clamp is Clamp.LEAVE


@pytest.mark.parametrize(
    ("contact", "clamp_Pa", "told"),
    [
        (1.0, 600e3, Clamp.APPLY),
        (1.0, 1e3, Clamp.LEAVE),  # still shut, but with nothing behind it
        (0.0, 600e3, Clamp.LEAVE),  # still full, but no longer shut
        (None, 600e3, Clamp.LEAVE),
    ],
)
def test_a_releasing_clamp_is_re_applied_only_while_shut_and_strong(contact, clamp_Pa, told):
    bench = at("open")
    bench.plant.sensors = {
        "clamp_closed": dead if contact is None else shows(bench.rig, "clamp_closed", contact),
        "clamp_pressure": shows(bench.rig, "clamp_pressure", clamp_Pa),
        "film_pressure": shows(bench.rig, "film_pressure", 30e3),
        "film_pressure_2": shows(bench.rig, "film_pressure_2", 30e3),
    }
    bench.until(C.VENT_UNCONFIRMED, within_s=0.3)
    assert bench.outputs.clamp is told


def test_a_bad_film_sensor_while_releasing_counts_as_pressure():
    bench = at("open")
    bench.plant.sensors["film_pressure_2"] = dead
    bench.tick()
    assert bench.last.step is C.VENT_UNCONFIRMED


def test_clamping_with_an_unknown_film_holds():
    bench = at("fill", SPRING)
    stop_chain(bench)
    bench.plant.sensors["film_pressure"] = dead
    assert bench.tick().step is C.TRIPPED
    assert bench.outputs.clamp is Clamp.APPLY


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("where", [C.PRESSURIZING, C.HOLDING, C.COOLING, C.VENTING])
def test_the_way_home_from_a_trip(name, where):
    bench = at(where, name)
    bench.request(RequestKind.ABORT)
    assert bench.last.step is C.TRIPPED
    bench.until(C.SAFE_CLAMPED)
    assert bench.of(TripLatched)[0].name == "abort"
    refused = bench.request(RequestKind.RELEASE)
    assert refused.reasons == ("reset first",)
    before = bench.outputs
    assert bench.request(RequestKind.RESET).accepted
    bench.run(5.0)
    assert bench.last.step is C.SAFE_CLAMPED  # the reset clears the latch only
    assert bench.outputs.clamp is before.clamp
    assert bench.memory.trip is None
    assert bench.request(RequestKind.RELEASE).accepted
    bench.until(C.IDLE)
    assert [topic for topic, _, _ in bench.person.answered].count("hands_clear") == 2


def test_the_first_out_stays_and_later_causes_are_alarms():
    bench = at(C.HOLDING)
    bench.plant.logic_ok = False
    bench.tick()
    bench.plant.chain_ok = False
    bench.run(1.0)
    assert bench.memory.trip.name == "logic_power"
    assert bench.raised() == ["logic_power", "emergency_stop"]
    assert len(bench.of(TripLatched)) == 1


def test_of_two_causes_in_one_scan_the_graver_is_first_out_and_both_are_told():
    bench = at(C.HOLDING)
    bench.plant.chain_ok = bench.plant.guard_closed = False
    bench.tick()
    assert bench.memory.trip.name == "emergency_stop"
    assert bench.raised() == ["emergency_stop", "guard_open"]


def test_requests_in_the_scan_of_a_trip_are_dropped_for_good():
    bench = at(C.HOLDING)
    bench.plant.chain_ok = False
    pause = bench.ask(RequestKind.PAUSE, request_id="p")
    reset = bench.ask(RequestKind.RESET, request_id="r")
    bench.tick(pause, reset)
    answers = [e for e in bench.fresh if isinstance(e, RequestAnswered)]
    assert [a.accepted for a in answers] == [False, False]
    bench.plant.chain_ok = True
    bench.until(C.SAFE_CLAMPED)
    bench.tick(reset)  # the same one again: it was dropped and stays so
    assert bench.memory.trip is not None
    assert not bench.answer_to("r").accepted


def test_what_stands_behind_an_abort_in_the_same_scan_is_dropped():
    bench = at("fill")
    abort, reset = bench.ask(RequestKind.ABORT), bench.ask(RequestKind.RESET)
    bench.tick(abort, reset)
    assert bench.last.step is C.FAULTED
    assert not bench.answer_to(reset.request_id).accepted
    bench.run(30.0)
    assert bench.last.step is C.FAULTED


def test_a_trip_closes_every_open_question():
    bench = at("load")
    bench.person.silent.add("sample_in")
    bench.tick()
    assert bench.memory.prompts
    bench.plant.chain_ok = False
    bench.tick()
    assert not bench.memory.prompts
    assert not bench.memory.answers


def test_reset_is_refused_while_the_cause_stands():
    bench = at("warm")
    bench.plant.chain_ok = False
    bench.tick()
    refused = bench.request(RequestKind.RESET)
    assert any("emergency_stop" in reason for reason in refused.reasons)
    bench.plant.chain_ok = True
    bench.tick()
    assert bench.request(RequestKind.RESET).accepted
    bench.until(C.IDLE)


@pytest.mark.parametrize("where", ["hands", "clamp"])
def test_a_cause_on_the_way_back_ends_the_way_back(where):
    if where == "hands":
        bench = at(C.HOLDING)
        bench.request(RequestKind.ABORT)
        bench.until(C.SAFE_CLAMPED)
        bench.request(RequestKind.RESET)
        bench.person.silent.add("hands_clear")
        bench.request(RequestKind.RELEASE)
    else:
        bench = at("warm")
        bench.request(RequestKind.ABORT)
        bench.person.silent.add("film_empty")
        bench.request(RequestKind.RESET)
    bench.run(1.0)
    stands = bench.last.step
    assert bench.last.stage != "rest"
    bench.plant.chain_ok = False
    bench.tick()
    assert (bench.last.step, bench.last.stage) == (stands, "rest")
    bench.plant.chain_ok = True
    bench.person.silent.clear()
    bench.run(60.0)
    assert (bench.last.step, bench.last.stage) == (stands, "rest")  # a person asks anew
    if where == "hands":
        assert bench.request(RequestKind.RELEASE).reasons == ("reset first",)


def test_a_release_waits_for_a_film_that_reads_bled_in_that_very_scan():
    bench = at(C.HOLDING)
    bench.request(RequestKind.ABORT)
    bench.until(C.SAFE_CLAMPED)
    bench.request(RequestKind.RESET)
    bench.person.delay_s = 0.0
    bench.plant.sensors["film_pressure_2"] = between_bands
    bench.tick(bench.ask(RequestKind.RELEASE))
    assert bench.last.step is C.SAFE_CLAMPED
    bench.run(1.0)
    assert bench.last.step is C.VENT_UNCONFIRMED


def test_a_hot_release_waits_for_a_film_that_reads_bled_in_that_very_scan():
    bench = at(C.HOLDING)
    hot = lambda raw: raw._replace(value=160.0)  # noqa: E731
    bench.plant.sensors = {"head_temperature": hot, "head_temperature_2": hot}
    bench.request(RequestKind.STOP)
    bench.person.silent.add("hot_release")
    bench.until("word")
    bench.run(1.0)
    bench.person.silent.clear()
    bench.plant.sensors["film_pressure"] = lambda raw: raw._replace(value=4.5)
    bench.until(C.VENT_UNCONFIRMED, within_s=0.3)  # and never RELEASE: the watch looks at that
    assert bench.outputs.clamp is Clamp.APPLY


def test_evidence_lost_in_safe_clamped_goes_back():
    for lose in (
        lambda bench: bench.plant.sensors.update(film_pressure=dead),
        lambda bench: (
            setattr(bench.plant, "film_Pa", 30e3) or setattr(bench.plant, "vent_stuck_shut", True)
        ),
    ):
        bench = at(C.HOLDING)
        bench.request(RequestKind.ABORT)
        bench.until(C.SAFE_CLAMPED)
        lose(bench)
        bench.until(C.VENT_UNCONFIRMED, within_s=0.3)
        assert bench.outputs.clamp is Clamp.APPLY
        assert "not_bled" in bench.raised()


def test_pressure_in_faulted_goes_to_vent_unconfirmed():
    bench = at("warm")
    bench.request(RequestKind.ABORT)
    assert bench.last.step is C.FAULTED
    bench.plant.film_Pa, bench.plant.vent_stuck_shut = 30e3, True
    bench.until(C.VENT_UNCONFIRMED, within_s=0.3)
    assert bench.outputs.clamp is Clamp.LEAVE


# ---- vent_unconfirmed and the maintenance entry --------------------------------------------------


def unconfirmed(name="gauges"):
    bench = at(C.HOLDING, name)
    bench.person.silent |= {"film_empty", "flow_ceased"}
    bench.request(RequestKind.ABORT)
    return bench.until(C.VENT_UNCONFIRMED, within_s=700.0)


ENTRY = {"person": "A. Reader", "reason": "gauge read by hand", "value": 0.0}


@pytest.mark.parametrize(
    ("change", "wanted"),
    [
        ({"person": " "}, "name the person"),
        ({"reason": "why"}, "write down the reason"),
        ({"value": None}, "gauge"),
        ({"value": "zero"}, "gauge"),
        ({"value": True}, "gauge"),
        ({"value": 50e3}, "gauge"),
        ({"value": -1.0}, "gauge"),
        ({"value": float("nan")}, "gauge"),
        ({"at_rig": False}, "from the rig itself"),
    ],
)
def test_a_maintenance_entry_says_who_what_and_why(change, wanted):
    bench = unconfirmed()
    refused = bench.request(RequestKind.MAINTENANCE, **(ENTRY | change))
    assert not refused.accepted
    assert wanted in refused.reasons[0]
    assert bench.last.step is C.VENT_UNCONFIRMED


def test_a_maintenance_entry_leads_to_safe_clamped_and_moves_nothing():
    bench = unconfirmed()
    assert bench.request(RequestKind.MAINTENANCE, **ENTRY).accepted
    assert bench.last.step is C.SAFE_CLAMPED
    assert bench.outputs.clamp is Clamp.APPLY
    assert not bench.request(RequestKind.MAINTENANCE, **ENTRY).accepted


def test_a_maintenance_entry_does_not_outweigh_a_sensor():
    bench = at(C.HOLDING)
    bench.plant.vent_stuck_shut = True
    bench.request(RequestKind.ABORT)
    bench.until(C.VENT_UNCONFIRMED)
    bench.request(RequestKind.MAINTENANCE, **ENTRY)
    bench.until(C.VENT_UNCONFIRMED, within_s=0.5)
    bench.run(1.0)
    assert bench.last.step is C.VENT_UNCONFIRMED


def test_an_exception_in_the_core_ends_in_the_safe_image_of_the_same_scan(monkeypatch):
    bench = at(C.HOLDING)
    bench.watch.rules = ()
    monkeypatch.setattr("sequencer.core.step.watch_film", lambda *_: 1 / 0)
    step = bench.tick()
    assert step.step is C.TRIPPED
    assert safe(step.outputs)
    assert step.outputs.clamp is Clamp.APPLY
    assert bench.memory.trip.name == "core_fault"


def test_the_last_net_catches_an_image_that_no_stage_should_have(monkeypatch):
    from sequencer.core import stages
    from sequencer.core.outputs import FEED

    bench = at(C.VENTING)
    bench.watch.rules = ()
    bad = tuple(
        stages.Stage(s.name, FEED, s.wait, s.waits_for, s.usual, s.limit, s.needed)
        for s in stages.STAGES[C.VENTING]
    )
    monkeypatch.setitem(stages.STAGES, C.VENTING, bad)
    step = bench.tick()
    assert bench.memory.trip.name == "core_fault"
    assert safe(step.outputs)
    assert step.outputs.clamp is Clamp.APPLY


def test_a_blink_of_pressure_in_safe_clamped_is_proven_away():
    bench = at(C.HOLDING)
    bench.request(RequestKind.ABORT)
    bench.until(C.SAFE_CLAMPED)
    bench.plant.sensors["film_pressure"] = lambda raw: raw._replace(value=4.3)
    bench.tick()
    bench.plant.sensors.clear()
    bench.until(C.VENT_UNCONFIRMED, within_s=0.3)
    bench.until(C.SAFE_CLAMPED, within_s=10.0)
    bench.request(RequestKind.RESET)
    assert bench.request(RequestKind.RELEASE).accepted
    bench.until(C.IDLE)


EVERYTHING_ON = Outputs(Clamp.RELEASE, True, True, False, True, 160.0, True, 1e6)


@pytest.mark.parametrize("stands", ["trip", *FAULT_STEPS])
@pytest.mark.parametrize("exposure", Exposure)
def test_the_clamp_down_forces_every_output_whatever_the_image_says(stands, exposure):
    memory = Memory(step=C.HOLDING if stands == "trip" else stands, exposure=exposure)
    memory.trip = Trip("abort", 0, C.HOLDING, "") if stands == "trip" else None
    memory.fallback_clamp = Clamp.RELEASE
    out = clamp_down(EVERYTHING_ON, Turn(INSTRUMENTED, 0, memory))
    assert safe(out)
    assert out.heater_setpoint_degC == 0.0
    assert out.clamp is (Clamp.RELEASE if exposure is Exposure.NO else Clamp.LEAVE)


def test_the_clamp_down_leaves_a_normal_image_alone():
    memory = Memory(step=C.HOLDING)
    assert clamp_down(EVERYTHING_ON, Turn(INSTRUMENTED, 0, memory)) is EVERYTHING_ON


def second(where, name=HOLD):
    """At a stage of a second cycle: nothing has reached the film since it was proven bled."""
    bench = at(C.RELEASING, name).until(C.IDLE)
    return bench.started().until(where)


def test_gas_between_the_shut_offs_counts_as_touched():
    bench = second("bled again", SPRING)
    assert bench.memory.exposure is Exposure.NO
    stop_chain(bench)
    assert bench.tick().step is C.TRIPPED
    bench = second("bled again")
    bench.request(RequestKind.STOP)
    assert bench.last.step is C.VENTING


def test_a_film_that_was_exposed_counts_as_touched_though_it_reads_empty():
    bench = at("try isolation", SPRING)  # of the first cycle, whose gap had to be drained
    assert bench.memory.exposure is Exposure.YES
    aborted = at("try isolation", SPRING)
    bench.request(RequestKind.STOP)
    assert bench.last.step is C.VENTING
    stop_chain(aborted)
    assert aborted.tick().step is C.TRIPPED


def test_an_untouched_film_lets_the_second_cycle_go_at_once():
    bench = second("try isolation", SPRING)
    assert bench.memory.exposure is Exposure.NO
    stop_chain(bench)
    assert bench.tick().step is C.FAULTED
    assert bench.outputs.clamp is Clamp.RELEASE
