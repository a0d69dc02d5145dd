"""A path through the search as a story: scan by scan, what happened and what the core did."""

from collections.abc import Iterator

from sequencer.core.memory import Memory
from sequencer.events import AlarmChanged, EvidenceHad, Noted, RequestAnswered, TripLatched
from sequencer.explore.moves import Move
from sequencer.explore.plant import BLED, HEATS, LEVELS, Plant
from sequencer.explore.search import Search, State
from sequencer.invariants.look import Look, Past
from sequencer.model import Outputs

Path = tuple[int, ...]


def story(search: Search, path: Path) -> tuple[str, ...]:
    """Return the lines of the story of a path; scans in which nothing is new are left out."""
    state = search.beginnings()[path[0]]
    lines = []
    move = Move(_beginning(state.plant), state.plant)
    shown = ""
    for scan, at in enumerate(path):
        if scan:
            choices = search.moves(state)
            long = Move("a long time passes", state.plant, long=True)
            move = choices[at] if at < len(choices) else long
        state, look = search.scan(state, move)
        stands = _stands(look, state.plant)
        told = "; ".join((*((move.words,) if move.words else ()), *_told(look)))
        if told or stands != shown or scan == len(path) - 1:
            lines.append(f"{scan:3}  {told}" if told else f"{scan:3}")
            lines.append(f"     -> {stands}")
        shown = stands
    return tuple(lines)


def first(search: Search) -> State:
    """Return the state in which a program starts on a rig at rest."""
    return State(Memory(), search.beginnings()[0].plant, Past())


def _beginning(plant: Plant) -> str:
    if plant.clamp == BLED:
        return "the program starts; rig at rest"
    return f"the program starts; found clamped, film {LEVELS[plant.film]}"


def _stands(look: Look, plant: Plant) -> str:
    out = look.out
    return (
        f"{look.step.step.value}/{look.step.stage}: {outputs_in_words(out)}"
        f" | film {LEVELS[plant.film]}, clamp {_clamp(plant)}, head {HEATS[plant.head]}"
    )


def _clamp(plant: Plant) -> str:
    return "open" if plant.clamp == BLED else LEVELS[plant.clamp]


def outputs_in_words(out: Outputs) -> str:
    """Return an image in a few words: what is open and on, and what the clamp is told."""
    on = (
        ("supply", out.supply_open),
        ("isolation", out.isolation_open),
        ("vent", out.vent_open),
        ("heater", out.heater_on),
        ("coolant", out.coolant_on),
    )
    return f"clamp {out.clamp.value}, " + (" ".join(name for name, is_on in on if is_on) or "-")


def _told(look: Look) -> Iterator[str]:
    for event in look.step.events:
        match event:
            case TripLatched():
                yield f"TRIP {event.name}: {event.detail}"
            case AlarmChanged(change="raised"):
                yield f"alarm {event.name}"
            case RequestAnswered(accepted=False):
                yield f"rejected: {', '.join(event.reasons)}"
            case RequestAnswered():
                yield "accepted"
            case EvidenceHad():
                yield f"proof: {event.evidence} ({event.detail})"
            case Noted():
                yield event.text
