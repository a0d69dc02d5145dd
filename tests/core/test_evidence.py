"""Each piece of evidence by each means; and that no reading in doubt ever permits anything."""

import pytest

from sequencer.core.evidence import FALLEN_TO, PEAK_TELLS
from sequencer.core.memory import Exposure
from sequencer.events import EvidenceHad
from sequencer.model import Clamp, RequestKind
from sequencer.model import CycleStep as C
from tests.core.bench import INSTRUMENTED, Bench, at, recipe_of, rig_of
from tests.core.invariants import Watch
from tests.core.plant_fake import (
    as_raw,
    between_bands,
    dead,
    not_a_number,
    shows,
    stale,
    wire_open,
)

BLED_Pa = INSTRUMENTED.limits.bled_Pa
DOUBTS = {
    "dead": dead,
    "wire open": wire_open,
    "not a number": not_a_number,
    "between the bands": between_bands,
    "stale": stale,
}
LOOPS = tuple(r for r in INSTRUMENTED.inputs if INSTRUMENTED.inputs[r].scaling.kind != "linear")

# Each stage that waits for evidence, with the roles whose readings prove it.
NEEDS = {
    "warm": ("head_temperature", "head_temperature_2"),
    "regulator": ("supply_pressure",),
    "hands": ("guard_closed",),
    "announce": ("guard_closed",),
    "fill": ("clamp_pressure", "clamp_closed"),
    "try isolation": ("film_pressure", "film_pressure_2"),
    "try supply": ("film_pressure", "film_pressure_2"),
    "bled again": ("film_pressure", "film_pressure_2"),
    "soak": ("head_temperature", "head_temperature_2", "clamp_pressure", "clamp_closed"),
    "raise": ("film_pressure", "film_pressure_2"),
    "dwell": ("film_pressure", "film_pressure_2", "head_temperature", "head_temperature_2"),
    "cool": ("head_temperature", "head_temperature_2"),
    "vent": ("film_pressure", "film_pressure_2"),
    "bled": ("film_pressure", "film_pressure_2"),
    "open": ("clamp_pressure", "clamp_closed"),
}
CASES = [
    (stage, role, doubt)
    for stage, roles in NEEDS.items()
    for role in roles
    for doubt in DOUBTS
    if not (doubt in ("wire open", "between the bands") and role not in LOOPS)
]


ELSEWHERE = (C.FAULTED, C.TRIPPED, C.VENT_UNCONFIRMED, C.SAFE_CLAMPED, C.IDLE)


def still_there(bench, step, stage):
    """Neither this stage's end nor a step that follows on evidence has come."""
    here = (bench.last.step, bench.last.stage)
    back = ((C.HEATING, "hands"), (C.VENTING, "vent"))
    return here == (step, stage) or here in back or bench.last.step in ELSEWHERE


@pytest.mark.parametrize(("stage", "role", "doubt"), CASES)
def test_no_reading_in_doubt_permits_anything(stage, role, doubt):
    bench = at(stage)
    step = bench.last.step
    had = {e.evidence for e in bench.of(EvidenceHad) if e.step is step}
    bench.plant.sensors[role] = DOUBTS[doubt]
    # The interlocks are taken away, so that only the evidence itself can refuse.
    bench.core._armed = dict.fromkeys(C, ())
    bench.watch = Watch(bench.rig, rules=())
    bench.run(6.0)
    assert still_there(bench, step, stage), (bench.last.step, bench.last.stage)
    assert {e.evidence for e in bench.of(EvidenceHad) if e.step is step} <= had


@pytest.mark.parametrize(
    "stage", ["try isolation", "try supply", "bled again", "raise", "vent", "bled"]
)
def test_disagreeing_film_sensors_permit_nothing(stage):
    bench = at(stage)
    step = bench.last.step
    apart_Pa = 1.1 * bench.rig.limits.twin_pressure_Pa
    raw = as_raw(bench.rig, "film_pressure", apart_Pa) - 4.0
    bench.plant.sensors["film_pressure_2"] = lambda item: item._replace(value=item.value - raw)
    bench.core._armed = dict.fromkeys(C, ())
    bench.watch = Watch(bench.rig, rules=())
    bench.run(4.0)
    assert (bench.last.step, bench.last.stage) == (step, stage)


@pytest.mark.parametrize("stage", ["warm", "soak", "cool"])
def test_disagreeing_head_sensors_permit_nothing(stage):
    bench = at(stage)
    step = bench.last.step
    bench.plant.sensors["head_temperature_2"] = lambda raw: raw._replace(value=raw.value - 10.5)
    bench.core._armed = dict.fromkeys(C, ())
    bench.run(9.0)
    assert (bench.last.step, bench.last.stage) == (step, stage)


def test_a_frozen_reading_is_bad():
    rig = rig_of(inputs={"film_pressure": {"frozen_after": "1 s"}})
    bench = Bench(rig)
    bench.run(2.0)
    reading = bench.last.estimate.readings["film_pressure"]
    assert not reading.good
    assert "frozen" in reading.reason
    assert bench.last.estimate.film_known is False


# ---- measured, with its dwell -------------------------------------------------------------------


def test_clamp_full_by_sensor_needs_its_margin_for_its_dwell():
    rig, recipe = INSTRUMENTED, recipe_of()
    bench = at("fill")
    size, limits = rig.geometry, rig.limits
    area = (size.film_seal_diameter_m / size.cylinder_bore_m) ** 2
    # eta p A = m p A, solved for the clamp's pressure
    need_Pa = limits.clamp_permit * recipe.imprint.film_pressure_Pa * area
    need_Pa /= size.cylinder_efficiency
    bench.plant.air_Pa = 0.995 * need_Pa
    bench.run(6.0)
    assert bench.last.stage == "fill"
    bench.plant.air_Pa = 1.005 * need_Pa
    began_ns = bench.now_ns
    bench.until("drain gap", "try isolation", within_s=2.0)
    assert (bench.now_ns - began_ns) / 1e9 >= rig.evidence.clamp_full.dwell_s


def test_the_clamp_must_hold_the_supply_where_it_stands_above_the_recipe():
    bench = at("hands")
    bench.core._armed = dict.fromkeys(C, ())  # the watch over the regulator would end the run
    bench.plant.regulator_Pa *= 2.0
    bench.plant.air_Pa *= 0.6  # enough for the recipe, not for twice as much
    bench.until(C.CLAMPING).run(6.0)
    assert bench.last.stage == "fill"
    bench.plant.regulator_Pa /= 2.0
    bench.until("drain gap", "try isolation", within_s=2.0)


def test_the_clamp_must_still_be_full_when_the_supply_opens():
    bench = at("soak")
    bench.core._armed = dict.fromkeys(C, ())
    bench.plant.air_Pa *= 0.3
    bench.run(8.0)
    assert bench.last.stage == "soak"
    bench.plant.air_Pa /= 0.3
    bench.until("raise", within_s=5.0)


@pytest.mark.parametrize(
    ("stage", "role"),
    [
        ("warm", "head_temperature"),
        ("regulator", "supply_pressure"),
        ("raise", "film_pressure"),
    ],
)
def test_bands(stage, role):
    bench = at(stage)
    step, limits, imprint = bench.last.step, bench.rig.limits, bench.recipe.imprint
    if role == "head_temperature":
        near, far = imprint.temperature_degC - limits.head_band_K, 0.5
        twins = ("head_temperature", "head_temperature_2")
    else:
        band_Pa = limits.supply_band_Pa if stage == "regulator" else limits.film_band_Pa
        near, far = imprint.film_pressure_Pa - band_Pa, 0.1 * band_Pa
        twins = (role, "film_pressure_2") if stage == "raise" else (role,)
    for twin in twins:
        bench.plant.sensors[twin] = shows(bench.rig, twin, near - far)
    bench.run(4.0)
    assert (bench.last.step, bench.last.stage) == (step, stage)
    for twin in twins:
        bench.plant.sensors[twin] = shows(bench.rig, twin, near + far)
    bench.run(4.0)
    assert (bench.last.step, bench.last.stage) != (step, stage)


def test_a_break_in_the_band_begins_the_dwell_anew():
    bench = at("raise")
    bench.until("raise")
    while bench.last.estimate.film_Pa < bench.recipe.imprint.film_pressure_Pa - 1e3:
        bench.tick()
    bench.run(0.8)
    fault = shows(bench.rig, "film_pressure", bench.recipe.imprint.film_pressure_Pa - 6e4)
    bench.plant.sensors = {"film_pressure": fault, "film_pressure_2": lambda raw: fault(raw)}
    bench.tick()
    bench.plant.sensors = {}
    bench.run(0.8)
    assert bench.last.stage == "raise"
    bench.until(C.HOLDING, within_s=0.5)


# ---- the proof of the shut-offs -----------------------------------------------------------------


@pytest.mark.parametrize("flaw", ["isolation_stuck_open", "supply_stuck_open"])
def test_a_shut_off_that_does_not_shut_is_found(flaw):
    bench = at("fill")
    setattr(bench.plant, flaw, True)
    bench.until(C.TRIPPED, within_s=15.0)
    assert bench.memory.trip.name == "shut_off_leaks"
    assert bench.memory.trip.step is C.CLAMPING


# ---- bled ---------------------------------------------------------------------------------------


def bleeding(exposure, peaks_Pa, film_Pa=0.0):
    """A tripped rig whose film is told to have been exposed so."""
    bench = at(C.HOLDING)
    bench.plant.film_Pa = film_Pa
    bench.request(RequestKind.ABORT)
    bench.memory.exposure, bench.memory.peaks_Pa = exposure, peaks_Pa
    bench.watch = Watch(bench.rig, rules=())
    bench.plant.sensors = {
        role: shows(bench.rig, role, film_Pa) for role in ("film_pressure", "film_pressure_2")
    }
    bench.person.silent.add("film_empty")
    return bench


def test_bled_unexposed_needs_only_the_readings():
    bench = bleeding(Exposure.NO, ())
    bench.run(1.5)
    assert bench.last.step is C.TRIPPED
    bench.until(C.SAFE_CLAMPED, within_s=1.0)


def test_bled_after_a_telling_peak_needs_only_the_readings():
    bench = bleeding(Exposure.YES, (PEAK_TELLS * BLED_Pa, 9e5), 0.55 * BLED_Pa)
    bench.until(C.SAFE_CLAMPED, within_s=3.0)


def test_bled_needs_a_fall_by_four_fifths_of_every_peak():
    film_Pa = 0.95 * BLED_Pa
    peak_Pa = film_Pa / FALLEN_TO
    bench = bleeding(Exposure.YES, (1.01 * peak_Pa, 0.99 * peak_Pa), film_Pa)
    bench.run(8.0)
    assert bench.last.step is C.TRIPPED
    bench.memory.peaks_Pa = (1.01 * peak_Pa, 1.01 * peak_Pa)
    bench.until(C.SAFE_CLAMPED, within_s=1.0)


@pytest.mark.parametrize(
    ("exposure", "peaks_Pa"),
    [
        (Exposure.YES, (0.99 * PEAK_TELLS * BLED_Pa, 9e5)),
        (Exposure.YES, ()),
        (Exposure.UNKNOWN, (9e5, 9e5)),
        (Exposure.UNKNOWN, ()),
    ],
)
def test_bled_without_a_telling_peak_needs_the_gauge_besides(exposure, peaks_Pa):
    bench = bleeding(exposure, peaks_Pa)
    bench.run(8.0)
    assert bench.last.step is C.TRIPPED
    assert "film_empty" in bench.memory.prompts
    bench.person.silent.clear()
    bench.person.says["film_empty"] = 1.1 * BLED_Pa
    bench.run(3.0)
    assert bench.last.step is C.TRIPPED
    bench.person.says["film_empty"] = 0.9 * BLED_Pa
    bench.until(C.SAFE_CLAMPED, within_s=10.0)


def test_bled_needs_its_time_without_a_break():
    bench = bleeding(Exposure.NO, ())
    bench.run(1.8)
    quiet = dict(bench.plant.sensors)
    bench.plant.sensors["film_pressure"] = shows(bench.rig, "film_pressure", 1.1 * BLED_Pa)
    bench.tick()
    bench.plant.sensors = quiet
    bench.memory.exposure = Exposure.NO
    bench.run(1.9)
    assert bench.last.step is C.TRIPPED
    bench.until(C.SAFE_CLAMPED, within_s=0.3)


def test_a_film_sensor_that_never_moved_does_not_prove_a_bled_film():
    rig = rig_of(inputs={"film_pressure_2": None})
    bench = Bench(rig).to("raise")
    bench.plant.sensors["film_pressure"] = shows(rig, "film_pressure", 0.0)
    bench.person.says["film_empty"] = lambda: bench.plant.film_Pa
    bench.plant.vent_stuck_shut = True
    bench.until(C.VENT_UNCONFIRMED, within_s=900.0)
    assert bench.outputs.clamp is Clamp.APPLY


def test_peaks_are_kept_per_sensor_from_the_first_exposure():
    bench = at(C.HOLDING)
    target_Pa = bench.recipe.imprint.film_pressure_Pa
    assert bench.memory.exposure is Exposure.YES
    assert bench.memory.peaks_Pa == pytest.approx((target_Pa, target_Pa), rel=1e-6)
    bench.until(C.RELEASING)
    assert (bench.memory.exposure, bench.memory.peaks_Pa) == (Exposure.NO, ())


@pytest.mark.parametrize("name", ["no isolation", "three-way", "gauges"])
def test_an_opened_path_exposes_the_film_whatever_the_readings(name):
    bench = at("raise", name)
    bench.plant.supply_stuck_shut = True
    bench.tick()
    assert bench.memory.exposure is Exposure.YES


def test_a_person_cannot_outweigh_a_sensor_that_shows_pressure():
    rig = rig_of(evidence={"film_bled": {"by": "operator"}}, outputs={"film_isolation": None})
    bench = Bench(rig, recipe_of(film_pressure="120 psi")).to(C.VENTING)
    bench.plant.vent_stuck_shut = True
    bench.person.says["film_empty"] = 0.0
    bench.until(C.VENT_UNCONFIRMED, within_s=1300.0)
    assert bench.outputs.clamp is Clamp.APPLY
