"""Bytes of a YAML file to text: UTF-8 (with or without BOM) and UTF-16; nothing else is guessed."""

from __future__ import annotations

import codecs
import re

from stemprep.errors import SpecError
from stemprep.spec.problems import Mark

MAX_BYTES = 1_000_000
LINE_BREAK = re.compile("\r\n|[\n\r\x85\u2028\u2029]")
# YAML 1.1, section 5.1: the printable characters; anything else is refused by the reader.
_NOT_PRINTABLE = re.compile(
    "[^\x09\x0a\x0d\x20-\x7e\x85\xa0-\ud7ff\ue000-\ufefe\uff00-\ufffd\U00010000-\U0010ffff]"
)


def decode(content: bytes, file: str) -> str:
    """Give the text of a file; SpecError for one too big, in another encoding or not text."""
    if len(content) > MAX_BYTES:
        raise SpecError(
            (f"{file}:1:1: the file has {len(content)} bytes; at most {MAX_BYTES} are read",)
        )
    text = _decoded(content, file)
    strange = _NOT_PRINTABLE.search(text)
    if strange:
        raise SpecError((_strange_character(text, strange.start(), file),))
    return text


def place_at(text: str, index: int, file: str) -> Mark:
    """Line and column of a character."""
    breaks = list(LINE_BREAK.finditer(text, 0, index))
    return Mark(file, len(breaks) + 1, index - (breaks[-1].end() if breaks else 0) + 1)


def _decoded(content: bytes, file: str) -> str:
    """UTF-16 by its byte-order mark, otherwise UTF-8."""
    if content.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        try:
            return content.decode("utf-16")
        except UnicodeDecodeError as error:
            raise SpecError(
                (f"{file}:1:1: broken UTF-16 at byte {error.start}; save the file as UTF-8",)
            ) from error
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise SpecError((_not_utf8(content, error.start, file),)) from error


def _not_utf8(content: bytes, index: int, file: str) -> str:
    """Where the first byte stands that is not UTF-8; most often the file is Latin-1."""
    start = content.startswith(codecs.BOM_UTF8) * len(codecs.BOM_UTF8)
    before = content[start:index].decode("utf-8")
    mark = place_at(before, len(before), file)
    return (
        f"{mark}: byte 0x{content[index]:02X} is not UTF-8 (the file may be Latin-1 or "
        "Windows-1252); save it as UTF-8"
    )


def _strange_character(text: str, index: int, file: str) -> str:
    """Tell of a control character, or the sign of a file that is no text."""
    return (
        f"{place_at(text, index, file)}: character U+{ord(text[index]):04X} cannot stand in a "
        "YAML file; delete it (or write it as an escape inside double quotes)"
    )
