from __future__ import annotations

import math
from dataclasses import replace

import pytest

from stemprep.checks import CHECKS, judge
from stemprep.model.facts import (
    BandwidthFacts,
    ClickFacts,
    EdgeFacts,
    HumFacts,
    NonFinite,
    PauseFacts,
    TransientFacts,
    WordFacts,
)
from stemprep.model.header import Ixml
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.sheet import SessionSheet, TrackNote, Waiver
from tests.checks.factory import (
    SILENT,
    entry,
    fault,
    findings_of,
    judged,
    measured_file,
    runs,
    session,
    silence,
    sound,
    spec,
    with_transients,
)
from tests.shipped import shipped_rule

HOUR = 172_800_000


def test_a_clean_session_passes_without_a_word() -> None:
    judgement = judged(measured_file("a.wav"), measured_file("b.wav"))
    assert judgement.findings == ()
    assert judgement.verdict == "pass"


def test_worst_first_then_in_path_order() -> None:
    quiet = silence()
    files = (
        measured_file("a.wav", quiet),
        measured_file("b.wav", faults=(fault("truncated"),)),
        measured_file("c.wav", faults=(fault("header", severity="warn"),)),
        measured_file("d.wav", faults=(fault("truncated"),)),
    )
    judgement = judged(
        *files,
        truncated=Rule(severity="fail"),
        header=Rule(severity="warn"),
        silent_file=Rule(severity="note"),
    )
    told = [(f.severity, f.file) for f in judgement.findings]
    assert told == [("fail", "b.wav"), ("fail", "d.wav"), ("warn", "c.wav"), ("note", "a.wav")]


def test_each_song_has_its_own_verdict() -> None:
    damaged = measured_file("1/a.wav", song="One", faults=(fault("truncated"),))
    fine = measured_file("2/a.wav", song="Two")
    judgement = judged(damaged, fine, truncated=Rule(severity="fail"))
    assert judgement.verdict == "fail"
    assert [(s.song, s.verdict) for s in judgement.songs] == [("One", "fail"), ("Two", "pass")]


def test_warnings_and_notes_do_not_fail() -> None:
    file = measured_file(faults=(fault("header"),))
    assert judged(file, header=Rule(severity="warn")).verdict == "warn"
    assert judged(file, header=Rule(severity="note")).verdict == "pass"


@pytest.mark.parametrize("check", sorted(CHECKS))
def test_off_yields_nothing(check: str) -> None:
    off = shipped_rule(CHECKS[check].nature.rule, severity="off")
    sheet = SessionSheet(
        tracks=(TrackNote(pattern="a.wav"),),
        waivers=(Waiver(check="hum", file="x", reason="r", initials="i", date="d"),),
    )
    judgement = judge(_faulty(sheet), spec({check: off}))
    assert not findings_of(judgement, check)


def test_the_faulty_session_shows_most_of_the_catalogue() -> None:
    """What the test above switches off, check by check, is really there when it is on."""
    sheet = SessionSheet(
        tracks=(TrackNote(pattern="a.wav"),),
        waivers=(Waiver(check="hum", file="x", reason="r", initials="i", date="d"),),
    )
    told = {finding.check for finding in judge(_faulty(sheet), spec()).findings}
    needs_a_limit = {"container", "sample-peak", "true-peak", "loudness"}
    needs_sound = {"null-test", "mic-polarity", "mic-delay"}
    needs_a_common_length = {"wrong-rate-label"}
    needs_a_songs_sheet = {"fade-time", "recording-code"}
    needs_a_return = {check.id for check in CHECKS.values() if check.nature.scope == "return"}
    expected = (
        set(CHECKS) - needs_a_limit - needs_sound - needs_a_common_length - needs_a_songs_sheet
    )
    assert told >= expected - needs_a_return


def test_role_rules_are_used() -> None:
    rules = spec(by_role={"silent-file": {"stem": Rule(severity="fail")}})
    stem = measured_file("a.wav", silence(), role="stem")
    track = measured_file("b.wav", silence(frames=480_000))
    judgement = judge(session(stem, track), rules)
    assert [(f.file, f.severity) for f in judgement.findings] == [
        ("a.wav", "fail"), ("b.wav", "warn"),
    ]  # fmt: skip


def test_an_unreadable_file_is_told_once() -> None:
    faults = (fault("unreadable"), fault("header"), fault("lossy-source"), fault("truncated"))
    file = measured_file("x.wav", is_readable=False, faults=faults)
    judgement = judged(file, measured_file("a.wav"), unreadable=Rule(severity="fail"))
    assert [finding.check for finding in judgement.findings] == ["unreadable"]


def test_the_song_is_described_at_its_own_rate() -> None:
    files = (
        measured_file("a.wav", sound(identity="a", frames=480_000), start_samples=HOUR),
        measured_file("b.wav", sound(identity="b", frames=480_000), start_samples=HOUR + 96_000),
        measured_file(
            "c.wav", sound(frames=441_001), rate_hz=44_100, bit_depth=16, start_samples=158_716_000
        ),
    )
    (facts,) = judged(*files).set_facts.songs
    assert (facts.sample_rate_hz, facts.bit_depth, facts.files) == (48_000, 24, 3)
    assert (facts.sample_rates_hz, facts.bit_depths) == ((44_100, 48_000), (16, 24))
    # 158,716,000 * 48,000 / 44,100 = 172,752,108.84...; 441,001 * 48,000 / 44,100 = 480,001.08...
    assert (facts.start_samples, facts.frames) == (172_752_109, 480_002)
    assert facts.roles == {"track": 3}


def test_every_number_told_is_finite() -> None:
    nan = float("nan")
    heard = sound(channels=2, peaks_dbfs=(-6.0, SILENT), true_peak_dbtp=nan, is_identical=True)
    for finding in judged(measured_file(heard=heard), measured_file("s.wav", silence())).findings:
        for value in (finding.found, finding.required):
            assert not isinstance(value, float) or math.isfinite(value)


def test_explanations_go_one_way_and_hide_nothing_that_cannot_be_waived() -> None:
    edges = {
        (cause, effect)
        for cause, check in CHECKS.items()
        for explanation in check.nature.explains
        for effect in explanation.effects
    }
    firm = {check for check, known in CHECKS.items() if not known.nature.is_waivable}
    assert all(check in CHECKS for edge in edges for check in edge)
    assert not any((effect, cause) in edges for cause, effect in edges)
    assert all(cause in firm for cause, effect in edges if effect in firm)


_BROKEN_UP = TransientFacts(
    holes=runs((1, 48_000, 48_300)),
    clicks=(ClickFacts(channel=1, start=96_000, end=96_001, height_db=9.0, sigmas=900.0),),
    tail=EdgeFacts(level_dbfs=-10.0, is_abrupt=True),
)


def _faulty(sheet: SessionSheet) -> MeasuredSession:
    """Make a session in which nearly every check finds something that no other one explains."""
    clip = runs((1, 0, 9))
    wide = sound(identity="13", channels=2)
    broken = NonFinite(count=1, first_channel=1, first_sample=0)
    edges = {"leading_samples": 100_000, "trailing_samples": 100_000}
    return session(
        *(measured_file(f"{check}.wav", faults=(fault(check),)) for check in _FAULTS),
        measured_file("AUX.wav", sound(identity="1", **edges)),  # type: ignore[arg-type]
        measured_file("aux.wav", sound(identity="1")),
        measured_file("rate.wav", rate_hz=1_000, start_samples=0),
        measured_file("word.wav", bit_depth=8),
        measured_file("other rate.wav", rate_hz=96_000),
        measured_file("padded.wav", sound(identity="2", effective_bit_depth=16)),
        measured_file("wide.wav", sound(identity="3", channels=3)),
        measured_file("nan.wav", sound(identity="4", non_finite=broken)),
        measured_file("clip.wav", sound(identity="5", full_scale=clip)),
        measured_file("dc.wav", sound(identity="6", dc_offset=(0.1,))),
        measured_file("quiet.wav", silence()),
        measured_file("dead.wav", sound(identity="7", channels=2, peaks_dbfs=(-6.0, SILENT))),
        measured_file("dual.wav", sound(identity="8", channels=2, is_identical=True)),
        measured_file("paused.wav", replace(sound(identity="11"), pauses=_NOISY)),
        measured_file("converted.wav", replace(sound(identity="12"), bandwidth=_CONVERTED)),
        measured_file("label.wav", replace(sound(identity="14"), word=_MISREAD), bit_depth=32),
        measured_file("opposed.wav", replace(wide, stereo=replace(wide.stereo, **_OPPOSED))),  # type: ignore[type-var, arg-type]
        measured_file("holes.wav", with_transients(sound(identity="15"), _BROKEN_UP)),
        measured_file("short.wav", sound(identity="9", frames=480)),
        measured_file("late.wav", sound(identity="10", frames=4_800), start_samples=HOUR + 9),
        _said_otherwise(measured_file("said otherwise.wav", sound(identity="16"))),
        measured_file("Gtr L.wav", start_samples=HOUR),
        measured_file("Gtr R.wav", start_samples=HOUR),
        others=[
            entry("lyrics.txt", "document"),
            entry(".DS_Store", "clutter"),
            entry("link", "unsafe", hazard="outside"),
        ],
        sheet=sheet,
        unmatched=("MIX.wav",),
    )


def _said_otherwise(file: MeasuredFile) -> MeasuredFile:
    header = replace(file.facts.header, ixml=Ixml(file_rate_hz=44_100))
    return replace(file, facts=replace(file.facts, header=header))


_HUM = HumFacts(mains_hz=50, channel=1, level_dbfs=-60.0, partials_hz=(50, 100))
_NOISY = PauseFacts(noise_floor_dbfs=-40.0, hum=_HUM)
_MISREAD = WordFacts(effective_bit_depth=32, reads_as="float")
_CONVERTED = BandwidthFacts(ends_like_rate_hz=44_100, drop_db=60.0)
_OPPOSED = {"lasting_correlation": -1.0, "mono_sum_change_db": -30.0}
_FAULTS = ("unreadable", "truncated", "header", "checksum", "lossy-source")
