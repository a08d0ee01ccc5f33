"""The one way JSON is written here: strict, keys sorted, the same value always the same text."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping


def dumps(value: object) -> str:
    r"""Write strict JSON: keys sorted, lists of plain values on one line, a newline at the end.

    The same value always gives the same text. Bytes of names that were not UTF-8 (surrogates)
    are written ``\xNN``. Raises ValueError for NaN and infinity and TypeError for what JSON
    does not know.
    """
    return "".join(_pieces(value, "")) + "\n"


def _pieces(value: object, margin: str) -> Iterator[str]:
    inner = margin + "  "
    if isinstance(value, Mapping) and value:
        yield "{"
        for position, key in enumerate(sorted(value)):
            yield f"{',' if position else ''}\n{inner}{_scalar(_checked_key(key))}: "
            yield from _pieces(value[key], inner)
        yield f"\n{margin}}}"
    elif isinstance(value, list | tuple) and not all(map(_is_flat, value)):
        yield "["
        for position, item in enumerate(value):
            yield f"{',' if position else ''}\n{inner}"
            yield from _pieces(item, inner)
        yield f"\n{margin}]"
    elif isinstance(value, list | tuple):
        yield f"[{', '.join(map(_one_line, value))}]"
    else:
        yield _scalar({} if isinstance(value, Mapping) else value)


def _is_flat(value: object) -> bool:
    """Tell plain values and short lists of them, such as (channel, start, end)."""
    if isinstance(value, list | tuple):
        return len(value) <= 4 and not any(
            isinstance(item, Mapping | list | tuple | str) for item in value
        )
    return not isinstance(value, Mapping)


def _one_line(value: object) -> str:
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_scalar, value))}]"
    return _scalar(value)


def _scalar(value: object) -> str:
    clean = clean_text(value) if isinstance(value, str) else value
    return json.dumps(clean, ensure_ascii=False, allow_nan=False)


def _checked_key(key: object) -> str:
    if not isinstance(key, str):
        raise TypeError(f"JSON keys are text, not {key!r}")
    return key


def clean_text(text: str) -> str:
    r"""Make text writable as UTF-8: lone surrogates become ``\xNN`` (or ``\uNNNN``)."""
    if text.isascii():
        return text
    return "".join(map(_clean_character, text))


def _clean_character(character: str) -> str:
    code = ord(character)
    if 0xDC80 <= code <= 0xDCFF:  # how Python keeps a name's byte that is not UTF-8 (PEP 383)
        return f"\\x{code - 0xDC00:02X}"
    return f"\\u{code:04X}" if 0xD800 <= code <= 0xDFFF else character
