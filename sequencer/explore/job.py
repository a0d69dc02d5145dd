"""One search as a job that a process can be given, and as a plain value that it gives back."""

from typing import NamedTuple

from sequencer.explore.plant import Fault, faults_of
from sequencer.explore.rigs import Case, cases
from sequencer.explore.search import Search
from sequencer.explore.story import story
from sequencer.explore.verdict import remedy

SHARE = 8  # faults in one job at most: so many that the sound rig is not searched too often


class Job(NamedTuple):
    """What to search: a case, which share of its faults come first, if pairs too, and a cap."""

    case: str
    share: int = 0
    of: int = 1
    doubles: bool = False
    most_states: int = 0


class Violation(NamedTuple):
    """A violated invariant as it is told: where, under what, how, and what hardware would hold."""

    case: str
    invariant: str
    what: str
    faults: tuple[str, ...]
    remedy: str
    scans: int
    story: tuple[str, ...]


class Result(NamedTuple):
    """What one job has found."""

    job: Job
    states: int
    edges: int
    depth: int
    complete: bool
    steps: tuple[str, ...]
    violations: tuple[Violation, ...]


def jobs(names: tuple[str, ...], *, doubles: bool, most_states: int) -> tuple[Job, ...]:
    """Return the jobs that search these cases, all of them where no name is given."""
    found = []
    for case in cases():
        if not names or case.name in names:
            of = -(-len(faults_in(case)) // SHARE)
            found += [Job(case.name, share, of, doubles, most_states) for share in range(of)]
    return tuple(found)


def case_of(name: str) -> Case:
    """Return a case by its name.

    Raises:
        KeyError: if there is none of this name.
    """
    return {case.name: case for case in cases()}[name]


def faults_in(case: Case) -> tuple[Fault, ...]:
    """Return the faults that a case is searched for."""
    every = faults_of(case.rig)
    return tuple(f for f in every if not case.faults_of or f.what in case.faults_of)


def search(job: Job) -> Result:
    """Do one job."""
    case = case_of(job.case)
    rig, faults = case.rig, faults_in(case)
    looker = Search(rig, faults[job.share :: job.of], faults if job.doubles else ())
    graph = looker.run(job.most_states)
    violations = tuple(
        Violation(
            job.case,
            found.label,
            found.what,
            tuple(fault.words for fault in found.faults),
            remedy(rig, found.label, found.faults),
            len(found.path),
            story(looker, found.path),
        )
        for found in graph.found
    )
    return Result(
        job,
        graph.states,
        graph.edges,
        graph.depth,
        graph.complete,
        tuple(sorted(step.value for step in graph.steps)),
        violations,
    )
