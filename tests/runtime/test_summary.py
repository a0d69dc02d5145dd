"""The result document and the trace: numbers of a run made by hand."""

import json
import math
from itertools import pairwise

import pytest

from sequencer.events import (
    AlarmChanged,
    EvidenceHad,
    RequestAnswered,
    RunEnded,
    RunStarted,
    Step,
    StepEntered,
)
from sequencer.files import digest
from sequencer.model import (
    Clamp,
    CycleStep,
    Estimate,
    Host,
    Inputs,
    Means,
    Outputs,
    Priority,
    ProceduralState,
)
from sequencer.physics import film
from sequencer.runtime.summary import Summary
from sequencer.runtime.trace import MOST_POINTS, Point, Trace
from tests.fakes import SECOND_ns, bench_rig, grating_recipe

RIG, RECIPE = bench_rig(), grating_recipe()
KEYS = [
    "schema", "run_id", "outcome", "verified", "duration_s", "steps", "gas_used_g", "cycles_left",
    "peak_film_pressure_kPa", "peak_head_temperature_degC", "min_clamp_margin", "min_film_margin",
    "fill_fraction", "alarms", "warnings", "problems", "recipe_digest", "rig_digest",
    "limits_the_result",
]  # fmt: skip


class Run:
    """Gives scans to a summary by hand; ``now_s`` is the run's time."""

    def __init__(self, summary, began_s=100.0):
        self.summary = summary
        self.began_s = began_s
        self.step = CycleStep.IDLE

    def at(self, now_s, *events, clamp=Clamp.LEAVE, link_ok=True, record_ok=True, **seen):
        for event in events:
            if isinstance(event, StepEntered):
                self.step = event.step
        step = Step(
            Outputs(clamp=clamp), events, Estimate(**seen), self.step, "", ProceduralState.RUNNING
        )
        inputs = Inputs((), host=Host(record_ok=record_ok, link_ok=link_ok))
        self.summary(round((self.began_s + now_s) * SECOND_ns), inputs, step)


def entered(step, left=CycleStep.IDLE):
    return StepEntered(step, left, "", ProceduralState.RUNNING)


STARTED = RunStarted("cycle", RECIPE.name, "", "test")


def whole_run(summary):
    run = Run(summary)
    run.at(0.0, film_Pa=9e6, head_degC=300.0)  # before the run: none of its business
    run.at(5.0, entered(CycleStep.HEATING), STARTED, head_degC=25.0, bottle_Pa=13.1e6)
    run.at(10.0, EvidenceHad(CycleStep.HEATING, "head", Means.MEASURED, "160"), head_degC=161.5)
    run.at(11.0, entered(CycleStep.HOLDING), film_Pa=1.2e6, head_degC=160.0, clamp_margin=1.9,
           clamp_closed=True)  # fmt: skip
    run.at(12.0, film_Pa=1.3e6, head_degC=160.0, clamp_margin=1.7, clamp_closed=True)
    run.at(13.0, EvidenceHad(CycleStep.HOLDING, "film", Means.OPERATOR, "0"), film_Pa=0.0,
           head_degC=80.0)  # fmt: skip
    run.at(14.5, entered(CycleStep.IDLE), RunEnded("complete", "operator", ""), bottle_Pa=13.0e6)
    run.at(20.0, film_Pa=9e6, head_degC=300.0)  # after it: none either
    return summary


def test_the_document_has_exactly_these_keys_and_is_json():
    document = whole_run(Summary(RIG, RECIPE, run_id="r")).document()
    assert list(document) == KEYS
    json.dumps(document, allow_nan=False)


def test_the_numbers_of_a_run():
    predicted = {"gas_used_g": 5.5, "fill_fraction": 0.97, "film_intact": 1.0}
    document = whole_run(
        Summary(RIG, RECIPE, run_id="r", prediction=lambda: predicted, warnings=["thin foil"])
    ).document()
    assert (document["outcome"], document["verified"]) == ("complete", "operator")
    assert document["duration_s"] == pytest.approx(9.5)
    assert document["peak_film_pressure_kPa"] == pytest.approx(1300.0)
    assert document["peak_head_temperature_degC"] == 161.5
    assert document["min_clamp_margin"] == 1.7
    assert (document["gas_used_g"], document["fill_fraction"]) == (5.5, 0.97)
    assert document["warnings"] == ["thin foil"]
    assert document["problems"] == []
    assert (document["recipe_digest"], document["rig_digest"]) == (digest(RECIPE), digest(RIG))
    steps = [(s["step"], s["entered_s"], s["left_s"]) for s in document["steps"]]
    assert steps == [("heating", 5.0, 11.0), ("holding", 11.0, 14.5)]
    assert document["steps"][0]["evidence"] == [
        {"evidence": "head", "means": "measured", "detail": "160", "at_s": 10.0}
    ]


def test_film_margin_is_that_of_the_free_gap_when_clamped():
    # The strip formula by hand: [E' p^2 b^2 / (24 t^2)]^(1/3), E' = E/(1 - nu^2)
    # (Timoshenko & Woinowsky-Krieger 1959), with the shipped rig's b = 0.5 mm, t = 50 um.
    modulus = (2.5e9 - 2.8e6 * (160 - 23)) / (1 - 0.34**2)
    stress = (modulus * (1.3e6 * 0.5e-3) ** 2 / (24 * 50e-6**2)) ** (1 / 3)
    expected = (231e6 - 0.52e6 * (160 - 23)) / stress
    document = whole_run(Summary(RIG, RECIPE)).document()
    assert document["min_film_margin"] == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("clamp_closed", "clamp", "supported"),
    [
        (True, Clamp.LEAVE, True),
        (False, Clamp.APPLY, False),
        (None, Clamp.APPLY, True),
        (None, Clamp.RELEASE, False),
    ],
)
def test_film_margin_is_that_of_the_open_window_when_not(clamp_closed, clamp, supported):
    summary = Summary(RIG, RECIPE)
    run = Run(summary)
    run.at(0.0, STARTED)
    run.at(1.0, film_Pa=1e6, head_degC=100.0, clamp_closed=clamp_closed, clamp=clamp)
    gap = film.gap_margin(1e6, 0.5e-3, 50e-6, 100.0)
    window = film.window_margin(1e6, 25e-3, 50e-6, 100.0)
    assert summary.document()["min_film_margin"] == pytest.approx(gap if supported else window)
    assert window < gap / 2


def test_noise_of_an_empty_film_is_no_margin():
    summary = Summary(RIG, RECIPE)
    run = Run(summary)
    run.at(0.0, STARTED)
    run.at(1.0, film_Pa=0.5 * RIG.limits.bled_Pa, head_degC=100.0, clamp_closed=False)
    assert summary.document()["min_film_margin"] is None


def test_what_led_up_to_the_run_is_no_step_of_it():
    summary = Summary(RIG, RECIPE)
    run = Run(summary)
    run.at(0.0, entered(CycleStep.TRIPPED))
    run.at(1.0, entered(CycleStep.IDLE), entered(CycleStep.HEATING), STARTED)
    assert [step["step"] for step in summary.document()["steps"]] == ["heating"]


def test_cycles_left_count_whole_cycles_above_the_change_out_pressure():
    # Densities of nitrogen from CoolProp (Span et al. 2000), not from this project's own fit.
    coolprop = pytest.importorskip("CoolProp.CoolProp")

    def density(gauge_Pa):
        return coolprop.PropsSI("D", "P", gauge_Pa + 101_325.0, "T", 293.15, "Nitrogen")

    usable_kg = 49e-3 * (density(13.0e6) - density(500 * 6894.757))
    cycle_kg = 0.25e-3 * (density(180 * 6894.757) - density(0.0))
    left = whole_run(Summary(RIG, RECIPE)).document()["cycles_left"]
    assert isinstance(left, int)
    assert left == pytest.approx(usable_kg / cycle_kg, rel=0.005)


def test_what_is_not_known_is_null_and_said():
    summary = Summary(RIG, RECIPE)
    Run(summary).at(0.0, STARTED)
    document = summary.document()
    for key in ("gas_used_g", "cycles_left", "peak_film_pressure_kPa", "min_clamp_margin",
                "min_film_margin", "fill_fraction", "peak_head_temperature_degC"):  # fmt: skip
        assert document[key] is None
    assert document["outcome"] is None
    said = " ".join(document["limits_the_result"])
    assert "how far the features filled" in said
    assert "clamp margin is not known" in said


def test_weak_evidence_a_lost_link_and_a_broken_record_are_said():
    summary = Summary(RIG, RECIPE, prediction=lambda: {"fill_fraction": 1.0})
    run = Run(summary)
    run.at(0.0, STARTED)
    run.at(1.0, EvidenceHad(CycleStep.RELEASING, "clamp_open", Means.TIMED, ""))
    run.at(1.5, EvidenceHad(CycleStep.RELEASING, "clamp_open", Means.OPERATOR, ""))
    run.at(4.0, link_ok=False)
    run.at(5.0, record_ok=False, head_degC=20.0)
    document = summary.document()
    assert document["verified"] == "timed"
    said = document["limits_the_result"]
    assert "Part of the evidence is a stated time; no one saw that it sufficed." in said
    assert "The link to the rig was down for 2.5 s of the run." in said
    assert "The record of this run is not whole." in said
    assert "Fill and gas used are computed from a model of the rig, not measured." in said


def test_a_tripped_run_says_why_and_lists_its_alarms():
    summary = Summary(RIG, RECIPE)
    run = Run(summary)
    run.at(0.0, STARTED, entered(CycleStep.HEATING))
    alarm = AlarmChanged("film_over", "raised", Priority.HIGH, True, "d", "c", "q", "a")
    back = AlarmChanged("film_over", "normal", Priority.HIGH, True, "d", "c", "q", "a")
    run.at(1.0, alarm, entered(CycleStep.TRIPPED))
    run.at(2.0, back)
    run.at(3.0, entered(CycleStep.SAFE_CLAMPED), RunEnded("tripped", "measured", "film_over: 320"))
    document = summary.document()
    assert (document["outcome"], document["problems"]) == ("tripped", ["film_over: 320"])
    assert [(a["name"], a["at_s"], a["first_out"]) for a in document["alarms"]] == [
        ("film_over", 1.0, True)
    ]
    assert [s["step"] for s in document["steps"]] == ["heating", "tripped", "safe_clamped"]


def test_a_start_that_is_refused_is_an_outcome_with_every_reason():
    summary = Summary(RIG, RECIPE)
    Run(summary).at(0.0, RequestAnswered("r", "start", "me", False, ("guard open", "head cold")))
    document = summary.document()
    assert (document["outcome"], document["problems"]) == ("refused", ["guard open", "head cold"])
    assert document["duration_s"] is None


def test_other_requests_may_be_refused_without_ending_the_run():
    summary = Summary(RIG, RECIPE)
    Run(summary).at(0.0, STARTED, RequestAnswered("r", "pause", "me", False, ("not now",)))
    assert summary.document()["outcome"] is None


def test_a_check_that_refuses_is_an_outcome_too():
    summary = Summary(RIG, RECIPE)
    summary.refuse("too hot")
    assert (summary.document()["outcome"], summary.document()["problems"]) == (
        "refused",
        ["too hot"],
    )


def test_an_hour_at_20_ms_stays_small_and_keeps_its_shape():
    trace = Trace()
    for scan in range(180_000):
        now_ns = scan * 20_000_000
        if trace.due(now_ns):
            time_s = now_ns * 1e-9
            trace.add(now_ns, Point(time_s, math.sin(time_s / 300), None, None, None, None))
    points = trace.points()
    assert MOST_POINTS // 2 <= len(points) <= MOST_POINTS
    gaps_s = [b.time_s - a.time_s for a, b in pairwise(points)]
    assert max(gaps_s) <= 2.0
    assert points[0].time_s == 0.0
    assert points[-1].time_s > 3597.0
    assert max(point.film_Pa for point in points) == pytest.approx(1.0, abs=1e-3)


def test_the_summary_keeps_a_trace_of_what_was_known():
    summary = Summary(RIG, RECIPE, prediction=lambda: {"fill_fraction": 0.5})
    Run(summary).at(0.0, film_Pa=1.0, clamp_Pa=2.0, supply_Pa=3.0)
    assert summary.trace() == (Point(0.0, 1.0, 2.0, 3.0, None, 0.5),)
