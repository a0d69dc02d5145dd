"""The rigs of the search: small, with deadlines of a few ticks, so that the space is finite.

One tick of the search is longer than every dwell and delay of the core and shorter than every
limit of its gas stages: a dwell is over in two scans, a gas stage in three, out of time in four.
"""

from collections.abc import Mapping
from typing import NamedTuple

from sequencer.config import Rig
from sequencer.files import validate
from sequencer.recipe import Recipe

TICK_s = 5.0
TICK_ns = 5_000_000_000

Table = dict[str, object]


class Case(NamedTuple):
    """A rig to search: its name, what it is, and of what its faults are; empty: of everything.

    A rig that differs from another in one thing only is searched for faults of that thing.
    """

    name: str
    description: str
    rig: Rig
    faults_of: tuple[str, ...] = ()


OUTPUTS: Table = {
    "clamp_apply": {"channel": "clamp apply", "de_energised": "hold"},
    "clamp_release": {"channel": "clamp release", "de_energised": "hold"},
    "film_isolation": {"channel": "isolation", "de_energised": "shut"},
    "film_supply": {"channel": "supply", "de_energised": "shut"},
    "film_vent": {"channel": "vent", "de_energised": "open"},
    "heater": {"channel": "heater"},
    "heater_setpoint": {"channel": "set-point"},
    "coolant": {"channel": "coolant"},
}
INPUTS = (
    "film_pressure",
    "film_pressure_2",
    "supply_pressure",
    "clamp_pressure",
    "air_pressure",
    "head_temperature",
    "clamp_closed",
    "emergency_stop",
    "guard_closed",
)
RIG: Table = {
    "format": 1,
    "hold": "fed",
    "gauges": ["film", "clamp", "regulator", "air"],
    "dead_man": "io_timeout",
    "driver": {"name": "none"},
    "geometry": {
        "cylinder_bore": "125 mm",
        "cylinder_efficiency": 0.9,
        "film_seal_diameter": "50 mm",
        "window_diameter": "50 mm",
        "film_thickness": "50 um",
        "free_gap": "0.5 mm",
        "film_volume": "0.2 L",
        "line_volume": "0.05 L",
        "bottle_volume": "49 L",
    },
    "limits": {
        "film_pressure": "300 psi",
        "relief": "330 psi",
        "head_temperature": "200 degC",
        "bled": "2 psi",
        "bled_for": "2 s",
        "bottle_change_out": "500 psi",
        "bottle_headroom": "100 psi",
        "air_pressure": "80 psi",
        "clamp_open": "3 psi",
        "twin_pressure": "3 psi",
        "twin_temperature": "10 K",
        "film_over": "10 psi",
        "supply_band": "8 psi",
        "film_band": "8 psi",
        "leak": "0.5 psi/s",
        "head_band": "5 K",
        "head_over": "10 K",
        "head_gain": "2 K",
        "head_gain_window": "4 s",
        "leak_test_every": "6 s",
        "out_of_band": "9 s",
        "pause": "9 s",
        "purge_strokes": 3,
        "reaction": "100 ms",
    },
    "commissioned": {
        "clamp_fill": "1 s",
        "clamp_release": "1 s",
        "film_rise": "1 s",
        "film_vent": "1 s",
        "gap_drain": "1 s",
        "heating": "600 K/min",
        "cooling": "600 K/min",
        "natural_cooling": "600 K/min",
    },
    "evidence": {
        "supply_at_set": {"by": "measured", "dwell": "2 s"},
        "clamp_full": {"by": "measured", "dwell": "0.5 s"},
        "film_at_pressure": {"by": "measured", "dwell": "1 s"},
        "film_bled": {"by": "measured"},
        "clamp_open": {"by": "measured", "dwell": "0.5 s"},
        "head_at_temperature": {"by": "measured"},
        "bottle_enough": {"by": "measured"},
    },
    "caps": {
        "operator": "150 psi",
        "by_ear": "60 psi",
        "timed": "60 psi",
        "no_dead_man": "60 psi",
    },
    "prompts": {
        "answer_within": "8 s",
        "hands_clear_valid": "8 s",
        "announce": "3 s",
        "second_reading_after": "4 s",
        "still_at_pressure_every": "4 s",
    },
}
RECIPE: Table = {
    "format": 1,
    "name": "search",
    "material": "PMMA",
    "stamp": {
        "name": "grating",
        "feature": "slot",
        "width": "0.8 um",
        "height": "0.4 um",
        "contact_fraction": 0.5,
        "cavities": "open",
    },
    "foil": {"thickness": "250 um", "lot": ""},
    "imprint": {
        "temperature": "150 degC",
        "soak": "2 s",
        "soak_under_clamp": "2 s",
        "film_pressure": "180 psi",
        "hold": "12 s",
    },
    "demold": {"temperature": "80 degC"},
}


def _rig(
    name: str,
    outputs: Mapping[str, object | None] | None = None,
    without: tuple[str, ...] = (),
) -> Rig:
    fitted = {**OUTPUTS, **(outputs or {})}
    tables = {
        **RIG,
        "name": name,
        "outputs": {role: item for role, item in fitted.items() if item is not None},
        "inputs": {role: {"channel": role} for role in INPUTS if role not in without},
    }
    return validate(tables, Rig, f"{name} (built in)")


def recipe() -> Recipe:
    """Return the recipe of the search."""
    return validate(RECIPE, Recipe, "recipe (built in)")


_THREE_WAY = {
    "film_isolation": None,
    "film_vent": None,
    "film_supply": {"channel": "supply", "de_energised": "shut", "three_way": True},
}
_SPRING = {
    "clamp_apply": None,
    "clamp_release": None,
    "clamp": {"channel": "clamp", "de_energised": "release"},
}


def cases() -> tuple[Case, ...]:
    """Return every shipped case."""
    return (
        Case("isolated", "two shut-offs, vent, twin film sensors, holding clamp", _rig("isolated")),
        Case(
            "single-shut-off",
            "one supply valve, vent, twin film sensors",
            _rig("single-shut-off", {"film_isolation": None}),
        ),
        Case(
            "three-way",
            "one three-way film valve, twin film sensors",
            _rig("three-way", _THREE_WAY),
        ),
        Case(
            "spring-return",
            "two shut-offs, a clamp that lets go without power",
            _rig("spring-return", _SPRING),
            ("clamp_valve", "clamp_air", "clamp_pressure", "clamp_closed", "emergency_stop"),
        ),
        Case(
            "one-sensor",
            "two shut-offs, a single film sensor",
            _rig("one-sensor", without=("film_pressure_2",)),
            ("film_pressure", "film_gauge", "film_vent", "film_supply"),
        ),
    )
