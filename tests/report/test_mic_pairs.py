"""Microphones in the report: plain values by the schema, one line, two tables."""

from __future__ import annotations

import re
from dataclasses import replace

import jsonschema

from stemprep.model.facts import SetFacts
from stemprep.model.mic_pairs import MicPair
from stemprep.report import render_html, render_text, report_json, report_schema
from stemprep.report.mic_pairs import microphone_line, microphone_matrix
from tests.report import factory

ROOM = MicPair(
    song="",
    reference="Snare Top.wav",
    file="Room L.wav",
    relation="kit",
    stand="room",
    lag_samples=673.7612,
    lag_ms=14.03669,
    distance_m=4.81753,
    polarity="same",
    confidence=0.9481,
)
BOTTOM = replace(
    ROOM, file="Snare <b>Bot</b>.wav", relation="group", lag_ms=0.291, polarity="inverted"
)
FACTS = SetFacts(
    mic_pairs=(ROOM, replace(ROOM, file="OH.wav", reference="Kick.wav", lag_ms=-0.001), BOTTOM),
    unclear_mic_pairs=(("Kick.wav", "Room L.wav"), ("Bass DI.wav", "Bass Amp.wav")),
)


def test_json_holds_the_contract_and_the_schema() -> None:
    report = replace(factory.small(), set_facts=FACTS)
    parsed = report_json(report)
    jsonschema.Draft202012Validator(report_schema()).validate(parsed)
    assert parsed["set_facts"]["mic_pairs"][0] == {
        "song": "",
        "reference": "Snare Top.wav",
        "file": "Room L.wav",
        "relation": "kit",
        "stand": "room",
        "lag_samples": 673.76,
        "lag_ms": 14.0367,
        "distance_m": 4.8175,
        "polarity": "same",
        "confidence": 0.95,
        "channel": None,
        "drift_ppm": None,
    }
    assert parsed["set_facts"]["unclear_mic_pairs"][0] == {
        "reference": "Kick.wav",
        "file": "Room L.wav",
    }


def test_one_line_for_all() -> None:
    """Microphones are counted, not pairs; the one inverted is the one that the check names."""
    found = factory.finding("mic-polarity", "note", "Drums/Snare Bot.wav")
    assert microphone_line(FACTS, [found]) == (
        "7 microphones compared, up to 14.0 ms (4.8 m) apart; "
        "inverted: Snare Bot.wav (see mic-polarity); 2 not clear"
    )
    assert "inverted" not in microphone_line(FACTS, [])
    alike = SetFacts(mic_pairs=(ROOM,))
    assert microphone_line(alike, []).endswith("apart; none inverted")
    assert microphone_line(SetFacts(), []) == ""
    only_unclear = SetFacts(unclear_mic_pairs=(("a.wav", "b.wav"),))
    assert microphone_line(only_unclear, []) == "2 microphones compared, none clearly"
    assert "7 microphones" in render_text(replace(factory.small(), set_facts=FACTS))


def test_the_kit_in_a_table_of_its_own() -> None:
    matrix = microphone_matrix(FACTS)
    assert matrix is not None
    assert matrix.close == ("Kick.wav", "Snare Top.wav")
    words = {file: [cell.words for cell in cells] for file, cells in matrix.distant}
    assert words == {"OH.wav": ["+0.00 ms", ""], "Room L.wav": ["unclear", "+14.04 ms"]}
    assert [(file, cell.is_inverted) for file, _, cell in matrix.near] == [
        ("Bass Amp.wav", False), ("Snare <b>Bot</b>.wav", True),
    ]  # fmt: skip
    assert microphone_matrix(SetFacts()) is None


def test_the_page_shows_both_and_escapes_names() -> None:
    page = render_html(replace(factory.small(), set_facts=FACTS))
    assert "<b>" not in page
    assert re.search(r"\+0\.29 ms\s*inverted", page)
    assert "4.82 m, 95 % sure" in page
    assert "Which microphone" not in render_html(factory.small())


def test_the_tables_are_folded_and_stand_below_the_findings() -> None:
    page = render_html(replace(factory.three_songs(), set_facts=FACTS))
    marks = ("good to know", "<h2>Every file", "<h2>Microphones", "<details>\n<summary>The same")
    places = [page.index(mark) for mark in marks]
    assert places == sorted(places)
    assert "<details open" not in page
