"""What a rig file says of its simulated rig: all optional, all checked, every problem named."""

import pytest

from sequencer.config import Rig
from sequencer.errors import InputRefused
from sequencer.files import find, load
from sequencer.material import load_materials
from sequencer.recipe import Recipe
from sequencer.units import PSI_Pa
from simulator.build import plant_params
from simulator.defaults import bench_rig
from simulator.driver import create
from simulator.options import read_options
from simulator.stack import stack_of
from tests.simulator.cranked import cranked, rig_with


def lines(options: dict[str, object]) -> list[str]:
    with pytest.raises(InputRefused) as refused:
        create(options, rig_with(), "rig.toml")
    return str(refused.value).splitlines()


def test_nothing_need_be_said() -> None:
    assert read_options({}, "rig.toml").bottle.pressure_Pa == pytest.approx(1900 * PSI_Pa)


def test_one_key_alone_is_enough() -> None:
    rig = cranked({"bottle": {"pressure": "700 psi"}})
    assert rig.driver.truth().inlet_Pa == pytest.approx(700 * PSI_Pa)


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ({"botle": {}}, ["driver.options.botle", "unknown key", "did you mean bottle?"]),
        ({"bottle": {"presure": "1 psi"}}, ["driver.options.bottle.presure", "pressure?"]),
        ({"bottle": {"pressure": 1900}}, ["driver.options.bottle.pressure", "no unit"]),
        ({"bottle": {"pressure": "90 degC"}}, ["driver.options.bottle.pressure", "a temperature"]),
        ({"bottle": {"pressure": "-5 psi"}}, ["driver.options.bottle.pressure"]),
        ({"head": {"power": "0 W"}}, ["driver.options.head.power"]),
        ({"seed": "one"}, ["driver.options.seed"]),
        ({"person": {"spread": 1.5}}, ["driver.options.person.spread"]),
        ({"start": {"clamp": "ajar"}}, ["driver.options.start.clamp"]),
        ({"start": {"energised": ["film_vents"]}}, ["driver.options.start", "film_vent"]),
        ({"gas": {"valve_travel_least": "1 s"}}, ["driver.options.gas", "valve_travel_most"]),
        ({"stack": {"width": "1 um"}}, ["driver.options.stack", "give both or neither"]),
        ({"faults": [{"kind": "vent_stuk"}]}, ["driver.options.faults.0", "vent_stuck_shut"]),
        ({"faults": [{"at": "1 s"}]}, ["driver.options.faults.0.kind", "is missing"]),
        ({"faults": [{"kind": "film_leak", "size": "3 psi"}]}, ["driver.options.faults.0", "size"]),
        ({"faults": [{"kind": "guard_open", "size": "3 psi"}]}, ["has no size"]),
        ({"faults": [{"kind": "guard_open", "role": "heater"}]}, ["has no role"]),
        ({"faults": [{"kind": "sensor_bad"}]}, ["needs a role"]),
        ({"faults": [{"kind": "sensor_bad", "role": "film"}]}, ["film_pressure"]),
        ({"faults": [{"kind": "sensor_offset", "role": "film_pressure"}]}, ["needs a size"]),
        (
            {"faults": [{"kind": "sensor_offset", "role": "film_pressure", "size": "3 K"}]},
            ["size", "a pressure"],
        ),
        ({"faults": [{"kind": "vent_stuck_shut", "at": "-1 s"}]}, ["driver.options.faults.0.at"]),
    ],
)
def test_each_mistake_is_one_line_that_names_file_key_and_way_out(
    options: dict[str, object], said: list[str]
) -> None:
    (line,) = lines(options)
    assert line.startswith("rig.toml: driver.options.")
    for words in said:
        assert words in line
    assert ": " in line


def test_all_mistakes_come_at_once() -> None:
    found = lines({"seed": 1.5, "bottle": {"pressure": "x"}, "faults": [{"kind": "y"}]})
    assert len(found) == 3


def test_options_and_geometry_reach_the_plant() -> None:
    rig = rig_with()
    options = {
        "ambient": "18 degC",
        "head": {"heat_capacity": "3600 J/K", "loss": "4 W/K", "cooled_loss": "30 W/K"},
        "gas": {"vent": "0.25 dm3/(s bar)", "gap_volume": "3 mL", "supply_effect": 0.02},
        "air": {"stroke": "40 mm"},
        "stack": {"feature": "hole", "width": "2 um", "height": "3 um", "cavities": "sealed"},
    }
    params = plant_params(read_options(options, "rig.toml"), rig)
    assert params.ambient_degC == 18.0
    assert params.block_J_per_K + params.head_J_per_K == pytest.approx(3600.0)
    assert (params.loss_W_per_K, params.coolant_W_per_K) == (4.0, 30.0)
    assert params.vent_conductance == pytest.approx(0.25e-8)
    assert params.gap_m3 == pytest.approx(3e-6)
    assert params.cylinder_stroke_m == pytest.approx(0.04)
    assert params.pattern_aspect_ratio == pytest.approx(1.5)
    assert params.pattern_sealed == 1.0
    assert params.film_m3 == rig.geometry.film_volume_m3
    assert params.film_gap_m == rig.geometry.free_gap_m
    assert params.outlet_m3 == rig.geometry.line_volume_m3


def test_without_options_the_controller_is_tuned_as_the_bench_rigs() -> None:
    params = plant_params(read_options({}, "rig.toml"), rig_with())
    bench = bench_rig()
    assert params.controller_percent_per_K == pytest.approx(bench.controller_percent_per_K)
    assert params.controller_integral_s == pytest.approx(bench.controller_integral_s)


def test_a_recipe_brings_its_own_foil_and_pattern() -> None:
    rig = rig_with()
    recipe = load(find("recipes", "pmma-grating"), Recipe)
    material = load_materials().get(recipe.material)
    stacked = read_options({}, "rig.toml").model_copy(update={"stack": stack_of(recipe, material)})
    params = plant_params(stacked, rig)
    assert params.foil_tg_degC == material.glass_transition.value_degC
    assert params.foil_c1 == material.flow.c1
    assert params.foil_reference_Pa_s == material.flow.viscosity_Pa_s
    assert params.pattern_aspect_ratio == recipe.stamp.height_m / recipe.stamp.width_m
    assert params.pattern_contact_fraction == recipe.stamp.contact_fraction


@pytest.mark.parametrize("name", ["bench-instrumented", "bench-gauges", "bench-by-ear"])
def test_every_shipped_rig_can_be_simulated(name: str) -> None:
    path = find("rigs", name)
    rig = load(path, Rig)
    driver = create(rig.driver.options, rig, str(path))
    driver.open()
    assert len(driver.read(0).raw) == len(rig.inputs)
