"""From readings to what the core believes, and the watch over the film's exposure to gas.

Unknown is None and never permits anything. Of twin sensors the higher one counts, because every
use of a film pressure here is "at most".
"""

from collections.abc import Mapping

from sequencer.config import Rig
from sequencer.core.memory import Exposure, Gap, Memory
from sequencer.model import Estimate, Reading
from sequencer.physics.clamp import clamp_margin


def estimate(rig: Rig, readings: dict[str, Reading]) -> Estimate:
    """Return the estimate of one scan."""
    film_Pa, film_known = _film(rig, readings)
    head_degC, head_known = _head(rig, readings)
    clamp_Pa = _value(readings, "clamp_pressure")
    return Estimate(
        readings=readings,
        film_Pa=film_Pa,
        film_known=film_known,
        clamp_Pa=clamp_Pa,
        clamp_closed=_contact(readings, "clamp_closed"),
        clamp_margin=_margin(rig, clamp_Pa, film_Pa),
        supply_Pa=_value(readings, "supply_pressure"),
        bottle_Pa=_value(readings, "bottle_pressure"),
        air_Pa=_value(readings, "air_pressure"),
        head_degC=head_degC,
        head_known=head_known,
        guard_closed=_contact(readings, "guard_closed"),
        chain_ok=_contact(readings, "emergency_stop"),
        logic_ok=_contact(readings, "logic_power_ok"),
    )


def margin_at(rig: Rig, clamp_Pa: float, film_Pa: float) -> float:
    """Return the clamp margin of this rig at a film pressure."""
    size = rig.geometry
    return clamp_margin(
        clamp_Pa,
        film_Pa,
        size.cylinder_bore_m,
        size.film_seal_diameter_m,
        size.cylinder_efficiency,
    )


def _margin(rig: Rig, clamp_Pa: float | None, film_Pa: float | None) -> float | None:
    # Below the bled limit the ratio says nothing: it would only amplify sensor noise.
    if clamp_Pa is None or film_Pa is None or film_Pa <= rig.limits.bled_Pa:
        return None
    return margin_at(rig, clamp_Pa, film_Pa)


def _value(readings: dict[str, Reading], role: str) -> float | None:
    found = readings.get(role)
    return found.value if found is not None and found.good else None


def _contact(readings: dict[str, Reading], role: str) -> bool | None:
    value = _value(readings, role)
    return None if value is None else value >= 0.5


def _film(rig: Rig, readings: dict[str, Reading]) -> tuple[float | None, bool]:
    found = [readings[role] for role in rig.film_roles]
    values_Pa = [item.value for item in found if item.good]
    if not values_Pa:
        return None, False
    known = len(values_Pa) == len(found) and not films_disagree(rig, readings)
    return max(values_Pa), known


def films_disagree(rig: Rig, readings: Mapping[str, Reading]) -> bool:
    """Tell whether two good film sensors differ by more than the rig allows."""
    values_Pa = [readings[role].value for role in rig.film_roles if readings[role].good]
    return len(values_Pa) == 2 and abs(values_Pa[0] - values_Pa[1]) > rig.limits.twin_pressure_Pa


def _head(rig: Rig, readings: dict[str, Reading]) -> tuple[float | None, bool]:
    """Return the control sensor's value (the other's where it is bad) and whether it is sure."""
    found = [readings[role] for role in rig.head_roles]
    values = [item.value for item in found if item.good]
    if not values:
        return None, False
    return values[0], len(values) == len(found) and not heads_disagree(rig, readings)


def heads_disagree(rig: Rig, readings: Mapping[str, Reading]) -> bool:
    """Tell whether two good head sensors differ by more than the rig allows."""
    values = [readings[role].value for role in rig.head_roles if readings[role].good]
    return len(values) == 2 and abs(values[0] - values[1]) > rig.limits.twin_temperature_K


def watch_film(rig: Rig, memory: Memory, seen: Estimate, now_ns: int) -> None:
    """Follow the film's exposure, its peaks, the gap and the vent, from the image last written."""
    outputs = memory.outputs
    if outputs.isolation_open:
        memory.gap = Gap.CHARGED
    gas_behind_supply = not rig.isolated or outputs.isolation_open or memory.gap is not Gap.EMPTY
    over = seen.film_Pa is not None and seen.film_Pa > rig.limits.bled_Pa
    if over or (outputs.supply_open and gas_behind_supply):
        memory.exposure = Exposure.YES
    if memory.exposure is not Exposure.NO and rig.film_roles:
        peaks_Pa = memory.peaks_Pa or (0.0,) * len(rig.film_roles)
        readings = [seen.readings[role] for role in rig.film_roles]
        memory.peaks_Pa = tuple(
            max(peak_Pa, item.value) if item.good else peak_Pa
            for peak_Pa, item in zip(peaks_Pa, readings, strict=True)
        )
    if not outputs.vent_open:
        memory.vent_open_since_ns = None
    elif memory.vent_open_since_ns is None:
        memory.vent_open_since_ns = now_ns
    if seen.guard_closed is False:
        memory.guard_opened = True
