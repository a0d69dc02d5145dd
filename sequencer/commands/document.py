"""The one JSON document that a command prints with ``--json``, also when it refuses."""

import dataclasses
import json
from collections.abc import Iterable

from sequencer.errors import Problem

Document = dict[str, object]


def refusal(problems: Iterable[Problem]) -> Document:
    """Return the document of a command that did nothing, with every reason."""
    return {"outcome": "refused", "problems": listed(problems)}


def listed(problems: Iterable[Problem]) -> list[Document]:
    """Return problems as JSON values: their parts, and the line that a person reads."""
    return [{**dataclasses.asdict(problem), "line": problem.line()} for problem in problems]


def print_document(document: Document) -> None:
    """Print a document to stdout.

    Raises:
        ValueError: if it holds a number that JSON cannot express.
    """
    print(json.dumps(document, indent=2, allow_nan=False, default=str))
