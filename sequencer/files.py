"""Strict reading of the TOML files that people write, with every problem reported at once."""

import difflib
import hashlib
import json
import math
import tomllib
import types
import typing
from collections.abc import Iterable, Mapping
from pathlib import Path
from typing import TypeVar

from pydantic import BaseModel, ConfigDict, ValidationError
from pydantic_core import ErrorDetails

from sequencer.errors import InputRefused, Problem


class Strict(BaseModel):
    """Base of every file model: unknown keys refused, frozen, no coercion, no NaN."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, strict=True, allow_inf_nan=False, populate_by_name=False
    )


Model = TypeVar("Model", bound=Strict)


def shipped(folder: str) -> Path:
    """Return a folder of the shipped configuration (``rigs``, ``recipes``) or the whole of it."""
    package = Path(__file__).parent
    installed = package / "configs"
    base = installed if installed.is_dir() else package.parent / "configs"
    return base / folder


def find(folder: str, given: str) -> Path:
    """Return the file meant by ``given``: a path, or the name of a shipped file.

    Raises:
        InputRefused: if there is neither; near names are offered.
    """
    path = Path(given)
    if not given.strip():
        kind = folder.removesuffix("s")
        raise InputRefused(Problem(f"no {kind}", "", "", "an empty name was given", "name one"))
    if path.is_file():
        return path
    named = shipped(folder) / f"{given}.toml"
    if named.is_file():
        return named
    if path.is_dir():
        raise InputRefused(Problem(given, "", "", "is a folder, not a file", "name a TOML file"))
    names = sorted(entry.stem for entry in shipped(folder).glob("*.toml"))
    raise InputRefused(
        Problem(
            given, "", "", "no such file, and no shipped file of that name", offer(given, names)
        )
    )


def label(path: Path) -> str:
    """Return how messages name a file: a shipped one by its name, any other by its path."""
    inside = path.is_relative_to(shipped(""))
    return f"{path.stem} (shipped)" if inside else str(path)


def offer(word: str, known: Iterable[str]) -> str:
    """Return advice for a word that is not known: near names, else every known one."""
    known = list(known)
    near = difflib.get_close_matches(word, known, n=3, cutoff=0.5)
    if near:
        return "did you mean " + " or ".join(near) + "?"
    return "known: " + ", ".join(known) if known else ""


def read_toml(path: Path) -> dict[str, object]:
    """Return the tables of a TOML file.

    Raises:
        InputRefused: if the file cannot be read or is not TOML, naming the place.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or "cannot be read"
        raise InputRefused(Problem(str(path), "", "", reason, "name a readable file")) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise InputRefused(
            Problem(str(path), "", "", f"is not TOML: {error}", "mend the line it names")
        ) from None


def load(path: Path, model: type[Model]) -> Model:
    """Read a TOML file into a model.

    Raises:
        InputRefused: with every problem of the file, not only the first.
    """
    return validate(read_toml(path), model, label(path))


def validate(tables: Mapping[str, object], model: type[Model], file: str) -> Model:
    """Turn parsed tables into a model; ``file`` names their origin in messages."""
    if tables.get("format", 1) != 1:
        raise InputRefused(
            Problem(file, "format", repr(tables["format"]), "must be 1", "this version reads 1")
        )
    try:
        # Through JSON because strict Python validation refuses a list where a tuple is meant.
        return model.model_validate_json(json.dumps(tables, default=str))
    except ValidationError as error:
        problems = [_problem(file, model, tables, detail) for detail in error.errors()]
        raise InputRefused(*dict.fromkeys(problems)) from None


def _problem(
    file: str, model: type[Strict], tables: Mapping[str, object], detail: ErrorDetails
) -> Problem:
    location = [part for part in detail["loc"] if part not in _UNION_TAGS]
    key = ".".join(str(part) for part in location)
    shown = _shown(_written(tables, location, detail["input"]))
    match detail["type"]:
        case "missing":
            return Problem(file, key, "", "is missing", "add it")
        case "extra_forbidden":
            known = _known_keys(model, location[:-1])
            return Problem(file, key, shown, "unknown key", offer(str(location[-1]), known))
        case "value_error":
            message = detail["msg"].removeprefix("Value error, ")
            limit, _, advice = message.partition("; ")
            return Problem(file, key, shown, limit, advice)
        case _:
            limit = _plain(detail, _unit_of(model, location))
            return Problem(file, key, shown, limit, "correct the value")


_UNION_TAGS = ("linear", "current_loop")
_BOUNDS = {
    "greater_than": ("gt", "must be greater than"),
    "greater_than_equal": ("ge", "must be at least"),
    "less_than": ("lt", "must be less than"),
    "less_than_equal": ("le", "must be at most"),
}
_WANTED = {
    "finite_number": "must be a finite number",
    "float_type": "must be a number, without quotation marks",
    "int_type": "must be a whole number, without quotation marks",
    "int_from_float": "must be a whole number",
    "bool_type": "must be true or false",
    "string_type": "must be text in quotation marks",
    "model_type": "must be a table",
    "dict_type": "must be a table",
    "tuple_type": "must be a list",
    "list_type": "must be a list",
    "union_tag_not_found": "needs a kind",
}
_UNITS = ("Pa", "degC", "K", "s", "m", "m2", "m3")


def _written(tables: Mapping[str, object], location: list[int | str], parsed: object) -> object:
    """Return what stands in the file at a location; ``parsed`` where nothing stands there."""
    found: typing.Any = tables
    for part in location:
        try:
            found = found[part]
        except (KeyError, IndexError, TypeError):
            return parsed
    result: object = found
    return result


def _plain(detail: ErrorDetails, unit: str) -> str:
    """Say in plain words what a value must be; ``unit`` is that of the attribute, or empty."""
    kind, facts = detail["type"], detail.get("ctx", {})
    if kind in _BOUNDS:
        name, words = _BOUNDS[kind]
        bound = facts[name]
        return f"{words} {bound:g}" + (f" {unit}" if unit and bound else "")
    if kind in ("literal_error", "union_tag_invalid"):
        return f"must be one of {facts.get('expected', facts.get('expected_tags'))}"
    if kind in _WANTED:
        return _WANTED[kind]
    message = detail["msg"]
    return message[0].lower() + message[1:]


def _shown(value: object) -> str:
    if isinstance(value, (dict, list)):
        return ""
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False)
    if isinstance(value, float) and not math.isfinite(value):
        return "nan" if math.isnan(value) else "inf" if value > 0 else "-inf"
    return json.dumps(value, default=str)


def _fields(model: type[BaseModel]) -> dict[str, tuple[str, object]]:
    """Map the keys that a table may hold to the attribute's name and annotation."""
    return {
        field.alias or name: (name, field.annotation) for name, field in model.model_fields.items()
    }


def _unit_of(model: type[BaseModel], location: list[int | str]) -> str:
    """Return the unit in the name of the attribute at a location, empty where it names none."""
    table = _table_at(model, location[:-1])
    if table is None or not location:
        return ""
    name, _ = _fields(table).get(str(location[-1]), ("", None))
    unit = name.rpartition("_")[2]
    return unit if unit in _UNITS and "_" in name else ""


def _known_keys(model: type[BaseModel], location: list[int | str]) -> list[str]:
    """List the keys that the table at a location may hold."""
    table = _table_at(model, location)
    return [] if table is None else list(_fields(table))


def _table_at(model: type[BaseModel], location: list[int | str]) -> type[BaseModel] | None:
    found: type[BaseModel] | None = model
    for part in location:
        if found is None:
            return None
        fields = _fields(found)
        if part in fields:
            found = _model_in(fields[str(part)][1])
    return found


def _model_in(annotation: object) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    origin = typing.get_origin(annotation)
    if origin in (typing.Union, types.UnionType, dict, Mapping, tuple, typing.Annotated):
        for argument in typing.get_args(annotation):
            found = _model_in(argument)
            if found is not None:
                return found
    return None


def digest(model: BaseModel) -> str:
    """Return the SHA-256 of a model's canonical JSON, in hexadecimal."""
    canonical = json.dumps(model.model_dump(mode="json"), sort_keys=True, separators=(",", ":"))
    return hashlib.sha256(canonical.encode()).hexdigest()
