"""The fault campaign: ``python -m benchmarks.campaign``, or one case of it by its number.

Everything is made from the seed and the numbers alone, so that any case can be run again:
``python -m benchmarks.campaign --case single:1234 --seed 1 --story``.
"""

import argparse
import multiprocessing
import sys
import time
from functools import partial
from random import Random

from benchmarks.campaign.cases import KINDS, Case, Verdict, crash_all, run_case, singles
from benchmarks.campaign.places import places
from benchmarks.campaign.report import report, story
from benchmarks.campaign.world import World

CHUNK = 40


def main() -> int:
    """Run what is asked for; exit 1 if anything was violated that software must hold."""
    given = _arguments()
    compiled = not given.interpreted and _has_numba()
    if given.case is not None:
        return _one(given, compiled=compiled)
    began = time.perf_counter()
    places(given.seed, compiled)
    asked = _asked(given)
    print(f"{len(asked)} numbers on {given.workers} processes", file=sys.stderr, flush=True)
    verdicts: list[Verdict] = []
    run = partial(_run, seed=given.seed, compiled=compiled)
    # Forked, so that every process has the places without making them again.
    with multiprocessing.get_context("fork").Pool(given.workers) as pool:
        crashes = None
        if given.crash_every:
            crashes = pool.apply_async(
                crash_all, (given.seed,), {"compiled": compiled, "every": given.crash_every}
            )
        for number, verdict in enumerate(pool.imap_unordered(run, asked, CHUNK), 1):
            if verdict is not None:
                verdicts.append(verdict)
            if number % 2000 == 0:
                took_s = time.perf_counter() - began
                print(f"{number} of {len(asked)}, {took_s:.0f} s", file=sys.stderr, flush=True)
            if given.within is not None and time.perf_counter() - began > given.within:
                print(f"stopped at {number}: out of time", file=sys.stderr)
                break
        if crashes is not None:
            verdicts += crashes.get()
        pool.terminate()
    verdicts.sort(key=lambda verdict: verdict.case)
    print(report(verdicts, given.seed, time.perf_counter() - began))
    return 1 if any(verdict.classed == "violation" for verdict in verdicts) else 0


def _asked(given: argparse.Namespace) -> list[Case]:
    rng = Random(f"{given.seed} order")
    numbers = list(range(singles()))
    if given.share < 1.0:
        numbers = rng.sample(numbers, round(given.share * len(numbers)))
    asked = [Case("single", number) for number in numbers]
    for kind in ("pair", "triple", "clean"):
        asked += [Case(kind, number) for number in range(getattr(given, kind))]
    # Mixed, so that what a time limit lets through is a fair sample of all.
    rng.shuffle(asked)
    return asked


def _run(case: Case, seed: int, *, compiled: bool) -> Verdict | None:
    return run_case(case, seed, compiled=compiled)


def _one(given: argparse.Namespace, *, compiled: bool) -> int:
    kind, _, number = given.case.rpartition(":")
    case = Case(kind or "single", int(number))
    worlds: list[World] = []
    verdict = run_case(case, given.seed, compiled=compiled, tell=worlds.append)
    if verdict is None:
        print(f"{given.case} means nothing: its step has no such instant")
        return 2
    if given.story:
        print(story(verdict, worlds[0]))
    else:
        print(verdict)
    return 1 if verdict.classed == "violation" else 0


def _has_numba() -> bool:
    from importlib.util import find_spec

    return find_spec("numba") is not None


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(prog="python -m benchmarks.campaign", description=__doc__)
    add = parser.add_argument
    add("--seed", type=int, default=1)
    add("--case", metavar="KIND:N", help=f"one case; kinds: {', '.join(KINDS)}")
    add("--story", action="store_true", help="tell the case scan by scan")
    add("--share", type=float, default=1.0, help="share of the singles, drawn by the seed")
    add("--pair", type=int, default=1000, metavar="N", help="pairs drawn")
    add("--triple", type=int, default=500, metavar="N", help="triples drawn")
    add("--clean", type=int, default=500, metavar="N", help="clean cycles, each of its own seed")
    add("--crash-every", type=int, default=1, metavar="N", help="crash at every Nth scan; 0: none")
    add("--workers", type=int, default=2)
    add("--within", type=float, metavar="S", help="stop after so many seconds")
    add("--interpreted", action="store_true", help="do not compile the plant")
    return parser.parse_args()


if __name__ == "__main__":
    sys.exit(main())
