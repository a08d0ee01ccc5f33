"""Where the bytes of misplaced files lie: renamed, swapped, doubled; how each gets its name back.

Only bytes count: a file is another one renamed where it has its hashes. What nobody can know stays
unsaid, and nothing that is advised here overwrites or removes a file.
"""

from __future__ import annotations

import shlex
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence, Set
from dataclasses import dataclass, replace

from stemprep.model.package import Damage
from stemprep.naming import collision_key, file_name
from stemprep.package.bag_reading import HashResult, Listing
from stemprep.package.copying import Digests
from stemprep.package.payload_path import sort_key

LOST_KINDS = ("missing", "changed", "tag")

Key = tuple[str, str]
"""A hash: algorithm and digest."""


@dataclass(frozen=True, slots=True)
class Whereabouts:
    """Damages with their causes; commands: see ``Verification``, without the folder's ``cd``."""

    damages: dict[str, Damage]
    commands: tuple[str, ...]


def seek_whereabouts(
    damages: Mapping[str, Damage],
    listings: Sequence[Listing],
    results: Mapping[str, HashResult],
    present: Set[str],
) -> Whereabouts:
    """Say of each lost file where its bytes lie now, and of each file too many which one it is.

    listings: lists that are not damaged themselves. results: of all files that were hashed, with
    those that no list names. present: all paths that are there.
    """
    by_hash = _paths_by_hash(results)
    lost = [path for path, damage in damages.items() if damage.kind in LOST_KINDS]
    sources = _sources(lost, damages, listings, results, by_hash)
    holders = {source: path for path, source in sources.items()}
    found = {
        path: _explained(damage, sources, holders, damages)
        for path, damage in damages.items()
        if not (damage.kind == "extra" and path in holders)
    }
    found |= _doubles(found, results, by_hash, damages)
    found = _with_other_letters(found)
    return Whereabouts(found, tuple(_commands(sources, damages, present)))


# --- which bytes lie where


def _paths_by_hash(results: Mapping[str, HashResult]) -> dict[Key, list[str]]:
    paths: dict[Key, list[str]] = {}
    for path, result in results.items():
        if isinstance(result, Digests):
            for key in result.by_algorithm.items():
                paths.setdefault(key, []).append(path)
    return paths


def _sources(
    lost: Sequence[str],
    damages: Mapping[str, Damage],
    listings: Sequence[Listing],
    results: Mapping[str, HashResult],
    by_hash: Mapping[Key, Sequence[str]],
) -> dict[str, str]:
    """Where the bytes of each lost file lie; what is misplaced serves one file alone."""
    wanted: dict[Key, list[str]] = {}
    for path in lost:
        key = _strongest_hash(path, listings)
        if key is not None and key in by_hash and not _has_hash(results.get(path), key):
            wanted.setdefault(key, []).append(path)
    sources: dict[str, str] = {}
    for key, paths in wanted.items():
        here = by_hash[key]
        sources |= _likest(paths, [path for path in here if path in damages])
        double = next((path for path in here if path not in damages), None)
        if double is not None:
            sources |= {path: double for path in paths if path not in sources}
    return sources


def _strongest_hash(path: str, listings: Iterable[Listing]) -> Key | None:
    listed = [(item.algorithm, item.hashes[path]) for item in listings if path in item.hashes]
    return max(listed, key=lambda pair: len(pair[1]), default=None)


def _has_hash(result: HashResult | None, key: Key) -> bool:
    return isinstance(result, Digests) and result.by_algorithm.get(key[0]) == key[1]


def _likest(lost: Iterable[str], misplaced: Iterable[str]) -> dict[str, str]:
    """Pair files of the same bytes: by the name but for its letters, its last part, in order."""
    keys: tuple[Callable[[str], str], ...] = (
        collision_key,
        lambda path: collision_key(file_name(path)),
        lambda _: "",
    )
    pairs: dict[str, str] = {}
    left, rest = list(lost), sorted(misplaced, key=sort_key, reverse=True)
    for key in keys:
        waiting: dict[str, list[str]] = {}
        for path in rest:
            waiting.setdefault(key(path), []).append(path)
        for path in left:
            if waiting.get(key(path)):
                pairs[path] = waiting[key(path)].pop()
        used = set(pairs.values())
        left = [path for path in left if path not in pairs]
        rest = [path for path in rest if path not in used]
    return pairs


# --- in words


def _explained(
    damage: Damage,
    sources: Mapping[str, str],
    holders: Mapping[str, str],
    damages: Mapping[str, Damage],
) -> Damage:
    source, tenant = sources.get(damage.path), holders.get(damage.path)
    if source is None and tenant is None:
        return damage
    if source is None:
        message = (
            f"holds what was delivered as {tenant}; its own bytes lie nowhere in the package: give "
            f"{tenant} its name back, then fetch this file from another copy"
        )
        return replace(damage, message=message, cause="replaced")
    if source not in damages:
        return _doubled(damage, source)
    if damage.kind == "missing":
        message = f"lies here as {source}, the same byte for byte: {_renaming(damage.path, source)}"
        return replace(damage, kind="renamed", message=message, cause="renamed", found_at=source)
    if tenant == source:
        message = f"was swapped with {source}: each holds what was delivered as the other"
        return replace(damage, message=message, cause="swapped", found_at=source)
    if tenant is not None and source in sources:
        message = f"was swapped: it lies under the name of {source}, and {tenant} under its own"
        return replace(damage, message=message, cause="swapped", found_at=source)
    message = (
        f"lies here as {source}, the same byte for byte, and another file lies under its name: set "
        "that one aside (nothing here knows what it is), then give this one its name back"
    )
    return replace(damage, message=message, cause="replaced", found_at=source)


def _renaming(path: str, source: str) -> str:
    is_same_name = collision_key(path) == collision_key(source)
    what = "capital letters or the Unicode form of its name" if is_same_name else "its name"
    return f"only {what} changed; give it its name back"


def _doubled(damage: Damage, double: str) -> Damage:
    if damage.kind == "missing":
        message = f"is not there; {double} holds the same bytes: copy it under this name"
        return replace(damage, message=message, found_at=double)
    message = (
        f"is not what was delivered, but {double} holds the bytes that were: set this file aside, "
        "then copy that one under this name"
    )
    return replace(damage, message=message, cause="replaced", found_at=double)


def _doubles(
    found: Mapping[str, Damage],
    results: Mapping[str, HashResult],
    by_hash: Mapping[Key, Sequence[str]],
    damages: Mapping[str, Damage],
) -> dict[str, Damage]:
    """Files too many that hold the same as one that lies whole in its place."""
    doubles = {}
    whole_by_hash: dict[Key, str | None] = {}
    for path, damage in found.items():
        result = results.get(path)
        if damage.kind == "extra" and isinstance(result, Digests):
            key = max(result.by_algorithm.items(), key=lambda pair: len(pair[1]))
            if key not in whole_by_hash:
                here = (other for other in by_hash[key] if other not in damages)
                whole_by_hash[key] = next(here, None)
            whole = whole_by_hash[key]
            if whole is not None:
                message = f"was not delivered; it holds the same bytes as {whole}, which is whole"
                doubles[path] = replace(damage, message=message, found_at=whole)
    return doubles


def _with_other_letters(found: Mapping[str, Damage]) -> dict[str, Damage]:
    """A missing file and one too many whose names differ in letters alone: renamed and changed."""
    extra: dict[str, list[str]] = {}
    missing: dict[str, list[str]] = {}
    for path, damage in found.items():
        if damage.kind == "extra":
            extra.setdefault(collision_key(path), []).append(path)
        elif damage.kind == "missing" and not damage.found_at:
            missing.setdefault(collision_key(path), []).append(path)
    pairs = {
        paths[0]: extra[key][0]
        for key, paths in missing.items()
        if len(paths) == 1 and len(extra.get(key, ())) == 1
    }
    taken = set(pairs.values())
    kept = {path: damage for path, damage in found.items() if path not in taken}
    for path, other in pairs.items():
        message = (
            f"lies here as {other}, in other letters, and is not as delivered: keep it, fetch this "
            "file from another copy"
        )
        kept[path] = replace(found[path], kind="changed", message=message, found_at=other)
    return kept


# --- lines of a shell


def _commands(
    sources: Mapping[str, str], damages: Mapping[str, Damage], present: Set[str]
) -> Iterator[str]:
    """Give every file its name back; ``-n``: where something lies there, nothing happens.

    A name that is taken becomes free first: by a file that goes to its own place, or by one that
    nobody knows and that goes into a folder beside the package.
    """
    moves = {path: source for path, source in sources.items() if source in damages}
    copies = {path: source for path, source in sources.items() if source not in damages}
    if not all(path.isprintable() for pair in sources.items() for path in pair):
        return
    leaving = set(moves.values())
    in_steps = {
        path: free_name(f"{path}.right", present)
        for path, source in moves.items()
        if path in present or collision_key(path) == collision_key(source)
    }
    yield from make_parents(path for path in sources if path not in present)
    for path, step in in_steps.items():
        yield shell_line("mv", "-n", "--", moves[path], step)
    yield from set_aside(path for path in sources if path in present and path not in leaving)
    for path in (path for path in moves if path not in in_steps):
        yield shell_line("mv", "-n", "--", moves[path], path)
    for path, step in in_steps.items():
        yield shell_line("mv", "-n", "--", step, path)
    for path, source in copies.items():
        yield shell_line("cp", "-n", "--", source, path)


def shell_line(*words: str) -> str:
    """One line of a shell."""
    return shlex.join(words)


def free_name(name: str, present: Set[str]) -> str:
    """The name, or one with signs after it that nothing has."""
    while name in present:
        name += "_"
    return name


def set_aside(paths: Iterable[str]) -> Iterator[str]:
    """Lines that move files into a folder beside the package, under names that tell their place."""
    aside = '"$PWD.set-aside"'
    waiting = list(paths)
    if waiting:
        yield f"mkdir -p -- {aside}"
    for path in waiting:
        kept = shlex.quote(path.replace("/", "_") + ".was")
        yield f"mv -n -- {shlex.quote(path)} {aside}/{kept}"


def make_parents(paths: Iterable[str]) -> Iterator[str]:
    """Lines that make the folders that files are put into."""
    for folder in sorted({path.rpartition("/")[0] for path in paths} - {""}, key=sort_key):
        yield shell_line("mkdir", "-p", "--", folder)
