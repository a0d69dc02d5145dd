"""`imprint drill`: a rehearsed fault on the simulated rig, told afterwards for what it was."""

import argparse
from random import Random
from typing import NamedTuple

from sequencer.check import load_pair
from sequencer.codes import COMPLETE, ENDED_OTHERWISE, INTERRUPTED
from sequencer.commands.console import Console
from sequencer.commands.document import print_document
from sequencer.commands.live import operator
from sequencer.commands.result import FOOTER, recovery_lines
from sequencer.commands.tables import Table, print_tables
from sequencer.commands.talk import Course, word
from sequencer.config import Rig
from sequencer.driver import Attendant, make_driver
from sequencer.errors import InputRefused, Problem
from sequencer.events import Step
from sequencer.files import digest, find, load, offer, shipped
from sequencer.model import Inputs
from sequencer.runtime.attend import Attended
from sequencer.runtime.clock import PacedClock, RealClock
from sequencer.runtime.loop import Sink
from sequencer.runtime.rehearse import Rehearsed
from sequencer.runtime.session import Ended, Job, Post, Session, need_attendant
from sequencer.runtime.signals import ordered_end
from sequencer.scenario import Part, Scenario

FOLDER = "scenarios"


class Came(NamedTuple):
    """What came of a drill, and whether it is what was expected."""

    rests: str
    first_out: str
    outcome: str
    refused: tuple[str, ...]
    as_expected: bool


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    if given.scenario == "list":
        return _list(as_json=given.json)
    scenario, part = chosen(given.scenario, given.seed)
    loaded = load_pair(given.recipe or scenario.recipe, given.rig)
    loaded.require()
    need_attendant(make_driver(loaded.rig, loaded.rig_file), loaded.rig_file, "drill")
    job = Job(
        kind="run",
        rig=struck(loaded.rig, part),
        rig_file=loaded.rig_file,
        recipe=loaded.recipe,
        material=loaded.material,
        materials_digest=digest(loaded.materials),
        sample=f"drill {scenario.name}",
        operator=operator(),
        seed=given.seed,
    )
    sessions: list[Session] = []
    rehearsed: list[Rehearsed] = []

    def answering(post: Post, attendant: Attendant | None) -> Sink:
        assert attendant is not None  # looked at above
        rehearsed.append(Rehearsed(part.requests, post, loaded.recipe))
        if given.yes:
            return _both(Attended(attendant, post), rehearsed[0])
        return _both(Console(post, attendant, sessions[0].interrupt), rehearsed[0])

    clock = RealClock() if given.speed == 1.0 else PacedClock(given.speed)
    session = Session(job, clock, answering, live=False, keep=False)
    sessions.append(session)
    course = Course(session)
    try:
        with ordered_end(session.interrupt, last=True):
            ended = session.run([] if given.json and given.yes else [course])
    finally:
        course.close()
    came = judged(part, ended, rehearsed[0])
    if given.json:
        print_document(_document(scenario, part, came, ended))
    else:
        _tell(scenario, part, came, ended)
    if ended.interrupted:
        return INTERRUPTED
    return COMPLETE if came.as_expected else ENDED_OTHERWISE


def chosen(asked: str, seed: int | None) -> tuple[Scenario, Part]:
    """Return a scenario and the part of it that is named behind a slash, else one drawn.

    Raises:
        InputRefused: if there is no such scenario or part.
    """
    name, _, wanted = asked.rpartition("/") if _is_part(asked) else (asked, "", "")
    path = find(FOLDER, name)
    scenario = load(path, Scenario)
    if not wanted:
        return scenario, Random(seed).choice(scenario.parts)
    for part in scenario.parts:
        if part.name == wanted:
            return scenario, part
    names = [part.name for part in scenario.parts]
    raise InputRefused(Problem(str(path), "part", wanted, "no such part", offer(wanted, names)))


def _is_part(asked: str) -> bool:
    return "/" in asked and not asked.endswith(".toml")


def struck(rig: Rig, part: Part) -> Rig:
    """Return the rig with the faults of a part put to those of its back end."""
    old = rig.driver.options.get("faults", [])
    had = list(old) if isinstance(old, (list, tuple)) else []
    options = {**rig.driver.options, "faults": [*had, *part.faults]}
    return rig.model_copy(update={"driver": rig.driver.model_copy(update={"options": options})})


def judged(part: Part, ended: Ended, rehearsed: Rehearsed) -> Came:
    """Return what came, held against what was expected."""
    first_out = rehearsed.first_out or rehearsed.first_raised
    refused = tuple(rehearsed.refused)
    as_expected = (
        ended.step.value in part.rests
        and (first_out in part.first_out if part.first_out else not first_out)
        and refused == part.refused
        and not rehearsed.accepted
    )
    return Came(ended.step.value, first_out, str(ended.document["outcome"]), refused, as_expected)


def _both(one: Sink, other: Sink) -> Sink:
    def tell(now_ns: int, inputs: Inputs, step: Step) -> None:
        other(now_ns, inputs, step)
        one(now_ns, inputs, step)

    return tell


def _list(*, as_json: bool) -> int:
    found = [load(path, Scenario) for path in sorted(shipped(FOLDER).glob("*.toml"))]
    if as_json:
        names = [
            {"name": item.name, "title": item.title, "parts": [part.name for part in item.parts]}
            for item in found
        ]
        print_document({"scenarios": names})
        return COMPLETE
    rows = [
        (item.name, item.title, ", ".join(p.name for p in item.parts if len(item.parts) > 1))
        for item in found
    ]
    print_tables([Table("Drills", ("scenario", "what it is", "parts"), rows)])
    return COMPLETE


def _document(scenario: Scenario, part: Part, came: Came, ended: Ended) -> dict[str, object]:
    return {
        "scenario": scenario.name,
        "part": part.name,
        "title": scenario.title,
        "expected": {
            "rests": part.rests, "first_out": part.first_out, "refused": part.refused,
        },
        "happened": {
            "rests": came.rests, "first_out": came.first_out, "outcome": came.outcome,
            "refused": came.refused,
        },
        "as_expected": came.as_expected,
        "result": ended.document,
    }  # fmt: skip


def _tell(scenario: Scenario, part: Part, came: Came, ended: Ended) -> None:
    rows = [
        ("comes to rest in", _or(part.rests), came.rests),
        ("first alarm", _or(part.first_out), came.first_out or "none"),
        ("refused", ", ".join(part.refused) or "nothing", ", ".join(came.refused) or "nothing"),
    ]
    print(f"\nDRILL on a simulated rig: {scenario.title} ({part.name})\n")
    for head, text in (
        ("What happened", scenario.happens),
        ("What to look for", scenario.look_for),
        ("What to do", scenario.do),
    ):
        print(f"{head}: {' '.join(text.split())}\n")
    print_tables([Table("Outcome", ("", "expected", "came"), rows)])
    print(f"\n{'As expected.' if came.as_expected else 'NOT as expected.'} The cycle stands in "
          f"{word(ended.step)}.")  # fmt: skip
    lines = recovery_lines(ended.step)
    if lines:
        print("\n".join(lines))
    print(FOOTER)


def _or(words: tuple[str, ...]) -> str:
    return " or ".join(words) or "none"
