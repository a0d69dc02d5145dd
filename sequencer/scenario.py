"""The files of rehearsed faults: what is taught, what strikes, and what is expected of it."""

from typing import Literal

from pydantic import Field, model_validator

from sequencer.files import Strict
from sequencer.model import RequestKind
from sequencer.moment import Moment, moment

Rests = Literal["idle", "safe_clamped", "vent_unconfirmed", "faulted"]


class Asked(Strict):
    """A request that comes when it should not; ``at`` is a moment in a step."""

    kind: str
    at: str
    value: str = ""

    @model_validator(mode="after")
    def _makes_sense(self) -> "Asked":
        if self.kind not in tuple(RequestKind):
            known = ", ".join(kind.value for kind in RequestKind)
            raise ValueError(f"{self.kind} is no request; known: {known}")
        if not moment(self.at).place:
            raise ValueError('at must name a step; write at = "holding + 2 s"')
        return self

    def moment(self) -> Moment:
        """Return when it is asked."""
        return moment(self.at)


class Part(Strict):
    """One way in which a scenario can come.

    ``faults`` are what the back end takes as its faults. ``rests`` are the steps that are expected
    at the end, ``first_out`` the alarms one of which is expected first (none: no alarm at all),
    ``refused`` the requests that must be refused, in their order.
    """

    name: str = "only"
    faults: tuple[dict[str, str], ...] = ()
    requests: tuple[Asked, ...] = ()
    rests: tuple[Rests, ...] = Field(min_length=1)
    first_out: tuple[str, ...] = ()
    refused: tuple[str, ...] = ()


class Scenario(Strict):
    """A scenario with the words that teach it."""

    format: Literal[1]
    name: str
    title: str
    happens: str
    look_for: str
    do: str
    recipe: str = "pmma-grating"
    parts: tuple[Part, ...] = Field(alias="part", min_length=1)

    @model_validator(mode="after")
    def _parts_differ(self) -> "Scenario":
        names = [part.name for part in self.parts]
        if len(set(names)) != len(names):
            raise ValueError("two parts have the same name; name each differently")
        return self
