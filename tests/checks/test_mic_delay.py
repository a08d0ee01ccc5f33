from __future__ import annotations

import math
from dataclasses import replace

import pytest

from stemprep.checks import judge
from stemprep.checks.mic_words import MicDelayRule
from stemprep.model.finding import Finding
from stemprep.model.mic_pairs import MicLag, Stand, speed_of_sound_m_s
from tests.checks.factory import measured_file, session, spec
from tests.shipped import shipped_rule

ROOM = MicLag(
    song="",
    reference="03_Snare Top.wav",
    file="11_Room L.wav",
    relation="kit",
    sample_rate_hz=48_000,
    stand="room",
    lag_samples=673.76,
    polarity="same",
    confidence=0.95,
)
USUAL = shipped_rule(MicDelayRule)


def judged(*lags: MicLag, rule: MicDelayRule = USUAL, di: str = "") -> tuple[Finding, ...]:
    paths = dict.fromkeys(path for lag in lags for path in (lag.reference, lag.file))
    files = [measured_file(path, role="di" if path == di else "track") for path in paths]
    measured = replace(session(*files), mic_lags=lags)
    judgement = judge(measured, spec({"mic-delay": rule}))
    assert len(judgement.set_facts.mic_pairs) == sum(lag.lag_samples is not None for lag in lags)
    return tuple(each for each in judgement.findings if each.check == "mic-delay")


def test_a_room_microphone_is_told_by_its_distance_and_is_no_fault() -> None:
    (finding,) = judged(ROOM)
    assert finding.severity == "note"
    assert finding.message == (
        "Room L is 14.0 ms (4.8 m) later than Snare Top: "
        "normal for a room microphone (up to 100 ms)"
    )
    assert (finding.file, finding.against) == ("11_Room L.wav", ("03_Snare Top.wav",))
    assert (finding.found, finding.unit, finding.repair) == (673.76, "samples", None)


@pytest.mark.parametrize(
    ("stand", "lag_ms", "severity"),
    [("close", 9.9, "note"), ("close", 10.1, "warn"), ("close", -10.1, "warn"),
     ("overhead", 11.9, "note"), ("overhead", 12.1, "warn"), ("overhead", -4.9, "note"),
     ("overhead", -5.1, "warn"), ("room", 99.9, "note"), ("room", 100.1, "warn"),
     ("room", 1_000.0, "warn"), ("room", -5.1, "warn")],
)  # fmt: skip
def test_only_inside_the_limit_of_its_stand_is_it_normal(
    stand: Stand, lag_ms: float, severity: str
) -> None:
    (finding,) = judged(replace(ROOM, stand=stand, lag_samples=48.0 * lag_ms))
    assert finding.severity == severity
    assert ("moved, or not of this source" in finding.message) == (severity == "warn")
    assert ("normal" in finding.message) == (severity == "note" and lag_ms > 0)


def test_the_limits_are_those_of_the_spec() -> None:
    (finding,) = judged(ROOM, rule=replace(USUAL, max_room_ms=13.0))
    assert (finding.severity, finding.required) == ("warn", 13.0)


def test_a_severity_of_the_spec_is_obeyed() -> None:
    moved = replace(ROOM, lag_samples=48_000.0)
    assert judged(moved, rule=replace(USUAL, severity="fail"))[0].severity == "fail"
    assert judged(ROOM, rule=replace(USUAL, severity="fail"))[0].severity == "note"
    assert not judged(moved, rule=replace(USUAL, severity="off"))


@pytest.mark.parametrize(
    ("celsius", "metres_a_second"), [(0, 331.3), (15, 340.28), (20, 343.21), (25, 346.13)]
)
def test_the_speed_of_sound(celsius: float, metres_a_second: float) -> None:
    """331.3 sqrt(1 + T / 273.15), the usual approximation for dry air; against
    sqrt(gamma R T / M) with gamma 1.400, R 8.314 J/(mol K), M 28.96 g/mol (ideal gas law) within
    0.1 %, and against ISO 9613-1's reference of 343.2 m/s at 20 C (from memory).
    """
    found = speed_of_sound_m_s(celsius)
    assert found == pytest.approx(metres_a_second, abs=0.01)
    ideal = math.sqrt(1.400 * 8.314 * (celsius + 273.15) / 0.02896)
    assert found == pytest.approx(ideal, rel=1e-3)


def test_no_air_below_absolute_zero() -> None:
    with pytest.raises(ValueError, match="no temperature of air"):
        speed_of_sound_m_s(-273.15)


def test_the_way_follows_the_stated_temperature() -> None:
    assert "(4.6 m)" in judged(ROOM, rule=replace(USUAL, air_temperature_c=-10.0))[0].message


def test_the_surest_reference_is_named_and_the_others_counted() -> None:
    others = [replace(ROOM, reference=f"Tom {n}.wav", confidence=0.5) for n in range(1, 6)]
    (finding,) = judged(*others, ROOM)
    assert "than Snare Top: " in finding.message
    assert "also measured against Tom 1, Tom 2, Tom 3 and 2 more" in finding.message


def test_a_reference_on_the_far_side_is_not_told() -> None:
    bottom = replace(ROOM, reference=ROOM.reference, file="04_Snare Bot.wav", relation="group",
                     lag_samples=14.0, polarity="inverted")  # fmt: skip
    against_bottom = replace(ROOM, reference="04_Snare Bot.wav", confidence=0.99)
    room = [f for f in judged(bottom, against_bottom, ROOM) if f.file == ROOM.file]
    assert room[0].against == ("03_Snare Top.wav",)


def test_a_distant_microphone_that_is_early_is_never_called_normal() -> None:
    (finding,) = judged(replace(ROOM, lag_samples=-200.0))
    assert "earlier than Snare Top" in finding.message
    assert "should be later" in finding.message


def test_an_amplifier_after_its_di() -> None:
    lag = replace(ROOM, reference="Bass DI.wav", file="Bass Amp.wav", relation="group",
                  stand="close", lag_samples=43.7)  # fmt: skip
    (finding,) = judged(lag, di="Bass DI.wav")
    assert finding.severity == "note"
    assert finding.message.endswith("normal for one source (up to 10 ms)")


def test_a_di_that_is_a_second_early_is_no_cable() -> None:
    lag = replace(ROOM, reference="Bass DI.wav", file="Bass Amp.wav", relation="group",
                  stand="close", lag_samples=48_043.7)  # fmt: skip
    (finding,) = judged(lag, di="Bass DI.wav")
    assert finding.severity == "warn"
    assert finding.message == (
        "Bass Amp is 1,000.9 ms (343.5 m) later than Bass DI, at most 10 ms are usual: "
        "moved, or not of this source"
    )


def test_what_is_not_certain_says_so() -> None:
    assert "is, not certain, 14.0 ms" in judged(replace(ROOM, confidence=0.6))[0].message


def test_no_verdict_no_finding() -> None:
    assert not judged(replace(ROOM, lag_samples=None, polarity=None, confidence=0.0))


def test_together_and_left_to_right_are_no_delay() -> None:
    assert not judged(replace(ROOM, lag_samples=0.3))
    sides = replace(ROOM, reference="Room L.wav", file="Room R.wav", relation="group")
    assert not judged(sides)
    assert judged(replace(sides, lag_samples=5_760.0))[0].severity == "warn"
