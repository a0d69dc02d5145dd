"""Requests: who may ask what where, asked twice, and what becomes of it."""

import pytest

from sequencer.errors import CoreFault
from sequencer.events import RequestAnswered, RunStarted
from sequencer.model import CycleStep as C
from sequencer.model import Inputs, RequestKind
from tests.core.bench import Bench, at, recipe_of

LOCAL = {"start", "purge", "reset", "release", "answer", "maintenance", "shelve"}


@pytest.mark.parametrize("kind", RequestKind)
def test_what_moves_the_rig_is_taken_from_the_rig_itself_only(kind):
    bench = Bench()
    bench.tick()
    answer = bench.request(kind, at_rig=False, recipe=bench.recipe)
    local = any("from the rig itself" in reason for reason in answer.reasons)
    assert local is (kind.value in LOCAL)
    assert not (local and answer.accepted)


def test_a_release_from_afar_is_refused_where_it_would_be_taken_at_the_rig():
    bench = at(C.HOLDING)
    bench.request(RequestKind.ABORT)
    bench.until(C.SAFE_CLAMPED)
    bench.request(RequestKind.RESET)
    assert not bench.request(RequestKind.RELEASE, at_rig=False).accepted
    assert bench.request(RequestKind.RELEASE).accepted


def test_the_same_request_again_gets_the_same_answer_and_does_nothing():
    bench = Bench().idle()
    start = bench.ask(RequestKind.START, recipe=bench.recipe)
    bench.tick(start, start)
    answers = [e for e in bench.fresh if isinstance(e, RequestAnswered)]
    assert [a.accepted for a in answers] == [True, True]
    assert len(bench.of(RunStarted)) == 1
    bench.until(C.IDLE)
    bench.tick(start)
    assert bench.last.step is C.IDLE
    assert bench.answer_to(start.request_id).accepted


def test_a_refused_request_stays_refused_under_its_id():
    bench = Bench()
    bench.tick()
    start = bench.ask(RequestKind.START, recipe=bench.recipe)
    bench.tick(start)
    assert not bench.answer_to(start.request_id).accepted
    bench.request(RequestKind.RESET)
    bench.until(C.IDLE)
    bench.tick(start)
    assert not bench.answer_to(start.request_id).accepted
    assert bench.last.step is C.IDLE


def test_only_the_last_requests_are_remembered():
    bench = Bench()
    for _ in range(200):
        bench.request(RequestKind.ACKNOWLEDGE)
    assert len(bench.memory.requests_seen) == 64


def test_a_start_is_refused_with_every_reason_at_once():
    bench = Bench()
    bench.plant.chain_ok = bench.plant.logic_ok = False
    bench.plant.air_Pa, bench.plant.bottle_Pa = 1e5, 2e5
    bench.plant.film_Pa, bench.plant.vent_stuck_shut = 1e5, True
    bench.tick()
    reasons = bench.request(RequestKind.START, recipe=recipe_of(film_pressure="320 psi")).reasons
    text = "; ".join(reasons)
    for word in ("idle", "stop chain", "24 V", "bled", "film sensors", "clamp", "house air",
                 "bottle", "above this rig"):  # fmt: skip
        assert word in text, word
    assert not bench.request(RequestKind.START).accepted


def test_the_guard_must_be_seen_open_again_before_the_next_run():
    bench = Bench().started().until(C.IDLE)
    bench.person.silent.add("sample_in")  # the person says so without opening it
    bench.started().until("load")
    bench.run(0.2)
    prompt = bench.memory.prompts["sample_in"]
    bench.request(RequestKind.ANSWER, prompt_id=prompt.prompt_id, value="in place")
    bench.run(1.0)
    assert bench.last.stage == "load"


@pytest.mark.parametrize("kind", [RequestKind.RESET, RequestKind.RELEASE, RequestKind.MAINTENANCE])
def test_what_leads_out_of_a_fault_has_no_place_in_a_run(kind):
    bench = at(C.HOLDING)
    entry = {"person": "A. Reader", "reason": "gauge read by hand", "value": 0.0}
    assert not bench.request(kind, **entry).accepted
    assert bench.last.step is C.HOLDING


def test_abort_from_anybody_anywhere_in_a_run_and_nowhere_else():
    assert at(C.COOLING).request(RequestKind.ABORT, at_rig=False).accepted
    bench = Bench().idle()
    assert not bench.request(RequestKind.ABORT).accepted


def test_time_never_goes_back():
    bench = Bench().idle()
    with pytest.raises(CoreFault):
        bench.core.step(bench.now_ns - 1, Inputs(bench.plant.raw(bench.now_ns - 1)))


def test_inputs_are_the_rigs_own():
    bench = Bench()
    with pytest.raises(CoreFault):
        bench.core.step(0, Inputs(bench.plant.raw(0)[:-1]))
