"""The keys of a delivery spec, a session sheet and a service's config, from their records."""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Annotated

from stemprep.checks import CHECKS
from stemprep.model.definition import Key
from stemprep.model.service import ServiceConfig
from stemprep.model.sheet import SessionSheet
from stemprep.model.value_types import Notes, Text
from stemprep.model.words import ROLES
from stemprep.spec.parts import SPEC_PARTS
from stemprep.spec.problems import one_of
from stemprep.spec.shapes import Keys, Shape, keys_of, mapping_shape, shape_of, table_shape

_TITLE = Annotated[Text, Key("what the spec is called in reports", "Stems for the mastering room")]
_PURPOSE = Annotated[
    Notes, Key("one line: for whom, and what for", "For the room that masters the mix")
]
_EXTENDS = Annotated[
    Text, Key("shipped spec or file in the same folder to start from", "mastering")
]
_ROLES = Key("roles that differ from the rest; each states only what differs")


@cache
def spec_keys() -> Keys:
    """Keys of a spec; each may be left out, because a spec that extends another states only what
    differs: what is missing in the end is reported when the whole is frozen.
    """
    checks = {check: _check(check) for check in CHECKS}
    parts = {
        part: mapping_shape(keys_of(record).without_record(), Key(meaning))
        for part, (record, meaning) in SPEC_PARTS.items()
    }
    shapes = {
        "title": shape_of(_TITLE),
        "purpose": shape_of(_PURPOSE),
        "extends": shape_of(_EXTENDS),
        "measure": parts.pop("measure"),
        "checks": mapping_shape(
            Keys("Checks", "Severity and limits by check.", checks),
            Key("severity and limits, by check id"),
        ),
        **parts,
    }
    return Keys("Spec", "A delivery spec.", shapes)


def _check(check: str) -> Shape:
    """Give the shape of one check: its limits, and those of the roles that differ."""
    limits = keys_of(CHECKS[check].nature.rule).without_record()
    by_role = table_shape(ROLES, mapping_shape(limits), _ROLES)
    both = replace(
        limits,
        name=f"{limits.name.removesuffix('Rule')}Check",
        description=f"{limits.description} For all roles and for single ones.",
        shapes={**limits.shapes, "roles": by_role},
    )
    return mapping_shape(both, Key(f"see: stemprep explain {check}"))


@cache
def sheet_keys() -> Keys:
    """Keys of a session sheet; the check that a waiver names is one that may be waived."""
    waivable = tuple(check for check, known in CHECKS.items() if known.nature.is_waivable)
    return _with_words(keys_of(SessionSheet), ("waivers", "check"), waivable)


def _with_words(keys: Keys, path: tuple[str, str], words: tuple[str, ...]) -> Keys:
    """Put a closed list of words into one key of the entries of a list."""
    name, inner = path
    listed = keys.shapes[name]
    assert listed.item is not None
    assert listed.item.keys is not None
    entry = listed.item.keys
    word = replace(
        entry.shapes[inner], kind="word", words=words, wanted=one_of(words), constraints=()
    )
    item = mapping_shape(replace(entry, shapes={**entry.shapes, inner: word}))
    return replace(keys, shapes={**keys.shapes, name: replace(listed, item=item)})


@cache
def service_keys() -> Keys:
    """Keys of a service's config."""
    return keys_of(ServiceConfig)
