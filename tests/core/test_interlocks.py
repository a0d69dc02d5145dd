"""Each interlock by name: what raises it, after how long, in which steps, and what it does.

A test of the tests runs every case again with the interlock's own test made blind: then nothing
may happen. An interlock without a case fails.
"""

import dataclasses

import pytest

from sequencer.core import heat_symptoms, interlocks, step, symptoms
from sequencer.core.interlocks import BY_NAME, INTERLOCKS, fitted, unfitted
from sequencer.events import AlarmChanged
from sequencer.model import FAULT_STEPS, Host, RequestKind
from sequencer.model import CycleStep as C
from sequencer.units import PSI_Pa
from tests.core.bench import GAUGES, INSTRUMENTED, RIGS, Bench, TICK_ns, at, recipe_of, rig_of
from tests.core.invariants import Watch
from tests.core.plant_fake import dead, shows


def plant(**values):
    """Make the plant so."""
    return lambda bench: [setattr(bench.plant, name, value) for name, value in values.items()]


def host(**values):
    return lambda bench: setattr(bench, "host", Host(**values))


def sensor(role, fault):
    return lambda bench: bench.plant.sensors.update({role: fault})


def reads(value, *roles):
    return lambda bench: bench.plant.sensors.update(
        {role: shows(bench.rig, role, value) for role in roles}
    )


FILMS = ("film_pressure", "film_pressure_2")
HEADS = ("head_temperature", "head_temperature_2")
TARGET_Pa = recipe_of().imprint.film_pressure_Pa


def clamp_at_margin(margin):
    """Clamp pressure for a margin at the recipe's film pressure: m p A_film = eta p_clamp A_cyl."""
    size = INSTRUMENTED.geometry
    area = (size.film_seal_diameter_m / size.cylinder_bore_m) ** 2
    return reads(margin * TARGET_Pa * area / size.cylinder_efficiency, "clamp_pressure")


def leaking(rate_Pa_per_s):
    """Let the true film pressure fall at a rate, whatever the valves do."""

    def leak(bench):
        began_ns = bench.now_ns
        whole_Pa = bench.plant.film_Pa

        def fallen(raw):
            left_Pa = whole_Pa - rate_Pa_per_s * (bench.now_ns - began_ns) / 1e9
            return shows(bench.rig, "film_pressure", left_Pa)(raw)

        bench.plant.sensors.update(dict.fromkeys(FILMS, fallen))
        bench.memory.leak_tested_ns = -1_000_000_000_000  # so that the next test is due

    return leak


def bottle_fallen_by(fall_Pa):
    """Let the bottle have fallen since the dwell began."""

    def fall(bench):
        bench.memory.windows["bottle"] = (bench.now_ns, bench.plant.bottle_Pa)
        bench.plant.bottle_Pa -= fall_Pa

    return fall


def head_fallen_by(fall_K):
    """Let the head read so much less than it did at its warmest since it is heated."""

    def fall(bench):
        bench.memory.windows["reversed"] = (bench.now_ns, bench.plant.head_degC)
        reads(bench.plant.head_degC - fall_K, *HEADS)(bench)

    return fall


def warming(rate_K_per_s):
    """Let the head warm at a rate, whatever the heater does."""

    def warm(bench):
        began_ns = bench.now_ns
        bench.plant.sensors.update(
            dict.fromkeys(
                HEADS,
                lambda raw: raw._replace(
                    value=25.0 + rate_K_per_s * (bench.now_ns - began_ns) / 1e9
                ),
            )
        )

    return warm


def wrong_read_back(bench):
    bench.read_back = (("vent", bench.outputs.vent_open),)  # energised is shut: so the opposite


# name: (where, trouble, trouble just short of it)
CASES = {
    "emergency_stop": (C.HOLDING, plant(chain_ok=False), None),
    "guard_open": (C.HOLDING, plant(guard_closed=False), None),
    "logic_power": (C.HOLDING, plant(logic_ok=False), None),
    "clamp_margin": (C.HOLDING, clamp_at_margin(1.24), clamp_at_margin(1.27)),
    "clamp_margin_low": (C.HOLDING, clamp_at_margin(1.38), clamp_at_margin(1.42)),
    "air_lost": (C.HOLDING, plant(air_Pa=79.0 * PSI_Pa), plant(air_Pa=81.0 * PSI_Pa)),
    "film_sensor_bad": (C.HOLDING, sensor("film_pressure_2", dead), None),
    "film_sensors_apart": (
        C.HOLDING,
        reads(TARGET_Pa - 9.2 * PSI_Pa, "film_pressure_2"),
        reads(TARGET_Pa - 8.8 * PSI_Pa, "film_pressure_2"),
    ),
    "clamp_sensor_bad": (C.HOLDING, sensor("clamp_closed", dead), None),
    "supply_sensor_bad": (C.HOLDING, sensor("supply_pressure", dead), None),
    "film_unexpected": ("warm", reads(2.1 * PSI_Pa, *FILMS), reads(1.9 * PSI_Pa, *FILMS)),
    "film_over": (
        C.HOLDING,
        reads(TARGET_Pa + 10.2 * PSI_Pa, *FILMS),
        reads(TARGET_Pa + 9.8 * PSI_Pa, *FILMS),
    ),
    "film_high_high": (
        C.HOLDING,
        reads(1.11 * TARGET_Pa, *FILMS),
        reads(1.09 * TARGET_Pa, *FILMS),
    ),
    "film_leak": (C.HOLDING, leaking(0.55 * PSI_Pa), leaking(0.45 * PSI_Pa)),
    "film_lost": (C.HOLDING, reads(0.69 * TARGET_Pa, *FILMS), reads(0.71 * TARGET_Pa, *FILMS)),
    "supply_off_set": (
        C.HOLDING,
        reads(TARGET_Pa - 8.2 * PSI_Pa, "supply_pressure"),
        reads(TARGET_Pa - 7.8 * PSI_Pa, "supply_pressure"),
    ),
    "regulator_creep": (
        C.HOLDING,
        reads(TARGET_Pa + 10.2 * PSI_Pa, "supply_pressure"),
        reads(TARGET_Pa + 9.8 * PSI_Pa, "supply_pressure"),
    ),
    "bottle_falling": (
        C.HOLDING,
        bottle_fallen_by(50.5 * PSI_Pa),
        bottle_fallen_by(49.5 * PSI_Pa),
    ),
    "out_of_band": (
        C.HOLDING,
        lambda bench: setattr(bench.memory, "out_of_band_ns", 60_100_000_000),
        lambda bench: setattr(bench.memory, "out_of_band_ns", 59_900_000_000),
    ),
    "head_sensor_bad": (C.HOLDING, sensor("head_temperature_2", dead), None),
    "head_sensors_apart": (
        C.HOLDING,
        reads(149.5, "head_temperature_2"),
        reads(150.5, "head_temperature_2"),
    ),
    "head_over": (C.HOLDING, reads(170.5, *HEADS), reads(169.5, *HEADS)),
    "head_limit": (C.COOLING, reads(260.5, *HEADS), reads(259.5, *HEADS)),
    "head_no_gain": ("warm", plant(heater_dead=True), None),
    "heater_runaway": (C.IDLE, warming(0.21), warming(0.19)),
    "thermocouple_reversed": ("warm", head_fallen_by(5.1), head_fallen_by(4.9)),
    "bottle_low": (C.HOLDING, plant(bottle_Pa=499 * PSI_Pa), plant(bottle_Pa=501 * PSI_Pa)),
    "outputs_differ": (C.HOLDING, wrong_read_back, None),
    "scan_late": (C.HOLDING, host(late_ns=151_000_000), host(late_ns=149_000_000)),
    "host_slept": (C.HOLDING, host(clock_gap_ns=-501_000_000), host(clock_gap_ns=499_000_000)),
    "record_lost": (C.HOLDING, host(record_ok=False), None),
}
RAISED = {"step_overdue", "not_bled", "shut_off_leaks", "line_not_empty", "abort", "core_fault"}
ENDS = {"trip": FAULT_STEPS, "stop": (C.VENTING,), "warn": (C.HOLDING, C.HEATING)}


def test_every_interlock_has_a_case_or_is_raised_by_name():
    assert set(CASES) | RAISED == {item.name for item in INTERLOCKS}
    assert not set(CASES) & RAISED
    assert {item.name for item in INTERLOCKS if not item.steps} == RAISED
    assert len({item.name for item in INTERLOCKS}) == len(INTERLOCKS)


def alone(name, where, *, blind=False):
    """A bench on which this interlock is the only one."""
    bench = at(where)
    bench.watch = Watch(bench.rig, rules=())
    item = BY_NAME[name]
    if blind:
        item = dataclasses.replace(item, test=lambda _turn: "")
    bench.core._armed = {other: (item,) if other in item.steps else () for other in C}
    return bench


def raised_after_s(bench, name, within_s):
    """Time from now until the alarm is raised, None if it is not."""
    began_ns = bench.now_ns
    while bench.now_ns - began_ns <= within_s * 1e9:
        bench.tick()
        if any(isinstance(e, AlarmChanged) and e.name == name for e in bench.fresh):
            return (bench.now_ns - began_ns - bench.tick_ns) / 1e9
    return None


WITHIN_s = {"head_no_gain": 70.0, "heater_runaway": 60.0}
WINDOWS_s = {  # what is a trend is looked at over a time
    "head_no_gain": INSTRUMENTED.limits.head_gain_window_s,
    "heater_runaway": heat_symptoms.HEAT_FADES_s + heat_symptoms.RUNAWAY_WINDOW_s,
    "film_leak": symptoms.SHUT_SETTLES_s + symptoms.LEAK_WINDOW_s,
}


@pytest.mark.parametrize("name", CASES)
def test_it_is_raised_after_its_delay_and_does_what_it_is_for(name):
    where, trouble, _ = CASES[name]
    item = BY_NAME[name]
    bench = alone(name, where)
    stood = bench.last.step
    trouble(bench)
    after_s = raised_after_s(bench, name, WITHIN_s.get(name, 5.0))
    assert after_s is not None
    delay_s = WINDOWS_s.get(name, item.delay_s)
    tick_s = TICK_ns / 1e9
    slack = 5.0 if name in WINDOWS_s else 2.1
    assert delay_s - 1.1 * tick_s <= after_s <= delay_s + slack * tick_s
    [told] = [e for e in bench.fresh if isinstance(e, AlarmChanged)]
    assert (told.change, told.priority) == ("raised", item.priority)
    assert told.detail
    assert bench.last.step in ENDS[item.response] or (
        item.response == "warn" and bench.last.step is stood
    )
    if item.response == "trip":
        assert told.first_out
        assert bench.memory.trip.name == name


@pytest.mark.parametrize("name", CASES)
def test_it_is_not_raised_when_its_test_is_blind(name):
    where, trouble, _ = CASES[name]
    bench = alone(name, where, blind=True)
    trouble(bench)
    assert raised_after_s(bench, name, 3.0) is None


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if case[2]])
def test_it_is_not_raised_just_short_of_its_limit(name):
    where, _, short = CASES[name]
    bench = alone(name, where)
    short(bench)
    assert raised_after_s(bench, name, WINDOWS_s.get(name, 3.5)) is None


@pytest.mark.parametrize("name", [name for name in CASES if BY_NAME[name].delay_s >= 0.1])
def test_a_break_begins_its_delay_anew(name):
    where, trouble, _ = CASES[name]
    item = BY_NAME[name]
    bench = alone(name, where)
    calm = (dict(bench.plant.sensors), bench.plant.air_Pa, bench.plant.bottle_Pa)
    held = round(item.delay_s * 1e9 / TICK_ns) - 1
    for _ in range(3):
        trouble(bench)
        for _ in range(max(1, held)):
            bench.tick()
        bench.plant.sensors, bench.plant.air_Pa, bench.plant.bottle_Pa = dict(calm[0]), *calm[1:]
        bench.read_back = ()
        bench.tick()
    assert name not in bench.raised()


ARMED = {  # one line an interlock: the steps in which it watches, in the table's order
    "emergency_stop": "all",
    "guard_open": "clamping pressurizing holding cooling venting releasing purging",
    "logic_power": "all",
    "clamp_margin": "pressurizing holding cooling purging",
    "clamp_margin_low": "pressurizing holding cooling",
    "air_lost": "pressurizing holding cooling",
    "film_sensor_bad": "clamping pressurizing holding cooling venting releasing purging",
    "film_sensors_apart": "clamping pressurizing holding cooling venting releasing purging",
    "clamp_sensor_bad": "clamping pressurizing holding cooling venting",
    "supply_sensor_bad": "pressurizing holding cooling",
    "film_unexpected": "idle heating releasing purging",
    "film_over": "pressurizing holding cooling",
    "film_high_high": "pressurizing holding cooling purging",
    "film_leak": "holding cooling",
    "film_lost": "holding cooling",
    "regulator_creep": "heating clamping pressurizing holding cooling",
    "bottle_falling": "holding cooling",
    "heater_runaway": "all",
    "thermocouple_reversed": "heating",
    "supply_off_set": "holding cooling",
    "out_of_band": "holding",
    "head_sensor_bad": "heating clamping pressurizing holding cooling venting",
    "head_sensors_apart": "heating clamping pressurizing holding cooling venting",
    "head_over": "heating clamping pressurizing holding",
    "head_limit": "all",
    "head_no_gain": "heating",
    "bottle_low": " ".join(step.value for step in C if step is not C.PURGING),
    "outputs_differ": "all",
    "scan_late": "heating clamping pressurizing holding cooling venting releasing purging",
    "host_slept": "heating clamping pressurizing holding cooling venting releasing purging",
    "record_lost": "heating clamping pressurizing holding cooling venting releasing purging",
}


@pytest.mark.parametrize("name", ARMED)
def test_the_steps_in_which_it_watches(name):
    steps = {step.value for step in BY_NAME[name].steps}
    wanted = {step.value for step in C} if ARMED[name] == "all" else set(ARMED[name].split())
    assert steps == wanted
    assert set(ARMED) == set(CASES)


DELAYS_s = {
    "clamp_margin_low": 0.5, "air_lost": 0.2, "film_sensors_apart": 0.3, "supply_sensor_bad": 0.5,
    "regulator_creep": 1.0, "bottle_falling": 2.0,
    "film_unexpected": 0.1, "film_over": 0.3, "supply_off_set": 2.0, "head_sensors_apart": 2.0,
    "head_over": 2.0, "bottle_low": 2.0, "outputs_differ": 0.2,
}  # fmt: skip


def test_the_delays_are_the_declared_ones_and_all_others_act_at_once():
    assert {item.name: item.delay_s for item in INTERLOCKS if item.delay_s} == DELAYS_s


def test_what_stops_and_what_only_warns():
    kinds = {kind: {i.name for i in INTERLOCKS if i.response == kind} for kind in ("stop", "warn")}
    assert kinds["stop"] == {
        "supply_sensor_bad",
        "film_over",
        "film_leak",
        "regulator_creep",
        "out_of_band",
        "record_lost",
    }
    assert kinds["warn"] == {"clamp_margin_low", "supply_off_set", "bottle_falling", "bottle_low"}


@pytest.mark.parametrize("name", RIGS)
def test_a_rig_has_the_interlocks_that_its_inputs_can_feed(name):
    rig = RIGS[name]
    have, have_not = fitted(rig), unfitted(rig)
    assert not set(have) & set(have_not)
    assert {i.name for i in (*have, *have_not)} == set(CASES)
    assert all(not item.reads or any(r in rig.inputs for r in item.reads) for item in have)
    assert all(not any(r in rig.inputs for r in item.reads) for item in have_not)


def test_what_a_gauges_rig_cannot_watch():
    assert [item.name for item in fitted(GAUGES)] == [
        "emergency_stop", "guard_open", "out_of_band", "outputs_differ", "scan_late",
        "host_slept", "record_lost",
    ]  # fmt: skip


def test_every_interlock_says_cause_consequence_and_action_and_a_key_that_exists():
    keys = {field.alias or name for name, field in type(INSTRUMENTED.limits).model_fields.items()}
    for item in INTERLOCKS:
        assert item.cause
        assert item.consequence
        assert item.action
        if item.limit.startswith("limits."):
            assert item.limit.removeprefix("limits.") in keys, item.name
        assert all(role in INSTRUMENTED.inputs for role in item.reads), item.name


def test_a_delay_of_one_run_does_not_count_in_the_next():
    bench = at(C.HOLDING)
    bench.plant.air_Pa = 79.0 * PSI_Pa  # a trip only after 0.2 s
    bench.tick()
    bench.request(RequestKind.STOP)
    bench.plant.air_Pa = 90.0 * PSI_Pa
    bench.until(C.IDLE)
    bench.started().until(C.PRESSURIZING)
    bench.plant.air_Pa = 79.0 * PSI_Pa  # from the first scan in which it is watched again
    bench.run(0.1)
    assert "air_lost" not in bench.raised()
    bench.run(0.2)
    assert "air_lost" in bench.raised()


def test_over_pressure_on_a_three_way_valve_is_a_normal_venting_and_high_high_a_trip():
    bench = at(C.HOLDING, "three-way")
    bench.plant.regulator_Pa = TARGET_Pa + 11.0 * PSI_Pa
    bench.until(C.VENTING, within_s=1.0)
    assert bench.memory.trip is None
    bench = at(C.HOLDING, "three-way")
    bench.plant.regulator_Pa = 1.2 * TARGET_Pa
    bench.until(C.TRIPPED, within_s=1.0)
    assert bench.memory.trip.name == "film_high_high"


def test_the_high_high_limit_never_lies_above_the_relief_valve():
    rig = rig_of(limits={"relief": "301 psi", "film_pressure": "300 psi"})
    bench = Bench(rig, recipe_of(film_pressure="290 psi")).started().until(C.HOLDING)
    reads(302.0 * PSI_Pa, *FILMS)(bench)
    bench.tick()
    assert bench.memory.trip.name == "film_high_high"


def test_head_gain_watches_only_a_head_below_its_band_at_heat():
    bench = Bench(INSTRUMENTED, recipe_of(soak="200 s")).started().until(C.CLAMPING, within_s=300.0)
    assert bench.raised() == []


def test_the_interlock_tables_of_core_and_test_are_the_same_object():
    assert step.BY_NAME is interlocks.BY_NAME
