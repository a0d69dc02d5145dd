"""What must be true before a run may start: each permissive with what it sees, and why not.

All are looked at, so that every unmet one is told at once. A reading that is bad, stale or unknown
meets nothing.
"""

from collections.abc import Iterator
from typing import NamedTuple

from sequencer.bottle import check_bottle
from sequencer.caps import film_cap
from sequencer.core.estimate import margin_at
from sequencer.core.memory import Exposure, Purpose
from sequencer.core.turn import Turn
from sequencer.model import CycleStep
from sequencer.recipe import Recipe
from sequencer.units import show_pressure, show_temperature


class Permissive(NamedTuple):
    """One permissive: its name, what is seen now, and why it is not met (empty where it is)."""

    name: str
    now: str
    why_not: str


def permissives(turn: Turn, purpose: Purpose, recipe: Recipe | None) -> tuple[Permissive, ...]:
    """Return every permissive of a run of this purpose."""
    found = [*_standing(turn), *_people_and_power(turn), *_film_and_clamp(turn)]
    found += _readings(turn, purpose)
    if purpose is Purpose.CYCLE:
        if recipe is None:
            found.append(Permissive("recipe", "none", "a start request carries no recipe"))
        else:
            found += [*_recipe(turn, recipe), *_bottle(turn, recipe)]
    return tuple(found)


def unmet(found: tuple[Permissive, ...]) -> tuple[str, ...]:
    """Return the reasons why a run may not start; empty if it may."""
    return tuple(item.why_not for item in found if item.why_not)


def _standing(turn: Turn) -> Iterator[Permissive]:
    memory = turn.memory
    step = memory.step.value
    idle = memory.step is CycleStep.IDLE
    yield Permissive(
        "cycle at rest", step, "" if idle else f"the cycle stands in {step}, not in idle"
    )
    trip = "" if memory.trip is None else memory.trip.name
    yield Permissive("no trip", trip or "none", trip and f"a trip stands: {trip}; reset first")
    ok = turn.host.record_ok
    why = "" if ok else "the record cannot be written; no run without a record"
    yield Permissive("record", "written" if ok else "failed", why)


def _people_and_power(turn: Turn) -> Iterator[Permissive]:
    rig, seen = turn.rig, turn.seen
    if rig.has("emergency_stop"):
        why = "the stop chain is open; free the button on the rig"
        yield _contact("stop chain", seen.chain_ok, "closed", why)
    if rig.has("logic_power_ok"):
        yield _contact("24 V", seen.logic_ok, "good", "the 24 V logic supply is not good")


def _contact(name: str, state: bool | None, good: str, why: str) -> Permissive:
    if state is True:
        return Permissive(name, good, "")
    return Permissive(name, "UNKNOWN" if state is None else f"not {good}", why)


def _film_and_clamp(turn: Turn) -> Iterator[Permissive]:
    rig, seen, memory = turn.rig, turn.seen, turn.memory
    bled = memory.exposure is Exposure.NO
    why = "the film has not been proven bled since it last saw gas; a reset proves it"
    yield Permissive("film bled", "proven" if bled else "not proven", "" if bled else why)
    if rig.film_roles:
        low = seen.film_known and (seen.film_Pa or 0.0) <= rig.limits.bled_Pa
        why = "the film sensors do not show an empty film (limits.bled)"
        yield Permissive("film empty", _pressure(seen.film_Pa), "" if low else why)
    found = memory.clamp_found
    why = "" if found == "open" else "the clamp has not been proven open"
    if rig.has("clamp_closed") and seen.clamp_closed is not False:
        why = "the clamp is not open"
    yield Permissive("clamp open", found, why)
    if rig.has("air_pressure"):
        now, limit_Pa = _pressure(seen.air_Pa), rig.limits.air_pressure_Pa
        enough = seen.air_Pa is not None and seen.air_Pa >= limit_Pa
        why = f"house air is {now}, at least {show_pressure(limit_Pa)} wanted (limits.air_pressure)"
        yield Permissive("house air", now, "" if enough else why)


def _pressure(value_Pa: float | None) -> str:
    return "UNKNOWN" if value_Pa is None else show_pressure(value_Pa)


def _readings(turn: Turn, purpose: Purpose) -> Iterator[Permissive]:
    roles = [role for role in turn.rig.inputs if purpose is Purpose.CYCLE or "head" not in role]
    doubtful = 0
    for role in roles:
        reading = turn.seen.readings.get(role)
        if reading is None or not reading.good:
            doubtful += 1
            why = "never read" if reading is None else reading.reason or "uncertain"
            name = role.replace("_", " ")
            yield Permissive(name, "UNKNOWN", f"{name} is not to be trusted: {why}")
    if roles and not doubtful:
        yield Permissive("readings", f"{len(roles)} good and fresh", "")


def _recipe(turn: Turn, recipe: Recipe) -> Iterator[Permissive]:
    """Say again, at the last moment and with today's air, what the check says of the files."""
    rig, seen, imprint = turn.rig, turn.seen, recipe.imprint
    cap_Pa, _reasons = film_cap(rig)
    top_Pa = min(rig.limits.film_pressure_Pa, cap_Pa or rig.limits.film_pressure_Pa)
    wanted, cap = show_pressure(imprint.film_pressure_Pa), show_pressure(top_Pa)
    why = f"film pressure {wanted} is above this rig's {cap}"
    fits = imprint.film_pressure_Pa <= top_Pa
    yield Permissive("film pressure", f"{wanted}, at most {cap}", "" if fits else why)
    hot, top = imprint.temperature_degC, rig.limits.head_temperature_degC
    said = f"{show_temperature(hot)}, rig limit {show_temperature(top)}"
    fits = hot + rig.limits.head_over_K <= top
    why = f"imprint temperature too near the limit: {said} (limits.head_temperature)"
    yield Permissive("imprint temperature", said, "" if fits else why)
    if seen.air_Pa is not None:
        margin, permit = (
            margin_at(rig, seen.air_Pa, imprint.film_pressure_Pa),
            rig.limits.clamp_permit,
        )
        why = (
            f"house air gives a clamp margin of {margin:.2f}, at least {permit:.2f} wanted "
            "(limits.clamp_permit)"
        )
        yield Permissive(
            "clamp margin", f"{margin:.2f}, at least {permit:.2f}", "" if margin >= permit else why
        )


def _bottle(turn: Turn, recipe: Recipe) -> Iterator[Permissive]:
    rig, bottle_Pa = turn.rig, turn.seen.bottle_Pa
    if not rig.has("bottle_pressure") or bottle_Pa is None:
        return  # asked in the heating step, or said already as a reading not to be trusted
    change_out = show_pressure(rig.limits.bottle_change_out_Pa)
    problems = check_bottle(bottle_Pa, recipe, rig)
    why = "; ".join(problem.line() for problem in problems)
    yield Permissive("bottle", f"{show_pressure(bottle_Pa)}, changed out at {change_out}", why)
