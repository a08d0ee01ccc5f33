"""Make what a name or a header may hide visible: controls, bidirectional marks, lone surrogates."""

from __future__ import annotations

import unicodedata

from stemprep.model.strict_json import clean_text

# Unicode general categories that draw nothing or reorder what is drawn beside them:
# control, format (all bidi controls are Cf), surrogate, private use, unassigned,
# line and paragraph separators.
_HIDDEN = frozenset({"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"})


def visible(text: str) -> str:
    r"""Write every character that would not show itself as an escape.

    ``\xNN`` up to U+00FF, ``\uNNNN`` up to U+FFFF, ``\UNNNNNNNN`` above; all else unchanged.
    The result is one line and can be encoded as UTF-8.
    """
    if text.isprintable():  # nothing of these categories, as Python itself has it
        return text
    return "".join(_escape(char) if _is_hidden(char) else char for char in clean_text(text))


def _is_hidden(char: str) -> bool:
    return unicodedata.category(char) in _HIDDEN


def _escape(char: str) -> str:
    code = ord(char)
    if code <= 0xFF:
        return f"\\x{code:02X}"
    return f"\\u{code:04X}" if code <= 0xFFFF else f"\\U{code:08X}"
