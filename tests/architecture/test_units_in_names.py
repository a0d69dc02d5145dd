"""Every float that is kept in a value carries its unit in its name, or stands here with why not."""

import dataclasses
import importlib
import pkgutil
import re
import typing
from collections.abc import Callable

import pytest
from pydantic import BaseModel

import drivers
import sequencer
import simulator

UNITS = (
    "Pa", "abs_Pa", "degC", "K", "s", "ns", "m", "m2", "m3", "kg", "g", "N", "W", "J_per_K",
    "W_per_K", "m3_per_s_Pa", "Pa_s",  # those of sequencer.units
    "mA", "percent", "Pa_per_s", "K_per_min", "K_per_s", "kg_per_s", "m3_per_s", "per_K",
    "W_per_m_K", "J_per_kg_K", "kg_per_m3", "kPa", "psi", "Hz", "V", "J", "min", "cycles",
)  # fmt: skip
SUFFIX = re.compile(rf"(^|_)({'|'.join(sorted(UNITS, key=len, reverse=True))})$")

WITHOUT = {  # field name: why it has no unit
    # Ratios and shares.
    "cycles_left": "a number of film cycles",
    "fill_fraction": "share of 1",
    "dead_band": "share of 1",
    "fill_limit": "share of 1",
    "contact_fraction": "share of 1",
    "cylinder_efficiency": "share of 1",
    "progress": "share of 1",
    "clamp_margin": "ratio of forces",
    "clamp_margin_permitted": "ratio of forces",
    "min_clamp_margin": "ratio of forces",
    "film_margin": "ratio of stresses",
    "film_margin_permitted": "ratio of stresses",
    "min_film_margin": "ratio of stresses",
    "clamp_permit": "ratio of forces",
    "clamp_warn": "ratio of forces",
    "clamp_trip": "ratio of forces",
    "c1": "constant of the WLF equation, decades",
    "foil_c1": "constant of the WLF equation, decades",
    "supply_effect": "ratio of pressures",
    "spread": "relative",
    "error": "relative",
    "scale_error": "relative",
    "offset_spread": "relative to the span",
    # The unit stands beside the value, or is the channel's own.
    "value": "in the unit of its role or prompt",
    "values": "in the unit of its curve",
    "low": "in the unit of its prompt",
    "high": "in the unit of its prompt",
    "target": "in the unit of its prompt",
    "gain": "from the channel's unit to the role's",
    "offset": "in the unit of the role",
    "size": "in the unit of its kind of fault",
    "usual": "in the unit of its kind of fault",
    "noise": "in the unit of its sensor",
    "quantum": "in the unit of its sensor",
    "division": "in the unit of its gauge",
    "stop": "in the unit of its gauge",
    "least": "in the unit of its channel",
    "most": "in the unit of its channel",
    "step": "in the unit of its channel",
    "words": "registers or words of a line",
    "width": "points of a drawn line",
    # Models that read their unit from the file: the type says which.
    "clamp": "sonic conductance, by its type",
    "isolation": "sonic conductance, by its type",
    "leak": "sonic conductance, by its type",
    "regulator": "sonic conductance, by its type",
    "supply": "sonic conductance, by its type",
    "vent": "sonic conductance, by its type",
}
CLASSES = {  # class name: why none of its fields is looked at
    "AirFlows": "mass flows and their slopes, named by where they flow",
    "NitrogenFlows": "mass flows and their slopes, named by where they flow",
    "Positions": "openings of valves, shares of 1",
    "Actuation": "openings of valves, shares of 1, for the compiled plant",
    "PlantParams": "constants of the compiled plant, units in its docstring",
    "PlantState": "state of the compiled plant, units in its docstring",
}


def _kept(kind: type) -> list[str]:
    if dataclasses.is_dataclass(kind):
        return [item.name for item in dataclasses.fields(kind)]
    if issubclass(kind, BaseModel):
        return list(kind.model_fields)
    return list(getattr(kind, "_fields", ()))


def _floats() -> list[tuple[str, str, str]]:
    found = []
    for package in (sequencer, drivers, simulator):
        for module in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            loaded = importlib.import_module(module.name)
            for name, kind in vars(loaded).items():
                if not isinstance(kind, type) or kind.__module__ != module.name:
                    continue
                hints = typing.get_type_hints(kind)
                for item in _kept(kind):
                    hint = hints.get(item)
                    if typing.get_origin(hint) is Callable:
                        continue
                    if hint is float or float in typing.get_args(hint):
                        found.append((module.name, name, item))
    return found


FLOATS = _floats()


def test_there_is_something_to_look_at():
    assert len(FLOATS) > 100


@pytest.mark.parametrize("module", sorted({module for module, _, _ in FLOATS}))
def test_floats_carry_their_unit(module):
    nameless = [
        f"{kind}.{item}"
        for where, kind, item in FLOATS
        if where == module
        and not SUFFIX.search(item)
        and item not in WITHOUT
        and kind not in CLASSES
    ]
    assert nameless == []
