"""What came back, in words: nothing is left out, nothing is wider than the terminal."""

from __future__ import annotations

import json
from dataclasses import replace

import jsonschema

from stemprep.checks import judge_return
from stemprep.model.reconciliation import Reconciliation, RecordingOffset, Region, Returned
from stemprep.report import (
    reconciliation_schema,
    render_reconciliation,
    render_reconciliation_html,
    render_reconciliation_json,
)
from stemprep.spec import load_spec
from tests.checks.returns import BASS, GUITAR, LOWER, returned


def told(back: Returned) -> Reconciliation:
    return Reconciliation(
        stemprep_version="0",
        spec_name="base",
        returned=back,
        findings=judge_return(back, (), load_spec("base")),
    )


def test_every_state_is_told() -> None:
    back = returned(
        BASS,
        replace(BASS, source="Piano.wav", returned_as="Piano (1).wav", is_renamed=True,
                matched="source"),
        replace(BASS, source="Sax.wav", file="data/tracks/04_Sax.wav", returned_as="Sax fin.wav",
                is_renamed=True),
        replace(BASS, source="Drums.wav", status="header-changed",
                header_words=("its time reference is absent instead of 172,800,000",)),
        replace(BASS, source="Horn.wav", status="rewrapped", returned_as="Horn.flac"),
        replace(BASS, source="Viola.wav", status="changed", regions=(LOWER,), ordered=("edit",)),
        replace(BASS, source="Oboe.wav", status="missing", returned_as=None),
        GUITAR,
        given_back=("Click.wav",),
    )  # fmt: skip
    text = render_reconciliation(told(back))
    for words in (
        "5 of 7 originals the same in sound, 1 changed, 1 not back; 1 new file",
        "Piano (1).wav (sent as Piano.wav)",
        "Sax fin.wav (sent as 04_Sax.wav)",
        "its time reference is absent",
        "Horn.flac",
        "ordered: edit",
        "3.00 dB lower from 0:08.000",
        "not back     Oboe.wav",
        "1 file made for the package came back too",
        "Nothing; accept it.",
    ):
        assert " ".join(words.split()) in " ".join(text.split()), words


def test_in_brief_every_file_is_told_and_nothing_twice() -> None:
    """The to-do line counts the findings; what they say stands beside each file already."""
    changed = replace(BASS, source="Viola.wav", status="changed", regions=(LOWER,))
    result = told(returned(changed, GUITAR, given_back=("Click.wav",)))
    whole, brief = (
        " ".join(render_reconciliation(result, is_brief=is_brief).split())
        for is_brief in (False, True)
    )
    assert whole.count("3.00 dB lower from 0:08.000") == 2
    assert brief.count("3.00 dB lower from 0:08.000") == 1
    assert "To do Decide about 1 changed original" in brief
    assert GUITAR.file in brief
    assert "To be decided" in whole
    assert "Good to know" in whole
    assert "To be decided" not in brief
    assert "Good to know" not in brief


def test_a_new_file_without_a_start_is_something_to_do() -> None:
    lost = replace(GUITAR, start_sample=None, late_samples=None, placed_by="unknown")
    text = render_reconciliation(told(returned(lost)))
    assert "Decide about 1 new file whose start is not known." in " ".join(text.split())


def test_a_shared_offset_is_told_once() -> None:
    late = replace(GUITAR, late_samples=1_024)
    offset = RecordingOffset(samples=1_024, files=("Guitar OD.wav", "Horn.wav"))
    back = returned(late, replace(late, file="Horn.wav"), offset=offset)
    text = render_reconciliation(told(back))
    assert text.count("Recording offset of that room: 1,024 samples late") == 1
    assert "2 new files that are out of time" in text


def test_hostile_names_and_thousands_of_regions_stay_readable() -> None:
    name = "\x1b[31m<script>" + "x" * 200 + ".wav"
    regions = tuple(
        Region(start_sample=n * 100, end_sample=n * 100 + 50, kind="edited") for n in range(2_000)
    )
    fate = replace(BASS, status="changed", returned_as=name, regions=regions)
    result = told(returned(fate, replace(GUITAR, file=name)))
    text = render_reconciliation(result)
    assert max(map(len, text.splitlines())) <= 80
    assert "\x1b" not in text
    page = render_reconciliation_html(result)
    assert "\x1b" not in page
    assert "<script>" not in page
    record = json.loads(render_reconciliation_json(result))
    jsonschema.validate(record, reconciliation_schema())
    assert len(record["originals"][0]["regions"]) == 2_000
