"""One YAML value by the type that is wanted; each of YAML's misreadings has its own hint.

YAML 1.1 (the dialect that most readers still speak) sees booleans in ``no`` and ``on``, octal in
``010``, base 60 in ``1:30``, a number in ``17.10`` and nothing at all in an empty value. Whatever
two readers could understand differently is refused with the way to write it.
"""

from __future__ import annotations

import re
import string
import unicodedata
from collections.abc import Callable

from stemprep.spec.problems import nearest, shown
from stemprep.spec.shapes import Shape
from stemprep.spec.tree import Scalar

# YAML 1.1, https://yaml.org/type/: bool, null, int, float.
_BOOL = re.compile(r"(?i:y|n|yes|no|on|off|true|false)")
_NULL = re.compile(r"(?i:~|null|)")
_WHOLE = re.compile(r"[-+]?(0|[1-9][0-9]*)")
_DECIMAL = re.compile(r"[-+]?(0|[1-9][0-9]*)(\.[0-9]+)?")
_OCTAL = re.compile(r"[-+]?0o?[0-9_]+(\.[0-9]*)?")
_HEX = re.compile(r"[-+]?(0x[0-9a-fA-F]+|0b[01]+)")
_BASE_60 = re.compile(r"[-+]?[0-9][0-9_]*(:[0-9]{1,2})+(\.[0-9_]*)?")
_EXPONENT = re.compile(r"[-+]?[0-9]*\.?[0-9]+[eE][-+]?[0-9]+")
_UNDERSCORED = re.compile(r"[-+]?[0-9][0-9_]*_[0-9_]*(\.[0-9]*)?")
_BARE_POINT = re.compile(r"[-+]?(\.[0-9]+|[0-9]+\.)")
_COMMA = re.compile(r"[-+]?[0-9]+,[0-9]+")
_NAMED = re.compile(r"(?i:[-+]?\.?(inf|nan)(inity)?)")
_DATE = re.compile(r"[0-9]{4}-[0-9]{1,2}-[0-9]{1,2}([Tt ].*)?")
_UNIT = re.compile(r"([-+]?[0-9]+(\.[0-9]+)?) ?(%|[A-Za-z]+)")
_NUMBER_LIKE = (_DECIMAL, _OCTAL, _HEX, _BASE_60, _EXPONENT, _UNDERSCORED, _BARE_POINT, _NAMED)
_LETTERS = "% " + string.ascii_letters
_MAX_DIGITS = 18


class UnfitError(Exception):
    """The value is not of the wanted type; the text says what was found and the way out of it."""


def resolve(node: Scalar, shape: Shape) -> str | int | float | bool:
    """Give the value of a node by its wanted shape; raises UnfitError."""
    if node.is_plain and _NULL.fullmatch(node.text):
        raise UnfitError(_empty(node, shape))
    if node.text in shape.words:
        return node.text
    if shape.kind == "word":
        raise UnfitError(_unknown_word(node, shape))
    if shape.kind == "flag":
        return _flag(node)
    if shape.kind in ("number", "integer"):
        return _number(node, shape)
    return _text(node, shape)


def key_hint(key: Scalar) -> str:
    """Why a key may not be what its writer meant; "" where there is nothing to say."""
    if key.is_plain and _BOOL.fullmatch(key.text):
        return f" ({key.text} as a key is read as {_bool_reading(key.text)} by YAML)"
    if key.text == "<<":
        return " (merge keys are not read; a spec takes over another by extends)"
    if "{" in key.text:
        return " (braces of a template belong in quotes)"
    return ""


def _empty(node: Scalar, shape: Shape) -> str:
    """Tell that an empty value, ``~`` and ``null`` mean nothing at all to YAML."""
    found = f"{node.text} is read as no value by YAML" if node.text else "there is no value"
    if shape.kind in ("text", "label") and node.text.lower() == "null":
        return f'{found}; if it is meant as text, quote it: "{node.text}"'
    return f"{found}; leave the key out, or give {shape.wanted}"


def _unknown_word(node: Scalar, shape: Shape) -> str:
    hint = nearest(node.text, shape.words)
    reading = ""
    if node.is_plain and _BOOL.fullmatch(node.text):
        reading = f", which YAML reads as {_bool_reading(node.text)},"
    return f"{shown(node.text)}{reading} is not known{hint}; give {shape.wanted}"


def _flag(node: Scalar) -> bool:
    if node.is_plain and node.text in ("true", "false"):
        return node.text == "true"
    if node.text in ("true", "false"):
        raise UnfitError(
            f"{shown(node.text)} stands in quotes, which makes it text; leave them out"
        )
    if _BOOL.fullmatch(node.text):
        meant = _bool_reading(node.text)
        raise UnfitError(f"{shown(node.text)} is true or false only to some readers; write {meant}")
    raise UnfitError(f"{shown(node.text)} is not true or false; give true or false")


def _number(node: Scalar, shape: Shape) -> int | float:
    pattern = _WHOLE if shape.kind == "integer" else _DECIMAL
    if not pattern.fullmatch(node.text) or len(node.text) > _MAX_DIGITS:
        hint = _number_hint(node.text, shape)
        raise UnfitError(f"{shown(node.text)} is not {_noun(shape)}{hint}; give {shape.wanted}")
    if not node.is_plain:
        raise UnfitError(
            f"{shown(node.text)} stands in quotes, which makes it text; leave them out"
        )
    return int(node.text) if shape.kind == "integer" else float(node.text)


def _noun(shape: Shape) -> str:
    return "a whole number" if shape.kind == "integer" else "a number"


def _number_hint(text: str, shape: Shape) -> str:
    """Say what a number-like text would become elsewhere, and how to write what is meant."""
    if len(text) > _MAX_DIGITS:
        return ""
    if shape.kind == "integer" and _DECIMAL.fullmatch(text):
        return " (it has a fraction)"
    return next((f" ({hint(text)})" for form, hint in _HINTS if form.fullmatch(text)), "")


def _exponent_hint(text: str) -> str:
    """Write an exponent in full, as long as that stays readable."""
    full = f"{float(text):.12f}".rstrip("0").rstrip(".")
    is_readable = len(full) <= _MAX_DIGITS and float(full) == float(text)
    return f"some readers take an exponent for text; write {full if is_readable else 'it in full'}"


def _octal_hint(text: str) -> str:
    digits = text.lstrip("+-").lstrip("0o") or "0"
    return f"a leading zero makes it octal in YAML 1.1; write {digits}"


def _point_hint(text: str) -> str:
    return f"write {text}0" if text.endswith(".") else f"write {text.replace('.', '0.')}"


_HINTS: tuple[tuple[re.Pattern[str], Callable[[str], str]], ...] = (
    (_EXPONENT, _exponent_hint),
    (
        _BASE_60,
        lambda text: f"YAML 1.1 counts it in sixties: {_in_sixties(text)}; write one number",
    ),
    (_HEX, lambda text: f"YAML reads it as {int(text.replace('_', ''), 0)}; write decimal digits"),
    (_UNDERSCORED, lambda text: f"write it without the underscores: {text.replace('_', '')}"),
    (_OCTAL, _octal_hint),
    (_BARE_POINT, _point_hint),
    (_COMMA, lambda text: f"the decimal sign is a point; write {text.replace(',', '.')}"),
    (_UNIT, lambda text: f"the unit stands in the key's name; write {text.rstrip(_LETTERS)}"),
)


def _text(node: Scalar, shape: Shape) -> str:
    """Give the text as written, unless another reader could take it for something else."""
    strange = next((one for one in node.text if _is_strange(one)), None)
    if strange is not None:
        raise UnfitError(f"the text holds the control character U+{ord(strange):04X}; delete it")
    if not node.text.strip():
        raise UnfitError(f"the text is blank; leave the key out, or give {shape.wanted}")
    if node.is_plain:
        _refuse_ambiguous(node.text, shape)
    return node.text


def _refuse_ambiguous(text: str, shape: Shape) -> None:
    """Raise for a bare text that YAML reads as a boolean or a number; a date keeps its text."""
    if shape.kind == "label" and (_WHOLE.fullmatch(text) or _DATE.fullmatch(text)):
        return
    if _BOOL.fullmatch(text):
        reading = _bool_reading(text)
    elif any(pattern.fullmatch(text) for pattern in _NUMBER_LIKE):
        reading = _number_reading(text)
    else:
        return
    raise UnfitError(
        f'{text} is read as {reading} by YAML; if it is meant as text, quote it: "{text}"'
    )


def _bool_reading(text: str) -> str:
    return "true" if text.lower() in ("y", "yes", "on", "true") else "false"


def _number_reading(text: str) -> str:
    """Say what YAML 1.1 makes of a bare number."""
    if _BASE_60.fullmatch(text):
        return f"{_in_sixties(text)} (base 60)"
    if re.fullmatch(r"[-+]?0[0-7]+", text):
        return f"{int(text, 8)} (octal)"
    if _DECIMAL.fullmatch(text) and "." in text:
        return f"the number {text.rstrip('0').rstrip('.')}"
    return "a number"


def _in_sixties(text: str) -> str:
    """Give the value of a base 60 number of reasonable length."""
    if len(text) > _MAX_DIGITS:
        return "a number"
    total = 0.0
    for part in text.lstrip("+-").replace("_", "").split(":"):
        total = total * 60 + float(part)
    return f"{'-' if text.startswith('-') else ''}{total:g}"


def _is_strange(character: str) -> bool:
    """Tell control characters (line ends and tabs apart), half characters and text turners."""
    is_bidi = character in "\u202a\u202b\u202c\u202d\u202e\u2066\u2067\u2068\u2069"
    kind = unicodedata.category(character)
    return is_bidi or kind == "Cs" or (kind == "Cc" and character not in "\n\t")
