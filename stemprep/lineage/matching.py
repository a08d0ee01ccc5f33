"""Which returned file is which original: by its bytes, by its sound, by its name."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

from stemprep.lineage.records import DeliveredFile
from stemprep.model.facts import FileFacts
from stemprep.model.reconciliation import MatchedBy, OriginalStatus
from stemprep.model.session import MeasuredFile
from stemprep.naming import file_name, folded, split_extension

_COPY_MARK = re.compile(r"(?: ?\(\d{1,3}\)| - copy(?: ?\(\d{1,3}\))?|[ _-]copy(?: ?\d{1,3})?)$")
# Levels of likeness, the surer first.
_BYTES, _SOUND = 0, 1
# Indices of ``_SIDES``.
_DELIVERED, _SOURCE = 0, 1
_SIDES: tuple[MatchedBy, MatchedBy] = ("delivered", "source")
# Distances of names, the nearer first.
_SAME_PLACE, _SAME_NAME, _OTHER_NAME = 0, 1, 2


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """One original and what came back of it; ``returned`` None where nothing did."""

    original: DeliveredFile
    returned: MeasuredFile | None
    status: OriginalStatus
    matched: MatchedBy = "delivered"
    is_renamed: bool = False
    copies: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Matches:
    """All originals in their order, and the returned files that are none of them."""

    originals: tuple[Match, ...]
    rest: tuple[MeasuredFile, ...]
    given_back: tuple[str, ...] = ()
    unread: tuple[str, ...] = ()


@dataclass(slots=True)
class _Claims:
    """Who is whose so far; every returned file has one original at most."""

    by_original: dict[int, Match] = field(default_factory=dict)
    taken: set[int] = field(default_factory=set)
    copies: dict[int, list[str]] = field(default_factory=dict)


def match_originals(
    originals: Sequence[DeliveredFile],
    returned: Sequence[MeasuredFile],
    generated: Mapping[str, str | None],
) -> Matches:
    """Find every original among the returned files by hash, then by name.

    generated: sha256 -> audio sha256 of what was made for the package; a returned copy of it is
               neither original nor new.
    A file of the original's own name whose sound is another counts as that original, changed; what
    else has another sound is left in ``rest``.
    """
    claims = _Claims()
    _claim_by_hash(originals, returned, claims)
    ours = _given_back(returned, claims, generated)
    _claim_by_name(originals, returned, claims)
    left = [
        file
        for number, file in enumerate(returned)
        if number not in claims.taken and file.path not in ours
    ]
    return Matches(
        originals=tuple(
            _with_copies(claims, index)
            if index in claims.by_original
            else Match(original=original, returned=None, status="missing")
            for index, original in enumerate(originals)
        ),
        rest=tuple(file for file in left if file.facts.sound is not None),
        given_back=tuple(file.path for file in returned if file.path in ours),
        unread=tuple(file.path for file in left if file.facts.sound is None),
    )


def _claim_by_hash(
    originals: Sequence[DeliveredFile], returned: Sequence[MeasuredFile], claims: _Claims
) -> None:
    """Give each original the likest returned file; its name decides among equals.

    Silent tracks of one length have the same sound, so a name is worth more than equal bytes.
    """
    candidates = sorted(
        (_distance(original, file.path, _stem(file.path)), level, side, index, number)
        for index, original in enumerate(originals)
        for number, file in enumerate(returned)
        for level, side in _alike(original, file.facts)
    )
    for distance, level, side, index, number in candidates:
        if number in claims.taken:
            continue
        if index in claims.by_original:
            continue
        original, file = originals[index], returned[number]
        claims.taken.add(number)
        claims.by_original[index] = Match(
            original=original,
            returned=file,
            status="identical"
            if level == _BYTES
            else same_sound_status(original, _SIDES[side], file.facts),
            matched=_SIDES[side],
            is_renamed=distance == _OTHER_NAME,
        )
    for _, _, _, index, number in candidates:
        if number not in claims.taken:
            claims.taken.add(number)
            claims.copies.setdefault(index, []).append(returned[number].path)


def _alike(original: DeliveredFile, facts: FileFacts) -> Iterator[tuple[int, int]]:
    """The levels at which a returned file is an original; of a joined one, no source is it."""
    source = original.sources[0] if len(original.sources) == 1 else None
    if not facts.sha256:  # it could not be opened
        return
    if facts.sha256 == original.sha256:
        yield _BYTES, _DELIVERED
    elif source is not None and facts.sha256 == source.sha256:
        yield _BYTES, _SOURCE
    elif facts.audio_sha256 is None:
        return
    elif facts.audio_sha256 == original.audio_sha256:
        yield _SOUND, _DELIVERED
    elif source is not None and facts.audio_sha256 == source.audio_sha256:
        yield _SOUND, _SOURCE


def same_sound_status(
    original: DeliveredFile, matched: MatchedBy, facts: FileFacts
) -> OriginalStatus:
    """The same sound in another file: only its header differs, or container and word do."""
    source = original.sources[0].facts if matched == "source" else None
    known = source or original.facts
    form = facts.format
    assert form is not None, "a file with sound has a format"
    before = (known.get("container"), known.get("encoding"), known.get("container_bits"))
    after = (form.container, form.encoding, form.container_bits)
    return "header-changed" if before == after else "rewrapped"


def _given_back(
    returned: Sequence[MeasuredFile], claims: _Claims, generated: Mapping[str, str | None]
) -> set[str]:
    sounds = {sound for sound in generated.values() if sound}
    return {
        file.path
        for number, file in enumerate(returned)
        if number not in claims.taken
        and (file.facts.sha256 in generated or file.facts.audio_sha256 in sounds)
    }


def _claim_by_name(
    originals: Sequence[DeliveredFile], returned: Sequence[MeasuredFile], claims: _Claims
) -> None:
    """What has an original's own name and another sound is that original, changed.

    A file of that name in the same folder, or in that of the song, goes before one elsewhere; marks
    that systems put on copies are looked through last.
    """
    for is_mark_ignored in (False, True):
        pairs = sorted(
            (distance, index, number)
            for index, original in enumerate(originals)
            for number, file in enumerate(returned)
            if file.facts.sound is not None
            and (distance := _named_distance(original, file, is_mark_ignored=is_mark_ignored))
            != _OTHER_NAME
        )
        for _, index, number in pairs:
            if index in claims.by_original or number in claims.taken:
                continue
            claims.taken.add(number)
            claims.by_original[index] = Match(
                original=originals[index],
                returned=returned[number],
                status="changed",
                is_renamed=is_mark_ignored,
            )


def _named_distance(original: DeliveredFile, file: MeasuredFile, *, is_mark_ignored: bool) -> int:
    stem = _stem(file.path)
    return _distance(original, file.path, _COPY_MARK.sub("", stem) if is_mark_ignored else stem)


def _distance(original: DeliveredFile, path: str, stem: str) -> int:
    """How far a returned file lies from an original by its name, whatever case and container.

    Songs of one package hold files of one name, so the folder counts too.
    """
    if stem not in _stems(original):
        return _OTHER_NAME
    own = _folders(path)
    sent = {*_folders(original.path), folded(original.song)} - {""}
    for source in original.sources:
        sent |= _folders(source.path)
    return _SAME_PLACE if own & sent or not own else _SAME_NAME


def _folders(path: str) -> set[str]:
    return {folded(folder) for folder in path.split("/")[:-1]}


def _stems(original: DeliveredFile) -> set[str]:
    return {_stem(original.path), *(_stem(source.path) for source in original.sources)}


def _stem(path: str) -> str:
    return folded(split_extension(file_name(path))[0])


def _with_copies(claims: _Claims, index: int) -> Match:
    match, copies = claims.by_original[index], claims.copies.get(index, [])
    return Match(
        original=match.original,
        returned=match.returned,
        status=match.status,
        matched=match.matched,
        is_renamed=match.is_renamed,
        copies=tuple(sorted(copies)),
    )
