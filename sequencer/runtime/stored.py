"""File models as a record keeps them: plain JSON values inside, rebuilt to equal models.

What people write carries units as text; what a model holds are SI floats whose unit is in the
field's name. A record keeps the latter, bit for bit, under the names of the fields, and rebuilds
without validation: it was valid when it was recorded, also where this version's rules differ.
"""

import json
import types
import typing
from collections.abc import Mapping
from typing import TypeVar, cast

from pydantic import BaseModel

Model = TypeVar("Model", bound=BaseModel)


def dump(model: BaseModel) -> str:
    """Write a file model as JSON text."""
    return json.dumps(model.model_dump(mode="json"), allow_nan=False, separators=(",", ":"))


def rebuild(model: type[Model], text: str) -> Model:
    """Return the model that ``dump`` was given.

    Raises:
        ValueError: if the text is not of such a model, for example because this version's
            ``model`` has other fields.
    """
    plain = json.loads(text)
    if not isinstance(plain, dict):
        raise ValueError(f"not a stored {model.__name__}")
    return cast(Model, _model(model, plain))


def _model(model: type[BaseModel], plain: Mapping[str, object]) -> BaseModel:
    strange = sorted(set(plain) ^ set(model.model_fields))
    if strange:
        raise ValueError(f"a stored {model.__name__} has other fields: {', '.join(strange)}")
    values = {
        name: _value(field.annotation, plain[name]) for name, field in model.model_fields.items()
    }
    # Handed over under their aliases, the only names that construction knows for certain.
    aliased = {model.model_fields[name].alias or name: value for name, value in values.items()}
    return model.model_construct(**aliased)  # type: ignore[arg-type]


def _value(annotation: object, plain: object) -> object:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return _model(annotation, cast(Mapping[str, object], plain))
    origin, arguments = typing.get_origin(annotation), typing.get_args(annotation)
    if origin is typing.Annotated:
        return _value(arguments[0], plain)
    if origin in (typing.Union, types.UnionType):
        return _value(_chosen(arguments, plain), plain)
    if origin is dict and isinstance(plain, dict):
        return {key: _value(arguments[1], value) for key, value in plain.items()}
    if origin is tuple and isinstance(plain, list):
        return tuple(_value(arguments[0], item) for item in plain)
    return plain


def _chosen(arguments: tuple[object, ...], plain: object) -> object:
    """Pick the member of a union that the stored value is of: models are told by their fields."""
    rest: object = object
    for argument in arguments:
        if isinstance(argument, type) and issubclass(argument, BaseModel):
            if isinstance(plain, dict) and plain.keys() == argument.model_fields.keys():
                return argument
        elif argument is not type(None):
            rest = argument
    return rest
