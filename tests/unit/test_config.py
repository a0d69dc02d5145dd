"""The rig file: what shipped rigs are, and what the model itself refuses."""

import tomllib

import pytest

from sequencer.checks.rig import check_rig
from sequencer.config import Rig
from sequencer.errors import InputRefused
from sequencer.files import load, shipped, validate

RIGS = ("bench-instrumented", "bench-gauges", "bench-by-ear")


def rig(name: str) -> Rig:
    return load(shipped("rigs") / f"{name}.toml", Rig)


@pytest.mark.parametrize("name", RIGS)
def test_shipped_rigs_pass_their_check(name: str) -> None:
    assert check_rig(rig(name), name) == []
    assert rig(name).name == name


def test_the_instrumented_rig() -> None:
    found = rig("bench-instrumented")
    assert found.isolated
    assert not found.three_way
    assert found.clamp_rests == "hold"
    assert found.film_roles == ("film_pressure", "film_pressure_2")
    assert found.timing.reaction_s == pytest.approx(0.065)


@pytest.mark.parametrize("name", ["bench-gauges", "bench-by-ear"])
def test_the_rigs_with_gauges_have_no_transducer(name: str) -> None:
    found = rig(name)
    assert found.three_way
    assert not found.isolated
    assert found.clamp_rests == "apply"
    assert set(found.inputs) == {"emergency_stop", "guard_closed"}
    assert found.film_roles == ()


@pytest.mark.parametrize(
    ("key", "value", "says"),
    [
        ("clamp_warn", 1.6, "must not rise in this order"),
        ("clamp_trip", 1.45, "must not rise in this order"),
        ("relief", "300 psi", "relief must lie above film_pressure"),
        ("film_margin", 0.9, "must be at least 1"),
        ("bled", "0 psi", "must be greater than 0"),
    ],
)
def test_limits_that_contradict_each_other_are_refused(key: str, value: object, says: str) -> None:
    tables = tomllib.loads((shipped("rigs") / "bench-instrumented.toml").read_text())
    tables["limits"][key] = value
    with pytest.raises(InputRefused, match=says):
        validate(tables, Rig, "it.toml")
