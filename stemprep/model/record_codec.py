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
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import (
    Annotated,
    Any,
    Literal,
    TypeVar,
    Union,
    cast,
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
    decimals:   of a figure; None: as it is.
    is_flagged: whether ``is_NAME_infinite`` tells an infinite figure from one that is absent.
    is_flat:    the fields of the record stand among those around it, all null where it is None.
    is_left_out: not written at all.
    is_empty_null: an empty text is written as null.
    is_open:    further fields may stand in the record, which is always there.
    keys:       a list of tuples is written as objects with these keys.
    without:    fields that a record is written without at this place.
    """

    name: str = ""
    inside: str = ""
    decimals: int | None = DB_DECIMALS
    is_flagged: bool = False
    is_flat: bool = False
    is_left_out: bool = False
    is_empty_null: bool = False
    is_open: bool = False
    keys: tuple[str, ...] = ()
    without: tuple[str, ...] = ()


AS_ITSELF = Written()
FLAT = Written(is_flat=True)
LEFT_OUT = Written(is_left_out=True)
FLAGGED = Written(is_flagged=True)
RATIO = Written(decimals=RATIO_DECIMALS)
EXACT = Written(decimals=None)
EMPTY_IS_NULL = Written(is_empty_null=True)


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


def rounded(value: float | None, decimals: int | None = DB_DECIMALS) -> float | None:
    """Round to so many decimals, never -0.0; None where there is none or it is not finite."""
    if value is None or not math.isfinite(value):
        return None
    return (value if decimals is None else round(value, decimals)) + 0.0


def encode_record(record: Any, without: tuple[str, ...] = ()) -> Json:
    """Give a record as plain JSON values: dicts, lists, text, numbers, booleans, None."""
    values: Json = {}
    for member in _members(type(record)):
        if member.attribute in without:
            continue
        value, written = getattr(record, member.attribute), member.written
        around = values.setdefault(written.inside, {}) if written.inside else values
        encoded = _encoded(value, written)
        if written.is_flat:
            around |= encoded if value is not None else dict.fromkeys(_flat_schemas(member))
            continue
        known = around.get(member.name)
        around[member.name] = {**known, **encoded} if isinstance(known, dict) else encoded
        if written.is_flagged:
            around[f"is_{member.name}_infinite"] = _infinite(value)
    return values


def _encoded(value: Any, written: Written = AS_ITSELF) -> Any:
    if isinstance(value, float):
        return rounded(value, written.decimals)
    if dataclasses.is_dataclass(value):
        return encode_record(value, written.without)
    if isinstance(value, Mapping):
        return {str(key): _encoded(item, written) for key, item in value.items()}
    if isinstance(value, list | tuple):
        if written.keys:
            return [dict(zip(written.keys, item, strict=True)) for item in value]
        return [_encoded(item, written) for item in value]
    if isinstance(value, bytes):
        return value.hex()
    return None if written.is_empty_null and value == "" else value


def _infinite(value: Any) -> bool | list[bool]:
    if isinstance(value, tuple):
        return [math.isinf(item) for item in value]
    return isinstance(value, float) and math.isinf(value)


def record_schema(record: type[Any], without: tuple[str, ...] = ()) -> Schema:
    """Describe (JSON Schema, draft 2020-12) what ``encode_record`` writes of a record."""
    properties: dict[str, Schema] = {}
    for member in _members(record):
        if member.attribute in without:
            continue
        name, written = member.name, member.written
        around = properties
        if written.inside:
            around = properties.setdefault(written.inside, _object({}))["properties"]
        if written.is_flat:
            around |= _flat_schemas(member)
            continue
        known, schema = around.get(name, {}), _member_schema(member)
        if "properties" in known:
            schema = _object({**schema["properties"], **known["properties"]})
        around[name] = schema
        if written.is_flagged:
            flag: Schema = {"type": "boolean"}
            is_list = get_origin(_bare(member.annotation)) is tuple
            around[f"is_{name}_infinite"] = _array(flag) if is_list else flag
    return _object({name: _completed(schema) for name, schema in properties.items()})


def _member_schema(member: _Member) -> Schema:
    written = member.written
    if written.keys:
        kinds = get_args(get_args(_bare(member.annotation))[0])
        return _array(_object(dict(zip(written.keys, map(value_schema, kinds), strict=True))))
    schema = value_schema(member.annotation, written.without)
    if written.is_open:
        schema = {**schema, "additionalProperties": True}
    return _nullable(schema) if written.is_empty_null else schema


def _flat_schemas(member: _Member) -> dict[str, Schema]:
    """Describe the fields of a record that stand among those around it."""
    kinds = get_args(_bare(member.annotation)) or (_bare(member.annotation),)
    inner: dict[str, Schema] = record_schema(kinds[0], member.written.without)["properties"]
    return {n: _nullable(s) for n, s in inner.items()} if type(None) in kinds else inner


def value_schema(annotation: Any, without: tuple[str, ...] = ()) -> Schema:
    """Describe a value of an annotated type; every figure may be null, as infinity is."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        schema = value_schema(arguments[0], without)
        for constraint in arguments[1:]:
            schema = _constrained(schema, constraint)
        return _nullable(schema) if type(None) in get_args(arguments[0]) else schema
    if origin in (Union, types.UnionType):
        schema = _any_of(value_schema(a, without) for a in arguments if a is not type(None))
        return _nullable(schema) if type(None) in arguments else schema
    if origin is Literal:
        return {"enum": list(arguments)}
    if origin is tuple:
        kinds = arguments[:1] if arguments[-1] is Ellipsis else arguments
        return _array(_any_of(value_schema(kind, without) for kind in kinds))
    if origin is not None and issubclass(origin, Mapping):
        keys, values = (value_schema(each) for each in arguments)
        named = {"propertyNames": keys} if "enum" in keys else {}
        return {"type": "object", "additionalProperties": values, **named}
    if dataclasses.is_dataclass(annotation):
        assert isinstance(annotation, type)
        return record_schema(annotation, without)
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


def _any_of(schemas: Iterable[Schema]) -> Schema:
    different: list[Schema] = []
    for schema in schemas:
        if schema not in different:
            different.append(schema)
    return different[0] if len(different) == 1 else {"anyOf": different}


def _constrained(schema: Schema, constraint: Any) -> Schema:
    """Describe a value that is there and holds a constraint."""
    if isinstance(constraint, Range):
        kind = "integer" if _INTEGER in (schema, schema.get("anyOf", [schema])[0]) else "number"
        low = "exclusiveMinimum" if constraint.is_low_open else "minimum"
        bounds = {low: constraint.low, "maximum": constraint.high}
        return {"type": kind, **{n: bound for n, bound in bounds.items() if math.isfinite(bound)}}
    if isinstance(constraint, TextForm) and constraint.pattern is not None:
        return {"type": "string", "pattern": f"^{constraint.pattern}$"}
    if isinstance(constraint, ItemCount):
        limits = {
            "minItems": constraint.low, "maxItems": constraint.high,
            "uniqueItems": constraint.is_unique,
        }  # fmt: skip
        return schema | {name: limit for name, limit in limits.items() if limit}
    return schema


def _object(properties: dict[str, Schema]) -> Schema:
    """Describe an object that has exactly these fields, all of them."""
    return {
        "type": "object",
        "properties": properties,
        "required": sorted(properties),
        "additionalProperties": False,
    }


def _completed(schema: Schema) -> Schema:
    """Require what was put into an object after it was begun."""
    return schema | {"required": sorted(schema["properties"])} if "properties" in schema else schema


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


def _members(record: type[Any]) -> tuple[_Member, ...]:
    """What a record writes: its fields, then the properties whose type says so."""
    if record not in _MEMBERS:
        _MEMBERS[record] = tuple(_find_members(record))
    return _MEMBERS[record]


def _find_members(record: type[Any]) -> Iterator[_Member]:
    hints = {each.name: _hints(record)[each.name] for each in dataclasses.fields(record)}
    for kind in record.__mro__:
        for name, attribute in vars(kind).items():
            if isinstance(attribute, property) and name not in hints:
                annotation = get_type_hints(attribute.fget, include_extras=True).get("return")
                hints[name] = annotation if _written(annotation) else Annotated[Any, LEFT_OUT]
    for name, annotation in hints.items():
        written = _written(annotation) or AS_ITSELF
        if not written.is_left_out:
            yield _Member(name, annotation, written)


def _written(annotation: Any) -> Written | None:
    metadata = get_args(annotation)[1:] if get_origin(annotation) is Annotated else ()
    return next((part for part in reversed(metadata) if isinstance(part, Written)), None)


def decode_record(
    record: type[Record], value: object, where: str = "", *, is_open: bool = False
) -> Record:
    """Give a record from plain JSON values; UnfitRecordError for the first that does not hold.

    Fields that are not stated keep their defaults. is_open: others may stand in it, and in the
    records inside; they are not read.
    """
    if not isinstance(value, Mapping):
        raise UnfitRecordError(where, "is no record")
    hints = _hints(record)
    unknown = next((key for key in value if key not in hints), None)
    if unknown is not None and not is_open:
        raise UnfitRecordError(_below(where, str(unknown)[:40]), "is not known")
    stated = {
        name: _decoded(hints[name], item, _below(where, name), is_open)
        for name, item in value.items()
        if name in hints
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


def _decoded(annotation: Any, value: Any, where: str, is_open: bool) -> Any:
    """Give a value of an annotated type; UnfitRecordError where it does not hold."""
    origin, arguments = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        decoded = _decoded(arguments[0], value, where, is_open)
        faults = (each.fault(decoded) for each in arguments[1:] if hasattr(each, "fault"))
        fault = None if decoded is None else next(filter(None, faults), None)
        if fault is not None:
            raise UnfitRecordError(where, fault)
        return decoded
    if origin in (Union, types.UnionType):
        return _one_of(arguments, value, where, is_open)
    if origin is Literal:
        if value not in arguments or isinstance(value, bool):
            raise UnfitRecordError(where, "is no word that is known here")
        return value
    if origin is tuple:
        kinds = _kinds_of_items(arguments, value, where)
        items = enumerate(zip(kinds, value, strict=True))
        return tuple(
            _decoded(kind, item, _below(where, str(index)), is_open)
            for index, (kind, item) in items
        )
    if origin is not None and issubclass(origin, Mapping):
        if not isinstance(value, Mapping):
            raise UnfitRecordError(where, "is no record")
        return {
            key: _decoded(arguments[1], item, _below(where, str(key)[:40]), is_open)
            for key, item in value.items()
        }
    if dataclasses.is_dataclass(annotation):
        return decode_record(cast("type[Any]", annotation), value, where, is_open=is_open)
    if annotation is float and type(value) in (int, float):
        return float(value)
    if annotation is Any or type(value) is annotation:
        return value
    raise UnfitRecordError(where, "is of another type")


def _one_of(alternatives: tuple[Any, ...], value: object, where: str, is_open: bool) -> Any:
    if value is None and type(None) in alternatives:
        return None
    faults = []
    for alternative in alternatives:
        if alternative is type(None):
            continue
        try:
            return _decoded(alternative, value, where, is_open)
        except UnfitRecordError as error:
            faults.append(error)
    raise faults[0]


def _kinds_of_items(arguments: tuple[Any, ...], value: object, where: str) -> list[Any]:
    if not isinstance(value, list | tuple):
        raise UnfitRecordError(where, "is no list")
    if arguments[-1] is Ellipsis:
        return [arguments[0]] * len(value)
    if len(arguments) != len(value):
        raise UnfitRecordError(where, f"has not {len(arguments)} entries")
    return list(arguments)


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
