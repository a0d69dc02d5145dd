"""Evidence by people and by time: typed, heard, timed; asked anew, refused, gone stale."""

import dataclasses

import pytest

from sequencer.events import EvidenceHad, Noted, PromptAsked, PromptClosed
from sequencer.model import CycleStep as C
from sequencer.model import Means, RequestKind
from tests.core.bench import GAUGES, INSTRUMENTED, Bench, at, recipe_of, rig_of

BLED_Pa = INSTRUMENTED.limits.bled_Pa

# ---- typed and by ear ---------------------------------------------------------------------------


@pytest.mark.parametrize(("name", "topic"), [("gauges", "film_empty"), ("by ear", "flow_ceased")])
def test_two_answers_some_time_apart_after_the_vent_has_had_its_time(name, topic):
    bench = at(C.VENTING, name)
    opened_ns = bench.now_ns
    before = len(bench.person.answered)
    bench.until(C.RELEASING)
    times_ns = [at_ns for said, _, at_ns in bench.person.answered[before:] if said == topic]
    assert len(times_ns) == 2
    rig = bench.rig
    assert times_ns[0] - opened_ns >= 3e9 * rig.commissioned.film_vent_s
    asked = [
        at_ns
        for at_ns, e in bench.events
        if isinstance(e, PromptAsked) and e.name == topic and at_ns > opened_ns
    ]
    assert asked[1] - times_ns[0] >= 1e9 * rig.prompts.second_reading_after_s
    [had] = [e for e in bench.of(EvidenceHad) if e.evidence == "film_bled" and e.step is C.VENTING]
    assert had.means is (Means.OPERATOR if name == "gauges" else Means.BY_EAR)


@pytest.mark.parametrize(
    ("name", "topic", "bad", "good"),
    [
        ("gauges", "film_empty", 3 * BLED_Pa, 0.0),
        ("by ear", "flow_ceased", "still flowing", "ceased"),
    ],
)
def test_a_bad_second_answer_undoes_the_first(name, topic, bad, good):
    bench = at(C.VENTING, name)
    said = iter([good, bad, good, good])
    bench.person.says[topic] = lambda: next(said)
    before = len(bench.person.answered)
    bench.until(C.RELEASING)
    answers = [value for asked, value, _ in bench.person.answered[before:] if asked == topic]
    assert answers == [good, bad, good, good]


@pytest.mark.parametrize(
    ("where", "topic", "stays"),
    [
        ("bottle", "bottle_gauge", 100e3),
        ("set-point", "head_setpoint", 150.0),
        ("warm", "head_gauge", 155.0),
        ("regulator", "supply_gauge", 500e3),
        ("fill", "clamp_gauge", 50e3),
        ("raise", "film_gauge", 500e3),
        ("open", "clamp_open", "closed"),
        ("load", "sample_in", "not ready"),
        ("hands", "hands_clear", "not clear"),
    ],
)
def test_an_answer_outside_its_band_is_asked_anew(where, topic, stays):
    bench = Bench(GAUGES).idle()
    bench.person.says[topic] = stays
    bench.started().until(where, within_s=60.0)
    begun_ns = bench.now_ns
    step = bench.last.step
    looks_again_s = 30.0 if topic == "head_gauge" else 5.0
    bench.run(40.0 + looks_again_s)
    assert (bench.last.step, bench.last.stage) == (step, where)
    asked = [at_ns for at_ns, e in bench.events if isinstance(e, PromptAsked) and e.name == topic]
    assert len([at_ns for at_ns in asked if at_ns >= begun_ns]) >= 2
    bench.person.says.clear()
    told = [event.text for event in bench.of(Noted) if "does not lead on" in event.text]
    assert told
    bench.run(14.0 + looks_again_s)
    assert (bench.last.step, bench.last.stage) != (step, where)


@pytest.mark.parametrize("value", [-1.0, 1e9, float("nan"), float("inf"), True, "120 psi", None])
def test_what_no_gauge_can_read_is_refused_and_the_question_stays(value):
    bench = Bench(GAUGES).to("raise")
    bench.person.silent.add("film_gauge")
    bench.run(3.0)
    [prompt] = bench.memory.prompts.values()
    answer = bench.request(RequestKind.ANSWER, prompt_id=prompt.prompt_id, value=value)
    assert not answer.accepted
    assert tuple(bench.memory.prompts.values()) == (prompt,)


def test_answers_come_from_the_rig_to_an_open_question_in_its_own_words():
    bench = at("load")
    bench.person.silent.add("sample_in")
    bench.tick()
    [prompt] = bench.memory.prompts.values()

    def say(**more):
        return bench.request(
            RequestKind.ANSWER, **({"prompt_id": prompt.prompt_id, "value": "in place"} | more)
        ).accepted

    assert not say(at_rig=False)
    assert not say(prompt_id=prompt.prompt_id + 1)
    assert not say(value="yes")
    assert not say(value=1.0)
    assert say()
    assert not say()
    [closed] = [e for e in bench.of(PromptClosed) if e.name == "sample_in"]
    assert closed.end == "answered"


def test_the_sample_is_in_only_if_the_guard_was_seen_open():
    bench = Bench().idle()
    bench.started().until("load")
    bench.person.silent.add("sample_in")
    for _ in range(2):
        bench.run(6.0)
        prompt = bench.memory.prompts["sample_in"]
        bench.request(RequestKind.ANSWER, prompt_id=prompt.prompt_id, value="in place")
        assert bench.last.stage == "load"
    bench.plant.guard_closed = False
    bench.run(1.0)
    bench.plant.guard_closed = True
    bench.until("regulator", within_s=8.0)


def test_hands_clear_goes_stale():
    bench = at("announce")
    bench.plant.guard_closed = False
    bench.tick()
    assert bench.last.stage == "hands"
    bench.person.silent.add("hands_clear")
    bench.plant.guard_closed = True
    bench.run(15.0)
    assert bench.last.stage == "hands"
    slow = Bench(rig_of(prompts={"announce": "12 s", "hands_clear_valid": "10 s"}))
    slow.started().until("announce")
    slow.run(10.2)
    assert slow.last.stage == "hands"


def test_hands_clear_waits_for_the_guard_no_longer_than_its_word_is_good():
    bench = at("hands")
    bench.plant.guard_closed = False
    bench.run(4.0)
    assert bench.memory.answers["hands_clear"].value == "clear"
    bench.run(8.0)
    asked = [e for e in bench.of(PromptAsked) if e.name == "hands_clear"]
    assert len(asked) == 2


def test_the_announced_delay_is_kept():
    bench = at("announce")
    began_ns = bench.now_ns
    bench.until(C.CLAMPING)
    assert bench.now_ns - began_ns >= 1e9 * bench.rig.prompts.announce_s


def test_the_film_is_read_again_and_again_in_the_dwell():
    bench = Bench(GAUGES, recipe_of(film_pressure="120 psi", hold="190 s")).to(C.HOLDING)
    bench.until(C.COOLING, within_s=250.0)
    said = [topic for topic, _, _ in bench.person.answered]
    assert said.count("still_at_pressure") == 3


# ---- timed --------------------------------------------------------------------------------------


def test_timed_waits_three_times_the_commissioned_time():
    rig = rig_of(
        "bench-gauges", evidence={"clamp_full": {"by": "timed"}, "clamp_open": {"by": "timed"}}
    )
    bench = Bench(rig, recipe_of(film_pressure="60 psi"))
    bench.to("fill")
    began_ns = bench.now_ns
    bench.until(C.PRESSURIZING, within_s=10.0)
    fill_ns = bench.now_ns - began_ns
    assert fill_ns == pytest.approx(3e9 * rig.commissioned.clamp_fill_s, abs=1e8)
    bench.until("open")
    began_ns = bench.now_ns
    bench.until(C.IDLE)
    open_ns = bench.now_ns - began_ns
    assert open_ns == pytest.approx(3e9 * rig.commissioned.clamp_release_s, abs=1e8)
    assert bench.memory.weakest is Means.TIMED


def test_time_does_not_prove_a_clamp_open_that_was_never_released():
    rig = rig_of("bench-gauges", evidence={"clamp_open": {"by": "timed"}})
    bench = Bench(rig).idle()
    assert "clamp_open" in [topic for topic, _, _ in bench.person.answered]


def test_an_electronic_regulator_is_only_watched():
    rig = rig_of(outputs={"film_setpoint": {"channel": "film set-point"}})
    bench = Bench(rig).started().until(C.IDLE)
    assert "supply_gauge" not in [topic for topic, _, _ in bench.person.answered]
    bench.started().until("raise")
    assert bench.outputs.film_setpoint_Pa == bench.recipe.imprint.film_pressure_Pa


def test_a_gauge_that_the_supply_sensor_contradicts_is_asked_anew():
    bench = at("regulator")
    bench.person.says["supply_gauge"] = bench.recipe.imprint.film_pressure_Pa
    bench.plant.regulator_Pa = 0.5 * bench.recipe.imprint.film_pressure_Pa
    bench.run(14.0)
    assert bench.last.stage == "regulator"
    assert len([t for t, _, _ in bench.person.answered if t == "supply_gauge"]) >= 2


def test_estimates_are_frozen_values():
    bench = at(C.HOLDING)
    with pytest.raises(dataclasses.FrozenInstanceError):
        bench.last.estimate.film_Pa = 0.0
