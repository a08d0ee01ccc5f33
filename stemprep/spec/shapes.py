"""What a key wants: read from the annotations of the records, once, into a small description.

Reading goes by the wanted type: YAML's own guesses (``no`` is false, ``010`` is 8) never apply.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Annotated, Any, Literal, Union, get_args, get_origin, get_type_hints

from stemprep.model.definition import (
    NO_LIMIT,
    Constraint,
    ItemCount,
    Key,
    Notations,
    Range,
    TextForm,
)
from stemprep.spec.problems import one_of

Kind = Literal["number", "integer", "flag", "text", "label", "word", "list", "model", "table"]
_KEYS: dict[type[Any], Keys] = {}
"""Keys of the records that were asked for; type hints are costly to resolve."""
_NUMBERS: dict[Kind, str] = {"number": "a number", "integer": "a whole number"}


@dataclass(frozen=True, slots=True)
class Shape:
    """What one key takes.

    words:   literal words that are taken as they stand.
    item:    of a list or of a table's values; keys: of a mapping with fixed keys.
    wanted:  in words, with an example, for messages.
    constraints: what a value that is none of the words must hold.
    record:  what a mapping becomes when it is read; None: it stays a mapping.
    key:     how the field is explained; required: whether it may be left out.
    notations: what an editors' schema allows besides.
    """

    kind: Kind
    wanted: str
    words: tuple[str, ...] = ()
    item: Shape | None = None
    keys: Keys | None = None
    constraints: tuple[Constraint, ...] = ()
    is_path: bool = False
    key: Key | None = None
    is_required: bool = False
    notations: Notations | None = None

    @property
    def takes_one(self) -> bool:
        """A list that a single value may stand for."""
        return any(isinstance(one, ItemCount) and one.takes_one for one in self.constraints)

    def normal(self, text: str) -> str:
        """Give a text that fits as it is kept."""
        for form in self.constraints:
            if isinstance(form, TextForm) and form.normalize is not None:
                text = form.normalize(text)
        return text

    def fault(self, value: Any) -> str | None:
        """Say what is wrong with a value of the wanted type; None where it fits."""
        if isinstance(value, str) and value in self.words:
            return None
        faults = (constraint.fault(value) for constraint in self.constraints)
        return next((fault for fault in faults if fault is not None), None)


@dataclass(frozen=True, slots=True, eq=False)
class Keys:
    """The keys of a mapping, in order, by their name; fields: of the record, by key.

    record: what the mapping becomes once it is whole; None: it stays a mapping.
    """

    name: str
    description: str
    shapes: dict[str, Shape]
    record: type[Any] | None = None
    fields: dict[str, str] = field(default_factory=dict)

    @property
    def required(self) -> tuple[str, ...]:
        """Keys that may not be left out."""
        return tuple(key for key, shape in self.shapes.items() if shape.is_required)

    @property
    def shorthand(self) -> str | None:
        """The key that a bare value stands for (``clutter: note``); None where there is none."""
        return "severity" if "severity" in self.shapes else None

    def without_record(self) -> Keys:
        """Give the same keys as a spec states them: each may be left out, nothing is built yet."""
        shapes = {key: replace(shape, is_required=False) for key, shape in self.shapes.items()}
        return replace(self, shapes=shapes, record=None)


def keys_of(record: type[Any]) -> Keys:
    """Give the keys of a record's fields that can be written."""
    if record not in _KEYS:
        _KEYS[record] = _keys_of(record)
    return _KEYS[record]


def _keys_of(record: type[Any]) -> Keys:
    hints = get_type_hints(record, include_extras=True)
    shapes: dict[str, Shape] = {}
    names: dict[str, str] = {}
    for each in dataclasses.fields(record):
        annotation = hints[each.name]
        key = next((part for part in _metadata(annotation) if isinstance(part, Key)), None)
        if key is None:
            continue
        has_default = (
            each.default is not dataclasses.MISSING
            or each.default_factory is not dataclasses.MISSING
        )
        name = key.name or each.name.removeprefix("is_")
        shape = _shape(annotation, (), _example(key), is_none_written=not has_default)
        shapes[name] = replace(shape, key=key, is_required=not has_default)
        names[name] = each.name
    description = (record.__doc__ or "").split("\n\n", maxsplit=1)[0].strip()
    return Keys(record.__name__, description, shapes, record, names)


def build_record(keys: Keys, values: Mapping[str, Any]) -> Any:
    """Give the record of values by key; fields that no key states keep their defaults."""
    assert keys.record is not None
    return keys.record(
        **{
            field: _limit(values[key], keys.shapes[key])
            for key, field in keys.fields.items()
            if key in values
        }
    )


def contradiction_in(record: object) -> str | None:
    """Say what a record's fields say against each other; None where they agree."""
    ask = getattr(record, "contradiction", None)
    return None if ask is None else ask()


def _limit(value: Any, shape: Shape) -> Any:
    """``none`` is how a spec writes 'no limit'; lists of resolved specs become tuples."""
    if value == NO_LIMIT and NO_LIMIT in shape.words:
        return None
    if isinstance(value, str) and value not in shape.words:
        return shape.normal(value)
    return tuple(value) if isinstance(value, list) else value


def shape_of(annotation: Any) -> Shape:
    """Give the shape of a single annotated type that belongs to no record."""
    key = next((part for part in _metadata(annotation) if isinstance(part, Key)), None)
    example = "" if key is None else _example(key)
    return replace(_shape(annotation, (), example), key=key)


def mapping_shape(keys: Keys, key: Key | None = None) -> Shape:
    """Give the shape of a mapping with fixed keys."""
    listed = f"keys: {', '.join(keys.shapes)}"
    wanted = f"{keys.shapes[keys.shorthand].wanted}, or {listed}" if keys.shorthand else listed
    return Shape("model", wanted, keys=keys, key=key)


def table_shape(words: Iterable[str], item: Shape, key: Key | None = None) -> Shape:
    """Give the shape of a mapping whose keys are words of a closed list."""
    known = tuple(words)
    return Shape("table", f"keys, each {one_of(known)}", known, item=item, key=key)


def _metadata(annotation: Any) -> tuple[Any, ...]:
    return get_args(annotation)[1:] if get_origin(annotation) is Annotated else ()


def _example(key: Key) -> str:
    """Give the example of a field as it would be written."""
    if key.example is None:
        return ""
    return str(key.example).lower() if isinstance(key.example, bool) else str(key.example)


def _shape(
    annotation: Any, metadata: tuple[Any, ...], example: str, is_none_written: bool = False
) -> Shape:
    """Give the shape of one annotation."""
    if get_origin(annotation) is Annotated:
        inner, *more = get_args(annotation)
        return _shape(inner, (*metadata, *more), example, is_none_written)
    if get_origin(annotation) in (Union, types.UnionType):
        return _union(get_args(annotation), metadata, example, is_none_written)
    return _plain(annotation, metadata, example)


def _union(
    arguments: tuple[Any, ...], metadata: tuple[Any, ...], example: str, is_none_written: bool
) -> Shape:
    """Give a value or some words: ``int | Literal["song", "source"]``; None may be ``none``."""
    is_nullable = type(None) in arguments
    parts = [_shape(each, metadata, example) for each in arguments if each is not type(None)]
    words = tuple(word for part in parts if part.kind == "word" for word in part.words)
    if is_nullable and is_none_written:
        words = (*words, NO_LIMIT)
    value = next((part for part in parts if part.kind != "word"), parts[0])
    if value.kind == "word" or not words:
        return value
    return replace(value, wanted=f"{value.wanted}, or {one_of(words)}", words=words)


def _plain(annotation: Any, metadata: tuple[Any, ...], example: str) -> Shape:
    """Anything but a union."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    notations = next((one for one in metadata if isinstance(one, Notations)), None)
    if origin is Literal:
        words = tuple(str(word) for word in arguments)
        return Shape("word", one_of(words), words, notations=notations)
    if origin is tuple:
        return _list(arguments[0], metadata, example)
    if dataclasses.is_dataclass(annotation):
        assert isinstance(annotation, type)
        return mapping_shape(keys_of(annotation))
    return _value(annotation, metadata, example)


def _list(item_type: Any, metadata: tuple[Any, ...], example: str) -> Shape:
    item = _shape(item_type, (), "")
    counts = tuple(one for one in metadata if isinstance(one, ItemCount))
    wanted = (
        f"{item.wanted}, or a list of such"
        if any(count.takes_one for count in counts)
        else f"a list, each {item.wanted}"
    )
    return Shape("list", _with_example(wanted, example), item=item, constraints=counts)


def _value(annotation: Any, metadata: tuple[Any, ...], example: str) -> Shape:
    """Give a single value that is no closed list."""
    if annotation is bool:
        return Shape("flag", "true or false")
    if annotation in (int, float):
        kind: Kind = "integer" if annotation is int else "number"
        ranges = tuple(one for one in metadata if isinstance(one, Range))
        bounds = "".join(f" from {one.low} to {one.high}" for one in ranges)
        wanted = _with_example(_NUMBERS[kind] + bounds, example)
        return Shape(kind, wanted, constraints=ranges)
    forms = tuple(one for one in metadata if isinstance(one, TextForm))
    description = forms[0].description if forms else "text"
    kind = "label" if any(form.is_label for form in forms) else "text"
    wanted = _with_example(description, example and f'"{example}"')
    return Shape(kind, wanted, constraints=forms, is_path=annotation is Path)


def _with_example(wanted: str, example: str) -> str:
    return f"{wanted} (for example {example})" if example else wanted
