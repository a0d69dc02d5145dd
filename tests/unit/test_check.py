"""Every guard of the check of rigs and recipes, each with a case that only it refuses."""

import dataclasses
import math
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest
from CoolProp.CoolProp import PropsSI

from sequencer.bottle import (
    bottle_after_Pa,
    bottle_needed_Pa,
    check_bottle,
    gas_per_run_kg,
    runs_left,
)
from sequencer.caps import film_cap, weakest
from sequencer.check import DEFAULT_RIG, Check, check_recipe, load_pair, load_rig
from sequencer.checks.rig import check_rig
from sequencer.checks.unwatched import unwatched
from sequencer.config import Rig
from sequencer.errors import InputRefused
from sequencer.files import find, shipped, validate
from sequencer.material import load_materials
from sequencer.model import Means
from sequencer.recipe import Recipe

PSI_Pa = 6894.757  # NIST SP 811, appendix B
MATERIALS = load_materials()
RECIPES = sorted(path.stem for path in shipped("recipes").glob("*.toml"))
Tables = dict[str, dict[str, object]]
Edit = Callable[[Tables], object]


def tables(folder: str, name: str) -> Tables:
    return tomllib.loads((shipped(folder) / f"{name}.toml").read_text())


def rig(edit: Edit = len, name: str = "bench-instrumented") -> Rig:
    found = tables("rigs", name)
    edit(found)
    return validate(found, Rig, "rig.toml")


def recipe(edit: Edit = len, name: str = "pmma-grating") -> Recipe:
    found = tables("recipes", name)
    edit(found)
    return validate(found, Recipe, "recipe.toml")


def checked(recipe_edit: Edit = len, rig_edit: Edit = len, on: str = "bench-instrumented") -> Check:
    return check_recipe(
        recipe(recipe_edit),
        rig(rig_edit, on),
        MATERIALS,
        recipe_file="recipe.toml",
        rig_file="rig.toml",
    )


def put(path: str, value: object) -> Edit:
    """Set ``a.b.c`` to a value; None takes the key out."""

    def edit(found: Tables) -> None:
        *way, last = path.split(".")
        table: dict[str, object] = found  # type: ignore[assignment]
        for part in way:
            table = table.setdefault(part, {})  # type: ignore[assignment]
        if value is None:
            table.pop(last)
        else:
            table[last] = value

    return edit


def both(*edits: Edit) -> Edit:
    return lambda found: [edit(found) for edit in edits]


# --- rigs -----------------------------------------------------------------------------------------

BENCH, GAUGES, BY_EAR = "bench-instrumented", "bench-gauges", "bench-by-ear"
RIG_GUARDS = [
    (BENCH, put("outputs.film_suply", {"channel": "x"}), "outputs.film_suply: unknown role"),
    (BENCH, put("inputs.film_presure", {"channel": "x"}), "did you mean film_pressure"),
    (BENCH, put("outputs.heater.channel", "vent"), "already serves outputs.film_vent"),
    (BENCH, put("inputs.film_pressure_2.channel", "film 1"), "serves inputs.film_pressure"),
    (BENCH, put("outputs.film_supply", None), "outputs.film_supply: is missing"),
    (BENCH, put("outputs.film_supply.de_energised", "open"), 'must be "shut": nitrogen'),
    (BENCH, put("outputs.film_isolation.de_energised", "open"), 'must be "shut": nitrogen'),
    (BENCH, put("outputs.film_vent.de_energised", "shut"), 'must be "open": the film must'),
    (BENCH, put("outputs.film_vent", None), "outputs.film_vent: is missing"),
    (BENCH, put("outputs.film_supply.three_way", True), "must be absent: the three-way"),
    (BENCH, put("outputs.film_vent.three_way", True), "only film_supply may be three-way"),
    (GAUGES, put("hold", "sealed"), "a three-way film valve cannot seal"),
    (GAUGES, put("outputs.clamp", None), "outputs.clamp: is missing"),
    (BENCH, put("outputs.clamp_release", None), "has clamp_apply; needs clamp alone"),
    (
        BENCH,
        put("outputs.clamp", {"channel": "x", "de_energised": "apply"}),
        "has clamp and clamp_apply and clamp_release",
    ),
    (GAUGES, put("outputs.clamp.de_energised", "release"), "else the clamp lets go without power"),
    (GAUGES, put("outputs.clamp.de_energised", "hold"), "one coil with a spring cannot hold"),
    (BENCH, put("outputs.clamp_apply.de_energised", "release"), "a two-coil clamp valve stays"),
    (BENCH, put("outputs.heater", None), "a trip could not take the heat away"),
    (BENCH, put("outputs.heater.de_energised", "open"), 'must be "off": heat must go'),
    (GAUGES, put("gauges", ["film", "clamp", "regulator", "bottle"]), "must list head"),
    (BENCH, put("gauges", ["film"]), "must list regulator"),
    (BENCH, put("inputs.supply_pressure", None), 'supply_at_set.by = "measured": needs the input'),
    (BENCH, put("inputs.clamp_pressure", None), 'clamp_full.by = "measured": needs the input'),
    (BENCH, put("inputs.film_pressure", None), 'film_bled.by = "measured": needs the input'),
    (BENCH, put("inputs.head_temperature", None), "needs the input head_temperature"),
    (BENCH, put("inputs.bottle_pressure", None), "needs the input bottle_pressure"),
    (BENCH, put("evidence.film_bled.by", "timed"), 'film_bled.by = "timed": may not be timed'),
    (BENCH, put("evidence.film_at_pressure.by", "timed"), "may not be timed"),
    (BENCH, put("evidence.supply_at_set.by", "timed"), "may not be timed"),
    (BENCH, put("evidence.head_at_temperature.by", "timed"), "may not be timed"),
    (BENCH, put("evidence.bottle_enough.by", "timed"), "may not be timed"),
    (BENCH, put("evidence.clamp_full.by", "by_ear"), "may not be had by ear"),
    (GAUGES, put("evidence.film_bled.by", "by_ear"), "only on a rig without a film gauge"),
    (BY_EAR, put("evidence.film_bled.by", "operator"), "needs the film gauge"),
    (BY_EAR, put("gauges", ["regulator", "bottle", "head"]), "needs the clamp gauge"),
    (
        BY_EAR,
        both(
            put("hold", "sealed"),
            put("outputs.film_supply.three_way", None),
            put("outputs.film_vent", {"channel": "v", "de_energised": "open"}),
        ),
        'film_at_pressure.by = "operator": needs the film gauge',
    ),
    (BENCH, put("caps.by_ear", "70 psi"), "caps.by_ear = 70 psi (483 kPa): by_ear must be"),
    (BENCH, put("limits.bled", "4 psi"), "leaves 54 N on the film's seal, more than 50 N"),
    (GAUGES, put("limits.relief", "195 psi"), "no supply_pressure sensor tells"),
    (BENCH, put("inputs.film_pressure.scaling.high", "300 psi"), "must reach 310 psi"),
    (BENCH, put("inputs.film_pressure_2.scaling.high", "300 psi"), "must reach 310 psi"),
    (BENCH, put("inputs.supply_pressure.scaling.high", "300 psi"), "must reach 308 psi"),
    (BENCH, put("inputs.clamp_pressure.scaling.high", "70 psi"), "must reach 80 psi"),
    (BENCH, put("inputs.air_pressure.scaling.high", "70 psi"), "must reach 80 psi"),
    (BENCH, put("inputs.bottle_pressure.scaling.high", "400 psi"), "must reach 500 psi"),
    (BENCH, put("inputs.film_pressure.scaling.low", "400 psi"), "must lie below high"),
    (BENCH, put("timing.poll", "60 ms"), "poll + tick + write + read_back = 105 ms"),
    (BENCH, put("inputs.film_pressure.fresh_for", "30 ms"), "shorter than one scan"),
    (BENCH, put("timing.outputs_expire", "100 ms"), "at least two reaction times, 130 ms"),
    (BENCH, put("timing.outputs_expire", "2 s"), "must be at most 1 s"),
    (BENCH, put("dead_man", "watchdog_relay"), "a watchdog relay needs an output that feeds it"),
    (
        GAUGES,
        put("timing.watchdog_drops_after", "400 ms"),
        "the outer of two dead-men must be the slower one",
    ),
]


@pytest.mark.parametrize(("name", "edit", "says"), RIG_GUARDS, ids=[row[2] for row in RIG_GUARDS])
def test_a_rig_that_cannot_keep_the_order_is_refused(name: str, edit: Edit, says: str) -> None:
    lines = [problem.line() for problem in check_rig(rig(edit, name), "rig.toml")]
    assert any(says in line for line in lines), lines
    assert all("\n" not in line and line.startswith("rig.toml: ") for line in lines)


def test_a_rigs_problems_come_at_once() -> None:
    edit = both(
        put("outputs.film_vent.de_energised", "shut"),
        put("outputs.heater", None),
        put("evidence.film_bled.by", "timed"),
        put("limits.bled", "4 psi"),
    )
    assert len(check_rig(rig(edit), "rig.toml")) == 4


def test_an_unknown_back_end_is_refused_by_name() -> None:
    assert check_rig(rig(), "rig.toml", ("simulated", "modbus")) == []
    edit = put("driver.name", "simulatd")
    (problem,) = check_rig(rig(edit), "rig.toml", ("simulated", "modbus"))
    expected = 'rig.toml: driver.name = "simulatd": no such back end is installed; did you mean '
    assert problem.line() == expected + "simulated?"


def test_timed_is_allowed_for_the_clamp_and_capped() -> None:
    edit = both(put("evidence.clamp_full.by", "timed"), put("evidence.clamp_open.by", "timed"))
    found = rig(edit)
    assert check_rig(found, "rig.toml") == []
    assert weakest(found) is Means.TIMED
    cap_Pa, reasons = film_cap(found)
    assert cap_Pa == pytest.approx(60 * PSI_Pa, rel=1e-6)
    assert "clamp_full" in reasons[0]


def test_the_weakest_evidence_is_the_runs() -> None:
    assert weakest(rig()) is Means.MEASURED
    assert weakest(rig(name=GAUGES)) is Means.OPERATOR
    assert weakest(rig(name=BY_EAR)) is Means.BY_EAR
    assert film_cap(rig()) == (None, ())


# --- recipes --------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", RECIPES)
def test_shipped_recipes_run_on_the_instrumented_rig(name: str) -> None:
    check = load_pair(name, BENCH).check
    assert check.problems == ()
    assert check.verified is Means.MEASURED
    assert check.film_cap_Pa is None
    keys = {problem.key for problem in check.warnings}
    assert keys <= {"imprint.temperature"}  # PSU and PEI: film strength above 200 degC


@pytest.mark.parametrize("rig_name", [GAUGES, BY_EAR])
@pytest.mark.parametrize("name", RECIPES)
def test_on_rigs_with_gauges_recipes_above_the_cap_are_refused_by_name(
    name: str, rig_name: str
) -> None:
    loaded = load_pair(name, rig_name)
    cap_Pa = {GAUGES: 150, BY_EAR: 60}[rig_name] * PSI_Pa
    cap_key = {GAUGES: "caps.operator", BY_EAR: "caps.by_ear"}[rig_name]
    assert loaded.check.film_cap_Pa == pytest.approx(cap_Pa, rel=1e-6)
    named = [p for p in loaded.check.problems if cap_key in p.limit]
    above = loaded.recipe.imprint.film_pressure_Pa > 1.000001 * cap_Pa
    assert bool(named) == above
    if above:
        assert named[0].key == "imprint.film_pressure"
        with pytest.raises(InputRefused, match=cap_key):
            loaded.require()
    else:
        loaded.require()


def test_some_shipped_recipe_runs_on_every_shipped_rig() -> None:
    for rig_name in (BENCH, GAUGES, BY_EAR):
        assert any(not load_pair(name, rig_name).check.problems for name in RECIPES)


RECIPE_GUARDS = [
    (put("imprint.film_pressure", "301 psi"), len, "above the rig's limits.film_pressure 300 psi"),
    (put("imprint.temperature", "259 degC"), len, "above the rig's limits.head_temperature"),
    (put("imprint.pressure_band", "11 psi"), len, "wider than the rig's limits.film_over"),
    (put("imprint.temperature_band", "11 K"), len, "wider than the rig's limits.head_over"),
    (
        len,
        put("geometry.cylinder_bore", "75 mm"),
        "clamp margin 0.90 at limits.air_pressure 80 psi (552 kPa) is below limits.clamp_permit",
    ),
    (len, put("limits.air_pressure", "47 psi"), "is below limits.clamp_permit 1.5"),
    (len, put("geometry.free_gap", "4 mm"), "below limits.film_margin 2"),
    (len, put("geometry.film_thickness", "7 um"), "below limits.film_margin 2"),
    (
        put("imprint.temperature", "250 degC"),
        both(put("geometry.free_gap", "1.2 mm"), put("limits.film_margin", 3.0)),
        "below limits.film_margin 3",
    ),
    (put("imprint.temperature", "109 degC"), len, "at least 5 K above the glass transition"),
    (put("demold.temperature", "105 degC"), len, "must lie below the glass transition of PMMA"),
    (put("demold.temperature", "25 degC"), len, "at or below the room"),
    (len, put("evidence.clamp_full.by", "operator"), "above 150 psi (1034 kPa), caps.operator"),
    (len, put("evidence.clamp_full.by", "timed"), "caps.timed, for evidence had by time alone"),
    (len, put("dead_man", "none"), "above 60 psi (414 kPa), caps.no_dead_man"),
]


@pytest.mark.parametrize(
    ("recipe_edit", "rig_edit", "says"), RECIPE_GUARDS, ids=[row[2] for row in RECIPE_GUARDS]
)
def test_a_recipe_beyond_rig_film_or_material_is_refused(
    recipe_edit: Edit, rig_edit: Edit, says: str
) -> None:
    lines = [problem.line() for problem in checked(recipe_edit, rig_edit).problems]
    assert any(line.startswith("recipe.toml: ") and says in line for line in lines), lines
    # A film that bears less bears less at the relief setting too, which is the rig's affair.
    assert all(line.startswith(("recipe.toml: ", "rig.toml: limits.relief")) for line in lines)
    assert all("\n" not in line for line in lines)


def test_by_ear_caps_lowest_and_says_which_gauge_would_lift_it() -> None:
    check = checked(put("imprint.film_pressure", "61 psi"), on=BY_EAR)
    (problem,) = check.problems
    assert "caps.by_ear, for evidence had by ear: film_bled" in problem.limit
    assert "fit a film gauge" in problem.advice


def test_a_recipes_problems_and_its_rigs_come_at_once() -> None:
    check = checked(
        both(put("imprint.film_pressure", "320 psi"), put("demold.temperature", "110 degC")),
        put("outputs.heater", None),
    )
    assert {p.key for p in check.problems} == {
        "outputs.heater",
        "imprint.film_pressure",
        "demold.temperature",
    }


def test_an_unknown_material_does_not_hide_the_other_problems() -> None:
    with pytest.raises(InputRefused) as refused:
        checked(
            both(put("material", "PNMA"), put("imprint.film_pressure", "320 psi")),
            put("outputs.heater", None),
        )
    keys = {problem.key for problem in refused.value.problems}
    assert keys == {"material", "imprint.film_pressure", "outputs.heater"}


WARNINGS = [
    (put("imprint.film_pressure", "59 psi"), "outside 60 to 300 psi, the usual"),
    (put("imprint.temperature", "251 degC"), "a small overshoot ends the run"),
    (put("imprint.temperature", "201 degC"), "the film's strength is extrapolated"),
    (put("stamp.contact_fraction", 0.03), "puts 41 MPa on the raised features"),
    (put("demold", None), "is missing: the foil is released hot"),
    (put("imprint.temperature", "139 degC"), "outside 140.0 degC to 180.0 degC, the window"),
    (put("imprint.film_pressure", "59 psi"), "outside 60 psi (414 kPa) to 300 psi"),
    (put("imprint.hold", "301 s"), "outside 20.0 s to 5 min 00 s, the window"),
    (put("demold.temperature", "86 degC"), "outside 65.0 degC to 85.0 degC, the window"),
    (
        both(put("imprint.temperature", "142 degC"), put("stamp.height", "3 um")),
        "that filling is expected to need",
    ),
    (
        both(
            put("imprint.temperature", "145 degC"), put("imprint.hold", "60 s"), put("demold", None)
        ),
        "shorter than 3 relaxation times",
    ),
    (put("stamp.cavities", "sealed"), "sealed cavities fill to 92% at most"),
    (put("foil.thickness", "1.6 um"), "thinner than 2 feature widths"),
    (put("foil.thickness", "0.4 um"), "thinner than the features are high"),
]


@pytest.mark.parametrize(("edit", "says"), WARNINGS, ids=[row[1] for row in WARNINGS])
def test_what_is_doubtful_is_warned_about_and_not_refused(edit: Edit, says: str) -> None:
    check = checked(edit)
    assert any(says in item.line() for item in check.warnings), check.warnings
    assert check.problems == ()


def test_margins_against_worked_figures() -> None:
    margins = checked(put("imprint.film_pressure", "300 psi")).margins
    # Statics: 0.9 x 80 psi x (125 mm)^2 against 300 psi x (50 mm)^2.
    assert margins.clamp_margin == pytest.approx(0.9 * 80 * 125**2 / (300 * 50**2), rel=1e-9)
    assert margins.film_permitted_Pa == pytest.approx(300 * PSI_Pa, rel=1e-6)
    # Timoshenko and Woinowsky-Krieger (1959), long strip: at 23 degC a gap of 1 mm in 50 um film
    # at 300 psi carries 58.63 MPa; stress goes with (gap^2 E)^(1/3).
    modulus_share = (2.5 - 0.0028 * 137.0) / 2.5
    expected_Pa = 58.633e6 * (0.25 * modulus_share) ** (1 / 3)
    assert margins.film_stress_Pa == pytest.approx(expected_Pa, rel=1e-3)
    assert margins.film_margin == pytest.approx(
        margins.film_strength_Pa / margins.film_stress_Pa, rel=1e-12
    )
    assert margins.head_to_limit_K == pytest.approx(100.0)
    assert margins.imprint_above_tg_K == pytest.approx(55.0)
    assert margins.demold_below_tg_K == pytest.approx(25.0)
    assert margins.residual_force_N == pytest.approx(2 * PSI_Pa * math.pi * 0.025**2, rel=1e-6)


def test_the_acrylic_grating_takes_about_twenty_minutes() -> None:
    assert 18 * 60 < checked().margins.duration_s < 21 * 60


def test_no_margin_is_a_number_that_json_cannot_express() -> None:
    check = checked(both(put("imprint.temperature", "100 degC"), put("demold", None)))
    for value in dataclasses.asdict(check.margins).values():
        assert value is None or math.isfinite(value)


# --- what is not watched --------------------------------------------------------------------------

UNWATCHED = [
    (put("outputs.film_isolation", None), "film supply valve that sticks open"),
    (put("inputs.supply_pressure", None), "regulator that creeps"),
    (put("inputs.bottle_pressure", None), "gas running out"),
    (put("dead_man", "none"), "this program being killed"),
    (
        both(put("inputs.film_pressure", None), put("inputs.film_pressure_2", None)),
        "film's pressure between two readings",
    ),
    (put("inputs.film_pressure_2", None), "film sensor that reads low"),
    (put("gauges", ["regulator"]), "whether the film is empty"),
    (put("outputs.film_isolation", None), "small film leak"),
    (put("inputs.clamp_pressure", None), "clamp force fading"),
    (put("inputs.air_pressure", None), "house air failing"),
    (put("inputs.clamp_closed", None), "a stack that is missing"),
    (put("inputs.emergency_stop", None), "emergency stop being pressed"),
    (put("inputs.guard_closed", None), "guard being opened"),
    (put("inputs.logic_power_ok", None), "24 V"),
    (
        both(put("inputs.head_temperature", None), put("inputs.head_temperature_2", None)),
        "head's temperature between two readings",
    ),
    (put("inputs.head_temperature_2", None), "head sensor that has come loose"),
]


@pytest.mark.parametrize(("edit", "what"), UNWATCHED, ids=[row[1] for row in UNWATCHED])
def test_taking_a_watcher_away_adds_a_row(edit: Edit, what: str) -> None:
    assert not any(what in row.what for row in unwatched(rig()))
    assert any(what in row.what for row in unwatched(rig(edit)))


def test_even_the_best_rig_says_what_it_does_not_watch() -> None:
    whats = " ".join(row.what for row in unwatched(rig()))
    for what in ("oxygen", "wrong gas", "film worn", "while this program", "hand in the clamp"):
        assert what in whats
    assert "reads bled" in whats  # 1.5 % of 400 psi is more than the bled limit of 2 psi
    narrow = both(
        put("inputs.film_pressure.scaling.high", "100 psi"),
        put("inputs.film_pressure_2.scaling.high", "100 psi"),
    )
    assert "reads bled" not in " ".join(row.what for row in unwatched(rig(narrow)))


# --- the bottle -----------------------------------------------------------------------------------


def nitrogen_kg(volume_m3: float, gauge_Pa: float) -> float:
    """Span et al., J. Phys. Chem. Ref. Data 29:1361 (2000), as coded in CoolProp."""
    density: float = PropsSI("D", "P", gauge_Pa + 101_325.0, "T", 293.15, "Nitrogen")
    return volume_m3 * density


def test_gas_of_a_run_against_the_reference_equation() -> None:
    # 0.2 L of film and twice 0.05 L of line, at 180 psi.
    expected = nitrogen_kg(0.3e-3, 180 * PSI_Pa) - nitrogen_kg(0.3e-3, 0.0)
    assert gas_per_run_kg(recipe(), rig()) == pytest.approx(expected, rel=2e-3)


def test_runs_left_against_the_reference_equation() -> None:
    usable = nitrogen_kg(49e-3, 2000 * PSI_Pa) - nitrogen_kg(49e-3, 500 * PSI_Pa)
    expected = usable / gas_per_run_kg(recipe(), rig())
    assert runs_left(2000 * PSI_Pa, recipe(), rig()) == pytest.approx(expected, rel=5e-3)


def test_a_bottle_may_not_end_the_run_below_change_out() -> None:
    # Changing out near 500 psi is common practice, no source. A bottle of half a litre feels a run.
    small = rig(put("geometry.bottle_volume", "0.5 L"))
    needed_Pa = bottle_needed_Pa(recipe(), small)
    assert bottle_after_Pa(needed_Pa, recipe(), small) == pytest.approx(500 * PSI_Pa, rel=1e-5)
    assert check_bottle(needed_Pa + 10.0, recipe(), small) == []
    (problem,) = check_bottle(needed_Pa - 1e4, recipe(), small)
    assert "would end the run at 499 psi" in problem.limit


def test_a_low_bottle_is_refused() -> None:
    (problem,) = check_bottle(480 * PSI_Pa, recipe(), rig())
    assert "480 psi" in problem.value
    assert "below limits.bottle_change_out 500 psi" in problem.limit


def test_the_regulator_needs_headroom() -> None:
    found = rig(both(put("limits.bottle_headroom", "400 psi")))
    (problem,) = check_bottle(560 * PSI_Pa, recipe(), found)
    assert "lies below 580 psi" in problem.limit
    assert bottle_needed_Pa(recipe(), found) == pytest.approx(580 * PSI_Pa, rel=1e-6)


# --- loading --------------------------------------------------------------------------------------


def test_the_default_rig_is_the_instrumented_one() -> None:
    assert load_pair("pmma-grating").rig.name == DEFAULT_RIG == BENCH
    assert load_rig()[0].name == BENCH


def test_problems_of_both_files_come_at_once() -> None:
    with pytest.raises(InputRefused) as refused:
        load_pair("no-such-recipe", "no-such-rig")
    assert len(refused.value.problems) == 2


def test_an_unknown_material_is_told_with_the_other_problems_of_the_file(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    text = find("recipes", "pmma-grating").read_text()
    path.write_text(text.replace('"PMMA"', '"PMAA"').replace('"180 psi"', '"180"'))
    with pytest.raises(InputRefused) as refused:
        load_pair(str(path))
    keys = {problem.key for problem in refused.value.problems}
    assert keys == {"imprint.film_pressure", "material"}


def test_a_relief_valve_that_opens_too_late_is_refused_with_every_reason() -> None:
    lines = [problem.line() for problem in checked(len, put("limits.relief", "900 psi")).problems]
    assert any("leaves the film a margin of" in line for line in lines)
    assert sum("lies above the range of inputs.film_pressure" in line for line in lines) == 2


def test_an_empty_rig_name_is_not_the_default_rig() -> None:
    with pytest.raises(InputRefused, match="no rig: an empty name was given"):
        load_pair("pmma-grating", "")


def test_a_polymer_is_not_taken_for_another_of_a_like_name(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    text = find("recipes", "pmma-grating").read_text()
    path.write_text(text.replace('"PMMA"', '"plexi"'))
    with pytest.raises(InputRefused) as refused:
        load_pair(str(path))
    (problem,) = refused.value.problems
    assert "did you mean" not in problem.advice
    assert "known: PMMA" in problem.advice


def test_the_back_ends_options_are_part_of_the_check(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    text = find("rigs", "bench-instrumented").read_text()
    path.write_text(text.replace("[driver.options.bottle]", "[driver.options.bottel]"))
    keys = [problem.key for problem in load_pair("pmma-grating", str(path)).check.problems]
    assert keys == ["driver.options.bottel"]
