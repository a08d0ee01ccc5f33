"""Records from JSON by their type hints: nothing unknown, nothing converted, nothing out of range.

JSON in a package may come from anybody. What a record's annotations allow is let through; ranges,
forms and contradictions are those of ``model/definition.py``.
"""

from __future__ import annotations

import dataclasses
import types
from collections.abc import Mapping
from typing import (
    Annotated,
    Any,
    Literal,
    TypeVar,
    Union,
    get_args,
    get_origin,
    get_type_hints,
)

from stemprep.model.definition import ItemCount, Range, TextForm

Record = TypeVar("Record")
_HINTS: dict[type[Any], dict[str, Any]] = {}
"""Type hints of the records that were asked for; they are costly to resolve."""


class UnfitRecordError(ValueError):
    """A value that a record cannot hold; ``where``: the path to it, with dots."""

    def __init__(self, where: str, reason: str) -> None:
        super().__init__(where, reason)
        self.where = where
        self.reason = reason

    def __str__(self) -> str:
        """``songs.0.bar_1: is out of range``."""
        return f"{self.where}: {self.reason}" if self.where else self.reason


def decode_record(record: type[Record], value: object, where: str = "") -> Record:
    """Give a record from plain JSON values; UnfitRecordError for the first that does not hold.

    Fields that are not stated keep their defaults.
    """
    if not isinstance(value, Mapping):
        raise UnfitRecordError(where, "is no record")
    hints = _hints(record)
    unknown = next((key for key in value if key not in hints), None)
    if unknown is not None:
        raise UnfitRecordError(_below(where, str(unknown)[:40]), "is not known")
    stated = {
        name: decode_value(hints[name], item, _below(where, name)) for name, item in value.items()
    }
    missing = next((name for name in _required(record) if name not in stated), None)
    if missing is not None:
        raise UnfitRecordError(_below(where, missing), "is missing")
    made = record(**stated)
    ask = getattr(made, "contradiction", None)
    contradiction = None if ask is None else ask()
    if contradiction is not None:
        raise UnfitRecordError(where, contradiction)
    return made


def decode_value(annotation: Any, value: object, where: str) -> Any:
    """Give a value of an annotated type; UnfitRecordError where it does not hold."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        decoded = decode_value(arguments[0], value, where)
        _refuse_fault(arguments[1:], decoded, where)
        return decoded
    if origin in (Union, types.UnionType):
        return _one_of(arguments, value, where)
    if origin is Literal:
        if value not in arguments or isinstance(value, bool):
            raise UnfitRecordError(where, "is no word that is known here")
        return value
    if origin is tuple:
        return _items(arguments, value, where)
    if dataclasses.is_dataclass(annotation):
        assert isinstance(annotation, type)
        return decode_record(annotation, value, where)
    return _plain(annotation, value, where)


def _refuse_fault(metadata: tuple[Any, ...], value: Any, where: str) -> None:
    for constraint in metadata:
        if isinstance(constraint, Range | TextForm | ItemCount) and value is not None:
            fault = constraint.fault(value)
            if fault is not None:
                raise UnfitRecordError(where, fault)


def _one_of(alternatives: tuple[Any, ...], value: object, where: str) -> Any:
    if value is None and type(None) in alternatives:
        return None
    faults = []
    for alternative in alternatives:
        if alternative is type(None):
            continue
        try:
            return decode_value(alternative, value, where)
        except UnfitRecordError as error:
            faults.append(error)
    raise faults[0]


def _items(arguments: tuple[Any, ...], value: object, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list | tuple):
        raise UnfitRecordError(where, "is no list")
    if arguments[-1] is Ellipsis:
        kinds = [arguments[0]] * len(value)
    elif len(arguments) == len(value):
        kinds = list(arguments)
    else:
        raise UnfitRecordError(where, f"has not {len(arguments)} entries")
    return tuple(
        decode_value(kind, item, _below(where, str(index)))
        for index, (kind, item) in enumerate(zip(kinds, value, strict=True))
    )


def _plain(annotation: Any, value: object, where: str) -> Any:
    if annotation is float and isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    if annotation in (bool, int, str) and type(value) is annotation:
        return value
    raise UnfitRecordError(where, "is of another type")


def _hints(record: type[Any]) -> dict[str, Any]:
    if record not in _HINTS:
        _HINTS[record] = get_type_hints(record, include_extras=True)
    return _HINTS[record]


def _required(record: Any) -> tuple[str, ...]:
    return tuple(
        each.name
        for each in dataclasses.fields(record)
        if each.default is dataclasses.MISSING and each.default_factory is dataclasses.MISSING
    )


def _below(where: str, name: str) -> str:
    return f"{where}.{name}" if where else name
