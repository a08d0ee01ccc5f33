"""The iXML chunk: production metadata as XML (open specification, revision 3, 2021).

Document types and entities are refused before anything is expanded, and so is more than 1 MB.
"""

from __future__ import annotations

import html
import io
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Final, NoReturn
from xml.etree import ElementTree as Tree
from xml.parsers import expat

from stemprep.model.header import Ixml, IxmlTrack

MAX_IXML_BYTES: Final = 1_000_000
_MAX_DEPTH: Final = 64
_MAX_TEXT: Final = 4096
_MAX_PARTS: Final = 1000
_ROOT: Final = "BWFXML"
_STALE_AFTER_MOVE: Final = ("SYNC_POINT_LIST",)
_STALE_AFTER_CHANGE: Final = ("BEXT", "LOUDNESS")


class _RefusedError(Exception):
    """The XML asks for something that no iXML needs."""


@dataclass(slots=True)
class _Collector:
    """Texts by path while expat walks; every TRACK is a mapping of its own."""

    path: list[str] = field(default_factory=list)
    texts: dict[str, str] = field(default_factory=dict)
    tracks: list[dict[str, str]] = field(default_factory=list)
    root: str = ""
    parts: dict[str, None] = field(default_factory=dict)

    def start(self, tag: str, _attributes: object) -> None:
        if len(self.path) >= _MAX_DEPTH:
            raise _RefusedError("elements are nested too deeply")
        self.root = self.root or tag
        self.path.append(tag)
        if len(self.path) == 2:
            self.parts[tag] = None
        if len(self.parts) > _MAX_PARTS:
            raise _RefusedError(f"it has more than {_MAX_PARTS} kinds of elements")
        if self.path[1:] == ["TRACK_LIST", "TRACK"]:
            self.tracks.append({})

    def end(self, _tag: str) -> None:
        self.path.pop()

    def text(self, content: str) -> None:
        inner = self.path[1:]
        if inner[:2] == ["TRACK_LIST", "TRACK"] and len(inner) == 3 and self.tracks:
            _append(self.tracks[-1], inner[2], content)
        else:
            _append(self.texts, "/".join(inner), content)

    def refuse(self, *_arguments: object) -> NoReturn:
        raise _RefusedError("it carries a document type or entities, which are refused")


def parse_ixml(payload: bytes) -> tuple[Ixml, str]:
    """Read a payload; returns the record and what is malformed in words ("" where nothing is)."""
    content = payload.rstrip(b"\0")
    if len(content) > MAX_IXML_BYTES:
        return Ixml(is_well_formed=False), f"{len(content)} bytes, more than {MAX_IXML_BYTES}"
    collector = _Collector()
    try:
        _parser(collector).Parse(content, True)
    except (expat.ExpatError, _RefusedError, ValueError, LookupError) as error:
        return Ixml(is_well_formed=False), str(error)
    if collector.root != _ROOT:
        return Ixml(is_well_formed=False), f"the root element is {collector.root}, not {_ROOT}"
    return _record(collector), ""


def build_ixml(track_names: tuple[str, ...]) -> bytes:
    """Build a minimal iXML that names the channels in the order of the interleave."""
    names = (_xml_text(name) for name in track_names)
    tracks = "\n".join(
        f"    <TRACK>\n      <CHANNEL_INDEX>{index}</CHANNEL_INDEX>\n"
        f"      <INTERLEAVE_INDEX>{index}</INTERLEAVE_INDEX>\n"
        f"      <NAME>{html.escape(name, quote=False)}</NAME>\n    </TRACK>"
        for index, name in enumerate(names, start=1)
    )
    return (
        '<?xml version="1.0" encoding="UTF-8"?>\n'
        f"<{_ROOT}>\n  <IXML_VERSION>3.0</IXML_VERSION>\n  <TRACK_LIST>\n"
        f"    <TRACK_COUNT>{len(track_names)}</TRACK_COUNT>\n{tracks}\n"
        f"  </TRACK_LIST>\n</{_ROOT}>\n"
    ).encode()


@dataclass(frozen=True, slots=True, kw_only=True)
class Retouch:
    """What has to become true in a carried iXML; None and empty leave a part as it is.

    track_names:            new channel names; the TRACK_LIST is written anew.
    time_reference_samples, sample_rate_hz, bit_depth: of the written file.
    is_moved, is_changed:   the timeline or the samples are not the source's any more.
    is_track_list_stale:    channels differ and nobody has named the new ones.
    contradicted:           elements of SPEED that say otherwise than the file, in an unchanged one.
    """

    track_names: tuple[str, ...] = ()
    time_reference_samples: int | None = None
    sample_rate_hz: int | None = None
    bit_depth: int | None = None
    is_moved: bool = False
    is_changed: bool = False
    is_track_list_stale: bool = False
    contradicted: tuple[str, ...] = ()

    @property
    def is_needed(self) -> bool:
        """False where the source's bytes can be carried as they are."""
        return (
            bool(self.track_names or self.contradicted)
            or self.is_moved
            or self.is_changed
            or self.is_track_list_stale
        )

    @property
    def stale_parts(self) -> tuple[str, ...]:
        """Elements under the root that would no longer be true."""
        return (
            (_STALE_AFTER_MOVE if self.is_moved else ())
            + (_STALE_AFTER_CHANGE if self.is_changed or self.is_moved else ())
            + (("TRACK_LIST",) if self.is_track_list_stale and not self.track_names else ())
        )


def retouch_ixml(payload: bytes, retouch: Retouch) -> bytes:
    """Carry a well-formed iXML with names and times made true and its stale parts left out.

    The payload must have passed ``parse_ixml``.
    """
    builder = Tree.TreeBuilder(insert_comments=True, insert_pis=True)
    parser = Tree.XMLParser(target=builder)  # noqa: S314 - parse_ixml has refused any DTD
    root = Tree.fromstring(payload.rstrip(b"\0"), parser=parser)  # noqa: S314 - as above
    for part in [child for child in root if child.tag in retouch.stale_parts]:
        root.remove(part)
    if retouch.track_names:
        _name_tracks(root, retouch.track_names)
    _correct_times(root, retouch)
    stream = io.BytesIO()
    Tree.ElementTree(root).write(stream, encoding="UTF-8", xml_declaration=True)
    return stream.getvalue() + b"\n"


def _parser(collector: _Collector) -> expat.XMLParserType:
    parser = expat.ParserCreate()
    parser.buffer_text = True
    parser.StartElementHandler = collector.start
    parser.EndElementHandler = collector.end
    parser.CharacterDataHandler = collector.text
    parser.StartDoctypeDeclHandler = collector.refuse
    parser.EntityDeclHandler = collector.refuse
    parser.ExternalEntityRefHandler = collector.refuse
    return parser


def _append(texts: dict[str, str], key: str, content: str) -> None:
    texts[key] = (texts.get(key, "") + content)[:_MAX_TEXT]


def _record(collector: _Collector) -> Ixml:
    texts = {key: value.strip() for key, value in collector.texts.items()}
    return Ixml(
        project=texts.get("PROJECT", ""),
        scene=texts.get("SCENE", ""),
        take=texts.get("TAKE", ""),
        tape=texts.get("TAPE", ""),
        note=texts.get("NOTE", ""),
        file_uid=texts.get("FILE_UID", ""),
        tracks=tuple(_tracks(collector.tracks)),
        time_reference_samples=_time_reference(texts),
        timecode_rate=texts.get("SPEED/TIMECODE_RATE", ""),
        parts=tuple(collector.parts),
        file_rate_hz=_whole_number(texts.get("SPEED/FILE_SAMPLE_RATE")),
        bit_depth=_whole_number(texts.get("SPEED/AUDIO_BIT_DEPTH")),
        track_count=_whole_number(texts.get("TRACK_LIST/TRACK_COUNT")),
        files_of_set=_whole_number(texts.get("FILE_SET/TOTAL_FILES")),
    )


def _tracks(found: list[dict[str, str]]) -> Iterator[IxmlTrack]:
    for position, texts in enumerate(found, start=1):
        index = _whole_number(texts.get("INTERLEAVE_INDEX"))
        yield IxmlTrack(
            interleave_index=index or position,
            name=texts.get("NAME", "").strip(),
            function=texts.get("FUNCTION", "").strip(),
        )


def _time_reference(texts: dict[str, str]) -> int | None:
    low = _whole_number(texts.get("SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"))
    high = _whole_number(texts.get("SPEED/TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI")) or 0
    return None if low is None else (high << 32) + low


def _whole_number(text: str | None) -> int | None:
    """Read a number of up to 32 bits; None for anything else."""
    digits = (text or "").strip()
    if not (digits.isascii() and digits.isdigit() and len(digits) <= 10):
        return None
    number = int(digits)
    return number if number < 2**32 else None


def _name_tracks(root: Tree.Element, names: tuple[str, ...]) -> None:
    """Write the names into the TRACK_LIST; channel numbers and functions of the source stay."""
    track_list = root.find("TRACK_LIST")
    if track_list is None:
        track_list = Tree.SubElement(root, "TRACK_LIST")
    old = {_text_of(track, "INTERLEAVE_INDEX"): track for track in track_list.findall("TRACK")}
    is_same_count = len(old) == len(names)
    for track in track_list.findall("TRACK"):
        track_list.remove(track)
    _set(track_list, "TRACK_COUNT", str(len(names)))
    for index, name in enumerate(names, start=1):
        kept = old.get(str(index)) if is_same_count else None
        track = Tree.Element("TRACK") if kept is None else kept
        if kept is None:
            _set(track, "CHANNEL_INDEX", str(index))
            _set(track, "INTERLEAVE_INDEX", str(index))
        _set(track, "NAME", _xml_text(name))
        track_list.append(track)


def _correct_times(root: Tree.Element, retouch: Retouch) -> None:
    """Bring time stamp, rate and word length up to date where the source states them."""
    speed = root.find("SPEED")
    if speed is None:
        return
    wanted: dict[str, int | None] = {
        "FILE_SAMPLE_RATE": retouch.sample_rate_hz,
        "TIMESTAMP_SAMPLE_RATE": retouch.sample_rate_hz,
        "AUDIO_BIT_DEPTH": retouch.bit_depth,
    }
    if retouch.time_reference_samples is not None:
        high, low = divmod(retouch.time_reference_samples, 2**32)
        wanted["TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_HI"] = high
        wanted["TIMESTAMP_SAMPLES_SINCE_MIDNIGHT_LO"] = low
    for tag, value in wanted.items():
        element = speed.find(tag)
        if element is not None and value is not None:
            element.text = str(value)


def _set(parent: Tree.Element, tag: str, text: str) -> None:
    element = parent.find(tag)
    if element is None:
        element = Tree.SubElement(parent, tag)
    element.text = text


def _text_of(parent: Tree.Element, tag: str) -> str:
    return (parent.findtext(tag) or "").strip()


def _xml_text(name: str) -> str:
    """Take out of a name the characters that XML 1.0 cannot hold (section 2.2)."""
    return "".join(
        character
        for character in name
        if character in "\t\n\r"
        or (
            character >= " "
            and not "\ud800" <= character <= "\udfff"
            and character not in "\ufffe\uffff"
        )
    )
