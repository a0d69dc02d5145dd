"""A whole cycle by hand-written outputs, without any sequencer: the plant behaves like a press."""

import dataclasses

import pytest

from sequencer.files import find, load
from sequencer.material import load_materials
from sequencer.model import Clamp, Outputs
from sequencer.recipe import Recipe
from sequencer.units import PSI_Pa
from tests.simulator.cranked import Cranked, rig_with

SLOW_s = 0.2


def test_a_pmma_grating_is_pressed_from_cold_to_open() -> None:
    recipe = load(find("recipes", "pmma-grating"), Recipe)
    press = Cranked(rig_with(), {})
    press.driver.lay_in(recipe, load_materials().get(recipe.material))
    imprint, demold = recipe.imprint, recipe.demold
    assert demold is not None
    warm = Outputs(heater_on=True, heater_setpoint_degC=imprint.temperature_degC)
    press.ask("supply_gauge", target=imprint.film_pressure_Pa)
    press.ask("sample_in", prompt_id=2)
    heated_s = 0.0
    while press.value("head_temperature") < imprint.temperature_degC - 2.0:
        press.run(5.0, warm, tick_s=SLOW_s)
        heated_s += 5.0
        assert heated_s < 20 * 60
    assert heated_s > 8 * 60
    said = press.driver.attendant().answers(press.now_ns)
    assert {request.value for request in said} >= {"in place"}

    clamped = dataclasses.replace(warm, clamp=Clamp.APPLY)
    press.run(3.0, clamped)
    assert press.value("clamp_pressure") == pytest.approx(90 * PSI_Pa, abs=3 * PSI_Pa)
    assert press.raw("clamp_closed").value == 1.0
    press.run(imprint.soak_under_clamp_s, clamped, tick_s=SLOW_s)

    pressed = dataclasses.replace(clamped, supply_open=True, isolation_open=True, vent_open=False)
    truth = press.run(3.0, pressed)
    assert truth.film_Pa == pytest.approx(imprint.film_pressure_Pa, rel=0.05)
    truth = press.run(imprint.hold_s, pressed, tick_s=SLOW_s)
    assert truth.head_degC == pytest.approx(imprint.temperature_degC, abs=3.0)
    assert press.driver.prediction()["fill_fraction"] > 0.9

    cooled = dataclasses.replace(pressed, heater_on=False, coolant_on=True)
    while press.value("head_temperature") > demold.temperature_degC:
        press.run(1.0, cooled, tick_s=SLOW_s)
    press.run(3.0, Outputs(clamp=Clamp.APPLY))
    assert press.value("film_pressure") < 2 * PSI_Pa
    press.run(0.5, Outputs(clamp=Clamp.RELEASE))
    truth = press.run(3.0, Outputs(clamp=Clamp.RELEASE))
    assert truth.piston_m < 1e-3
    assert truth.film_intact == 1.0
    assert truth.head_peak_degC < imprint.temperature_degC + 3.0
    assert press.driver.prediction()["fill_fraction"] > 0.9
    assert 1.0 < press.driver.prediction()["gas_used_g"] < 10.0
    # Heat up, hold and cool down: a bench press takes some twenty minutes.
    assert 10 * 60 < press.now_ns * 1e-9 < 30 * 60
