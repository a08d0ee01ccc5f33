"""Records as JSON: what is written holds to the schema that is derived from the same hints."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Annotated, Literal

import jsonschema
import pytest

from stemprep.model.definition import ItemCount, Range
from stemprep.model.json_document import JsonDocument, widened
from stemprep.model.record_codec import (
    AS_ITSELF,
    EMPTY_IS_NULL,
    EXACT,
    FLAGGED,
    FLAT,
    LEFT_OUT,
    UnfitRecordError,
    Written,
    decode_record,
    encode_record,
    record_schema,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Place:
    """Fields that stand among others."""

    room: str
    shelf: int = 3
    secret: int = 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Part:
    """A record that holds others of its kind."""

    name: str
    parts: Annotated[tuple[Part, ...], Written(without=("parts",))] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Whole:
    """One field of every way to be written."""

    peak_dbfs: Annotated[float, FLAGGED] = -math.inf
    offset: float = 0.123456
    exact: Annotated[Mapping[str, float | str], EXACT] = field(default_factory=dict)
    note: Annotated[str, EMPTY_IS_NULL] = ""
    place: Annotated[Place | None, Written(is_flat=True, without=("secret",))] = None
    pairs: Annotated[tuple[tuple[str, int], ...], Written(keys=("file", "count"))] = ()
    hidden: Annotated[int, LEFT_OUT] = 0
    part: Part | None = None
    places: Annotated[tuple[int, ...], Written(inside="clicks")] = ()
    count: Annotated[int, Range(0, math.inf), Written(inside="clicks")] = 0
    kinds: Annotated[tuple[Literal["a", "b"], ...], ItemCount(is_unique=True)] = ()
    open: Annotated[Part, Written(is_open=True)] = Part(name="o")

    @property
    def double(self) -> Annotated[float, AS_ITSELF]:
        """A property whose type says that it is written."""
        return 2 * self.offset

    @property
    def unwritten(self) -> float:
        """One that does not."""
        return 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Wider(Whole):
    """What is written of a record is written of a wider one too."""

    more: str


FULL = Whole(
    peak_dbfs=-3.0,
    exact={"offset": 1.25e-07, "way": "fold"},
    note="x",
    place=Place(room="A"),
    pairs=(("a.wav", 2),),
    part=Part(name="out", parts=(Part(name="in", parts=(Part(name="lost"),)),)),
    places=(4, 5),
    count=2,
    kinds=("a", "b"),
)


@pytest.mark.parametrize("record", [Whole(), FULL])
def test_what_is_written_holds_to_the_schema(record: Whole) -> None:
    schema = record_schema(Whole)
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(encode_record(record))


def test_fields_are_written_as_their_types_say() -> None:
    assert encode_record(FULL) == {
        "peak_dbfs": -3.0,
        "is_peak_dbfs_infinite": False,
        "offset": 0.1235,
        "exact": {"offset": 1.25e-07, "way": "fold"},
        "note": "x",
        "room": "A",
        "shelf": 3,
        "pairs": [{"file": "a.wav", "count": 2}],
        "part": {"name": "out", "parts": [{"name": "in"}]},
        "clicks": {"places": [4, 5], "count": 2},
        "kinds": ["a", "b"],
        "open": {"name": "o", "parts": []},
        "double": 0.2469,
    }


def test_what_is_not_there_is_null() -> None:
    values = encode_record(Whole())
    assert [values[name] for name in ("note", "room", "shelf", "part")] == [None] * 4
    assert (values["peak_dbfs"], values["is_peak_dbfs_infinite"]) == (None, True)


@pytest.mark.parametrize(
    "spoilt",
    [
        {"kinds": ["a", "a"]},
        {"kinds": ["c"]},
        {"clicks": {"places": [], "count": -1}},
        {"pairs": [["a.wav", 2]]},
        {"hidden": 0},
        {"note": 3},
    ],
)
def test_the_schema_refuses_what_is_never_written(spoilt: dict[str, object]) -> None:
    validator = jsonschema.Draft202012Validator(record_schema(Whole))
    assert not validator.is_valid(encode_record(FULL) | spoilt)


def test_further_fields_may_stand_in_what_is_open() -> None:
    part = {"name": "x", "parts": [], "more": 1}
    validator = jsonschema.Draft202012Validator(record_schema(Whole))
    assert validator.is_valid(encode_record(FULL) | {"open": part})
    assert not validator.is_valid(encode_record(FULL) | {"part": part})


def test_a_wider_record_takes_the_fields_of_a_narrower_one() -> None:
    wider = widened(Wider, FULL, more="y", note="")
    assert encode_record(wider) == {**encode_record(FULL), "more": "y", "note": None}
    assert set(record_schema(Wider)["required"]) == set(encode_record(wider))


def test_a_document_describes_what_it_shares_once() -> None:
    document = JsonDocument(kind="whole", record=Whole, title="A whole", shared={"part": Part})
    schema = document.schema()
    jsonschema.Draft202012Validator.check_schema(schema)
    jsonschema.Draft202012Validator(schema).validate(document.values(FULL))
    assert schema["properties"]["part"]["anyOf"][0] == {"$ref": "#/$defs/part"}
    assert schema["properties"]["schema_version"] == {"const": 1}


def test_a_list_that_names_something_twice_is_refused() -> None:
    with pytest.raises(UnfitRecordError, match=r"kinds: has an entry twice"):
        decode_record(Whole, {"kinds": ["a", "a"]})


def test_flat_alone_writes_all_fields() -> None:
    @dataclass(frozen=True)
    class Held:
        place: Annotated[Place, FLAT]

    Held.__annotations__ = {"place": Annotated[Place, FLAT]}
    assert encode_record(Held(Place(room="A"))) == {"room": "A", "shelf": 3, "secret": 1}
