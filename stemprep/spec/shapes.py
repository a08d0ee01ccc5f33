"""What a key wants: read from the schema classes' annotations, once, into a small description.

Reading goes by the wanted type: YAML's own guesses (``no`` is false, ``010`` is 8) never apply.
"""

from __future__ import annotations

import types
from dataclasses import dataclass
from functools import cache
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from annotated_types import Ge, Gt, Le, Lt
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from stemprep.spec.problems import one_of

Kind = Literal["number", "integer", "flag", "text", "label", "word", "list", "model", "table"]
_NAMES: dict[Kind, str] = {"number": "a number", "integer": "a whole number"}


@dataclass(frozen=True, slots=True)
class Wanted:
    """Words for a message that types and bounds cannot give.

    is_label: the text may look like a whole number or a date (take 4).
    """

    words: str
    is_label: bool = False


@dataclass(frozen=True, slots=True)
class OneOrMore:
    """A list that may be written without brackets where it has one item."""


@dataclass(frozen=True, slots=True)
class Shape:
    """What one key takes.

    words:  literal words that are taken as they stand.
    takes_one: a list that a single value may stand for.
    item:   of a list or of a table's values; model: of a mapping with fixed keys.
    wanted: in words, with an example, for messages.
    """

    kind: Kind
    wanted: str
    words: tuple[str, ...] = ()
    item: Shape | None = None
    model: type[BaseModel] | None = None
    takes_one: bool = False


@cache
def fields_of(model: type[BaseModel]) -> dict[str, Shape]:
    """Key as written in YAML -> shape."""
    return {
        info.alias or name: _shape(info.annotation, tuple(info.metadata), _example(info))
        for name, info in model.model_fields.items()
    }


@cache
def required_of(model: type[BaseModel]) -> tuple[str, ...]:
    """Keys that may not be left out."""
    return tuple(
        info.alias or name for name, info in model.model_fields.items() if info.is_required()
    )


def shorthand_of(model: type[BaseModel]) -> str | None:
    """Give the key that a bare value stands for (``clutter: note``); None where there is none."""
    return "severity" if "severity" in fields_of(model) else None


def _example(info: FieldInfo) -> str:
    """Give the first example of a field as it would be written."""
    if not info.examples:
        return ""
    first = info.examples[0]
    return str(first).lower() if isinstance(first, bool) else str(first)


def _shape(annotation: Any, metadata: tuple[Any, ...], example: str) -> Shape:
    """Give the shape of one annotation."""
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        return _shape(inner, (*metadata, *_flat(more)), example)
    if get_origin(annotation) in (Union, types.UnionType):
        return _union(get_args(annotation), metadata, example)
    return _plain(annotation, metadata, example)


def _plain(annotation: Any, metadata: tuple[Any, ...], example: str) -> Shape:
    """Anything but a union."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Literal:
        words = tuple(str(word) for word in arguments)
        return Shape("word", one_of(words), words)
    if origin is tuple:
        item = _shape(arguments[0], (), "")
        if any(isinstance(one, OneOrMore) for one in metadata):
            wanted = _with_example(f"{item.wanted}, or a list of such", example)
            return Shape("list", wanted, item=item, takes_one=True)
        return Shape("list", _with_example(f"a list, each {item.wanted}", example), item=item)
    if origin is dict:
        words = tuple(str(word) for word in get_args(arguments[0]))
        value = _shape(arguments[1], (), "")
        return Shape("table", f"keys, each {one_of(words)}", words, item=value)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return Shape("model", _model_words(annotation), model=annotation)
    return _value(annotation, metadata, example)


def _model_words(model: type[BaseModel]) -> str:
    """List the keys of a mapping, and the words that may stand for it as a whole."""
    keys = f"keys: {', '.join(fields_of(model))}"
    short = shorthand_of(model)
    return f"{fields_of(model)[short].wanted}, or {keys}" if short else keys


def _value(annotation: type, metadata: tuple[Any, ...], example: str) -> Shape:
    """Give a single value that is no closed list."""
    told = next((item for item in metadata if isinstance(item, Wanted)), None)
    if annotation is bool:
        return Shape("flag", "true or false")
    if annotation in (int, float):
        kind: Kind = "integer" if annotation is int else "number"
        return Shape(kind, _with_example(_NAMES[kind] + _range(metadata), example))
    kind = "label" if told and told.is_label else "text"
    return Shape(kind, _with_example(told.words if told else "text", example and f'"{example}"'))


def _union(arguments: tuple[Any, ...], metadata: tuple[Any, ...], example: str) -> Shape:
    """Give a value or some words: ``int | Literal["song", "source"]``."""
    parts = [_shape(argument, metadata, example) for argument in arguments]
    words = tuple(word for part in parts if part.kind == "word" for word in part.words)
    value = next(part for part in parts if part.kind != "word")
    return Shape(value.kind, f"{value.wanted}, or {one_of(words)}", words, value.item, value.model)


def _flat(metadata: list[Any]) -> list[Any]:
    """Field(...) inside Annotated carries its bounds one level down."""
    return [
        part
        for item in metadata
        for part in (item.metadata if isinstance(item, FieldInfo) else [item])
    ]


def _range(metadata: tuple[Any, ...]) -> str:
    """`` from -120 to 0`` from the bounds of a number."""
    low = next(
        (
            item.ge if isinstance(item, Ge) else item.gt
            for item in metadata
            if isinstance(item, Ge | Gt)
        ),
        None,
    )
    high = next(
        (
            item.le if isinstance(item, Le) else item.lt
            for item in metadata
            if isinstance(item, Le | Lt)
        ),
        None,
    )
    if low is not None and high is not None:
        return f" from {low} to {high}"
    return f" of at least {low}" if low is not None else ""


def _with_example(wanted: str, example: str) -> str:
    return f"{wanted} (for example {example})" if example else wanted
