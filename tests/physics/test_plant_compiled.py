"""The compiled plant is the interpreted one, only faster."""

import importlib.util
import sys

import pytest

from sequencer.errors import DriverUnavailable
from simulator.compiled import load_advance
from simulator.plant import Actuation, PlantParams, PlantState, advance

from .conftest import PRESS, psi

SEQUENCE = (
    (Actuation(regulator_set_Pa=200 * psi, heater_enable=1.0, heater_setpoint_degC=150.0), 2.0),
    (PRESS._replace(vent=1.0, supply=0.0), 1.5),
    (PRESS, 2.0),
    (PRESS._replace(vent=1.0, isolation=0.0, supply=0.0), 2.0),
    (PRESS._replace(clamp_apply=0.0), 1.0),
)


def test_interpreted_is_the_plant_itself() -> None:
    assert load_advance(compiled=False) is advance


@pytest.mark.skipif(importlib.util.find_spec("numba") is None, reason="numba is not installed")
def test_compiled_agrees_with_interpreted(rig: PlantParams, cold: PlantState) -> None:
    fast = load_advance(compiled=True)
    slow_state = fast_state = cold._replace(block_degC=160.0, head_degC=160.0)
    for actuation, seconds in SEQUENCE:
        for _ in range(round(seconds / 0.02)):
            slow_state = advance(slow_state, rig, actuation, 0.02)
            fast_state = fast(fast_state, rig, actuation, 0.02)
        for name, slow, quick in zip(PlantState._fields, slow_state, fast_state, strict=True):
            assert quick == pytest.approx(slow, rel=1e-9, abs=1e-9), name
    assert slow_state.film_intact == 0.0


def test_a_missing_compiler_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "numba", None)
    with pytest.raises(DriverUnavailable, match=r"imprint-sequencer\[fast\]"):
        load_advance(compiled=True)


@pytest.mark.skipif(importlib.util.find_spec("numba") is None, reason="numba is not installed")
def test_what_one_compiled_plant_remembers_of_its_last_call_changes_no_other(
    rig: PlantParams, cold: PlantState
) -> None:
    one, other = load_advance(compiled=True), load_advance(compiled=True)
    hot, small = cold._replace(head_degC=160.0), rig._replace(film_m3=0.5 * rig.film_m3)
    for state, params, actuation in (
        (cold, rig, PRESS),
        (hot, rig, PRESS),
        (hot, small, PRESS),
        (hot, small, PRESS._replace(supply=0.0)),
        (cold, rig, PRESS),
    ):
        wanted = advance(state, params, actuation, 0.02)
        assert one(state, params, actuation, 0.02) == pytest.approx(wanted, rel=1e-9, abs=1e-9)
        other(hot, small, actuation, 0.1)
