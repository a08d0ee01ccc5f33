"""Types of settings that several records share; the unit stands in the field's name."""

from __future__ import annotations

import math
import re
from calendar import monthrange
from difflib import get_close_matches
from pathlib import PurePosixPath, PureWindowsPath
from typing import Annotated

from stemprep.model.definition import Notations, Range, TextForm
from stemprep.model.timecode import FRAME_RATES, FrameRate

TEMPLATE_TOKENS = (
    "artist_initials",
    "song_title",
    "mixer_initials",
    "revision",
    "version",
    "rate",
    "bits",
    "name",
    "number",
)
"""Every word that may stand in braces in a naming template."""
# \\xNN is how a report writes a byte of a name that is not UTF-8.
_BACKSLASH = re.compile(r"\\(?!x[0-9a-fA-F]{2})")


def _line_fault(text: str) -> str | None:
    """Refuse a text that would break a report's line."""
    return "has a tab or more than one line" if "\n" in text or "\t" in text else None


def _date_fault(text: str) -> str | None:
    """Want a day that exists, ISO 8601 extended format."""
    year, month, day = map(int, text.split("-"))
    is_day = year >= 1 and 1 <= month <= 12 and 1 <= day <= monthrange(year, month)[1]
    return None if is_day else "is no day of the calendar"


def _template_fault(text: str) -> str | None:
    """Refuse a template with unknown tokens, lone braces, folders, or no token at all."""
    tokens = re.findall(r"\{([^{}]*)\}", text)
    unknown = next((token for token in tokens if token not in TEMPLATE_TOKENS), None)
    if unknown is not None:
        near = get_close_matches(unknown.lower()[:60], TEMPLATE_TOKENS, n=1)
        return f"has the unknown token {{{unknown}}}" + (
            f" (did you mean {near[0]}?)" if near else ""
        )
    if re.search(r"[{}/\\]", re.sub(r"\{[^{}]*\}", "", text)):
        return "has a lone brace or a folder separator"
    return None if tokens else "has no token, so that all files would get one name"


def _template_or_line_fault(text: str) -> str | None:
    return _line_fault(text) or _template_fault(text)


def _drop_path_fault(text: str) -> str | None:
    """Want a path or pattern that stays inside the drop."""
    if text.startswith(("/", "~")) or PureWindowsPath(text).drive or _BACKSLASH.search(text):
        return "is not relative to the drop with / between folders"
    return "leads out of the drop" if ".." in PurePosixPath(text).parts else None


def _normal_isrc(text: str) -> str:
    """Give a recording code as it is printed: capitals, hyphens between its four parts."""
    plain = text.replace("-", "").upper()
    return f"{plain[:2]}-{plain[2:5]}-{plain[5:7]}-{plain[7:]}"


def _product_digits(text: str) -> str:
    return text.replace(" ", "").replace("-", "")


def _product_code_fault(text: str) -> str | None:
    """Want 12 or 13 digits, the last of which follows from the others.

    GS1 General Specifications, 7.9.1 (check digit of GTIN-12 and GTIN-13): the digits before it,
    weighted 3, 1, 3, ... from the right, and the check digit add up to a multiple of ten.
    """
    digits = _product_digits(text)
    if len(digits) not in {12, 13}:
        return "has neither 12 nor 13 digits"
    weighted = sum(int(digit) * (3, 1)[place % 2] for place, digit in enumerate(digits[-2::-1]))
    due = -weighted % 10
    return (
        None if int(digits[-1]) == due else f"ends in {digits[-1]}, its check digit would be {due}"
    )


Text = Annotated[str, TextForm("one line of at most 300 characters", 300, fault_in=_line_fault)]
Template = Annotated[
    str,
    TextForm(
        f"text with tokens: {', '.join(f'{{{token}}}' for token in TEMPLATE_TOKENS)}",
        300,
        fault_in=_template_or_line_fault,
    ),
]
Notes = Annotated[str, TextForm("text of at most 20000 characters", 20_000)]
Label = Annotated[
    str,
    TextForm(
        "text of at most 100 characters",
        100,
        fault_in=_line_fault,
        is_label=True,
        json_types=("string", "integer"),
    ),
]
Initials = Annotated[str, TextForm("1 to 4 letters or digits", pattern=r"[A-Za-z0-9]{1,4}")]
CheckId = Annotated[str, TextForm("the id of a check", pattern=r"[a-z0-9]+(-[a-z0-9]+)*")]
IsoDate = Annotated[
    str,
    TextForm(
        "a date as year-month-day",
        pattern=r"[0-9]{4}-[0-9]{2}-[0-9]{2}",
        fault_in=_date_fault,
        is_label=True,
    ),
]
DropPath = Annotated[
    str,
    TextForm(
        "a path inside the drop with / between folders; * and ? stand for any letters",
        1000,
        fault_in=_drop_path_fault,
    ),
]
Meter = Annotated[
    str,
    TextForm("beats / note value", pattern=r"([1-9]|[1-5][0-9]|6[0-4])/(1|2|4|8|16|32|64)"),
]
TimecodeText = Annotated[
    str,
    TextForm(
        "hours:minutes:seconds:frames in quotes, two digits each",
        pattern=r"[0-9]{2}:[0-9]{2}:[0-9]{2}[:;][0-9]{2}",
    ),
]
# Written bare, a rate is a number to an editor; the reader takes the text as it stands.
FrameRateWord = Annotated[
    FrameRate,
    Notations(("string", "number"), (*FRAME_RATES, 23.976, 24, 25, 29.97, 30)),
]
# ISO 3901: country, registrant, year, designation; the hyphens are for print only.
Isrc = Annotated[
    str,
    TextForm(
        "an ISRC of twelve characters",
        pattern=r"[A-Za-z]{2}-?[A-Za-z0-9]{3}-?[0-9]{2}-?[0-9]{5}",
        normalize=_normal_isrc,
    ),
]
ProductCode = Annotated[
    str,
    TextForm(
        "a UPC of 12 or an EAN of 13 digits with its check digit",
        pattern=r"[0-9][0-9 -]{10,20}[0-9]",
        fault_in=_product_code_fault,
        normalize=_product_digits,
        is_label=True,
        json_types=("string", "integer"),
    ),
]
Sha256 = Annotated[
    str,
    TextForm("64 digits 0-9 a-f, as a report gives them", pattern=r"[0-9a-f]{64}", is_label=True),
]
LevelDb = Annotated[float, Range(-200, 40)]
GainDb = Annotated[float, Range(-60, 60)]
Seconds = Annotated[float, Range(0, 3600)]
Finite = Annotated[float, Range(-math.inf, math.inf)]
Share = Annotated[float, Range(0, 1)]
Count = Annotated[int, Range(0, math.inf)]
Channel = Annotated[int, Range(1, math.inf)]
SampleCount = Annotated[int, Range(0, 1_000_000_000)]
SamplePosition = Annotated[int, Range(0, 10**13)]
RateHz = Annotated[int, Range(8_000, 384_000)]
BitDepth = Annotated[int, Range(8, 64)]
ChannelCount = Annotated[int, Range(1, 64)]
HeightDb = Annotated[float, Range(-20, 60)]
Sigmas = Annotated[float, Range(7, 1e6)]
