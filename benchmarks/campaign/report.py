"""What the campaign found, as tables, and one case as a story."""

import subprocess
from collections import Counter
from collections.abc import Iterable, Sequence

from benchmarks.campaign.cases import KINDS, Verdict
from benchmarks.campaign.places import STEPS
from benchmarks.campaign.world import World
from sequencer.events import OutputsChanged, wire
from sequencer.units import show_pressure

EXAMPLES = 3
CLASSES = ("ok", "hardware", "together", "violation")


def commit() -> str:
    """Return the commit that was measured, with a mark where the tree differs from it."""
    try:
        said = subprocess.run(
            ["git", "describe", "--always", "--dirty", "--abbrev=10"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
    except (OSError, subprocess.CalledProcessError):
        return "unknown"
    return said.stdout.strip()


def rows(table: Iterable[Sequence[object]], headings: Sequence[str]) -> str:
    """Return a Markdown table."""
    lines = [f"| {' | '.join(headings)} |", f"|{'---|' * len(headings)}"]
    lines += [f"| {' | '.join(str(cell) for cell in row)} |" for row in table]
    return "\n".join(lines)


def report(verdicts: Sequence[Verdict], seed: int, took_s: float) -> str:
    """Return everything that was run and found."""
    parts = [
        "## Fault campaign\n",
        f"{len(verdicts)} cases, seed {seed}, commit {commit()}, {took_s:.0f} s; "
        f"{sum(verdict.simulated_s for verdict in verdicts) / 3600:.1f} h simulated; "
        f"{sum(verdict.replayed for verdict in verdicts)} replayed and the same.\n",
        rows(_counts(verdicts), ("kind", "cases", *CLASSES)),
        "\n### Singles by the step that is struck\n",
        rows(_by_step(verdicts), ("step", "cases", *CLASSES, "comes to rest in")),
    ]
    for classed, title in (
        ("violation", "Violations"),
        ("hardware", "What hardware must cover: one fault that no program can hold"),
        ("together", "Two or three faults together that no program can hold"),
    ):
        found = [verdict for verdict in verdicts if verdict.classed == classed]
        parts.append(f"\n### {title}: {len(found)}\n")
        if found:
            parts.append(rows(_found(found), ("rule", "injectors", "cases", "steps", "numbers")))
    return "\n".join(parts)


def _counts(verdicts: Sequence[Verdict]) -> Iterable[Sequence[object]]:
    for kind in KINDS:
        mine = [verdict for verdict in verdicts if verdict.case.kind == kind]
        if mine:
            count = Counter(verdict.classed for verdict in mine)
            yield kind, len(mine), *(count[name] for name in CLASSES)


def _by_step(verdicts: Sequence[Verdict]) -> Iterable[Sequence[object]]:
    for step in STEPS:
        mine = [v for v in verdicts if v.case.kind == "single" and v.place[0] == step]
        if mine:
            count = Counter(verdict.classed for verdict in mine)
            rests = Counter(verdict.rests for verdict in mine).most_common(4)
            where = ", ".join(f"{name} {number}" for name, number in rests)
            yield step, len(mine), *(count[name] for name in CLASSES), where


def _found(verdicts: Sequence[Verdict]) -> Iterable[Sequence[object]]:
    groups: dict[tuple[str, str], list[Verdict]] = {}
    for verdict in verdicts:
        for broken in verdict.broken:
            names = " + ".join(verdict.injectors) or verdict.place[1]
            groups.setdefault((broken.rule, names), []).append(verdict)
    for (rule, names), mine in sorted(groups.items(), key=lambda item: -len(item[1])):
        steps = ", ".join(sorted({verdict.place[0] for verdict in mine}))
        numbers = ", ".join(f"{v.case.kind}:{v.case.number}" for v in mine[:EXAMPLES])
        yield rule, names, len(mine), steps, numbers


def story(verdict: Verdict, world: World) -> str:
    """Return a case scan by scan: what was injected, what the core told, what was broken."""
    injected = ", ".join(
        f"{name} ({duration})"
        for name, duration in zip(verdict.injectors, verdict.durations, strict=True)
    )
    lines = [
        f"{verdict.case.kind}:{verdict.case.number}   {' / '.join(verdict.place)}   {injected}",
        f"ends in {verdict.rests} after {verdict.simulated_s:.1f} s, first-out "
        f"{verdict.first_out or 'none'}, {verdict.alarms} alarms: {verdict.classed}",
    ]
    marks = [(broken.at_ns, f"!! {broken.rule}: {broken.what}") for broken in verdict.broken]
    for now_ns, event in world.judge.events:
        facts = wire(event)
        name = facts.pop("event")
        if isinstance(event, OutputsChanged):
            facts.pop("film_setpoint_Pa")
        shown = ", ".join(f"{key}={value}" for key, value in facts.items() if value not in ("", ()))
        marks.append((now_ns, f"{name}: {shown[:150]}"))
    lines += [f"{at_ns / 1e9:9.2f} s  {text}" for at_ns, text in sorted(marks, key=_at)]
    truth = world.truth
    lines.append(
        f"in truth: film {show_pressure(truth.film_Pa)}, cylinder "
        f"{show_pressure(truth.cylinder_Pa)}, piston {truth.piston_m * 1e3:.1f} mm, head "
        f"{truth.head_degC:.0f} degC, film {'whole' if truth.film_intact else 'burst'}"
    )
    return "\n".join(lines)


def _at(mark: tuple[int, str]) -> int:
    return mark[0]
