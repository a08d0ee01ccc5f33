"""JSON of strangers: what RFC 8259 leaves to readers is refused (sections 4, 6 and 8.2)."""

from __future__ import annotations

import json
import time

import pytest

from stemprep.model.json_reading import LARGEST_WHOLE, loads
from stemprep.model.strict_json import dumps


def test_what_we_write_is_read() -> None:
    value = {"a": [1, -2.5, None, True, "\u00e9\u266b"], "b": {"c": LARGEST_WHOLE}, "d": "\\u0041"}
    assert loads(dumps(value)) == value


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ('{"a": NaN}', "NaN is no number"),
        ("[-Infinity]", "-Infinity is no number"),
        (f"[{LARGEST_WHOLE + 1}]", "19 digits is larger"),
        (f"[{'9' * 100_000}]", "100000 digits is larger"),
        ("[1e999]", "larger than any here"),
        ('{"a": 1, "b": 2, "a": 3}', "'a' is given twice"),
        (r'["\ud800"]', "no Unicode"),
        (r'{"\udc80": 1}', "no Unicode"),
        ("[1", "delimiter"),
    ],
)
def test_the_rest_is_refused(text: str, why: str) -> None:
    with pytest.raises(ValueError, match=why):
        loads(text)


def test_a_pair_is_one_character() -> None:
    assert loads(r'["\ud83c\udfb5"]') == ["\U0001f3b5"]


def test_many_fields_given_twice_cost_no_time() -> None:
    text = "{" + ",".join(f'"{n}":0' for n in range(200_000)) + ',"199999":1}'
    begun_s = time.process_time()
    with pytest.raises(ValueError, match="given twice"):
        loads(text)
    assert time.process_time() - begun_s < 10.0


def test_depth_ends_in_words() -> None:
    with pytest.raises(RecursionError):
        loads("[" * 200_000)
    assert json.loads("[[1]]") == loads("[[1]]")
