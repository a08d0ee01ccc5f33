"""Records as JSON by their type hints: written, described by a schema, and read back strictly.

A field is written under its own name unless an annotation says otherwise (``Written``). Strict JSON
has no infinity: such a figure is null, and where the contract wants it ``is_NAME_infinite`` beside
it is true; a null with a false flag was not measurable.

JSON in a package may come from anybody: nothing unknown, nothing converted, nothing out of the
ranges and forms of ``model/definition.py`` is let through.
"""

from __future__ import annotations

import dataclasses
import math
import types
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
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

DB_DECIMALS = 4
RATIO_DECIMALS = 9
Json = dict[str, Any]
Schema = dict[str, Any]
Record = TypeVar("Record")


@dataclass(frozen=True, slots=True)
class Written:
    """How a field, or a property whose type says so, is written.

    name:       its name in JSON; "": its own.
    inside:     name of an object that it stands in with others; "": none.
    decimals:   of a figure.
    is_flagged: whether ``is_NAME_infinite`` tells an infinite figure from one that is absent.
    is_flat:    the fields of the record stand among those around it, all null where it is None.
    is_left_out: not written at all.
    """

    name: str = ""
    inside: str = ""
    decimals: int = DB_DECIMALS
    is_flagged: bool = False
    is_flat: bool = False
    is_left_out: bool = False


FLAT = Written(is_flat=True)
LEFT_OUT = Written(is_left_out=True)
FLAGGED = Written(is_flagged=True)
RATIO = Written(decimals=RATIO_DECIMALS)
_PLAIN = Written()


class UnfitRecordError(ValueError):
    """A value that a record cannot hold; ``where``: the path to it, with dots."""

    def __init__(self, where: str, reason: str) -> None:
        super().__init__(where, reason)
        self.where = where
        self.reason = reason

    def __str__(self) -> str:
        """``songs.0.bar_1: is out of range``."""
        return f"{self.where}: {self.reason}" if self.where else self.reason


@dataclass(frozen=True, slots=True)
class _Member:
    """One thing that a record writes: where it is found, its type, how it is written."""

    attribute: str
    annotation: Any
    written: Written

    @property
    def name(self) -> str:
        return self.written.name or self.attribute


_HINTS: dict[type[Any], dict[str, Any]] = {}
_MEMBERS: dict[type[Any], tuple[_Member, ...]] = {}
"""Of the records that were asked for: type hints are costly to resolve."""


def rounded(value: float | None, decimals: int = DB_DECIMALS) -> float | None:
    """Round to so many decimals, never -0.0; None where there is none or it is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return round(value, decimals) + 0.0


def encode_record(record: Any) -> Json:
    """Give a record as plain JSON values: dicts, lists, text, numbers, booleans, None."""
    values: Json = {}
    for member in _members(type(record)):
        value = getattr(record, member.attribute)
        written = member.written
        around = values.setdefault(written.inside, {}) if written.inside else values
        if written.is_flat:
            around |= _flat(member.annotation, value)
            continue
        encoded = _encoded(value, written.decimals)
        known = around.get(member.name)
        around[member.name] = {**known, **encoded} if isinstance(known, dict) else encoded
        if written.is_flagged:
            around[f"is_{member.name}_infinite"] = _infinite(value)
    return values


def _flat(annotation: Any, value: Any) -> Json:
    if value is not None:
        return encode_record(value)
    return dict.fromkeys(record_schema(_record_in(annotation))["properties"])


def _encoded(value: Any, decimals: int) -> Any:
    if isinstance(value, float):
        return rounded(value, decimals)
    if dataclasses.is_dataclass(value):
        return encode_record(value)
    if isinstance(value, Mapping):
        return {str(key): _encoded(item, decimals) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_encoded(item, decimals) for item in value]
    return value.hex() if isinstance(value, bytes) else value


def _infinite(value: Any) -> bool | list[bool]:
    if isinstance(value, tuple):
        return [math.isinf(item) for item in value]
    return isinstance(value, float) and math.isinf(value)


def record_schema(record: type[Any], **more: Any) -> Schema:
    """Describe (JSON Schema, draft 2020-12) what ``encode_record`` writes of a record."""
    properties: dict[str, Schema] = {}
    for member in _members(record):
        written = member.written
        around = properties
        if written.inside:
            around = properties.setdefault(written.inside, _object({}))["properties"]
        if written.is_flat:
            inner = record_schema(_record_in(member.annotation))["properties"]
            is_optional = type(None) in get_args(_bare(member.annotation))
            around |= {n: _nullable(s) for n, s in inner.items()} if is_optional else inner
            continue
        known = around.get(member.name)
        schema = value_schema(member.annotation)
        if known is not None and "properties" in schema:
            schema = _object({**schema["properties"], **known["properties"]})
        around[member.name] = schema
        if written.is_flagged:
            flag: Schema = {"type": "boolean"}
            is_list = get_origin(_bare(member.annotation)) is tuple
            around[f"is_{member.name}_infinite"] = _array(flag) if is_list else flag
    for name, schema in properties.items():
        if "properties" in schema:
            properties[name] = _object(schema["properties"])
    return _object(properties, **more)


def value_schema(annotation: Any) -> Schema:
    """Describe a value of an annotated type; every figure may be null, as infinity is."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        schema = value_schema(arguments[0])
        for constraint in arguments[1:]:
            schema = _constrained(schema, constraint)
        return _nullable(schema) if type(None) in get_args(arguments[0]) else schema
    if origin in (Union, types.UnionType):
        kinds = [value_schema(each) for each in arguments if each is not type(None)]
        schema = kinds[0] if len(kinds) == 1 else {"anyOf": kinds}
        return _nullable(schema) if type(None) in arguments else schema
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin is tuple:
        return _array(
            value_schema(arguments[0]) if arguments[-1] is Ellipsis else _mixed(arguments)
        )
    if origin is not None and issubclass(origin, Mapping):
        keys, values = (value_schema(each) for each in arguments)
        named = {"propertyNames": keys} if "enum" in keys else {}
        return {"type": "object", "additionalProperties": values, **named}
    if dataclasses.is_dataclass(annotation):
        assert isinstance(annotation, type)
        return record_schema(annotation)
    return dict(_TYPES[annotation])


_INTEGER: Schema = {"type": "integer"}
_TYPES: dict[Any, Schema] = {
    bool: {"type": "boolean"},
    int: _INTEGER,
    float: {"type": ["number", "null"]},
    str: {"type": "string"},
    bytes: {"type": "string"},
    Any: {},
    object: {},
}


def _mixed(kinds: tuple[Any, ...]) -> Schema:
    """Items of a tuple with a fixed number of entries, of one kind or of several."""
    different: list[Schema] = []
    for schema in map(value_schema, kinds):
        if schema not in different:
            different.append(schema)
    return different[0] if len(different) == 1 else {"anyOf": different}


def _constrained(schema: Schema, constraint: Any) -> Schema:
    """Describe a value that is there and holds a constraint."""
    if isinstance(constraint, Range):
        kind = "integer" if _INTEGER in (schema, schema.get("anyOf", [schema])[0]) else "number"
        low = "exclusiveMinimum" if constraint.is_low_open else "minimum"
        return {"type": kind, low: constraint.low, "maximum": constraint.high}
    if isinstance(constraint, TextForm) and constraint.pattern is not None:
        return {"type": "string", "pattern": f"^{constraint.pattern}$"}
    if isinstance(constraint, ItemCount):
        counts = {"minItems": constraint.low or None, "maxItems": constraint.high}
        return schema | {name: count for name, count in counts.items() if count is not None}
    return schema


def _object(properties: dict[str, Schema], **more: Any) -> Schema:
    """Describe an object that has exactly these fields, all of them."""
    return {
        "type": "object",
        "properties": properties,
        "required": sorted(properties),
        "additionalProperties": False,
        **more,
    }


def _nullable(schema: Schema) -> Schema:
    kinds = schema.get("type")
    if isinstance(kinds, list) and "null" in kinds:
        return schema
    if schema.get("anyOf", [{}])[-1] == {"type": "null"}:
        return schema
    return {"anyOf": [schema, {"type": "null"}]}


def _array(items: Schema) -> Schema:
    return {"type": "array", "items": items}


def _bare(annotation: Any) -> Any:
    return get_args(annotation)[0] if get_origin(annotation) is Annotated else annotation


def _record_in(annotation: Any) -> type[Any]:
    """The record of ``Record`` or ``Record | None``."""
    bare = _bare(annotation)
    kinds = [each for each in get_args(bare) if each is not type(None)] or [bare]
    assert isinstance(kinds[0], type)
    return kinds[0]


def _members(record: type[Any]) -> tuple[_Member, ...]:
    """What a record writes: its fields, then the properties whose type says so."""
    if record not in _MEMBERS:
        _MEMBERS[record] = tuple(_find_members(record))
    return _MEMBERS[record]


def _find_members(record: type[Any]) -> Iterator[_Member]:
    hints = _hints(record)
    for each in dataclasses.fields(record):
        written = _written(hints[each.name]) or _PLAIN
        if not written.is_left_out:
            yield _Member(each.name, hints[each.name], written)
    for name, attribute in vars(record).items():
        if isinstance(attribute, property):
            annotation = get_type_hints(attribute.fget, include_extras=True).get("return")
            written_property = _written(annotation)
            if written_property is not None:
                yield _Member(name, annotation, written_property)


def _written(annotation: Any) -> Written | None:
    metadata = get_args(annotation)[1:] if get_origin(annotation) is Annotated else ()
    return next((part for part in metadata if isinstance(part, Written)), None)


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
