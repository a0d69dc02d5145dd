"""How much faster than life a dry-run is."""

import importlib.util
import statistics
import time
from functools import partial

from benchmarks.cycle import Bench, Ran, bench, run
from benchmarks.timing import Took, percentile, tell, times, took
from sequencer.runtime.loop import LONG_TICK_ns

REPEATS = 3


def main() -> None:
    """Measure and tell."""
    variants = [
        ("every 20 ms tick", None, False),
        ("ticks up to 200 ms in calm stages", LONG_TICK_ns, False),
    ]
    note = "Set-up (files, models) is outside. "
    if importlib.util.find_spec("numba") is None:
        note += "numba is not installed: no figures of the compiled plant."
    else:
        compile_s = _compile_s()
        variants += [(f"{name}, compiled plant", tick, True) for name, tick, _ in variants]
        note += f"Compiling the plant takes {compile_s:.1f} s once per process; it is left out."
    rows = []
    for name, long_tick_ns, compiled in variants:
        all_took: list[Took] = []
        ran: list[Ran] = []
        for _ in range(REPEATS):
            ready = bench(long_tick_ns=long_tick_ns, compiled=compiled)
            all_took.append(took(partial(_keep, ran, ready)))
        cpu_s = statistics.median(one.cpu_s for one in all_took)
        wall_s = statistics.median(one.wall_s for one in all_took)
        last = ran[-1]
        rows.append(
            (
                name,
                times(last.simulated_s / cpu_s),
                times(last.simulated_s / wall_s),
                f"{cpu_s:.2f} s",
                str(last.turns),
                f"{cpu_s / last.turns * 1e6:.0f} us",
            )
        )
    tell(
        f"Dry-run of a {last.simulated_s / 60:.1f} min cycle against real time",
        ("dry-run", "by processor time", "by wall", "processor", "turns", "a turn"),
        rows,
        note + f" Medians of {REPEATS}.",
    )
    _parts()


def _keep(ran: list[Ran], ready: Bench) -> None:
    ran.append(run(ready))


def _compile_s() -> float:
    from simulator.compiled import load_advance

    began = time.perf_counter()
    load_advance(True)
    return time.perf_counter() - began


def _parts() -> None:
    """Tell where the time of one turn goes, every tick, interpreted; the timers cost some, too."""
    ready = bench(long_tick_ns=None)
    spent_ns: dict[str, list[int]] = {}

    def timed(owner: object, name: str, tag: str) -> None:
        work = getattr(owner, name)

        def timing(*given: object) -> object:
            began_ns = time.thread_time_ns()
            result = work(*given)
            spent_ns.setdefault(tag, []).append(time.thread_time_ns() - began_ns)
            return result

        setattr(owner, name, timing)

    loop = ready.loop
    timed(ready.driver.bench(), "run_to", "of it the plant")
    timed(ready.driver, "read", "driver: read, 12 channels")
    timed(loop._sequencer, "step", "core: one scan")
    timed(loop, "_write", "outputs wired and written")
    timed(loop, "_tell_all", "summary and attendant")
    timed(loop, "turn", "the whole turn of the loop")
    run(ready)
    whole = percentile(spent_ns["the whole turn of the loop"], 0.5)
    order = (
        "the whole turn of the loop",
        "core: one scan",
        "driver: read, 12 channels",
        "of it the plant",
        "outputs wired and written",
        "summary and attendant",
    )
    tell(
        "Where a turn's time goes (every tick, interpreted plant, 12 channels)",
        ("part", "share at p50", "p50", "p99"),
        [
            (
                tag,
                f"{percentile(spent_ns[tag], 0.5) / whole:.0%}",
                f"{percentile(spent_ns[tag], 0.5) / 1e3:.1f} us",
                f"{percentile(spent_ns[tag], 0.99) / 1e3:.1f} us",
            )
            for tag in order
        ],
        "Processor time. The plant is carried on in read; in write it is there already.",
    )
