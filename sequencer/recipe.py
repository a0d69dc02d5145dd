"""The recipe: what is pressed into what, how hot, how hard, for how long."""

from typing import Literal

from pydantic import Field

from sequencer.files import Strict
from sequencer.units import Difference, Length, Pressure, Temperature, Time


class Stamp(Strict):
    """The stamp's features: a slot (lines) or a hole, their width and height.

    ``contact_fraction`` is the share of the stamp's face that stands proud and presses first;
    ``cavities`` tells whether gas can get out of them while they fill.
    """

    name: str
    feature: Literal["slot", "hole"]
    width_m: Length = Field(alias="width", gt=0)
    height_m: Length = Field(alias="height", gt=0)
    contact_fraction: float = Field(gt=0, le=1)
    cavities: Literal["open", "sealed"] = "open"


class Foil(Strict):
    """The polymer sheet."""

    thickness_m: Length = Field(alias="thickness", gt=0)
    lot: str = ""


class Imprint(Strict):
    """Temperature, film pressure and hold."""

    temperature_degC: Temperature = Field(alias="temperature")
    soak_s: Time = Field(alias="soak", ge=0)
    soak_under_clamp_s: Time = Field(alias="soak_under_clamp", default=10.0, ge=0)
    film_pressure_Pa: Pressure = Field(alias="film_pressure", gt=0)
    pressure_band_Pa: Pressure | None = Field(alias="pressure_band", default=None, gt=0)
    temperature_band_K: Difference | None = Field(alias="temperature_band", default=None, gt=0)
    hold_s: Time = Field(alias="hold", gt=0, le=4 * 3600)


class Demold(Strict):
    """The temperature at which film pressure is let off and the foil leaves the stamp."""

    temperature_degC: Temperature = Field(alias="temperature")


class Recipe(Strict):
    """A whole recipe; without ``demold`` the foil is released hot, on a person's word."""

    format: Literal[1] = 1
    name: str
    description: str = ""
    material: str
    stamp: Stamp
    foil: Foil
    imprint: Imprint
    demold: Demold | None = None
    notes: str = ""
