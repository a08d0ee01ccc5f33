"""A delivery spec from its chain of files: read, laid over each other, validated, frozen."""

from __future__ import annotations

import stat
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from stemprep.checks import CHECKS
from stemprep.errors import SpecError
from stemprep.model.rule import DeliverySpec
from stemprep.spec.decoding import MAX_BYTES
from stemprep.spec.freezing import frozen_spec, unstated, unstated_rules
from stemprep.spec.keys import spec_keys
from stemprep.spec.parts import SPEC_PARTS
from stemprep.spec.problems import Mark, Path_, Problems, dotted, nearest, shown
from stemprep.spec.reading import Reading, read_keys
from stemprep.spec.shapes import build_record, contradiction_in, keys_of
from stemprep.spec.shipped import shipped_path, shipped_specs
from stemprep.spec.tree import read_tree

MAX_CHAIN = 5
MAX_MISSING_LISTED = 10
_BEGINNING = "title: and extends: (for example extends: base)"
_ON_THE_COMMAND_LINE = "where a package goes is said on the command line"
_ELSEWHERE = {
    **dict.fromkeys(CHECKS, "a check stands under checks:"),
    **dict.fromkeys(
        ("deliver_to", "destination", "inboxes", "state", "after", "archive"), _ON_THE_COMMAND_LINE
    ),
    **dict.fromkeys(
        ("artist", "songs", "tracks", "waivers", "engineer", "contact"),
        "it belongs in the session sheet (session.yaml in the drop)",
    ),
}


@dataclass(frozen=True, slots=True)
class _Source:
    """One file of a chain; ``label`` is what messages call it."""

    path: Path
    label: str
    is_shipped: bool


def load(name_or_path: str | Path) -> DeliverySpec:
    """See ``stemprep.spec.load_spec``."""
    source = _first_source(name_or_path)
    return frozen_spec(source.path.stem, *_resolved(source))


def resolved_shipped() -> dict[str, tuple[Mapping[str, Any], tuple[str, ...]]]:
    """Content and warnings of every shipped spec, from its YAML."""
    return {name: _resolved(_first_source(name)) for name in shipped_specs()}


def _resolved(source: _Source) -> tuple[Mapping[str, Any], tuple[str, ...]]:
    """The validated content of a file with everything it extends, and what it leaves doubtful."""
    problems = Problems()
    readings = _read_chain(source, problems)
    whole = readings[-1]
    for reading in reversed(readings[:-1]):
        whole = _laid_over(whole, reading)
    _add_missing(source, whole, problems)
    if not problems:
        _add_contradictions(whole, problems)
    if problems:
        raise SpecError(problems.messages())
    content = {key: value for key, value in whole.values.items() if key != "extends"}
    return content, tuple(whole.warnings)


def _first_source(name_or_path: str | Path) -> _Source:
    """Give the file asked for; a shipped name before a file of that name."""
    if isinstance(name_or_path, str) and name_or_path in shipped_specs():
        return _Source(shipped_path(name_or_path), f"configs/{name_or_path}.yaml", True)
    path = Path(name_or_path)
    if isinstance(name_or_path, str) and path.name == name_or_path and not path.suffix:
        shipped_or_file = f"give one of {', '.join(shipped_specs())}, or a YAML file"
        if not _exists(path):
            raise SpecError(
                (
                    f"{shown(name_or_path)}: no spec of this name is shipped"
                    f"{nearest(name_or_path, shipped_specs())}; {shipped_or_file}",
                )
            )
    return _Source(path, str(path), False)


def _read_chain(source: _Source, problems: Problems) -> list[Reading]:
    """Give the file and all that it extends, the most general last."""
    chain = [source]
    readings = []
    while True:
        content = file_content(chain[-1].path, chain[-1].label)
        root = read_tree(content, chain[-1].label, _BEGINNING)
        readings.append(read_keys(root, spec_keys(), problems, _ELSEWHERE))
        parent = _parent(chain, readings[-1], problems)
        if parent is None:
            return readings
        chain.append(parent)


def _parent(chain: list[_Source], reading: Reading, problems: Problems) -> _Source | None:
    """Give the file that the last of the chain extends; a loop or a long chain ends it, told."""
    wanted = reading.values.get("extends")
    if wanted is None:
        return None
    mark = reading.places["extends",].mark
    parent = _extended(chain[-1], wanted)
    if parent is None:
        _add_broken(_no_such_spec(wanted, chain[-1]), mark, reading, problems)
        return None
    if _is_among(parent, chain):
        loop = " -> ".join(shown(source.path.name) for source in (*chain, parent))
        found = f"the specs extend each other in a loop: {loop}"
        _add_broken(found, mark, reading, problems)
        return None
    if len(chain) >= MAX_CHAIN:
        found = f"more than {MAX_CHAIN} specs extend each other; join some of them"
        _add_broken(found, mark, reading, problems)
        return None
    return parent


def _add_broken(found: str, mark: Mark, reading: Reading, problems: Problems) -> None:
    """Tell of a chain that ends too early."""
    problems.add(mark, "extends", found)
    reading.unfit.add(("extends",))


def _extended(source: _Source, wanted: str) -> _Source | None:
    """Give a shipped name, or a file in the same folder as the one that names it."""
    if wanted in shipped_specs():
        return _Source(shipped_path(wanted), f"configs/{wanted}.yaml", True)
    if source.is_shipped or "/" in wanted or "\\" in wanted or wanted in (".", ".."):
        return None
    path = source.path.parent / wanted
    return _Source(path, str(path), False) if _exists(path) else None


def _no_such_spec(wanted: str, source: _Source) -> str:
    if "/" in wanted or "\\" in wanted:
        found = f"{shown(wanted)} is a path; only a file in the same folder can be extended"
    else:
        found = f"{shown(wanted)} is neither shipped nor a file in the same folder"
    hint = nearest(wanted, shipped_specs())
    return f"{found}{hint}; give one of {', '.join(shipped_specs())}, or a file name"


def _is_among(parent: _Source, chain: list[_Source]) -> bool:
    return any(parent.path.resolve() == source.path.resolve() for source in chain)


def _exists(path: Path) -> bool:
    """Return False also for names that no file system takes."""
    try:
        return path.exists()
    except (OSError, ValueError):
        return False


def file_content(path: Path, label: str) -> bytes:
    """Give the bytes of a regular file; at most one more than the limit, so that too big shows."""
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            raise SpecError((f"{label}: not a file; give a YAML file or a shipped name",))
        with path.open("rb") as stream:
            return stream.read(MAX_BYTES + 1)
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else "no possible file name"
        raise SpecError((f"{label}: cannot be read: {reason}",)) from error


def _laid_over(general: Reading, special: Reading) -> Reading:
    """Merge mappings key by key; lists and single values replace."""
    replaced = {path for path in special.places if not _is_mapping(special, path)}
    places = {
        path: place
        for path, place in general.places.items()
        if not any(path[:length] in replaced for length in range(1, len(path) + 1))
    }
    return Reading(
        values=_merged(general.values, special.values),
        places={**places, **special.places},
        unfit=general.unfit | special.unfit,
        warnings=[*general.warnings, *special.warnings],
    )


def _is_mapping(reading: Reading, path: Path_) -> bool:
    value: Any = reading.values
    for part in path:
        value = value.get(part) if isinstance(value, dict) else None
    return isinstance(value, dict)


def _merged(general: Mapping[str, Any], special: Mapping[str, Any]) -> dict[str, Any]:
    merged = dict(general)
    for key, value in special.items():
        below = merged.get(key)
        both = isinstance(value, dict) and isinstance(below, dict)
        merged[key] = _merged(below, value) if both and below is not None else value
    return merged


def _add_missing(source: _Source, whole: Reading, problems: Problems) -> None:
    """Every key that the chain leaves open; nothing when a link of the chain is broken."""
    if ("extends",) in whole.unfit:
        return
    missing: list[Path_] = [(key,) for key in ("title", "purpose") if key not in whole.values]
    missing += unstated_rules(whole.values.get("checks", {}))
    for key, (record, _) in SPEC_PARTS.items():
        missing += unstated(record, whole.values.get(key, {}), (key,))
    open_ones = [dotted(path) for path in missing if not _is_reported(path, whole)]
    mark = Mark(source.label, 1, 1)
    if len(open_ones) > MAX_MISSING_LISTED:
        found = f"missing, and {len(open_ones)} keys stand nowhere ({open_ones[0]}, ...)"
        problems.add(mark, "extends", f"{found}; begin with extends: base, or state them all")
        return
    for where in open_ones:
        problems.add(mark, where, "missing; state it, or begin with extends: base")


def _add_contradictions(whole: Reading, problems: Problems) -> None:
    """What the parts of a whole spec say against each other, at the part's place."""
    for part, (record, _) in SPEC_PARTS.items():
        message = contradiction_in(build_record(keys_of(record), whole.values[part]))
        if message is not None:
            problems.add(whole.places[part,].mark, part, message)


def _is_reported(path: Path_, whole: Reading) -> bool:
    """Tell whether the key, or what holds it, was stated and told as unfit."""
    return any(path[:length] in whole.unfit for length in range(1, len(path) + 1))
