"""What a mastering room asks of every song, on page one of the delivery note.

What belongs there: Delivery Recommendations for Recorded Music Projects (2018), mix documentation
sent to mastering (titles, running order, revisions, contact), from memory; the limiter question and
the fades wanted: common practice, no source.
"""

from __future__ import annotations

import dataclasses
import math

from stemprep.model.null_test import NullTest, UntestedSum
from stemprep.model.package import WrittenFile
from stemprep.model.plan import OutputPlan
from stemprep.model.report import DeliveredFacts, Report
from stemprep.model.sheet import SessionSheet, SongNote
from stemprep.model.words import Role
from stemprep.report import delivery_note
from stemprep.report.songs import NOT_SAID, song_blocks
from tests.report import factory


def written(path: str, role: Role, song: str, peak_dbfs: float = -6.0) -> WrittenFile:
    measured = factory.measured_file(path, role, song=song, peak_dbfs=peak_dbfs)
    plan = OutputPlan(
        sources=(path,),
        path=f"{song}/{path}",
        role=role,
        song=song,
        operations=(),
        format=measured.facts.format,
        frames=measured.facts.header.frames,
    )
    return WrittenFile(
        plan=plan,
        staged="",
        sha256="",
        sha512="",
        size_bytes=0,
        before=(measured.facts,),
        after=measured.facts,
    )


def delivered(*files: WrittenFile, sheet: SessionSheet | None = None) -> Report:
    measured = [
        factory.measured_file(file.plan.sources[0], file.plan.role, song=file.plan.song)
        for file in files
    ]
    return factory.report(measured, sheet=sheet)


def lines_of(report: Report, *files: WrittenFile) -> dict[str, str]:
    (block,) = song_blocks(report, files)
    return dict(block.lines)


def test_what_the_sheet_says_stands_there_as_given() -> None:
    note = SongNote(
        title="Low Water",
        revision=3,
        isrc="ZZ-ABC-26-00001",
        master_candidate="print 2.wav",
        mix_bus_limited=False,
        mix_bus_processed=True,
        fades="out from 3:40",
    )
    files = (
        written("print 1.wav", "mix", "Low Water"),
        written("print 2.wav", "mix", "Low Water"),
        written("loud.wav", "listening-reference", "Low Water"),
        written("a cappella.wav", "alternate-mix", "Low Water"),
    )
    told = lines_of(delivered(*files, sheet=SessionSheet(songs=(note,))), *files)
    assert told["Title to print"] == "Low Water"
    assert told["Revision"] == "3"
    assert told["ISRC"] == "ZZ-ABC-26-00001"
    assert told["Master from"] == "Low Water/print 2.wav"
    assert told["Listen to"] == "Low Water/loud.wav"
    assert told["Mix bus"] == "no limiter; processed as a whole"
    assert told["Fades"] == "out from 3:40"
    assert told["Alternates"] == "Low Water/a cappella.wav"


def test_what_nobody_says_is_not_made_up() -> None:
    files = (written("one.wav", "mix", "A"), written("two.wav", "mix", "A"))
    told = lines_of(delivered(*files), *files)
    assert told["Revision"] == told["ISRC"] == told["Fades"] == NOT_SAID
    assert told["Master from"] == "not said; please ask"
    assert told["Mix bus"] == "limiter not said"
    assert told["Listen to"] == "no listening reference"


def test_the_only_mix_is_told_as_no_more_than_that() -> None:
    files = (written("one.wav", "mix", "A"), written("inst.wav", "alternate-mix", "A"))
    told = lines_of(delivered(*files), *files)
    assert told["Master from"] == "A/one.wav (the only mix; the sheet does not choose)"


def test_a_song_without_mix_and_stems_says_so() -> None:
    files = (written("rough.wav", "rough-mix", "A"), written("bass.wav", "track", "A"))
    told = lines_of(delivered(*files), *files)
    assert told["Master from"] == "no mix in this package, only a rough mix: A/rough.wav"
    assert told["Stems"] == "none in this package, so nothing that could add up to a mix"


def test_a_candidate_that_is_not_there_is_told() -> None:
    note = SongNote(title="A", master_candidate="final.wav")
    files = (written("one.wav", "mix", "A"),)
    told = lines_of(delivered(*files, sheet=SessionSheet(songs=(note,))), *files)
    assert told["Master from"] == "'final.wav', as the sheet says, but no such file is here"


def test_levels_are_those_of_each_mix() -> None:
    files = (written("one.wav", "mix", "A", peak_dbfs=-3.2), written("bass.wav", "stem", "A"))
    told = lines_of(delivered(*files), *files)
    assert told["Levels"] == (
        "A/one.wav: headroom 3.2 dB; true peak -2.9 dBTP (long filter); loudness -18.7 LUFS"
    )
    silent = written("one.wav", "mix", "A", peak_dbfs=-math.inf)
    assert lines_of(delivered(silent), silent)["Levels"].startswith("A/one.wav: silent;")


def test_the_null_test_and_the_peak_of_the_sum_stand_there() -> None:
    files = (written("one.wav", "mix", "A"), written("bass.wav", "stem", "A"))
    plain = delivered(*files)
    (block,) = song_blocks(plain, files)
    assert block.lines[0] == ("Not summed", "1 stem (A/bass.wav): one stem alone makes no sum")
    test = NullTest(
        song="A",
        folder="",
        reference="one.wav",
        stems=("bass.wav", "drums.wav"),
        sample_rate_hz=48_000,
        frames=480,
        gain_db=0.0,
        sum_peak_dbfs=1.25,
        residual_peak_dbfs=-math.inf,
        residual_rms_dbfs=-math.inf,
        limit_peak_dbfs=-130.0,
        limit_rms_dbfs=-140.0,
        verdict="exact",
    )
    facts = dataclasses.replace(plain.set_facts, null_tests=(test,))
    told = lines_of(dataclasses.replace(plain, set_facts=facts), *files)
    assert told["Null test"] == (
        "2 stems add up to the mix exactly (mix A/one.wav; stems A/bass.wav, drums.wav)"
    )
    assert told["Stems' sum"] == "peaks at +1.2 dBFS with every stem at unity"


def test_why_stems_were_not_summed() -> None:
    pair = (written("bass.wav", "stem", "A"), written("keys.wav", "stem", "A"))
    mix = written("one.wav", "mix", "A")

    def why(*files: WrittenFile, report: Report | None = None) -> str:
        (block,) = song_blocks(report or delivered(*files), files)
        label, words = block.lines[0]
        assert label == "Not summed"
        return words

    assert why(*pair) == "2 stems (A/bass.wav, A/keys.wav): no mix in this package"
    assert why(mix, *pair).endswith("why is not known; see the report")
    untested = UntestedSum(
        song="A",
        reference="A/one.wav",
        stems=("A/bass.wav", "A/keys.wav"),
        odd=("A/keys.wav",),
        obstacle="not-readable",
    )
    after = DeliveredFacts(untested_sums=(untested,))
    report = dataclasses.replace(delivered(mix, *pair), delivered=after)
    assert why(mix, *pair, report=report) == (
        "2 stems against A/one.wav: A/keys.wav cannot be read as a whole; "
        "the stems are A/bass.wav, A/keys.wav"
    )


def test_alternates_that_were_not_summed_are_not_called_stems() -> None:
    mix = written("one.wav", "mix", "A")
    pair = (written("voice.wav", "alternate-mix", "A"), written("band.wav", "alternate-mix", "A"))
    paths = ("A/voice.wav", "A/band.wav")
    untested = UntestedSum(
        song="A", reference="A/one.wav", stems=paths, odd=paths, obstacle="not-readable"
    )
    after = DeliveredFacts(untested_sums=(untested,))
    report = dataclasses.replace(delivered(mix, *pair), delivered=after)
    (block,) = song_blocks(report, (mix, *pair))
    assert block.lines[0] == (
        "Not summed",
        "2 alternate mixes against A/one.wav: A/voice.wav, A/band.wav cannot be read as a whole",
    )


def test_songs_stand_in_the_running_order_of_the_sheet() -> None:
    files = (written("b.wav", "mix", "B"), written("a.wav", "mix", "A"))
    report = delivered(*files)
    assert report.measured.session.songs == ("B", "A")
    headings = [block.heading for block in song_blocks(report, files[::-1])]
    assert headings == ["Song 1 of 2: B", "Song 2 of 2: A"]


def test_page_one_holds_songs_contact_and_waivers_before_the_files() -> None:
    text = delivery_note(
        factory.delivered(),
        factory.written_files(),
        package_name="P",
        check_commands=(),
        is_songs_told=True,
    )
    page_one = text.split("\nFiles\n")[0]
    for label in ("Contact", "Waived", "Title to print", "Master from", "Mix bus", "Levels"):
        assert label in page_one
    without = delivery_note(
        factory.delivered(), factory.written_files(), package_name="P", check_commands=()
    )
    assert "Title to print" not in without
