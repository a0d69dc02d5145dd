"""The simulated person does what is asked by hand, in human time, and answers only what is so."""

import pytest

from sequencer.model import Clamp, Outputs, RequestKind
from sequencer.units import PSI_Pa, ns
from simulator.driver import SimulatedDriver
from simulator.hands import TASKS
from simulator.person import NAME
from tests.simulator.cranked import Cranked, cranked

CLAMPED = Outputs(clamp=Clamp.APPLY)
PRESSED = Outputs(clamp=Clamp.APPLY, supply_open=True, isolation_open=True, vent_open=False)
TARGET_Pa = 180 * PSI_Pa
FULL = {"start": {"regulator": "180 psi", "clamp": "closed", "energised": ["film_vent"]}}


def answer(rig: Cranked, topic: str, target: float | None = None, outputs: Outputs = CLAMPED):
    """Ask, wait for at most a minute, and return the one answer."""
    rig.ask(topic, target=target)
    said = ()
    for _ in range(300):
        rig.run(0.2, outputs, tick_s=0.2)
        said += rig.driver.attendant().answers(rig.now_ns)
        if said:
            break
    assert len(said) <= 1
    return said[0] if said else None


@pytest.mark.parametrize("seed", range(12))
@pytest.mark.parametrize(("topic", "usual_s"), [("film_empty", 5.0), ("sample_in", 20.0)])
def test_answers_come_within_the_bounds_of_the_delay(seed: int, topic: str, usual_s: float) -> None:
    rig = cranked({"seed": seed})
    rig.ask(topic)
    rig.run(0.6 * usual_s - 0.02, Outputs())
    assert rig.driver.attendant().answers(rig.now_ns) == ()
    rig.run(0.8 * usual_s + 0.04, Outputs())
    (said,) = rig.driver.attendant().answers(rig.now_ns)
    assert said.kind is RequestKind.ANSWER
    assert (said.actor, said.at_rig, said.prompt_id) == (NAME, True, 1)
    assert rig.driver.attendant().answers(rig.now_ns) == ()


def test_every_prompt_gets_its_own_request_id_and_the_same_next_time() -> None:
    def ids() -> list[str]:
        rig = cranked()
        for prompt_id in (4, 5, 6):
            rig.ask("film_empty", prompt_id=prompt_id)
        rig.run(10.0, CLAMPED)
        said = rig.driver.attendant().answers(rig.now_ns)
        assert {request.prompt_id for request in said} == {4, 5, 6}
        return [request.request_id for request in said]

    assert len(set(ids())) == 3
    assert ids() == ids()


@pytest.mark.parametrize("seed", range(8))
def test_the_regulator_is_turned_until_its_gauge_shows_the_target(seed: int) -> None:
    rig = cranked({"seed": seed})
    said = answer(rig, "supply_gauge", TARGET_Pa)
    truth = rig.driver.truth().outlet_Pa
    assert truth == pytest.approx(TARGET_Pa, rel=0.02)
    assert truth != TARGET_Pa
    assert said.value == pytest.approx(truth, rel=0.02, abs=1.5 * PSI_Pa)
    assert (said.value / PSI_Pa) == pytest.approx(round(said.value / PSI_Pa), abs=1e-6)


def test_a_regulator_that_stands_too_high_stays_high_and_is_read_as_it_is() -> None:
    rig = cranked({"start": {"regulator": "250 psi"}})
    said = answer(rig, "supply_gauge", TARGET_Pa)
    assert said.value == pytest.approx(250 * PSI_Pa, rel=0.03)
    # Once the trapped gas has been let through, the same question finds the regulator right.
    rig.run(2.0, PRESSED)
    rig.run(3.0, CLAMPED)
    rig.run(3.0, PRESSED)
    rig.run(3.0, CLAMPED)
    said = answer(rig, "supply_gauge", TARGET_Pa)
    assert said.value == pytest.approx(TARGET_Pa, rel=0.03)


def test_asked_again_the_person_adjusts_again() -> None:
    rig = cranked()
    first = answer(rig, "supply_gauge", 100 * PSI_Pa)
    second = answer(rig, "supply_gauge", TARGET_Pa)
    assert first.value == pytest.approx(100 * PSI_Pa, rel=0.03)
    assert second.value == pytest.approx(TARGET_Pa, rel=0.03)


def test_the_target_is_never_echoed() -> None:
    rig = cranked({"start": {"bottle_valve": "shut"}, "bottle": {"pressure": "60 psi"}})
    rig.run(1.0, CLAMPED)
    said = answer(rig, "supply_gauge", TARGET_Pa)
    assert said.value < 65 * PSI_Pa
    assert answer(rig, "film_empty", TARGET_Pa).value == 0.0


@pytest.mark.parametrize(
    ("topic", "truth", "within_Pa"),
    [
        ("film_gauge", "film_Pa", 2 * PSI_Pa),
        ("still_at_pressure", "film_Pa", 2 * PSI_Pa),
        ("film_empty", "film_Pa", 2 * PSI_Pa),
        ("clamp_gauge", "cylinder_Pa", 2 * PSI_Pa),
        ("air_gauge", "air_line_Pa", 2 * PSI_Pa),
        ("bottle_gauge", "inlet_Pa", 25 * PSI_Pa),
    ],
)
@pytest.mark.parametrize("seed", range(5))
def test_a_gauge_is_read_within_its_error(
    seed: int, topic: str, truth: str, within_Pa: float
) -> None:
    rig = cranked(FULL | {"seed": seed})
    rig.run(3.0, PRESSED)
    said = answer(rig, topic, outputs=PRESSED)
    true_Pa = getattr(rig.driver.truth(), truth)
    assert true_Pa > 80 * PSI_Pa
    assert said.value == pytest.approx(true_Pa, rel=0.0, abs=0.01 * true_Pa + within_Pa)


def test_the_display_is_read_in_degrees() -> None:
    rig = cranked({"start": {"head_temperature": "120 degC"}})
    assert answer(rig, "head_gauge").value == pytest.approx(120.0, abs=3.0)


def test_the_higher_of_the_two_regulator_gauges_is_given() -> None:
    rig = cranked(FULL)
    assert answer(rig, "gauges_zero").value == pytest.approx(1900 * PSI_Pa, rel=0.03)


def test_who_has_no_gauge_says_nothing() -> None:
    rig = cranked(None, gauges=["clamp"])
    assert answer(rig, "film_empty") is None
    assert answer(rig, "supply_gauge", TARGET_Pa) is None
    assert answer(rig, "clamp_gauge") is not None


def test_an_unknown_question_gets_no_answer() -> None:
    assert answer(cranked(), "weather") is None


def guard_of(driver: SimulatedDriver) -> bool:
    return driver.bench().guard_closed


def test_the_stack_goes_in_through_the_guard_with_hands_out_before_the_answer() -> None:
    rig = cranked({"person": {"spread": 0.0}})
    rig.run(1.0, Outputs())
    seen: list[tuple[bool, float]] = []
    rig.ask("sample_in")
    for _ in range(20):
        rig.run(1.0, Outputs())
        seen.append((guard_of(rig.driver), rig.raw("guard_closed").value))
        said = rig.driver.attendant().answers(rig.now_ns)
        if said:
            break
    assert said[0].value == "in place"
    assert (False, 0.0) in seen
    assert seen[-1] == (True, 1.0)
    assert all(shut is (contact == 1.0) for shut, contact in seen)


def test_a_new_stack_is_cold_and_unfilled() -> None:
    rig = cranked(FULL | {"start": FULL["start"] | {"head_temperature": "160 degC"}})
    rig.run(20.0, PRESSED)
    assert rig.driver.prediction()["fill_fraction"] > 0.5
    rig.run(3.0, CLAMPED)
    rig.run(3.0, Outputs(clamp=Clamp.RELEASE))
    assert answer(rig, "sample_in", outputs=Outputs()).value == "in place"
    assert rig.driver.prediction()["fill_fraction"] == 0.0
    assert rig.driver.truth().foil_degC < 40.0


def test_no_stack_goes_into_a_closed_clamp() -> None:
    rig = cranked(FULL)
    assert answer(rig, "sample_in").value == "not ready"
    assert answer(rig, "clamp_open").value == "closed"
    rig.run(5.0, Outputs(clamp=Clamp.RELEASE))
    assert answer(rig, "clamp_open", outputs=Outputs()).value == "open"


def test_hands_are_clear_only_behind_a_shut_guard() -> None:
    rig = cranked({"start": {"guard": "open"}})
    assert answer(rig, "hands_clear").value == "clear"
    assert guard_of(rig.driver)
    rig = cranked({"faults": [{"kind": "guard_open"}]})
    assert answer(rig, "hands_clear").value == "not clear"
    assert answer(rig, "sample_in", outputs=Outputs()).value == "not ready"


def test_flow_is_heard_while_gas_flows_and_a_stuck_vent_is_silent() -> None:
    slow = FULL | {"gas": {"vent": "0.01 dm3/(s bar)"}}
    rig = cranked(slow)
    rig.run(3.0, PRESSED)
    assert answer(rig, "flow_ceased").value == "still flowing"
    rig.run(60.0, CLAMPED, tick_s=0.2)
    assert answer(rig, "flow_ceased").value == "ceased"
    deceived = cranked(FULL | {"faults": [{"kind": "vent_stuck_shut", "at": "3 s"}]})
    deceived.run(3.0, PRESSED)
    # What an ear can tell of a full film behind a stuck vent: nothing. So it is never evidence.
    assert answer(deceived, "flow_ceased").value == "ceased"
    assert deceived.driver.truth().film_Pa > 100 * PSI_Pa


def test_the_end_of_the_day_by_hand_empties_both_lines() -> None:
    rig = cranked(FULL)
    rig.run(3.0, PRESSED)
    assert answer(rig, "blank_in").value == "in place"
    assert answer(rig, "bottle_shut", outputs=CLAMPED).value == "shut"
    for _ in range(12):
        rig.run(3.0, PRESSED)
        rig.run(3.0, CLAMPED)
    assert answer(rig, "gauges_zero").value <= 2 * PSI_Pa
    assert answer(rig, "regulator_out").value == "backed out"
    assert rig.driver.bench().hands.regulator_Pa == 0.0
    assert answer(rig, "air_shut").value == "shut"
    for _ in range(8):
        rig.run(3.0, Outputs(clamp=Clamp.RELEASE))
        rig.run(3.0, CLAMPED)
    assert answer(rig, "air_gauge").value <= 5 * PSI_Pa


def test_the_controller_is_set_by_hand_where_no_channel_does_it() -> None:
    outputs = {
        "clamp": {"channel": "k", "de_energised": "apply"},
        "film_supply": {"channel": "s", "de_energised": "shut", "three_way": True},
        "heater": {"channel": "h"},
    }
    rig = cranked(None, outputs=outputs)
    assert answer(rig, "head_setpoint", 151.0).value == 151.0
    assert rig.driver.bench().actuation.heater_setpoint_degC == 151.0


@pytest.mark.parametrize(
    ("topic", "habit", "values"),
    [
        ("cooling_late", "cooling_late", ["wait", "vent now"]),
        ("hot_release", "hot_release", ["release hot", "keep clamped"]),
    ],
)
def test_choices_are_the_persons_own(topic: str, habit: str, values: list[str]) -> None:
    for value in values:
        assert answer(cranked({"person": {habit: value}}), topic).value == value


def test_the_person_understands_every_prompt() -> None:
    rig = cranked()
    for prompt_id, topic in enumerate(TASKS):
        rig.ask(topic, prompt_id=prompt_id, target=100.0)
    rig.run(40.0, Outputs(), tick_s=0.2)
    said = rig.driver.attendant().answers(rig.now_ns)
    assert {request.prompt_id for request in said} == set(range(len(TASKS)))


def test_answers_are_due_in_time_at_any_tick() -> None:
    times = []
    for tick_s in (0.02, 0.2):
        rig = cranked({"person": {"spread": 0.0, "delay": "4.1 s"}})
        rig.ask("film_empty")
        rig.run(4.0, CLAMPED, tick_s=tick_s)
        assert rig.driver.attendant().answers(rig.now_ns) == ()
        rig.run(0.2, CLAMPED, tick_s=tick_s)
        times.append(rig.driver.attendant().answers(rig.now_ns))
    assert times[0] == times[1] != ()
    assert ns(4.1) == 4_100_000_000
