"""The search finds what it is there to find: planted bugs, each with its story, and hardware."""

import dataclasses

import pytest

from sequencer.core import cycle, evidence, outputs, stages, waits
from sequencer.core import step as core_step
from sequencer.core.memory import Exposure, Memory
from sequencer.core.turn import Verdict
from sequencer.explore import key
from sequencer.explore.job import case_of, jobs
from sequencer.explore.plant import Fault, faults_of
from sequencer.explore.rigs import cases
from sequencer.explore.search import LIVENESS, Search
from sequencer.explore.story import story
from sequencer.explore.verdict import TRUE_STATE, remedy
from sequencer.model import CycleStep as C

SUPPLY_OPEN = Fault("stuck open", "film_supply")


def staged(monkeypatch, step, name, **changes):
    """Put a changed stage into the table."""
    table = tuple(
        dataclasses.replace(item, **changes) if item.name == name else item
        for item in stages.STAGES[step]
    )
    assert table != stages.STAGES[step]
    monkeypatch.setitem(stages.STAGES, step, table)


def first_found(case="isolated", faults=()):
    """The first violation of a search, with its story."""
    search = Search(case_of(case).rig, tuple(faults))
    graph = search.run(6000, first_only=True)
    assert graph.found, f"nothing found in {graph.states} states"
    found = min(graph.found, key=lambda item: len(item.path))
    return found, "\n".join(story(search, found.path))


# ---- planted bugs: none may stay unseen --------------------------------------------------------


def let_go_unproven(patch):
    staged(patch, C.VENTING, "bled", wait=lambda _turn: Verdict.DONE)
    patch.setattr(core_step, "violations", lambda *_: ())


def supply_before_full(patch):
    def at_once(turn):
        turn.memory.clamp_found = "closed"
        return Verdict.DONE

    staged(patch, C.CLAMPING, "fill", wait=at_once)


def bled_by_time(patch):
    def by_time(turn):
        if turn.stage_age_s() < 5.0:
            return Verdict.WAIT
        turn.memory.exposure = Exposure.NO
        return Verdict.DONE

    staged(patch, C.VENTING, "bled", wait=by_time)
    staged(patch, C.VENTING, "vent", wait=by_time)


def trip_without_safe_image(patch):
    patch.setattr(core_step, "clamp_down", lambda image, _turn: image)
    patch.setattr(core_step, "violations", lambda *_: ())
    staged(patch, C.TRIPPED, "bleed", image=outputs.CLAMP_HOT)


def reset_energises(patch):
    patch.setattr(core_step, "clamp_down", lambda image, _turn: image)
    staged(patch, C.FAULTED, "bled", image=outputs.FAULT._replace(coolant=True))


def lock_left_by_time(patch):
    staged(
        patch,
        C.VENT_UNCONFIRMED,
        "locked",
        wait=lambda turn: Verdict.DONE if turn.stage_age_s() >= 5.0 else Verdict.WAIT,
    )


def row_without_its_guard(patch):
    rows = tuple(
        row._replace(when=()) if row[:2] == ("stop", C.CLAMPING) and row.when else row
        for row in cycle.TABLE
    )
    assert rows != cycle.TABLE
    patch.setattr(cycle, "TABLE", rows)


def guard_not_watched(patch):
    patch.setattr(waits, "_guard_shut", lambda _turn: True)


def margin_not_looked_at(patch):
    patch.setattr(evidence, "clamp_suffices", lambda _turn, _clamp_Pa: True)


PLANTED = {
    let_go_unproven: ("I5 ", "I9 "),
    supply_before_full: ("I1 ",),
    bled_by_time: ("I43 ", "I5 ", "I6 "),
    trip_without_safe_image: ("I13 ",),
    reset_energises: ("I13 ", "I17 "),
    lock_left_by_time: ("I15 ",),
    row_without_its_guard: ("I9 ", "I5 "),
    guard_not_watched: ("I45 ", "I32 "),
    margin_not_looked_at: ("I1 ",),
}


NEEDS = {margin_not_looked_at: [Fault("low", "clamp_air")]}  # a fault that the bug lets through


@pytest.mark.parametrize("plant", PLANTED, ids=lambda item: item.__name__)
def test_a_planted_bug_is_found_with_its_story(plant, monkeypatch):
    plant(monkeypatch)
    found, told = first_found(faults=NEEDS.get(plant, ()))
    assert found.label.startswith(PLANTED[plant]), f"{found.label}: {found.what}\n{told}"
    assert told.startswith("  0  the program starts")
    assert told.count("->") >= 2


def test_a_dead_end_is_found(monkeypatch):
    staged(monkeypatch, C.FAULTED, "rest", wait=waits.never)
    search = Search(case_of("isolated").rig)
    graph = search.run(6000)
    assert graph.complete
    assert {found.label for found in graph.found} == {LIVENESS}


# ---- what hardware is for ------------------------------------------------------------------------


def test_a_single_supply_valve_stuck_open_needs_a_second_one():
    rig = case_of("single-shut-off").rig
    found, told = first_found("single-shut-off", [SUPPLY_OPEN])
    assert found.label == TRUE_STATE
    assert "second nitrogen shut-off" in remedy(rig, found.label, found.faults)
    assert "FAULT: film supply stuck open" in told


def test_nothing_but_the_true_state_is_ever_left_to_hardware():
    rig = case_of("single-shut-off").rig
    assert not remedy(rig, "I5 anything", (SUPPLY_OPEN,))
    assert not remedy(case_of("isolated").rig, TRUE_STATE, (SUPPLY_OPEN,))


# ---- a sample of the whole, and what it stands on ------------------------------------------------


def test_a_sound_core_shows_nothing_with_a_supply_valve_stuck_open():
    search = Search(case_of("isolated").rig, (SUPPLY_OPEN,))
    graph = search.run(3000)
    assert graph.found == ()
    assert graph.edges > 4 * graph.states
    assert {C.IDLE, C.CLAMPING, C.VENT_UNCONFIRMED, C.SAFE_CLAMPED} <= graph.steps


def test_the_key_holds_every_field_of_the_memory_or_says_why_not():
    source = key.__loader__.get_data(key.__file__).decode()
    for item in dataclasses.fields(Memory):
        used = f"memory.{item.name}" in source
        assert used or key.LEFT_OUT.get(item.name), f"{item.name} is neither in nor left out"


def test_every_fault_is_dealt_to_one_job_of_its_case():
    dealt = jobs(("isolated",), doubles=False, most_states=0)
    every = faults_of(case_of("isolated").rig)
    shares = [every[job.share :: job.of] for job in dealt]
    assert sorted(fault for share in shares for fault in share) == sorted(every)
    assert {job.case for job in jobs((), doubles=True, most_states=0)} == {c.name for c in cases()}
