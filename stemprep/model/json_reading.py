"""Reading JSON that may come from anybody: nothing in it that the same release could not write.

JSON (RFC 8259) leaves open how large a number is, what two fields of one name mean and whether a
text may hold half of a surrogate pair (sections 4, 6 and 8.2): where readers differ, a record says
one thing here and another elsewhere. What is let through can be written, compared and printed.
"""

from __future__ import annotations

import json
import math
from collections import Counter
from collections.abc import Callable
from typing import Any, NoReturn

LARGEST_WHOLE = (1 << 63) - 1
"""As in the headers that such numbers come from; beyond it some readers round (section 6)."""


OnRecord = Callable[[dict[str, Any]], None]


def _take_any(_: dict[str, Any]) -> None:
    """Take a record as it is."""


def loads(text: str, on_record: OnRecord = _take_any) -> Any:
    """Give what a text says in strict JSON.

    on_record: sees every record as soon as it is read, the inner ones first; what it raises passes
               through, so that a text can be refused before all of it takes memory.
    Raises ValueError, RecursionError among what is nested too deeply, for what is none: NaN and
    infinity, whole numbers beyond 64 bits, other numbers beyond a double, a field given twice, and
    text that no UTF-8 can hold.
    """
    content = json.loads(
        text,
        parse_constant=_refuse_constant,
        parse_int=_whole,
        parse_float=_finite,
        object_pairs_hook=lambda pairs: _each_once(pairs, on_record),
    )
    if "\\u" in text or not text.isascii():
        _refuse_half_pairs(content)
    return content


def _refuse_constant(word: str) -> NoReturn:
    raise ValueError(f"{word} is no number")


def _whole(digits: str) -> int:
    value = int(digits) if len(digits) <= len(str(-LARGEST_WHOLE)) else LARGEST_WHOLE + 1
    if abs(value) > LARGEST_WHOLE:
        raise ValueError(f"a number with {len(digits)} digits is larger than any here")
    return value


def _finite(digits: str) -> float:
    value = float(digits)
    if not math.isfinite(value):
        raise ValueError("a number is larger than any here")
    return value


def _each_once(pairs: list[tuple[str, Any]], on_record: OnRecord) -> dict[str, Any]:
    record = dict(pairs)
    if len(record) != len(pairs):
        counts = Counter(name for name, _ in pairs)
        twice = next(name for name, count in counts.items() if count > 1)
        raise ValueError(f"{ascii(twice)[:40]} is given twice")
    on_record(record)
    return record


def _refuse_half_pairs(content: object) -> None:
    try:
        json.dumps(content, ensure_ascii=False).encode("utf-8")
    except UnicodeEncodeError:
        raise ValueError("a text in it is no Unicode") from None
