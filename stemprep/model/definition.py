"""What may be written for a field of a record: range or form, meaning, example, as annotations.

A setting is defined once, where its record stands::

    max_run_samples: Annotated[SampleCount, Key("longest run at full scale that passes", 2)]

The YAML reader, the editors' schemas and the reading of manifests derive from it. A field without a
``Key`` cannot be written. One whose type takes None and that has no default is written ``none`` for
'no limit'; one with a default may be left out of a sheet or config.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass

NO_LIMIT = "none"


@dataclass(frozen=True, slots=True)
class Key:
    """How a field is written: what it means, an example as it would be written, and its key.

    name: the key; "": the field's name without the ``is_`` of yes-or-no fields.
    """

    meaning: str
    example: object = None
    name: str = ""


@dataclass(frozen=True, slots=True)
class Range:
    """Bounds of a number, both allowed unless ``is_low_open``."""

    low: float
    high: float
    is_low_open: bool = False

    def fault(self, value: float) -> str | None:
        """Say what is wrong with a number; None where it fits."""
        is_low = value <= self.low if self.is_low_open else value < self.low
        return "is out of range" if is_low or value > self.high else None


@dataclass(frozen=True, slots=True)
class TextForm:
    """What a text must look like.

    description: in words, for messages; pattern: must match the whole text.
    fault_in:    says what is wrong with a text of this pattern; None where it fits.
    normalize:   gives the form in which the text is kept, where people write it in several.
    is_label:    the text may look like a whole number or a date (take 4).
    json_types:  what the value may be to an editor, which has its own idea of a bare ``4``.
    """

    description: str
    max_length: int | None = None
    pattern: str | None = None
    fault_in: Callable[[str], str | None] | None = None
    normalize: Callable[[str], str] | None = None
    is_label: bool = False
    json_types: tuple[str, ...] = ("string",)

    def fault(self, value: str) -> str | None:
        """Say what is wrong with a text; None where it fits."""
        if not value:
            return "is empty"
        if self.max_length is not None and len(value) > self.max_length:
            return "is too long"
        if self.pattern is not None and not re.fullmatch(self.pattern, value):
            return "has another form"
        return None if self.fault_in is None else self.fault_in(value)


@dataclass(frozen=True, slots=True)
class ItemCount:
    """How many items a list may have.

    takes_one: a list of one item may be written without brackets.
    is_unique: no item stands in it twice.
    """

    low: int = 0
    high: int | None = None
    takes_one: bool = False
    is_unique: bool = False

    def fault(self, value: tuple[object, ...] | list[object]) -> str | None:
        """Say what is wrong with a list; None where it fits."""
        if len(value) < self.low:
            return "has too few entries"
        if self.high is not None and len(value) > self.high:
            return "has too many entries"
        return "has an entry twice" if self.is_unique and len(set(value)) < len(value) else None


@dataclass(frozen=True, slots=True)
class Notations:
    """What else an editor may take a word of a closed list for, because people write it bare."""

    json_types: tuple[str, ...]
    values: tuple[str | int | float, ...]


Constraint = Range | TextForm | ItemCount
