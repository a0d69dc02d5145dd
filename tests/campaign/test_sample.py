"""A seeded sample of the fault campaign, and that the campaign finds what is planted."""

from random import Random

import pytest

from benchmarks.campaign.cases import (
    Case,
    Verdict,
    crash_all,
    run_case,
    several,
    single,
    singles,
)
from benchmarks.campaign.injectors import BY_NAME, INJECTORS
from benchmarks.campaign.places import INSTANTS, STEPS, places
from benchmarks.campaign.report import report, story
from benchmarks.campaign.world import World
from sequencer.core.turn import Turn
from sequencer.core.turn import Verdict as Wait
from sequencer.events import Step
from simulator.faults import KINDS

SEED = 1
SINGLES, CHUNKS = 160, 8


def numbers() -> list[int]:
    rng = Random(f"{SEED} sample")
    return [rng.randrange(singles()) for _ in range(SINGLES)]


def run(kind: str, number: int, **more) -> Verdict | None:
    return run_case(Case(kind, number), SEED, compiled=False, **more)


def bad(verdicts: list[Verdict | None]) -> list[str]:
    return [
        f"{v.case.kind}:{v.case.number} {v.place} {v.injectors}: {v.broken}"
        for v in verdicts
        if v is not None and v.classed == "violation"
    ]


@pytest.mark.parametrize("chunk", range(CHUNKS))
def test_single_faults_violate_nothing_that_software_must_hold(chunk: int) -> None:
    verdicts = [run("single", number) for number in numbers()[chunk::CHUNKS]]
    assert bad(verdicts) == []
    assert sum(v is not None for v in verdicts) >= SINGLES // CHUNKS // 2


@pytest.mark.parametrize("kind", ["pair", "triple"])
def test_faults_together(kind: str) -> None:
    assert bad([run(kind, number) for number in range(8)]) == []


def test_a_crash_is_never_resumed() -> None:
    verdicts = crash_all(SEED, compiled=False, every=150)
    assert bad(verdicts) == []
    assert {"idle", "safe_clamped"} <= {v.rests for v in verdicts}
    assert len({v.place[0] for v in verdicts}) >= 6


def test_clean_cycles_raise_nothing() -> None:
    assert bad([run("clean", number) for number in range(6)]) == []


def test_there_are_enough_injectors_and_they_stand_for_something() -> None:
    assert len(INJECTORS) == len(BY_NAME) >= 60
    assert {item.kind for item in INJECTORS if item.where == "rig"} == set(KINDS)
    assert all(item.hazard for item in INJECTORS)


def test_every_step_is_struck_at_every_instant_that_it_has() -> None:
    worlds = places(SEED, compiled=False).worlds
    assert {step for step, _ in worlds} == set(STEPS)
    for step in STEPS:
        assert [i for i in INSTANTS[:6] if (step, i) not in worlds] == []
    timed = {step for step, instant in worlds if instant == "time-out"}
    assert {"heating", "clamping", "pressurizing", "holding", "venting", "tripped"} <= timed


def test_a_time_out_strikes_at_its_very_scan() -> None:
    for instant, soon in (("before time-out", 2), ("time-out", 1), ("after time-out", 1)):
        world = places(SEED, compiled=False).worlds["pressurizing", instant].copied()
        steps: list[Step] = [world.loop.turn() for _ in range(3)]
        gone = next(n for n, step in enumerate(steps, 1) if step.step.value != "pressurizing")
        assert gone == soon, instant


def test_a_number_and_a_seed_are_the_whole_case() -> None:
    number = next(n for n in numbers() if single(n, SEED, compiled=False) is not None)
    assert run("single", number) == run("single", number)
    assert several(Case("pair", 7), 1, compiled=False) == several(
        Case("pair", 7), 1, compiled=False
    )


def test_a_case_is_told_as_a_story_and_replays() -> None:
    worlds: list[World] = []
    number = _number("clamp_air_lost", "holding", "middle", 3)
    verdict = run("single", number, tell=worlds.append)
    assert verdict is not None
    assert verdict.replayed
    assert verdict.classed == "hardware"
    told = story(verdict, worlds[0])
    assert "trip_latched" in told
    assert "!! " in told
    shown = report([verdict], SEED, 1.0)
    assert f"single:{number}" in shown
    assert "What hardware must cover" in shown


def _number(name: str, step: str, instant: str, duration: int) -> int:
    which = [item.name for item in INJECTORS].index(name)
    place = (which * len(STEPS) + STEPS.index(step)) * len(INSTANTS) + INSTANTS.index(instant)
    return place * 4 + duration


def _always(_turn: Turn) -> Wait:
    return Wait.DONE


def test_planted_bled_without_proof_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    from sequencer.core.memory import Exposure
    from sequencer.core.stages import STAGES
    from sequencer.model import CycleStep

    def believed(turn: Turn) -> Wait:
        turn.memory.exposure = Exposure.NO
        return Wait.DONE

    tables = {
        step: tuple(
            replace(stage, wait=believed) if stage.name in ("vent", "bled") else stage
            for stage in STAGES[step]
        )
        for step in CycleStep
    }
    number = _number("vent_stuck_shut", "cooling", "guard true", 3)
    honest = run("single", number)
    assert honest is not None
    assert honest.classed == "ok"
    for step, table in tables.items():
        monkeypatch.setitem(STAGES, step, table)
    found = run("single", number)
    assert found is not None
    assert found.classed == "violation"
    assert {"release_under_pressure", "core_fault"} & {item.rule for item in found.broken}


def test_planted_trip_without_the_safe_image_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from sequencer.core import step as core_step

    monkeypatch.setattr(core_step, "clamp_down", lambda outputs, _turn: outputs)
    monkeypatch.setattr(core_step, "outputs_of", lambda _image, turn: turn.memory.outputs)
    found = run("single", _number("emergency_stop", "holding", "middle", 3))
    assert found is not None
    assert {"trip_not_safe_at_once", "fault_step_not_safe"} <= {i.rule for i in found.broken}


def test_planted_self_reset_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    from dataclasses import replace

    from sequencer.core.stages import STAGES
    from sequencer.model import CycleStep

    rest, *others = STAGES[CycleStep.FAULTED]
    monkeypatch.setitem(STAGES, CycleStep.FAULTED, (replace(rest, wait=_always), *others))
    found = run("single", _number("guard_open", "releasing", "middle", 1))
    assert found is not None
    assert "automatic_restart" in {item.rule for item in found.broken}
