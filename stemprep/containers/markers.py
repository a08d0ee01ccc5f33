"""Markers and labels of a RIFF file: ``cue ``, ``LIST adtl``, ``LIST INFO``, loops of ``smpl``."""

from __future__ import annotations

import struct
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

from stemprep.model.header import Cue, SamplerLoop

_POINT = struct.Struct("<II4sIII")
_LOOP = struct.Struct("<IIIIII")
_SAMPLER_HEAD_BYTES = 36
_MAX_TEXT = 4096
_MAX_POSITION = 0xFFFFFFFF


def parse_cues(payload: bytes) -> tuple[Cue, ...]:
    """Points of a ``cue `` chunk; as many as are really there, whatever it counts."""
    if len(payload) < 4:
        return ()
    (count,) = struct.unpack_from("<I", payload)
    present = (len(payload) - 4) // _POINT.size
    points = (_POINT.unpack_from(payload, 4 + n * _POINT.size) for n in range(min(count, present)))
    return tuple(Cue(identifier=point[0], position_samples=point[5]) for point in points)


def parse_loops(payload: bytes) -> tuple[SamplerLoop, ...]:
    """Loops of a ``smpl`` chunk, as many as are really there (layout by the format's maker)."""
    if len(payload) < _SAMPLER_HEAD_BYTES:
        return ()
    (count,) = struct.unpack_from("<I", payload, 28)
    present = (len(payload) - _SAMPLER_HEAD_BYTES) // _LOOP.size
    places = (_SAMPLER_HEAD_BYTES + n * _LOOP.size for n in range(min(count, present)))
    loops = (_LOOP.unpack_from(payload, place) for place in places)
    return tuple(SamplerLoop(first_sample=loop[2], last_sample=loop[3]) for loop in loops)


def label_cues(cues: tuple[Cue, ...], adtl: bytes) -> tuple[Cue, ...]:
    """Give cue points the labels, notes and lengths of an associated data list.

    adtl: payload of the LIST chunk, list type included.
    """
    texts = _associated(adtl)
    return tuple(_labelled(cue, texts.get(cue.identifier)) for cue in cues)


def build_cues(cues: Iterable[Cue]) -> list[tuple[str, bytes]]:
    """Chunks of cue points and their labels, in order of position, counted from 1.

    A position beyond 32 bits has no room in the chunk and is left out. Nothing for no cues.
    """
    ordered = sorted(
        (cue for cue in cues if 0 <= cue.position_samples <= _MAX_POSITION),
        key=lambda cue: (cue.position_samples, cue.label),
    )
    if not ordered:
        return []
    points, texts = [struct.pack("<I", len(ordered))], [b"adtl"]
    for number, cue in enumerate(ordered, start=1):
        place = cue.position_samples
        points.append(_POINT.pack(number, place, b"data", 0, 0, place))
        texts += _text_entries(number, cue)
    return [("cue ", b"".join(points)), ("LIST", b"".join(texts))]


def _text_entries(number: int, cue: Cue) -> Iterator[bytes]:
    for identifier, text in (("labl", cue.label), ("note", cue.note)):
        if text:
            content = text.encode("utf-8", "replace").replace(b"\0", b" ")[: _MAX_TEXT - 1]
            yield _entry(identifier, struct.pack("<I", number) + content + b"\0")
    if cue.length_samples:
        yield _entry(
            "ltxt", struct.pack("<II4sHHHH", number, cue.length_samples, b"rgn ", 0, 0, 0, 0)
        )


def _entry(identifier: str, content: bytes) -> bytes:
    head = struct.pack("<4sI", identifier.encode("latin-1"), len(content))
    return head + content + b"\0" * (len(content) & 1)


def parse_info(payload: bytes) -> tuple[tuple[str, str], ...]:
    """Entries of a LIST INFO payload (list type included) in file order."""
    return tuple((identifier, plain_text(content)) for identifier, content in _entries(payload))


@dataclass(slots=True)
class _Texts:
    label: str = ""
    note: str = ""
    length: int = 0


def _labelled(cue: Cue, texts: _Texts | None) -> Cue:
    if texts is None:
        return cue
    return replace(cue, label=texts.label, note=texts.note, length_samples=texts.length)


def _associated(payload: bytes) -> dict[int, _Texts]:
    found: dict[int, _Texts] = {}
    for identifier, content in _entries(payload):
        if len(content) < 4:
            continue
        (cue,) = struct.unpack_from("<I", content)
        texts = found.setdefault(cue, _Texts())
        if identifier == "labl":
            texts.label = plain_text(content[4:])
        elif identifier == "note":
            texts.note = plain_text(content[4:])
        elif identifier == "ltxt" and len(content) >= 20:
            (texts.length,) = struct.unpack_from("<I", content, 4)
            texts.label = texts.label or plain_text(content[20:])
    return found


def _entries(payload: bytes) -> Iterator[tuple[str, bytes]]:
    position = 4
    while position + 8 <= len(payload):
        identifier = payload[position : position + 4].decode("latin-1")
        (size,) = struct.unpack_from("<I", payload, position + 4)
        yield identifier, payload[position + 8 : position + 8 + size]
        position += 8 + size + (size & 1)


def plain_text(content: bytes) -> str:
    """Text up to its first NUL, at most 4096 bytes; UTF-8 where it is, else Latin-1."""
    head = content.split(b"\0", 1)[0][:_MAX_TEXT]
    try:
        return head.decode("utf-8")
    except UnicodeDecodeError:
        return head.decode("latin-1")
