"""``imprint check``: a recipe on a rig, with margins and what the rig does not watch."""

import argparse
import dataclasses

from sequencer.bottle import FULL_BOTTLE_Pa
from sequencer.check import Loaded, load_pair
from sequencer.checks.rig import RESIDUAL_FORCE_N
from sequencer.commands.document import Document, listed, print_document
from sequencer.commands.tables import Table, print_tables
from sequencer.errors import Problem
from sequencer.files import digest
from sequencer.units import show_pressure, show_temperature, show_time


def main(arguments: argparse.Namespace) -> int:
    """Print what the check finds and return the exit code.

    Raises:
        InputRefused: if a file cannot be read or the recipe may not run on the rig.
    """
    loaded = load_pair(arguments.recipe, arguments.rig)
    if arguments.json:
        print_document(document(loaded))
        return 2 if loaded.check.problems else 0
    print_tables(tables(loaded))
    loaded.require()
    return 0


def document(loaded: Loaded) -> Document:
    """Return the check as one JSON document."""
    check, timing = loaded.check, loaded.rig.timing
    return {
        "outcome": "refused" if check.problems else "may run",
        "recipe": loaded.recipe.name,
        "recipe_file": loaded.recipe_file,
        "recipe_digest": digest(loaded.recipe),
        "rig": loaded.rig.name,
        "rig_file": loaded.rig_file,
        "rig_digest": digest(loaded.rig),
        "problems": listed(check.problems),
        "warnings": listed(check.warnings),
        "margins": dataclasses.asdict(check.margins),
        "verified": check.verified.value,
        "film_cap_Pa": check.film_cap_Pa,
        "capped_by": list(check.capped_by),
        "reaction_s": timing.reaction_s,
        "reaction_limit_s": loaded.rig.limits.reaction_s,
        "unwatched": [row._asdict() for row in check.unwatched],
    }


def tables(loaded: Loaded) -> list[Table]:
    """Return the check as tables for a person; the problems stand on stderr, too."""
    check = loaded.check
    count = len(check.problems)
    verdict = f"{count} problem{'s' * (count > 1)}" if count else "may run"
    return [
        Table(
            f"{loaded.recipe.name} on {loaded.rig.name}: {verdict}",
            ("margin", "value", "limit"),
            _margin_rows(loaded),
        ),
        Table(
            "Problems",
            ("key", "what"),
            [(_keyed(item), _said(item)) for item in check.problems],
        ),
        Table("What a run rests on", ("evidence", "had by"), _evidence_rows(loaded)),
        Table(
            "Warnings",
            ("key", "what"),
            [(_keyed(item), _said(item)) for item in check.warnings],
        ),
        Table(
            "What this rig does not watch",
            ("what", "because", "what would watch it"),
            [tuple(row) for row in check.unwatched],
        ),
    ]


def _keyed(item: Problem) -> str:
    return f"{item.key} = {item.value}" if item.value else item.key


def _said(item: Problem) -> str:
    return f"{item.limit}; {item.advice}" if item.advice else item.limit


def _evidence_rows(loaded: Loaded) -> list[tuple[str, str]]:
    check = loaded.check
    rows = [
        (name.replace("_", " "), proof.by.replace("_", " "))
        for name, proof in loaded.rig.evidence.proofs().items()
    ]
    rows.append(("a run is verified by", check.verified.replace("_", " ")))
    if check.film_cap_Pa is None:
        rows.append(("film pressure cap", "none"))
    else:
        reasons = "; ".join(check.capped_by)
        rows.append(("film pressure cap", f"{show_pressure(check.film_cap_Pa)}: {reasons}"))
    return rows


def _margin_rows(loaded: Loaded) -> list[tuple[str, str, str]]:
    numbers, rig, imprint = loaded.check.margins, loaded.rig, loaded.recipe.imprint
    limits, timing = rig.limits, rig.timing
    return [
        (
            "clamp margin",
            f"{numbers.clamp_margin:.2f} at {show_pressure(limits.air_pressure_Pa)} air",
            f"at least {numbers.clamp_margin_permitted:g}: permits "
            f"{show_pressure(numbers.film_permitted_Pa)}",
        ),
        (
            "film pressure",
            show_pressure(imprint.film_pressure_Pa),
            f"rig {show_pressure(limits.film_pressure_Pa)}",
        ),
        (
            "film margin",
            f"{numbers.film_margin:.1f}: {numbers.film_stress_Pa / 1e6:.0f} of "
            f"{numbers.film_strength_Pa / 1e6:.0f} MPa",
            f"at least {numbers.film_margin_permitted:g}",
        ),
        (
            "head",
            show_temperature(imprint.temperature_degC),
            f"rig {show_temperature(limits.head_temperature_degC)}",
        ),
        ("above glass transition", f"{numbers.imprint_above_tg_K:.0f} K", "more than 5 K"),
        (
            "demold below glass transition",
            "released hot"
            if numbers.demold_below_tg_K is None
            else f"{numbers.demold_below_tg_K:.0f} K",
            "more than 0 K",
        ),
        (
            "filling needs",
            "no flow" if numbers.fill_needed_s is None else show_time(numbers.fill_needed_s),
            f"hold {show_time(numbers.hold_s)}",
        ),
        ("largest fill", f"{numbers.fill_limit:.0%}", ""),
        (
            "force left at the bled limit",
            f"{numbers.residual_force_N:.0f} N",
            f"at most {RESIDUAL_FORCE_N:.0f} N",
        ),
        (
            "nitrogen of a run",
            f"{numbers.gas_per_run_g:.2f} g",
            f"{numbers.runs_per_bottle} runs from {show_pressure(FULL_BOTTLE_Pa)}",
        ),
        (
            "bottle before the run",
            f"{show_pressure(numbers.bottle_needed_Pa)} or more",
            f"change at {show_pressure(limits.bottle_change_out_Pa)}",
        ),
        (
            "reaction",
            f"{timing.reaction_s * 1e3:.0f} ms",
            f"at most {limits.reaction_s * 1e3:.0f} ms",
        ),
        ("duration", f"about {show_time(numbers.duration_s)}", "and the waits for a person"),
    ]
