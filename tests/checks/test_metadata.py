from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from stemprep.checks.metadata import MetadataRule
from stemprep.model.header import AdmTrack, Bext, Cue, Ixml, IxmlTrack, SamplerLoop
from stemprep.model.session import MeasuredFile
from tests.checks.factory import RATE_HZ, found_in, measured_file, sound
from tests.shipped import shipped_rule

RULE = shipped_rule(MetadataRule)
HOUR = 3600 * RATE_HZ


def labelled(channels: int = 1, **header: Any) -> MeasuredFile:
    file = measured_file(heard=sound(channels=channels))
    return replace(file, facts=replace(file.facts, header=replace(file.facts.header, **header)))


def told(file: MeasuredFile) -> str:
    findings = found_in(file, "metadata", RULE)
    return findings[0].message if findings else ""


@pytest.mark.parametrize(
    ("header", "words"),
    [
        (
            {
                "bext": Bext(time_reference_samples=HOUR),
                "ixml": Ixml(time_reference_samples=HOUR + 2 * RATE_HZ),
            },
            "starts at 01:00:00.000, the iXML at 01:00:02.000",
        ),
        ({"ixml": Ixml(file_rate_hz=44_100)}, "the iXML says 44.1 kHz, the format 48 kHz"),
        ({"ixml": Ixml(bit_depth=16)}, "the iXML says 16 bits, the format 24"),
        ({"ixml": Ixml(track_count=8)}, "the iXML lists 8 tracks, the file has 1 channel"),
        (
            {"ixml": Ixml(track_count=1, tracks=(IxmlTrack(interleave_index=1, name="a"),) * 2)},
            "the iXML counts 1 track and names 2",
        ),
        ({"bext": Bext(origination_date="2131-01-01")}, "a day that is none: 2131-01-01"),
        ({"bext": Bext(origination_date="2025-02-30")}, "a day that is none: 2025-02-30"),
        ({"bext": Bext(origination_time="25:61:00")}, "a time that is none: 25:61:00"),
        ({"info": (("ICRD", "2025-13-01"),)}, "the INFO list was made on a day that is none"),
        ({"bext": Bext(loudness_lufs=-23.0)}, "the bext says -23.0 LUFS (loudness), measured -20"),
        ({"bext": Bext(max_true_peak_dbtp=-1.0)}, "measured -6.0"),
        ({"cues": (Cue(identifier=1, position_samples=10**9),)}, "1 marker of 1 behind the end"),
        (
            {"loops": (SamplerLoop(first_sample=0, last_sample=10**9),)},
            "1 loop of 1 behind the end",
        ),
        ({"adm_tracks": (AdmTrack(channel=2, uid="ATU_00000001"),)}, "names channel 2"),
        ({"adm_uids": ("ATU_00000001",)}, "the axml defines 1 track UID, no chna has any"),
        (
            {
                "adm_tracks": (AdmTrack(channel=1, uid="ATU_00000001"),),
                "adm_uids": ("ATU_00000002",),
            },
            "the axml does not define ATU_00000001, which the chna names; the chna gives no "
            "channel to ATU_00000002",
        ),
        ({"bext": Bext(coding_history="A=PCM,F=44100,W=24,M=mono")}, "ends with 44.1 kHz"),
    ],
)
def test_each_contradiction_is_told(header: dict[str, Any], words: str) -> None:
    assert words in told(labelled(**header))


@pytest.mark.parametrize(
    "header",
    [
        {},
        {
            "bext": Bext(time_reference_samples=HOUR),
            "ixml": Ixml(
                time_reference_samples=HOUR, file_rate_hz=RATE_HZ, bit_depth=24, track_count=1
            ),
        },
        {"ixml": Ixml(track_count=5, files_of_set=5)},
        {"bext": Bext(origination_date="2024-02-29", origination_time="23:59:59")},
        {"bext": Bext(origination_date="2024_02_29", origination_time="23.59.60")},
        {"bext": Bext(origination_date="0000-00-00")},
        {"bext": Bext(origination_date="spring 24")},
        {"bext": Bext(loudness_lufs=-20.15, max_true_peak_dbtp=-5.5)},
        {"bext": Bext(loudness_lufs=0.0, max_true_peak_dbtp=0.0)},
        {"cues": (Cue(identifier=1, position_samples=10 * RATE_HZ),)},
        {"loops": (SamplerLoop(first_sample=0, last_sample=10 * RATE_HZ - 1),)},
        {
            "adm_tracks": (AdmTrack(channel=1, uid="ATU_00000001"),),
            "adm_uids": ("ATU_00000001",),
        },
        {"bext": Bext(coding_history="A=ANALOGUE,T=1/4 inch\r\nA=PCM,F=48000,W=24")},
    ],
)
def test_what_agrees_is_not_told(header: dict[str, Any]) -> None:
    assert told(labelled(**header)) == ""


def test_loudness_is_judged_by_the_limit_of_the_spec() -> None:
    file = labelled(bext=Bext(loudness_lufs=-21.0))
    assert found_in(file, "metadata", RULE)
    assert not found_in(file, "metadata", replace(RULE, max_loudness_error_lu=1.0))


def test_one_finding_tells_five_and_counts_the_rest() -> None:
    file = labelled(
        bext=Bext(origination_date="2131-01-01", origination_time="25:61:00", loudness_lufs=-9.0),
        ixml=Ixml(file_rate_hz=44_100, bit_depth=16, track_count=8),
    )
    (finding,) = found_in(file, "metadata", RULE)
    assert (finding.found, finding.severity) == (6, "warn")
    assert finding.message.endswith("; and 1 more")
