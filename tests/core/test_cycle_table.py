"""Every row of the cycle table, on the rigs: what leads on, what stop, silence and time lead to."""

import pytest

from sequencer.events import RunEnded
from sequencer.model import Clamp, ProceduralState, RequestKind
from sequencer.model import CycleStep as C
from tests.core.bench import (
    FITTED,
    GAUGES,
    INSTRUMENTED,
    RIGS,
    SEALED,
    TYPED,
    Bench,
    recipe_of,
    rig_of,
    safe,
)

NORMAL = [
    C.IDLE, C.HEATING, C.CLAMPING, C.PRESSURIZING, C.HOLDING, C.COOLING, C.VENTING, C.RELEASING,
    C.IDLE,
]  # fmt: skip
PROVEN = {"gauges": "operator", "gauges two valves": "operator", "by ear": "by_ear"}


@pytest.mark.parametrize("name", RIGS)
def test_a_whole_cycle(name):
    bench = Bench(RIGS[name]).started().until(C.IDLE)
    assert bench.steps() == NORMAL
    assert bench.raised() == []
    [end] = bench.of(RunEnded)
    assert (end.outcome, end.verified) == ("complete", PROVEN.get(name, "measured"))
    assert bench.last.procedural_state is ProceduralState.COMPLETE
    assert bench.outputs.clamp is Clamp.LEAVE
    assert safe(bench.outputs)


@pytest.mark.parametrize("name", FITTED)
def test_a_second_cycle_needs_nobody_at_a_gauge(name):
    bench = Bench(FITTED[name]).started().until(C.IDLE)
    before = len(bench.person.answered)
    bench.started().until(C.IDLE)
    assert bench.steps()[1:] == NORMAL[1:] * 2
    assert [topic for topic, _, _ in bench.person.answered[before:]] == [
        "sample_in", "supply_gauge", "hands_clear",
    ]  # fmt: skip


OUTPUTS = {  # supply, isolation, vent, clamp, heater, coolant
    C.IDLE: (0, 0, 1, Clamp.LEAVE, 0, 0),
    C.HEATING: (0, 0, 1, Clamp.LEAVE, 1, 0),
    C.CLAMPING: (0, 0, 1, Clamp.APPLY, 1, 0),
    C.PRESSURIZING: (0, 0, 1, Clamp.APPLY, 1, 0),
    C.HOLDING: (1, 1, 0, Clamp.APPLY, 1, 0),
    C.COOLING: (1, 1, 0, Clamp.APPLY, 0, 1),
    C.VENTING: (0, 0, 1, Clamp.APPLY, 0, 0),
    C.RELEASING: (0, 0, 1, Clamp.RELEASE, 0, 0),
}


def image(outputs):
    return (
        outputs.supply_open, outputs.isolation_open, outputs.vent_open, outputs.clamp,
        outputs.heater_on, outputs.coolant_on,
    )  # fmt: skip


@pytest.mark.parametrize("step", OUTPUTS)
def test_outputs_in_the_scan_that_enters_a_step(step):
    bench = Bench()
    if step is C.IDLE:
        bench.idle()
    else:
        bench.to(step)
    assert image(bench.outputs) == OUTPUTS[step]
    if bench.outputs.heater_on:
        target_degC = bench.recipe.imprint.temperature_degC
        assert bench.outputs.heater_setpoint_degC == target_degC


def test_outputs_under_gas_and_of_a_sealed_hold():
    bench = Bench().to("raise")
    assert image(bench.outputs) == (1, 1, 0, Clamp.APPLY, 1, 0)
    sealed = Bench(SEALED).to(C.HOLDING)
    assert image(sealed.outputs) == (0, 0, 0, Clamp.APPLY, 1, 0)
    sealed.until(C.COOLING)
    assert image(sealed.outputs) == (0, 0, 0, Clamp.APPLY, 0, 1)


def test_outputs_of_the_proof_and_the_drain():
    bench = Bench().to("drain gap")
    assert bench.last.step is C.CLAMPING
    assert image(bench.outputs)[:4] == (1, 0, 1, Clamp.APPLY)
    bench.until("try isolation")
    assert image(bench.outputs)[:4] == (1, 0, 0, Clamp.APPLY)
    bench.until("try supply")
    assert image(bench.outputs)[:4] == (0, 1, 0, Clamp.APPLY)
    bench.until("bled again")
    assert image(bench.outputs)[:4] == (0, 0, 1, Clamp.APPLY)
    bench.until(C.VENTING).until("drain gap")
    assert image(bench.outputs)[:4] == (1, 0, 1, Clamp.APPLY)


def test_a_three_way_valve_vents_whenever_it_does_not_feed():
    bench = Bench(FITTED["three-way"]).started()
    while bench.last.step is not C.IDLE:
        step = bench.tick()
        assert step.outputs.vent_open is not step.outputs.supply_open


# ---- on stop ------------------------------------------------------------------------------------

STOPS = {
    C.HEATING: [C.IDLE],
    "fill": [C.RELEASING, C.IDLE],
    "bled again": [C.VENTING, C.RELEASING, C.IDLE],  # the gap behind the supply valve is charged
    "soak": [C.VENTING, C.RELEASING, C.IDLE],
    "raise": [C.VENTING, C.RELEASING, C.IDLE],
    C.HOLDING: [C.VENTING, C.RELEASING, C.IDLE],
    C.COOLING: [C.VENTING, C.RELEASING, C.IDLE],
    C.VENTING: [C.RELEASING, C.IDLE],
    C.RELEASING: [C.IDLE],
}


@pytest.mark.parametrize("where", STOPS)
def test_stop(where):
    bench = Bench().to(where)
    before = len(bench.steps())
    assert bench.request(RequestKind.STOP, at_rig=False).accepted  # anybody may stop
    assert not bench.outputs.heater_on or bench.last.step is C.CLAMPING
    if bench.last.step is not C.IDLE:
        bench.until(C.IDLE)
    assert bench.steps()[before:] == STOPS[where]
    [end] = bench.of(RunEnded)
    assert end.outcome == "stopped"
    assert bench.last.procedural_state is ProceduralState.STOPPED


@pytest.mark.parametrize("name", TYPED)
@pytest.mark.parametrize("where", ["load", "fill", "raise", C.HOLDING, C.COOLING, C.VENTING])
def test_stop_on_rigs_that_people_read(name, where):
    bench = Bench(RIGS[name]).to(where)
    bench.request(RequestKind.STOP)
    bench.until(C.IDLE)
    assert bench.of(RunEnded)[-1].outcome == "stopped"
    assert bench.raised() == []


def test_stop_with_finish_cooling_cools_first_and_a_second_stop_does_not():
    bench = Bench(recipe=recipe_of(temperature="170 degC")).to(C.COOLING)
    bench.request(RequestKind.STOP, finish_cooling=True)
    assert bench.last.step is C.COOLING
    assert bench.last.procedural_state is ProceduralState.STOPPING
    bench.run(0.5)
    assert bench.last.step is C.COOLING
    bench.request(RequestKind.STOP)
    assert bench.last.step is C.VENTING


def test_a_fault_that_stops_wins_over_finish_cooling():
    bench = Bench().to(C.COOLING)
    bench.request(RequestKind.STOP, finish_cooling=True)
    bench.plant.regulator_Pa += bench.rig.limits.film_over_Pa * 1.2
    bench.until(C.VENTING, within_s=1.0)
    assert "film_over" in bench.raised()


@pytest.mark.parametrize("step", [C.IDLE, C.FAULTED, C.TRIPPED])
def test_nothing_to_stop(step):
    bench = Bench().idle() if step is C.IDLE else Bench()
    if step is C.TRIPPED:
        bench.to(C.HOLDING).request(RequestKind.ABORT)
    else:
        bench.tick()
    assert bench.last.step is step
    assert not bench.request(RequestKind.STOP).accepted


# ---- nobody answers -----------------------------------------------------------------------------

SILENCES = [
    # rig, silent on, where it stands, where silence leads
    (INSTRUMENTED, "sample_in", C.HEATING, C.IDLE),
    (INSTRUMENTED, "supply_gauge", C.HEATING, C.IDLE),
    (INSTRUMENTED, "hands_clear", C.HEATING, C.IDLE),
    (GAUGES, "bottle_gauge", C.HEATING, C.IDLE),
    (GAUGES, "head_setpoint", C.HEATING, C.IDLE),
    (GAUGES, "head_gauge", C.HEATING, C.IDLE),
    (GAUGES, "clamp_gauge", C.CLAMPING, C.RELEASING),
    (GAUGES, "film_gauge", C.PRESSURIZING, C.VENTING),
    (GAUGES, "film_empty", C.VENTING, C.VENT_UNCONFIRMED),
    (GAUGES, "clamp_open", C.RELEASING, C.FAULTED),
]


@pytest.mark.parametrize(("rig", "topic", "step", "then"), SILENCES)
def test_silence(rig, topic, step, then):
    bench = Bench(rig).idle()
    bench.person.silent.add(topic)
    bench.started().until(step).until(then, within_s=700.0)
    assert bench.steps()[-2:] == [step, then]
    if then is C.IDLE:
        assert bench.last.procedural_state is ProceduralState.STOPPED
        assert bench.of(RunEnded)[-1].reason.startswith("nobody answered in time")
    if then is C.VENT_UNCONFIRMED:
        bench.run(2000.0)
        assert bench.last.step is C.VENT_UNCONFIRMED
        assert bench.outputs.clamp is Clamp.APPLY


def test_silence_in_the_dwell_and_in_cooling():
    rig = FITTED["instrumented"]
    typed = Bench(GAUGES, recipe_of(film_pressure="120 psi", hold="10 min"))
    typed.person.silent.add("still_at_pressure")
    typed.to(C.HOLDING).until(C.VENTING, within_s=300.0)
    late = Bench(rig)
    late.person.silent.add("cooling_late")
    late.to(C.COOLING)
    hot = lambda raw: raw._replace(value=159.0)  # noqa: E731
    late.plant.sensors = {"head_temperature": hot, "head_temperature_2": hot}
    late.until(C.VENTING, within_s=400.0)
    assert late.of(RunEnded) == []
    assert not late.memory.cooled


def test_silence_at_the_word_for_a_hot_release():
    bench = Bench(recipe=recipe_of(demold=None))
    bench.person.silent.add("hot_release")
    bench.to(C.HOLDING)
    hot = lambda raw: raw._replace(value=160.0)  # noqa: E731
    bench.plant.sensors = {"head_temperature": hot, "head_temperature_2": hot}
    bench.until("word").until(C.FAULTED, within_s=700.0)
    assert bench.outputs.clamp is Clamp.APPLY  # it was never told to let go


def test_cooling_that_comes_late_waits_as_long_as_the_person_wishes():
    bench = Bench()
    bench.person.says["cooling_late"] = "wait"
    bench.to(C.COOLING)
    stuck = lambda raw: raw._replace(value=120.0)  # noqa: E731
    bench.plant.sensors = {"head_temperature": stuck, "head_temperature_2": stuck}
    bench.run(600.0)
    assert bench.last.step is C.COOLING
    asked = [topic for topic, _, _ in bench.person.answered].count("cooling_late")
    assert 3 <= asked <= 5
    bench.plant.sensors = {}
    bench.until(C.VENTING, within_s=5.0)
    assert bench.memory.cooled


# ---- out of time --------------------------------------------------------------------------------


def _never_full(bench):
    bench.plant.air_Pa = 0.3 * bench.plant.air_Pa


def _never_warm(bench):
    bench.plant.heater_dead = True


def _never_rises(bench):
    bench.plant.supply_stuck_shut = True


def _never_bled(bench):
    bench.plant.vent_stuck_shut = True


def _never_opens(bench):
    bench.plant.clamp_stuck = True


OVERDUE = [
    (C.CLAMPING, "fill", _never_full, C.FAULTED, "step_overdue"),
    (C.PRESSURIZING, "raise", _never_rises, C.TRIPPED, "step_overdue"),
    (C.VENTING, "vent", _never_bled, C.VENT_UNCONFIRMED, "not_bled"),
    (C.RELEASING, "open", _never_opens, C.FAULTED, "step_overdue"),
]


@pytest.mark.parametrize(("step", "stage", "fault", "then", "alarm"), OVERDUE)
def test_out_of_time(step, stage, fault, then, alarm):
    bench = Bench().to(step)
    fault(bench)
    bench.until(then, within_s=60.0)
    assert bench.steps()[-2:] == [step, then]
    assert bench.memory.trip.name == alarm
    assert stage in bench.memory.trip.detail
    assert safe(bench.outputs)


def test_a_head_that_never_warms_ends_in_faulted_without_gain():
    bench = Bench().idle()
    _never_warm(bench)
    bench.started().until(C.FAULTED)
    assert bench.memory.trip.name == "head_no_gain"


def test_a_head_just_outside_its_band_is_overdue():
    bench = Bench()
    near = lambda raw: raw._replace(value=min(raw.value, 157.0))  # noqa: E731
    bench.plant.sensors = {"head_temperature": near, "head_temperature_2": near}
    bench.started().until(C.FAULTED, within_s=400.0)
    assert bench.memory.trip.name == "step_overdue"


def test_tripped_with_a_blocked_vent_is_never_confirmed_and_never_released():
    bench = Bench().to(C.HOLDING)
    bench.plant.vent_stuck_shut = True
    bench.request(RequestKind.ABORT)
    assert bench.last.step is C.TRIPPED
    bench.until(C.VENT_UNCONFIRMED, within_s=30.0)
    bench.run(600.0)
    for kind in (RequestKind.RESET, RequestKind.RELEASE, RequestKind.STOP, RequestKind.START):
        assert not bench.request(kind, recipe=bench.recipe).accepted
    assert bench.last.step is C.VENT_UNCONFIRMED
    assert bench.outputs.clamp is Clamp.APPLY
    bench.plant.vent_stuck_shut = False  # the person opens the hand bleed
    bench.until(C.SAFE_CLAMPED, within_s=10.0)


def test_a_gap_that_takes_long_to_drain_is_given_its_time():
    bench = Bench(rig_of(commissioned={"gap_drain": "15 s"})).started().until(C.IDLE)
    assert bench.steps() == NORMAL
