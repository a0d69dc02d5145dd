"""Whatever is asked, answered or broken, in whatever order: the invariants hold in every scan.

The watch of the bench raises on the first broken rule, so these tests only have to make trouble.
"""

import dataclasses
import functools

import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st

from sequencer.core.step import Sequencer
from sequencer.events import StepEntered
from sequencer.model import FAULT_STEPS, Clamp, Host, Inputs, RequestKind
from sequencer.model import CycleStep as C
from tests.core.bench import RIGS, Bench, recipe_of
from tests.core.plant_fake import between_bands, dead, not_a_number, shows, stale, wire_open
from tests.core.test_cycle_table import PROVEN

TOPICS = (
    "head_setpoint", "head_gauge", "sample_in", "supply_gauge", "hands_clear", "clamp_gauge",
    "film_gauge", "film_empty", "flow_ceased", "still_at_pressure", "clamp_open", "bottle_gauge",
    "cooling_late", "hot_release", "blank_in", "bottle_shut", "gauges_zero", "regulator_out",
    "air_shut", "air_gauge",
)  # fmt: skip
LIES = (0.0, 1e3, 1e5, 1e6, 1e7, -1.0, float("nan"), float("inf"), "clear", "not clear", "open",
        "closed", "in place", "not ready", "ceased", "still flowing", "wait", "vent now",
        "keep clamped", "release hot", "shut", None, "")  # fmt: skip
FLAWS = ("supply_stuck_open", "isolation_stuck_open", "supply_stuck_shut", "vent_stuck_shut",
         "clamp_stuck", "heater_dead")  # fmt: skip
ROLES = tuple(RIGS["instrumented"].inputs)
PLACES = (
    "start-up", "idle", "warm", "load", "hands", "announce", "fill", "try isolation", "bled again",
    "soak", "raise", "dwell", "cool", "vent", "bled", "open", "purge",
)  # fmt: skip
QUICK = recipe_of(soak="0.2 s", soak_under_clamp="0.2 s", hold="1 s", temperature="100 degC")

requests = st.tuples(
    st.just("request"), st.sampled_from(list(RequestKind)), st.booleans(), st.booleans()
)
troubles = st.one_of(
    requests,
    requests,
    st.tuples(st.just("lie"), st.sampled_from(TOPICS), st.sampled_from(LIES)),
    st.tuples(st.just("silence"), st.sampled_from(TOPICS)),
    st.tuples(
        st.just("sensor"),
        st.sampled_from(ROLES),
        st.sampled_from([dead, wire_open, not_a_number, between_bands, stale]),
    ),
    st.tuples(st.just("shows"), st.sampled_from(ROLES), st.sampled_from([0.0, 1.0, 2e4, 3e5, 2e6])),
    st.tuples(st.just("flaw"), st.sampled_from(FLAWS)),
    st.tuples(st.just("contact"), st.sampled_from(["guard_closed", "chain_ok", "logic_ok"])),
    st.tuples(st.just("air"), st.sampled_from([0.0, 0.5, 0.8, 1.0])),
    st.tuples(st.just("regulator"), st.sampled_from([0.0, 0.5, 1.06, 1.2, 1.6])),
    st.tuples(st.just("host"), st.sampled_from(["record", "late", "slept"])),
    st.just(("heal",)),
)
scripts = st.lists(
    st.tuples(troubles, st.sampled_from([0.04, 0.04, 0.08, 0.2, 0.5, 3.0, 15.0])), max_size=10
)


def bench_at(name: str, place: str) -> Bench:
    """A bench somewhere in a cycle, or as near to it as the rig comes."""
    return _bench_at(name, place).copied()


@functools.cache
def _bench_at(name: str, place: str) -> Bench:
    rig = RIGS[name]
    recipe = None if name in PROVEN else QUICK
    bench = Bench(rig, recipe)
    if place == "start-up":
        bench.tick()
    elif place == "purge":
        bench.idle()
        bench.request(RequestKind.PURGE)
    elif place == "idle":
        bench.idle()
    else:
        bench.started()
        while bench.last.stage != place and bench.last.step is not C.IDLE:
            bench.tick()
    return bench


def make(bench: Bench, trouble: tuple) -> None:
    """Make one trouble."""
    plant, person = bench.plant, bench.person
    match trouble:
        case ("request", kind, at_rig, finish):
            bench.tick(
                bench.ask(
                    kind,
                    at_rig=at_rig,
                    recipe=bench.recipe,
                    finish_cooling=finish,
                    prompt_id=max((p.prompt_id for p in bench.memory.prompts.values()), default=0),
                    value=0.0,
                    person="A. Reader" if finish else "",
                    reason="read the gauge by hand",
                )
            )
        case ("lie", topic, value):
            person.says[topic] = value
        case ("silence", topic):
            person.silent.add(topic)
        case ("sensor", role, fault):
            plant.sensors[role] = fault
        case ("shows", role, value):
            if role in bench.rig.inputs:
                plant.sensors[role] = shows(bench.rig, role, value)
        case ("flaw", name):
            setattr(plant, name, True)
        case ("contact", name):
            setattr(plant, name, not getattr(plant, name))
        case ("air", share):
            plant.air_Pa = share * 620e3
        case ("regulator", share):
            plant.regulator_Pa = share * bench.recipe.imprint.film_pressure_Pa
        case ("host", what):
            bench.host = Host(
                record_ok=what != "record",
                late_ns=200_000_000 if what == "late" else 0,
                clock_gap_ns=-900_000_000 if what == "slept" else 0,
            )
        case ("heal",):
            heal(bench)


def heal(bench: Bench) -> None:
    """Mend everything and let the person be helpful again."""
    plant = bench.plant
    plant.sensors.clear()
    for name in FLAWS:
        setattr(plant, name, False)
    plant.guard_closed = plant.chain_ok = plant.logic_ok = True
    plant.air_Pa = 620e3
    plant.air_shut = plant.bottle_shut = False
    plant.line_gas = 1.0
    plant.regulator_Pa = bench.recipe.imprint.film_pressure_Pa
    bench.host = Host()
    bench.person.says.clear()
    bench.person.silent.clear()


def come_home(bench: Bench) -> None:
    """Lead the rig back to idle as its written procedure says."""
    for _ in range(60):
        step = bench.last.step
        if step is C.IDLE:
            return
        if step in (C.FAULTED, C.SAFE_CLAMPED):
            bench.request(RequestKind.RESET)
            if bench.last.step is C.SAFE_CLAMPED:
                bench.request(RequestKind.RELEASE)
        elif step not in FAULT_STEPS and not bench.memory.stopping:
            bench.request(RequestKind.STOP)
        bench.run(19.0)
    raise AssertionError(f"no way home from {bench.last.step.value}: {bench.tail()}")


@settings(
    max_examples=120,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),  # shrinking scripts takes minutes: do it by hand
    suppress_health_check=list(HealthCheck),
)
@given(name=st.sampled_from(list(RIGS)), place=st.sampled_from(PLACES), script=scripts)
def test_no_trouble_breaks_an_invariant_and_all_ends_well(name, place, script):
    bench = bench_at(name, place)
    for trouble, then_s in script:
        make(bench, trouble)
        bench.run(then_s)
        bench.core.status(bench.now_ns)
    heal(bench)
    bench.run(1.0)
    come_home(bench)
    if bench.memory.exposure.value != "no":
        bench.request(RequestKind.RESET)
        bench.until(C.IDLE)
    answer = bench.request(RequestKind.START, recipe=bench.recipe)
    assert answer.accepted, answer.reasons


@settings(
    max_examples=20,
    deadline=None,
    derandomize=True,
    phases=(Phase.explicit, Phase.generate),
    suppress_health_check=list(HealthCheck),
)
@given(place=st.sampled_from(PLACES), script=scripts, name=st.sampled_from(list(RIGS)))
def test_a_snapshot_taken_and_restored_changes_nothing(place, script, name):
    bench = bench_at(name, place)
    other = Sequencer(bench.rig)
    other.restore(bench.core.snapshot())
    core, mirrored = bench.core, []

    class Both:
        """Steps the core and its restored twin, which is thrown away and restored each scan."""

        _memory = property(lambda self: core._memory)
        snapshot, status = core.snapshot, core.status

        def step(self, now_ns, inputs):
            nonlocal other
            one, two = core.step(now_ns, inputs), other.step(now_ns, inputs)
            assert one == two
            assert core.snapshot() == other.snapshot()
            kept = other.snapshot()
            other = Sequencer(bench.rig)
            other.restore(kept)
            mirrored.append(now_ns)
            return one

    bench.core = Both()
    for trouble, then_s in script:
        make(bench, trouble)
        bench.run(min(then_s, 3.0))
    bench.tick()
    assert mirrored


def _moves(bench):
    return [(e.left, e.step, e.cause) for e in bench.of(StepEntered)]


@pytest.mark.parametrize("name", RIGS)
def test_the_same_inputs_twice_give_the_same_outputs_and_events(name):
    one, two = Bench(RIGS[name]), Bench(RIGS[name])
    for bench in (one, two):
        bench.started().until(C.IDLE)
    assert one.events == two.events
    assert one.memory == two.memory


@pytest.mark.parametrize("name", RIGS)
def test_half_the_tick_gives_the_same_order_of_steps_and_stages(name, monkeypatch):
    whole = Bench(RIGS[name]).started().until(C.IDLE)
    monkeypatch.setattr("tests.core.bench.TICK_ns", 20_000_000)
    half = Bench(RIGS[name])
    half.tick_ns = 20_000_000
    half.started().until(C.IDLE)
    assert _moves(half) == _moves(whole)
    assert half.stages() == whole.stages()
    assert half.now_ns == pytest.approx(whole.now_ns, rel=0.05)


def test_equal_inputs_at_equal_times_do_not_depend_on_the_event_log():
    bench = Bench().to("raise")
    kept = bench.core.snapshot()
    inputs = Inputs(bench.plant.raw(bench.now_ns + 1))
    one = bench.core.step(bench.now_ns + 1, inputs)
    bench.core.restore(kept)
    assert bench.core.step(bench.now_ns + 1, inputs) == one
    assert dataclasses.replace(one.outputs, expires_ns=0).clamp is Clamp.APPLY
