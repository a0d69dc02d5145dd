"""The table of materials: polymers, the diaphragm film and stamps, each value with its source."""

from collections.abc import Iterator
from pathlib import Path
from typing import Generic, Literal, TypeVar

from pydantic import BaseModel, Field, model_validator

from sequencer.errors import InputRefused, Problem
from sequencer.files import Strict, load, offer, shipped
from sequencer.units import (
    Conductivity,
    Density,
    Difference,
    Expansion,
    Modulus,
    Pressure,
    SpecificHeat,
    Temperature,
    Time,
    Viscosity,
)

Value = TypeVar("Value")
Confidence = Literal["published", "memory", "estimate", "computed"]


class Origin(Strict):
    """Where an entry comes from, a key of the table's ``sources``, and how far to trust it.

    ``memory`` is recalled, ``estimate`` judged from related data or data without an origin,
    ``computed`` arithmetic on other entries.
    """

    source: str
    confidence: Confidence
    note: str = ""


class Sourced(Origin, Generic[Value]):
    """One value and its origin."""

    value: Value


class Span(Strict, Generic[Value]):
    """From low to high, both included."""

    low: Value
    high: Value


class GlassTransition(Origin):
    """The glass transition and the range in which grades lie."""

    value_degC: Temperature = Field(alias="value")
    low_degC: Temperature = Field(alias="low")
    high_degC: Temperature = Field(alias="high")


class Flow(Origin):
    """Zero-shear viscosity by Williams, Landel and Ferry, with decadic c1.

    With ``two_branch`` the fit holds from Tg + 25 K up and the universal shape is joined on below.
    """

    c1: float = Field(gt=0)
    c2_K: Difference = Field(alias="c2", gt=0)
    reference_degC: Temperature = Field(alias="reference")
    viscosity_Pa_s: Viscosity = Field(alias="viscosity", gt=0)
    two_branch: bool
    valid_degC: Span[Temperature] = Field(alias="valid")


class Window(Origin):
    """Where imprinting is expected to work; outside it a recipe is warned about, not refused."""

    temperature_degC: Span[Temperature] = Field(alias="temperature")
    film_pressure_Pa: Span[Pressure] = Field(alias="film_pressure")
    hold_s: Span[Time] = Field(alias="hold")
    demold_degC: Span[Temperature] = Field(alias="demold")


class Material(Strict):
    """A polymer."""

    name: str
    glass_transition: GlassTransition
    flow: Flow
    density_kg_per_m3: Sourced[Density] = Field(alias="density")
    conductivity_W_per_m_K: Sourced[Conductivity] = Field(alias="conductivity")
    specific_heat_J_per_kg_K: Sourced[SpecificHeat] = Field(alias="specific_heat")
    expansion_per_K: Sourced[Expansion] = Field(alias="expansion")
    modulus_Pa: Sourced[Modulus] = Field(alias="modulus")
    poisson_ratio: Sourced[float]
    plateau_modulus_Pa: Sourced[Modulus] = Field(alias="plateau_modulus")
    window: Window
    drying: Sourced[str]


class Point(Strict):
    """A modulus or strength at a temperature."""

    at_degC: Temperature = Field(alias="at")
    value_Pa: Modulus = Field(alias="value")


class Curve(Origin):
    """A modulus or strength over temperature."""

    points: tuple[Point, ...]


class FilmMaterial(Strict):
    """What the diaphragm film is made of."""

    name: str
    modulus: Curve
    strength: Curve
    yield_at_3_percent: Curve = Field(alias="yield")
    poisson_ratio: Sourced[float]
    density_kg_per_m3: Sourced[Density] = Field(alias="density")
    conductivity_W_per_m_K: Sourced[Conductivity] = Field(alias="conductivity")
    expansion_per_K: Sourced[Expansion] = Field(alias="expansion")


class StampMaterial(Strict):
    """What a stamp is made of."""

    modulus_Pa: Sourced[Modulus] = Field(alias="modulus")
    poisson_ratio: Sourced[float]
    expansion_per_K: Sourced[Expansion] = Field(alias="expansion")
    conductivity_W_per_m_K: Sourced[Conductivity] = Field(alias="conductivity")
    density_kg_per_m3: Sourced[Density] = Field(alias="density")
    specific_heat_J_per_kg_K: Sourced[SpecificHeat] = Field(alias="specific_heat")


class Materials(Strict):
    """The whole table."""

    format: Literal[1] = 1
    sources: dict[str, str]
    materials: dict[str, Material]
    film: FilmMaterial
    stamps: dict[str, StampMaterial]

    @model_validator(mode="after")
    def _sources_are_listed(self) -> "Materials":
        missing = sorted({o.source for o in _origins(self)} - set(self.sources))
        if missing:
            raise ValueError(f"sources lacks {', '.join(missing)}; add what each of them is")
        return self

    def get(self, code: str, file: str = "", key: str = "material") -> Material:
        """Return a polymer by its code; ``file`` and ``key`` tell where it was named.

        Raises:
            InputRefused: if the table has no such code; near ones are offered.
        """
        found = self.materials.get(code)
        if found is None:
            # A polymer taken for another is ruined at the other's temperature: a near name is
            # offered only for a slip of the pen, and all known ones beside it.
            near = [name for name in self.materials if abs(len(name) - len(code)) <= 1]
            hint = offer(code.upper(), near)
            known = f"known: {', '.join(self.materials)}"
            advice = f"{hint} {known}" if hint.startswith("did") else known
            raise InputRefused(
                Problem(file, key, f'"{code}"', "no such material in the table", advice)
            )
        return found


def _origins(model: BaseModel) -> Iterator[Origin]:
    if isinstance(model, Origin):
        yield model
    for name in type(model).model_fields:
        value = getattr(model, name)
        for inner in value.values() if isinstance(value, dict) else (value,):
            if isinstance(inner, BaseModel):
                yield from _origins(inner)


def load_materials(path: Path | None = None) -> Materials:
    """Read a table of materials, the shipped one unless another is given.

    Raises:
        InputRefused: with every problem of the file.
    """
    return load(path or shipped("materials.toml"), Materials)
