"""`imprint explore`: search everything the real core can come to, on rigs with and without faults.

The cases are dealt to processes; each gives a plain value back. Nothing here judges.
"""

import argparse
import multiprocessing
import os
import sys
import time

from sequencer.codes import COMPLETE, ENDED_OTHERWISE
from sequencer.commands.document import Document, print_document
from sequencer.commands.tables import Table, print_tables
from sequencer.errors import InputRefused, Problem
from sequencer.explore.job import Job, Result, Violation, jobs, search
from sequencer.explore.rigs import cases
from sequencer.explore.search import BEYOND_SCANS
from sequencer.invariants.table import INVARIANTS


def main(given: argparse.Namespace) -> int:
    """Run the command."""
    known = [case.name for case in cases()]
    wrong = [name for name in given.case if name not in known]
    if wrong:
        hint = f"there are {', '.join(known)}"
        raise InputRefused(*(Problem("--case", "", name, "no such case", hint) for name in wrong))
    wanted = jobs(tuple(given.case), doubles=given.doubles, most_states=given.states)
    began_s = time.monotonic()
    results = _searched(wanted, given.processes or len(os.sched_getaffinity(0)))
    took_s = time.monotonic() - began_s
    holes = shortest([v for v in _violations(results) if not v.remedy])
    hardware = shortest([v for v in _violations(results) if v.remedy])
    if given.json:
        print_document(document(results, holes, hardware, took_s))
    else:
        _print(results, holes, hardware, took_s)
    return ENDED_OTHERWISE if holes else COMPLETE


def _searched(wanted: tuple[Job, ...], processes: int) -> list[Result]:
    if processes == 1:
        return [search(job) for job in wanted]
    results = []
    with multiprocessing.get_context("spawn").Pool(processes) as pool:
        for result in pool.imap_unordered(search, wanted, chunksize=1):
            results.append(result)
            job = result.job
            said = f"{job.case} {job.share + 1}/{job.of}: {result.states} states"
            print(f"[{len(results)}/{len(wanted)}] {said}", file=sys.stderr, flush=True)
    return results


def _violations(results: list[Result]) -> list[Violation]:
    return [violation for result in results for violation in result.violations]


def shortest(found: list[Violation]) -> list[Violation]:
    """Return one violation, the shortest, for each case, invariant and set of faults."""
    best: dict[tuple[object, ...], Violation] = {}
    for violation in found:
        which = (violation.case, violation.invariant, violation.faults)
        if which not in best or violation.scans < best[which].scans:
            best[which] = violation
    return sorted(best.values(), key=lambda violation: (violation.case, violation.scans))


def document(
    results: list[Result], holes: list[Violation], hardware: list[Violation], took_s: float
) -> Document:
    """Return the whole search as one JSON document."""
    return {
        "outcome": "violated" if holes else "complete",
        "cases": [
            {
                "case": name,
                "states": sum(r.states for r in mine),
                "edges": sum(r.edges for r in mine),
                "depth": max(r.depth for r in mine),
                "complete": all(r.complete for r in mine),
                "steps": sorted({step for r in mine for step in r.steps}),
            }
            for name, mine in _by_case(results).items()
        ],
        "invariants": [*(invariant.label for invariant in INVARIANTS), *BEYOND_SCANS],
        "violations": [violation._asdict() for violation in holes],
        "needs_hardware": [violation._asdict() for violation in hardware],
        "took_s": round(took_s, 1),
    }


def _by_case(results: list[Result]) -> dict[str, list[Result]]:
    names = [case.name for case in cases()]
    found = {name: [r for r in results if r.job.case == name] for name in names}
    return {name: mine for name, mine in found.items() if mine}


def _print(
    results: list[Result], holes: list[Violation], hardware: list[Violation], took_s: float
) -> None:
    described = {case.name: case.description for case in cases()}
    print_tables(
        [
            Table(
                "Searched",
                ("case", "rig", "states", "edges", "depth", "whole"),
                [
                    (
                        name,
                        described[name],
                        f"{sum(r.states for r in mine):,}",
                        f"{sum(r.edges for r in mine):,}",
                        str(max(r.depth for r in mine)),
                        "yes" if all(r.complete for r in mine) else "CAPPED",
                    )
                    for name, mine in _by_case(results).items()
                ],
            ),
            Table(
                "Needs hardware: no order of steps holds these",
                ("case", "fault", "what comes of it", "what would hold it"),
                [(v.case, " and ".join(v.faults), v.what, v.remedy) for v in hardware],
            ),
        ]
    )
    count = len(INVARIANTS) + len(BEYOND_SCANS)
    print(f"\n{count} invariants looked at on every edge or state, {took_s:.0f} s.")
    if hardware:
        print("\nThe shortest way to each of them, scan by scan:")
    told: set[tuple[str, str]] = set()
    for violation in hardware:
        if (violation.case, violation.remedy) not in told:
            told.add((violation.case, violation.remedy))
            _tell(violation)
    print(f"\n{len(holes)} VIOLATIONS" if holes else "\nNo violation.")
    for violation in holes:
        _tell(violation)


def _tell(violation: Violation) -> None:
    under = " and ".join(violation.faults) or "no fault"
    print(f"\n{violation.case}, {under}: {violation.invariant}\n  {violation.what}")
    print("\n".join(f"  {line}" for line in violation.story))
