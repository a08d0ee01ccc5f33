"""Which returned file is which original."""

from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.lineage import DeliveredFile, DeliveredSource
from stemprep.lineage.matching import Matches, match_originals
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Container
from tests.checks import factory

WAV_24 = {"container": "WAV", "encoding": "integer", "container_bits": 24}


def digest(word: str) -> str:
    return word.encode().hex().ljust(64, "0")[:64]


def sent(
    name: str, *, delivered_bytes: str = "", sound: str = "", source_sound: str = ""
) -> DeliveredFile:
    """One original; unless said otherwise, delivered with another header and the same sound."""
    stem = name.removesuffix(".wav")
    return DeliveredFile(
        path=f"tracks/01_{name}",
        role="track",
        song="",
        made_by_us=False,
        is_damaged=False,
        sources=(
            DeliveredSource(
                path=name,
                sha256=digest(f"{stem} dropped"),
                audio_sha256=digest(source_sound or sound or stem),
                facts=WAV_24,
            ),
        ),
        source_channels=(),
        operations=(),
        sha256=digest(delivered_bytes or f"{stem} sent"),
        audio_sha256=digest(sound or stem),
        size_bytes=1,
        facts=WAV_24,
    )


def back(name: str, content: str, sound: str, *, container: Container = "WAV") -> MeasuredFile:
    file = factory.measured_file(name)
    header, sound_facts = file.facts.header, file.facts.sound
    assert header.format is not None
    assert sound_facts is not None
    form = replace(header.format, container=container, encoding="integer", container_bits=24)
    facts = replace(
        file.facts,
        sha256=digest(content),
        header=replace(header, format=form),
        sound=replace(sound_facts, audio_sha256=digest(sound)),
    )
    return replace(file, facts=facts)


def without_sound(name: str, content: str) -> MeasuredFile:
    file = back(name, content, "")
    return replace(file, facts=replace(file.facts, sound=None))


def matched(originals: list[DeliveredFile], *returned: MeasuredFile) -> Matches:
    return match_originals(originals, returned, {})


@pytest.mark.parametrize(
    ("file", "status", "side", "is_renamed"),
    [
        (back("Bass.wav", "Bass sent", "Bass"), "identical", "delivered", False),
        (back("01_Bass.wav", "Bass sent", "Bass"), "identical", "delivered", False),
        (back("Bass.wav", "Bass dropped", "Bass"), "identical", "source", False),
        (back("Bass (1).wav", "Bass dropped", "Bass"), "identical", "source", True),
        (back("in/BASS.wav", "other", "Bass"), "header-changed", "delivered", False),
        (back("Bass.flac", "o", "Bass", container="FLAC"), "rewrapped", "delivered", False),
        (back("Bass.wav", "other", "edited"), "changed", "delivered", False),
        (back("Bass (2).wav", "other", "edited"), "changed", "delivered", True),
        (back("Bass - Copy.wav", "other", "edited"), "changed", "delivered", True),
    ],
    ids=lambda value: value.path if isinstance(value, MeasuredFile) else None,
)
def test_one_original(file: MeasuredFile, status: str, side: str, is_renamed: bool) -> None:
    found = matched([sent("Bass.wav")], file)
    (match,) = found.originals
    assert (match.status, match.matched, match.is_renamed) == (status, side, is_renamed)
    assert match.returned is file
    assert found.rest == ()


def test_the_source_of_a_converted_original_counts_as_it() -> None:
    """The room may have been given the take by another way than the package."""
    original = sent("Bass.wav", sound="converted", source_sound="recorded")
    (match,) = matched([original], back("Bass.wav", "o", "recorded")).originals
    assert (match.status, match.matched) == ("header-changed", "source")


def test_what_is_neither_is_new() -> None:
    found = matched([sent("Bass.wav")], back("Guitar OD.wav", "g", "g"))
    assert found.originals[0].status == "missing"
    assert [file.path for file in found.rest] == ["Guitar OD.wav"]


def test_silent_tracks_of_one_length_are_told_apart_by_name() -> None:
    originals = [sent("A.wav", sound="silence"), sent("B.wav", sound="silence")]
    returned = [back("B.wav", "x", "silence"), back("A.wav", "y", "silence")]
    found = matched(originals, *returned)
    assert [match.returned.path for match in found.originals if match.returned] == [
        "A.wav", "B.wav",
    ]  # fmt: skip
    assert not any(match.is_renamed for match in found.originals)


def test_a_second_copy_is_no_new_file() -> None:
    found = matched(
        [sent("Bass.wav")],
        back("Bass (1).wav", "Bass sent", "Bass"),
        back("Bass.wav", "Bass sent", "Bass"),
    )
    (match,) = found.originals
    assert match.returned is not None
    assert match.returned.path == "Bass.wav"
    assert match.copies == ("Bass (1).wav",)
    assert found.rest == ()


def test_an_edited_version_beside_the_original_is_left_for_a_closer_look() -> None:
    found = matched(
        [sent("Bass.wav")],
        back("Bass.wav", "Bass sent", "Bass"),
        back("Bass (1).wav", "o", "edited"),
    )
    assert found.originals[0].status == "identical"
    assert [file.path for file in found.rest] == ["Bass (1).wav"]


def test_songs_that_hold_files_of_one_name_are_told_apart_by_their_folders() -> None:
    originals = [
        replace(sent("Ebb Water/Bass.wav", sound="high"), song="Ebb Water"),
        replace(sent("Low Water/Bass.wav", sound="low"), song="Low Water"),
    ]
    found = matched(originals, back("from here/Low Water/Bass.wav", "o", "edited"))
    assert [match.status for match in found.originals] == ["missing", "changed"]
    found = matched(originals, back("Low Water/Bass.wav", "o", "high"))
    assert [match.status for match in found.originals] == ["header-changed", "missing"]


def test_what_was_made_for_the_package_is_neither_original_nor_new() -> None:
    generated: dict[str, str | None] = {digest("click"): digest("ticks"), digest("map"): None}
    found = match_originals(
        [sent("Bass.wav")],
        [back("Click.wav", "repacked", "ticks"), without_sound("Copy.mp3", "map")],
        generated,
    )
    assert found.given_back == ("Click.wav", "Copy.mp3")
    assert (found.rest, found.unread) == ((), ())


def test_a_file_without_sound_is_an_original_by_its_bytes_alone() -> None:
    """An archive sends damaged takes along, and they come back as damaged as they were."""
    returned = without_sound("Bass.wav", "Bass sent"), without_sound("Broken.wav", "b")
    found = match_originals([sent("Bass.wav")], returned, {})
    assert found.originals[0].status == "identical"
    assert found.unread == ("Broken.wav",)
    assert match_originals([sent("Broken.wav")], returned[1:], {}).originals[0].status == "missing"
