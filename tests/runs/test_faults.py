"""Faults at every step: where the run comes to rest, what tripped first, and that it replays."""

from functools import cache
from pathlib import Path
from typing import Any, NamedTuple

import pytest

from benchmarks.campaign.injectors import INJECTORS
from sequencer.config import Rig
from sequencer.events import PromptClosed
from sequencer.runtime.records import Records
from sequencer.runtime.replay import replay
from simulator.faults import KINDS
from simulator.press import piston_home
from tests.runs.bench import (
    CYCLE,
    Watched,
    assert_safe,
    fault,
    hot,
    impatient,
    quick,
    rig,
    run,
    with_options,
)

SAFE, UNSURE, FAULTED, IDLE = "safe_clamped", "vent_unconfirmed", "faulted", "idle"


class Case(NamedTuple):
    """A fault this long after a stage began; where the run rests, and its first-out name."""

    kind: str
    step: str
    stage: str
    after_s: float
    rests: str
    first_out: str
    options: tuple[tuple[str, str], ...] = ()

    def name(self) -> str:
        more = "-".join(value.split()[0] for _, value in self.options)
        return f"{self.kind}-{more}-{self.step}-{self.stage}".replace("--", "-").replace(" ", "_")


def _of(role: str) -> tuple[tuple[str, str], ...]:
    return (("role", role),)


def _size(size: str, role: str = "") -> tuple[tuple[str, str], ...]:
    return (("size", size), *(_of(role) if role else ()))


# fmt: off
PEOPLE_AND_POWER = [
    Case(kind, step, stage, after_s, rests, {"emergency_stop": "emergency_stop",
         "guard_open": "guard_open", "logic_power_lost": "logic_power"}[kind])
    for step, stage, after_s, rests in [
        ("clamping", "fill", 0.3, FAULTED),      # film untouched: the clamp is not moved again
        ("clamping", "bled again", 0.5, SAFE),
        ("pressurizing", "soak", 1.0, SAFE),
        ("pressurizing", "raise", 0.3, SAFE),
        ("holding", "dwell", 5.0, SAFE),
        ("cooling", "cool", 2.0, SAFE),
        ("venting", "vent", 0.1, SAFE),
        ("venting", "bled", 0.2, SAFE),
        ("releasing", "open", 0.1, FAULTED),
    ]
    for kind in ("emergency_stop", "guard_open", "logic_power_lost")
] + [
    Case("emergency_stop", "heating", "warm", 1.0, FAULTED, "emergency_stop"),
    Case("logic_power_lost", "heating", "warm", 1.0, FAULTED, "logic_power"),
    Case("emergency_stop", "heating", "announce", 1.0, FAULTED, "emergency_stop"),
]
LINK = [
    # Nothing is read any more, and so nothing is proven: the first of what must be known is told.
    Case("link_lost", step, stage, after_s, UNSURE, "emergency_stop")
    for step, stage, after_s in [
        ("heating", "warm", 1.0), ("clamping", "bled again", 0.5), ("holding", "dwell", 5.0),
        ("cooling", "cool", 2.0), ("venting", "vent", 0.05), ("releasing", "open", 0.1),
    ]
] + [
    Case("link_lost", "holding", "dwell", 5.0, SAFE, "emergency_stop", (("for", "0.3 s"),)),
    Case("link_lost", "heating", "warm", 1.0, FAULTED, "emergency_stop", (("for", "0.3 s"),)),
]
GAS = [
    Case("supply_stuck_open", "clamping", "fill", 0.1, SAFE, "shut_off_leaks"),
    Case("isolation_stuck_open", "clamping", "fill", 0.1, SAFE, "shut_off_leaks"),
    Case("supply_leak", "heating", "hands", 1.0, SAFE, "shut_off_leaks"),
    Case("isolation_leak", "clamping", "fill", 0.1, SAFE, "shut_off_leaks"),
    Case("supply_stuck_shut", "pressurizing", "raise", 0.3, SAFE, "step_overdue"),
    Case("isolation_stuck_shut", "pressurizing", "raise", 0.3, SAFE, "step_overdue"),
    Case("vent_stuck_open", "pressurizing", "soak", 1.0, SAFE, "step_overdue"),
    Case("vent_stuck_open", "holding", "dwell", 5.0, SAFE, "film_lost"),
    Case("vent_stuck_shut", "holding", "dwell", 5.0, UNSURE, "not_bled"),
    Case("vent_stuck_shut", "venting", "vent", 0.0, UNSURE, "not_bled"),
    Case("film_leak", "holding", "dwell", 5.0, SAFE, "film_lost", _size("2e-8 m3/(s*Pa)")),
    Case("regulator_creep", "holding", "dwell", 5.0, SAFE, "film_high_high",
         _size("1e-9 m3/(s*Pa)")),
    Case("regulator_creep", "holding", "dwell", 5.0, IDLE, "film_over"),
    Case("bottle_low", "holding", "dwell", 5.0, IDLE, "film_over"),
]
AIR = [
    Case("clamp_air_lost", "clamping", "fill", 0.1, FAULTED, "step_overdue"),
    Case("clamp_stuck", "heating", "warm", 1.0, FAULTED, "step_overdue"),
]
SENSORS = [
    Case("sensor_bad", "clamping", "bled again", 0.5, UNSURE, "film_sensor_bad",
         _of("film_pressure")),
    Case("sensor_bad", "holding", "dwell", 5.0, UNSURE, "film_sensor_bad", _of("film_pressure_2")),
    Case("sensor_bad", "venting", "vent", 0.05, UNSURE, "film_sensor_bad", _of("film_pressure")),
    Case("sensor_bad", "releasing", "open", 0.1, UNSURE, "film_sensor_bad", _of("film_pressure")),
    Case("sensor_bad", "holding", "dwell", 5.0, SAFE, "clamp_sensor_bad", _of("clamp_pressure")),
    Case("sensor_bad", "cooling", "cool", 2.0, SAFE, "clamp_sensor_bad", _of("clamp_closed")),
    Case("sensor_bad", "heating", "warm", 1.0, FAULTED, "head_sensor_bad",
         _of("head_temperature")),
    Case("sensor_bad", "holding", "dwell", 5.0, SAFE, "head_sensor_bad", _of("head_temperature_2")),
    Case("sensor_bad", "holding", "dwell", 5.0, IDLE, "supply_sensor_bad", _of("supply_pressure")),
    # Once a value has stood for its time it is bad, and stays so: nothing proves the film bled.
    Case("sensor_frozen", "heating", "hands", 1.0, UNSURE, "film_sensors_apart",
         _of("film_pressure")),
    Case("sensor_frozen", "holding", "dwell", 5.0, UNSURE, "film_sensor_bad",
         _of("film_pressure")),
    Case("sensor_frozen", "holding", "dwell", 5.0, SAFE, "head_sensors_apart",
         _of("head_temperature")),
    Case("sensor_frozen", "heating", "hands", 1.0, FAULTED, "step_overdue", _of("clamp_pressure")),
    Case("sensor_frozen", "holding", "dwell", 5.0, FAULTED, "step_overdue", _of("clamp_closed")),
    Case("sensor_offset", "holding", "dwell", 5.0, UNSURE, "film_high_high",
         _size("20 psi", "film_pressure")),
    Case("sensor_offset", "holding", "dwell", 5.0, SAFE, "head_sensors_apart",
         _size("15 K", "head_temperature_2")),
    Case("thermocouple_open", "holding", "dwell", 5.0, SAFE, "head_limit"),
    Case("thermocouple_open", "heating", "warm", 1.0, FAULTED, "head_limit"),
    Case("heater_stuck_on", "heating", "warm", 1.0, SAFE, "head_over"),
]
# fmt: on
CASES = PEOPLE_AND_POWER + LINK + GAS + AIR + SENSORS
BURSTS = {"clamp_air_lost", "clamp_leak"}


@cache
def undisturbed() -> Watched:
    return run(hot())


def struck(case: Case, records: Path | None = None) -> Watched:
    at_s = undisturbed().entered_s(case.step, case.stage) + case.after_s
    return run(impatient(hot(fault(case.kind, at_s, **dict(case.options)))), records=records)


@pytest.mark.parametrize("case", CASES, ids=Case.name)
def test_every_fault_ends_where_it_must_and_replays(case: Case, tmp_path: Path) -> None:
    records = tmp_path / "records.db"
    done = struck(case, records)
    assert done.ended is not None
    assert done.ended.step.value == case.rests, done.steps
    stopped = case.rests == IDLE
    assert done.document["outcome"] == ("stopped" if stopped else "tripped")
    assert (done.trips[:1] or done.raised[:1]) == [case.first_out]
    assert len(done.trips) <= 1, "the first-out cause is latched, and it alone"
    assert "core_fault" not in done.raised
    assert_safe(done)
    if case.rests in (SAFE, UNSURE) and case.step not in ("heating", "releasing"):
        assert piston_home(done.truth.piston_m, done.session.driver.bench().params)
    if case.rests == SAFE:
        assert done.truth.film_Pa <= rig().limits.bled_Pa
    if case.kind == "vent_stuck_shut":
        assert done.truth.film_Pa > rig().limits.bled_Pa
    first = next(alarm for alarm in done.document["alarms"] if alarm["name"] == case.first_out)
    assert first["cause"]
    assert first["action"]
    result = replay(Records(records), "last")
    assert result.identical, result.difference.line()


def test_the_table_knows_every_kind_of_fault() -> None:
    elsewhere = {"person_silent", "heater_open", "clamp_leak"}
    campaign = {injector.kind for injector in INJECTORS}
    assert {case.kind for case in CASES} | elsewhere | campaign >= set(KINDS)


def test_a_heater_that_fails_from_cold_is_found_by_its_missing_gain() -> None:
    done = run(with_options(rig(), faults=[fault("heater_open", 60.0)]))
    assert done.trips == ["head_no_gain"]
    assert done.ended is not None
    assert done.ended.step.value == FAULTED
    assert done.clamp_told == {"leave"}
    assert_safe(done)


@pytest.mark.parametrize("kind", ["clamp_air_lost", "clamp_leak"])
def test_a_lost_clamp_in_the_dwell_is_tripped_within_a_second(kind: str) -> None:
    """What the plant does then it does: here the seal lifts and the film bursts.

    What software can hold, it holds: gas shut, vent open, heater off, the clamp told to stay.
    """
    more = {"size": "1e-7 m3/(s*Pa)"} if kind == "clamp_leak" else {}
    at_s = undisturbed().entered_s("holding") + 5.0
    done = run(hot(fault(kind, at_s, **more)))
    assert done.trips[0] in ("air_lost", "clamp_margin", "film_lost")
    tripped_s = next(at for at, event in done.events if type(event).__name__ == "TripLatched")
    assert tripped_s - at_s < 1.0
    outputs = done.session.sequencer.snapshot().outputs
    assert (outputs.supply_open, outputs.isolation_open, outputs.heater_on) == (False,) * 3
    assert outputs.vent_open
    assert outputs.clamp.value == "apply"
    assert done.ended is not None
    assert done.ended.step.value == SAFE
    assert done.truth.film_Pa <= rig().limits.bled_Pa


def test_one_minute_of_small_leaks_trips_nothing() -> None:
    at_s = undisturbed().entered_s("holding") + 1.0
    done = run(hot(fault("film_leak", at_s), fault("clamp_leak", at_s)))
    assert done.document["outcome"] == "complete"
    assert done.raised == []


SILENT = [
    ("heating", "load", IDLE), ("heating", "regulator", IDLE), ("heating", "hands", IDLE),
]  # fmt: skip
SILENT_AT_GAUGES = [
    ("heating", "bottle", IDLE), ("heating", "set-point", IDLE), ("heating", "warm", IDLE),
    ("heating", "load", IDLE), ("heating", "regulator", IDLE), ("heating", "hands", IDLE),
    ("clamping", "fill", IDLE), ("pressurizing", "raise", UNSURE), ("holding", "dwell", UNSURE),
    ("cooling", "cool", UNSURE), ("venting", "bled", UNSURE), ("releasing", "open", FAULTED),
]  # fmt: skip


@pytest.mark.parametrize(("step", "stage", "rests"), SILENT)
def test_silence_on_the_instrumented_rig(step: str, stage: str, rests: str) -> None:
    at_s = undisturbed().entered_s(step, stage) + 0.01
    check_silence(run(impatient(hot(fault("person_silent", at_s)))), step, rests)


@cache
def by_gauges() -> Watched:
    return run(at_gauges(), quick("pmma-grating-low"))


def at_gauges(*faults: dict[str, Any], name: str = "bench-gauges") -> Rig:
    start = {"head_temperature": "169 degC"}
    more = {"person": {"handling": "4 s", "delay": "1.5 s"}, "head": {"loss": "0.5 W/K"}}
    return impatient(with_options(rig(name), start=start, faults=list(faults), **more))


@pytest.mark.parametrize(("step", "stage", "rests"), SILENT_AT_GAUGES)
def test_silence_where_a_person_reads_the_gauges(step: str, stage: str, rests: str) -> None:
    at_s = by_gauges().entered_s(step, stage) + 0.01
    done = run(at_gauges(fault("person_silent", at_s)), quick("pmma-grating-low"))
    if (step, stage, rests) == ("clamping", "fill", IDLE):
        # The film is untouched and the clamp is let go; nobody says that it is open.
        rests = FAULTED
    check_silence(done, step, rests)
    if rests == UNSURE:
        assert piston_home(done.truth.piston_m, done.session.driver.bench().params)


def check_silence(done: Watched, step: str, rests: str) -> None:
    assert done.ended is not None
    assert done.ended.step.value == rests, done.steps
    assert done.document["outcome"] in ("stopped", "tripped")
    closed = [event.end for _, event in done.events if isinstance(event, PromptClosed)]
    assert "unanswered" in closed
    assert "nobody answered" in done.document["problems"][0]
    assert (
        CYCLE[: CYCLE.index(step) + 1]
        == [name for name in done.steps if name in CYCLE][: CYCLE.index(step) + 1]
    )
    assert_safe(done)


@pytest.mark.parametrize("seed", range(20))
def test_twenty_clean_runs_raise_no_alarm(seed: int) -> None:
    done = run(hot(), seed=seed)
    assert done.document["outcome"] == "complete"
    assert done.document["verified"] == "measured"
    assert done.raised == []
    assert done.broken == []


def test_a_full_length_run_of_another_seed_raises_no_alarm() -> None:
    done = run(rig(), seed=20261125)
    assert (done.document["outcome"], done.raised) == ("complete", [])


@pytest.mark.parametrize("name", ["bench-gauges", "bench-by-ear"])
def test_clean_runs_without_sensors_raise_no_alarm(name: str) -> None:
    for seed in range(3):
        done = run(at_gauges(name=name), quick("pmma-grating-low"), seed=seed)
        assert (done.document["outcome"], done.raised) == ("complete", [])
