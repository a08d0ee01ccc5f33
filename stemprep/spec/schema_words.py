"""Value types that the spec's and the sheet's schemas share; units stand in the keys' names."""

from __future__ import annotations

import re
from datetime import date
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated, Any, Literal

from pydantic import AfterValidator, BaseModel, ConfigDict, Field

from stemprep.model.rule import TEMPLATE_TOKENS
from stemprep.model.timecode import FRAME_RATES, FrameRate
from stemprep.spec.freezing import NO_LIMIT
from stemprep.spec.problems import nearest
from stemprep.spec.shapes import Wanted

# \\xNN is how a report writes a byte of a name that is not UTF-8.
_BACKSLASH = re.compile(r"\\(?!x[0-9a-fA-F]{2})")
NoLimit = Literal["none"]


class Strict(BaseModel):
    """Base of all schema classes: nothing unknown, nothing converted."""

    model_config = ConfigDict(extra="forbid", strict=True, frozen=True, allow_inf_nan=False)


def may(meaning: str, example: object = None) -> Any:
    """Give a key that may be left out: its meaning and an example as it would be written."""
    examples = None if example is None else [example]
    return Field(default=None, description=meaning, examples=examples)


def must(meaning: str, example: object = None) -> Any:
    """Give a key that may not be left out."""
    return Field(description=meaning, examples=None if example is None else [example])


def _iso_date(text: str) -> str:
    """Give a day that exists, ISO 8601 extended format."""
    if len(text) == 10:
        try:
            return date.fromisoformat(text).isoformat()
        except ValueError:
            pass
    raise ValueError("is no day of the calendar")


def _template(text: str) -> str:
    """Refuse a template with unknown tokens, lone braces, folders, or no token at all."""
    tokens = re.findall(r"\{([^{}]*)\}", text)
    unknown = next((token for token in tokens if token not in TEMPLATE_TOKENS), None)
    if unknown is not None:
        raise ValueError(f"has the unknown token {{{unknown}}}{nearest(unknown, TEMPLATE_TOKENS)}")
    if re.search(r"[{}/\\]", re.sub(r"\{[^{}]*\}", "", text)):
        raise ValueError("has a lone brace or a folder separator")
    if not tokens and text != NO_LIMIT:
        raise ValueError("has no token, so that all files would get one name")
    return text


def _inside_drop(text: str) -> str:
    """Give a path or pattern that stays inside the drop."""
    parts = PurePosixPath(text).parts
    if text.startswith(("/", "~")) or PureWindowsPath(text).drive or _BACKSLASH.search(text):
        raise ValueError("is not relative to the drop with / between folders")
    if ".." in parts:
        raise ValueError("leads out of the drop")
    return text


def _one_line(text: str) -> str:
    """Refuse a text that would break a report's line."""
    if "\n" in text or "\t" in text:
        raise ValueError("has a tab or more than one line")
    return text


Text = Annotated[
    str,
    Field(min_length=1, max_length=300),
    AfterValidator(_one_line),
    Wanted("one line of at most 300 characters"),
]
Template = Annotated[
    str,
    Field(min_length=1, max_length=300),
    AfterValidator(_one_line),
    AfterValidator(_template),
    Wanted(f"none, or text with tokens: {', '.join(f'{{{token}}}' for token in TEMPLATE_TOKENS)}"),
]
Notes = Annotated[
    str, Field(min_length=1, max_length=20_000), Wanted("text of at most 20000 characters")
]
Label = Annotated[
    str,
    Field(min_length=1, max_length=100, json_schema_extra={"type": ["string", "integer"]}),
    AfterValidator(_one_line),
    Wanted("text of at most 100 characters", is_label=True),
]
Initials = Annotated[str, Field(pattern=r"^[A-Za-z0-9]{1,4}$"), Wanted("1 to 4 letters or digits")]
IsoDate = Annotated[
    str,
    Field(pattern=r"^[0-9]{4}-[0-9]{2}-[0-9]{2}$"),
    AfterValidator(_iso_date),
    Wanted("a date as year-month-day", is_label=True),
]
DropPath = Annotated[
    str,
    Field(min_length=1, max_length=1000),
    AfterValidator(_inside_drop),
    Wanted("a path inside the drop with / between folders; * and ? stand for any letters"),
]
Meter = Annotated[
    str,
    Field(pattern=r"^([1-9]|[1-5][0-9]|6[0-4])/(1|2|4|8|16|32|64)$"),
    Wanted("beats / note value"),
]
TimecodeText = Annotated[
    str,
    Field(pattern=r"^[0-9]{2}:[0-9]{2}:[0-9]{2}[:;][0-9]{2}$"),
    Wanted("hours:minutes:seconds:frames in quotes, two digits each"),
]
# Written bare, a rate is a number to an editor; the reader takes the text as it stands.
FrameRateWord = Annotated[
    FrameRate,
    Field(
        json_schema_extra={
            "type": ["string", "number"],
            "enum": [*FRAME_RATES, 23.976, 24, 25, 29.97, 30],
        }
    ),
]
# ISO 3901: country, registrant, year, designation; the hyphens are for print only.
Isrc = Annotated[
    str,
    Field(pattern=r"^[A-Z]{2}-?[A-Z0-9]{3}-?[0-9]{2}-?[0-9]{5}$"),
    Wanted("an ISRC of twelve characters"),
]
Sha256 = Annotated[
    str,
    Field(pattern=r"^[0-9a-f]{64}$"),
    Wanted("64 digits 0-9 a-f, as a report gives them", is_label=True),
]
LevelDb = Annotated[float, Field(ge=-200, le=40)]
GainDb = Annotated[float, Field(ge=-60, le=60)]
Seconds = Annotated[float, Field(ge=0, le=3600)]
SampleCount = Annotated[int, Field(ge=0, le=1_000_000_000)]
SamplePosition = Annotated[int, Field(ge=0, le=10**13)]
RateHz = Annotated[int, Field(ge=8_000, le=384_000)]
BitDepth = Annotated[int, Field(ge=8, le=64)]
ChannelCount = Annotated[int, Field(ge=1, le=64)]
