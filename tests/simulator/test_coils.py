"""The simulated coils agree with the wiring on every kind of rig, and rest as declared."""

import itertools

import pytest

from sequencer.model import Clamp, Outputs
from sequencer.wiring import channel_values
from simulator.coils import coils_for_clamp, positions
from tests.simulator.cranked import rig_with

TWO_COILS = {
    "clamp_apply": {"channel": "ca", "de_energised": "hold"},
    "clamp_release": {"channel": "cr", "de_energised": "hold"},
}
TWO_SHUT_OFFS = {
    "film_isolation": {"channel": "i", "de_energised": "shut"},
    "film_supply": {"channel": "s", "de_energised": "shut"},
    "film_vent": {"channel": "v", "de_energised": "open"},
}
THREE_WAY = {"film_supply": {"channel": "s", "de_energised": "shut", "three_way": True}}
SWITCHES = {
    "heater": {"channel": "h"},
    "coolant": {"channel": "c"},
    "heater_setpoint": {"channel": "hs"},
    "film_setpoint": {"channel": "fs"},
}


def spring(rests: str) -> dict[str, object]:
    return {"clamp": {"channel": "k", "de_energised": rests}}


RIGS = {
    "two shut-offs, clamp with two coils": TWO_COILS | TWO_SHUT_OFFS | SWITCHES,
    "three-way, clamp applied by spring": spring("apply") | THREE_WAY | SWITCHES,
    "three-way, clamp released by spring": spring("release") | THREE_WAY,
    "no isolation, valves that rest wrongly": spring("apply")
    | {
        "film_supply": {"channel": "s", "de_energised": "open"},
        "film_vent": {"channel": "v", "de_energised": "shut"},
    },
}


@pytest.mark.parametrize("name", RIGS)
def test_what_the_wiring_writes_is_what_the_parts_do(name: str) -> None:
    rig = rig_with(outputs=RIGS[name])
    for supply, isolation, heater, apply, was in itertools.product((False, True), repeat=5):
        for vent in (False, True):
            if rig.three_way and vent is supply:
                continue
            outputs = Outputs(
                clamp=Clamp.APPLY if apply else Clamp.RELEASE,
                supply_open=supply,
                isolation_open=isolation,
                vent_open=vent,
                heater_on=heater,
                heater_setpoint_degC=160.0,
                coolant_on=heater,
                film_setpoint_Pa=1e6,
            )
            got = positions(channel_values(outputs, rig), rig, float(was))
            assert got.supply == supply
            assert got.vent == vent
            assert got.clamp_apply == apply
            assert got.isolation == (isolation if rig.isolated else 1.0)
            assert got.heater == (heater if rig.has("heater") else 0.0)
            assert got.coolant == (heater if rig.has("coolant") else 0.0)
            assert got.heater_setpoint_degC == (160.0 if rig.has("heater_setpoint") else None)
            assert got.film_setpoint_Pa == (1e6 if rig.has("film_setpoint") else None)


@pytest.mark.parametrize(
    ("name", "supply", "vent", "clamp"),
    [
        ("two shut-offs, clamp with two coils", 0.0, 1.0, None),
        ("three-way, clamp applied by spring", 0.0, 1.0, 1.0),
        ("three-way, clamp released by spring", 0.0, 1.0, 0.0),
        ("no isolation, valves that rest wrongly", 1.0, 0.0, 1.0),
    ],
)
def test_without_power_everything_rests_as_the_rig_file_declares(
    name: str, supply: float, vent: float, clamp: float | None
) -> None:
    rig = rig_with(outputs=RIGS[name])
    for was in (0.0, 1.0):
        got = positions({}, rig, was)
        assert (got.supply, got.vent, got.heater) == (supply, vent, 0.0)
        assert got.clamp_apply == (was if clamp is None else clamp)


@pytest.mark.parametrize("name", RIGS)
@pytest.mark.parametrize("apply", [False, True])
def test_a_spring_clamp_is_found_with_the_coil_that_holds_it_there(name: str, apply: bool) -> None:
    rig = rig_with(outputs=RIGS[name])
    assert positions(coils_for_clamp(rig, apply), rig, float(apply)).clamp_apply == apply


def test_both_coils_at_once_move_nothing() -> None:
    rig = rig_with(outputs=TWO_COILS | TWO_SHUT_OFFS)
    for was in (0.0, 1.0):
        assert positions({"ca": True, "cr": True}, rig, was).clamp_apply == was
