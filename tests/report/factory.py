"""Reports as they come from real drops, made without sound: an invented band, invented songs."""

from __future__ import annotations

import dataclasses
import hashlib
import math
from collections.abc import Sequence
from typing import Any

from stemprep.model.facts import (
    ClipFacts,
    FileFacts,
    LevelFacts,
    LoudnessFacts,
    NonFinite,
    Overview,
    Runs,
    SetFacts,
    SilenceFacts,
    SongFacts,
    Sound,
    StereoFacts,
    WordFacts,
)
from stemprep.model.finding import Finding, Occurrence, Occurrences
from stemprep.model.header import AudioFormat, Bext, Header, HeaderFault
from stemprep.model.package import Damage, Predecessor, SecondReading, Verification, WrittenFile
from stemprep.model.plan import (
    DocumentPlan,
    LeftOut,
    Operation,
    OutputPlan,
    Plan,
    Repair,
    StartReference,
)
from stemprep.model.report import Report, SongVerdict
from stemprep.model.session import (
    DropEntry,
    EntryKind,
    MeasuredFile,
    MeasuredSession,
    Session,
    SourceFile,
)
from stemprep.model.sheet import SessionSheet
from stemprep.model.words import Role

RATE_HZ = 48_000
COLUMNS = 120

HOSTILE_NAMES = (
    "<script>alert(1)</script>.wav",
    "gtr\u202evaw.exe.wav",
    "two\nlines\x1b[31m.wav",
    'quote" onload="x\' & <b>.wav',
    "{{ 7 * 7 }} {% raw %}.wav",
    "x" * 196 + ".wav",
    "\u5f26\u697d\u56db\u91cd\u594f" * 12 + ".wav",
    "\u05e9\u05dc\u05d5\u05dd.wav",
    "javascript:alert(1).wav",
    "half\udc80byte.wav",
)


def digest(text: str) -> str:
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def audio_format(**changes: Any) -> AudioFormat:
    plain = AudioFormat(
        container="WAV",
        encoding="integer",
        sample_rate_hz=RATE_HZ,
        channels=2,
        bit_depth=24,
        container_bits=24,
    )
    return dataclasses.replace(plain, **changes)


def overview(channels: int, peak: float, seed: int) -> Overview:
    """Make up a music-like envelope: bars of sound with decays, silent at both ends."""
    highs = []
    for channel in range(channels):
        wave = [
            peak
            * abs(math.sin((column + 7 * seed + 3 * channel) / 9.7))
            * (0.35 + 0.65 * math.exp(-((column * (1 + seed % 5)) % 75) / 25))
            * (0.0 if column < 12 or column > COLUMNS - 16 else 1.0)
            for column in range(COLUMNS)
        ]
        highs.append(tuple(wave))
    lows = tuple(tuple(-0.9 * value for value in wave) for wave in highs)
    return Overview(minimum=lows, maximum=tuple(highs))


def sound(frames: int, kind: AudioFormat, *, peak_dbfs: float, name: str, **changes: Any) -> Sound:
    peak = 10 ** (peak_dbfs / 20) if math.isfinite(peak_dbfs) else 0.0
    silent = not peak
    level = LevelFacts(
        sample_peak_dbfs=peak_dbfs,
        sample_peak_channel=1,
        sample_peak_sample=frames // 3,
        true_peak_dbtp=peak_dbfs if silent else peak_dbfs + 0.31,
        true_peak_filter="long",
        channel_peaks_dbfs=(peak_dbfs,) * kind.channels,
        channel_rms_dbfs=(peak_dbfs - 14.0,) * kind.channels,
        rms_dbfs=peak_dbfs - 14.0,
        crest_factor_db=None if silent else 14.0,
        dc_offset=(0.0,) * kind.channels,
    )
    loudness = LoudnessFacts(
        loudness_lufs=None if silent else peak_dbfs - 15.5,
        loudness_range_lu=None if silent else 7.4,
        max_momentary_lufs=peak_dbfs - 9.0,
        max_short_term_lufs=peak_dbfs - 11.0,
        is_range_meaningful=True,
        reason="below the gate throughout" if silent else "",
    )
    plain = Sound(
        frames=frames,
        audio_sha256=digest(f"audio of {name}"),
        level=level,
        loudness=loudness,
        clipping=ClipFacts(full_scale=Runs(), flat_tops=Runs()),
        silence=SilenceFacts(
            threshold_dbfs=-80.0,
            leading_samples=frames if silent else 24_000,
            trailing_samples=frames if silent else 48_000,
            stretches=(),
            is_digital_silence=silent,
        ),
        stereo=None
        if kind.channels != 2
        else StereoFacts(
            correlation=None if silent else 0.43,
            is_identical=silent,
            difference_peak_dbfs=peak_dbfs - 6.0,
            mono_sum_change_db=None if silent else -1.2,
        ),
        word=WordFacts(effective_bit_depth=0 if silent else kind.bit_depth),
        non_finite=NonFinite(),
        overview=overview(kind.channels, peak, sum(name.encode("utf-8", "surrogatepass"))),
    )
    return dataclasses.replace(plain, **changes)


def entry(path: str, kind: EntryKind = "audio", reason: str = "", **changes: Any) -> DropEntry:
    plain = DropEntry(
        path=path,
        raw_path=path.encode("utf-8", "surrogateescape"),
        kind=kind,
        size_bytes=63_590_444,
        reason=reason,
    )
    return dataclasses.replace(plain, **changes)


def measured_file(
    path: str,
    role: Role = "stem",
    *,
    song: str = "",
    frames: int = 10_598_400,
    peak_dbfs: float = -3.2,
    time_reference_samples: int | None = 172_800_000,
    archive: str | None = None,
    format_: AudioFormat | None = None,
    sound_changes: dict[str, Any] | None = None,
) -> MeasuredFile:
    kind = format_ or audio_format()
    bext = (
        None
        if time_reference_samples is None
        else Bext(time_reference_samples=time_reference_samples)
    )
    facts = FileFacts(
        size_bytes=63_590_444,
        sha256=digest(path),
        header=Header(format=kind, declared_frames=frames, frames=frames, bext=bext),
        sound=sound(frames, kind, peak_dbfs=peak_dbfs, name=path, **(sound_changes or {})),
    )
    source = SourceFile(
        entry=entry(path, archive=archive), role=role, role_evidence="from its name", song=song
    )
    return MeasuredFile(source=source, facts=facts)


def unreadable_file(path: str, song: str = "") -> MeasuredFile:
    fault = HeaderFault(
        check="unreadable",
        code="not-decoded",
        severity="fail",
        found="no data chunk",
        required="sound",
        message="Holds no sound: the data chunk is absent.",
        advice="Export the file again.",
    )
    facts = FileFacts(
        size_bytes=44, sha256=digest(path), header=Header(format=None, faults=(fault,)), sound=None
    )
    source = SourceFile(entry=entry(path), role="stem", role_evidence="from its name", song=song)
    return MeasuredFile(source=source, facts=facts)


def report(
    files: Sequence[MeasuredFile],
    findings: Sequence[Finding] = (),
    *,
    verdict: Any = "pass",
    songs: Sequence[SongVerdict] = (),
    others: Sequence[DropEntry] = (),
    sheet: SessionSheet | None = None,
    archive: str | None = None,
    **changes: Any,
) -> Report:
    titles = tuple(dict.fromkeys(file.source.song for file in files))
    entries = [*(file.source.entry for file in files), *others]
    session = Session(
        name="Lanternfish to mastering",
        root="/somewhere/private/Lanternfish to mastering",
        archive=archive,
        entries=tuple(sorted(entries, key=lambda each: each.raw_path)),
        files=tuple(file.source for file in files),
        songs=titles,
        sheet=sheet,
    )
    plain = Report(
        stemprep_version="0.1.0",
        spec_name="mastering",
        spec_title="Mixes and stems for mastering",
        spec_sha256=digest("mastering"),
        measured=MeasuredSession(session=session, files=tuple(files)),
        set_facts=SetFacts(songs=tuple(_song_facts(title, files) for title in titles)),
        findings=tuple(findings),
        verdict=verdict,
        songs=tuple(songs) or tuple(SongVerdict(song=title, verdict=verdict) for title in titles),
    )
    return dataclasses.replace(plain, **changes)


def _song_facts(title: str, files: Sequence[MeasuredFile]) -> SongFacts:
    mine = [file for file in files if file.source.song == title]
    kinds = [file.facts.format for file in mine if file.facts.format is not None]
    starts = [file.facts.header.time_reference_samples for file in mine]
    return SongFacts(
        song=title,
        files=len(mine),
        sample_rates_hz=tuple(sorted({kind.sample_rate_hz for kind in kinds})),
        bit_depths=tuple(sorted({kind.bit_depth for kind in kinds})),
        sample_rate_hz=RATE_HZ,
        bit_depth=24,
        start_samples=min((start for start in starts if start is not None), default=None),
        frames=max(file.facts.header.frames for file in mine),
        roles=dict.fromkeys(sorted({file.role for file in mine}), 1),
    )


def clipping(path: str, runs: int, longest: int, **changes: Any) -> Finding:
    spots = tuple(
        Occurrence(
            channel=1 + number % 2,
            start_sample=700_000 + number * 1_400_000,
            end_sample=700_000 + number * 1_400_000 + longest - number,
        )
        for number in range(min(runs, 10))
    )
    plain = Finding(
        check="clipping",
        severity="fail",
        message=f"{runs} runs at full scale, the longest {longest} samples; at most 2 allowed.",
        advice="Export again with the fader or the bus some dB lower; what is cut off cannot be "
        "brought back afterwards.",
        file=path,
        files=(path,),
        start_sample=spots[0].start_sample,
        end_sample=spots[0].end_sample,
        channel=1,
        occurrences=Occurrences(count=runs, worst=spots),
        found=longest,
        required=2,
        unit="samples",
    )
    return dataclasses.replace(plain, **changes)


def finding(check: str, severity: Any, path: str | None, **changes: Any) -> Finding:
    plain = Finding(
        check=check,
        severity=severity,
        message="It is so.",
        advice="Do something about it.",
        file=path,
        files=() if path is None else (path,),
    )
    return dataclasses.replace(plain, **changes)


SONGS = ("Tallow Wharf", "Low Water", "The Ninth Buoy")
STEMS = ("01_Drums", "02_Bass", "03_Guitars", "04_Keys", "05_Lead Vocal", "06_Backing Vocals")


def three_songs() -> Report:
    """Build 24 files in three songs: faults of every weight, three waivers, one unreadable file."""
    files: list[MeasuredFile] = []
    for number, song in enumerate(SONGS):
        frames = 10_598_400 + number * 480_480
        files += [
            measured_file(
                f"{song}/stems/{stem}.wav", song=song, frames=frames, peak_dbfs=-6.0 - row
            )
            for row, stem in enumerate(STEMS)
        ]
        files.append(
            measured_file(
                f"{song}/{song}_Mix v3.wav", "mix", song=song, frames=frames, peak_dbfs=-0.2
            )
        )
        files.append(
            measured_file(
                f"{song}/{song}_Instrumental v3.wav",
                "alternate-mix",
                song=song,
                frames=frames,
                peak_dbfs=0.0 if number else -0.4,
                sound_changes={
                    "clipping": ClipFacts(
                        full_scale=Runs(
                            count=12, samples=140, longest=41, runs=((1, 700_000, 700_041),)
                        ),
                        flat_tops=Runs(),
                    )
                }
                if number
                else None,
            )
        )
    files[4] = unreadable_file(files[4].path, SONGS[0])
    files[13] = measured_file(
        files[13].path,
        song=SONGS[1],
        format_=audio_format(sample_rate_hz=44_100, bit_depth=16, container_bits=16),
        frames=9_737_280,
        time_reference_samples=None,
    )
    files[18] = measured_file(files[18].path, song=SONGS[2], frames=11_559_360, peak_dbfs=-math.inf)
    return report(
        files,
        _three_song_findings(files),
        verdict="fail",
        songs=[
            SongVerdict(song=SONGS[0], verdict="fail"),
            SongVerdict(song=SONGS[1], verdict="fail"),
            SongVerdict(song=SONGS[2], verdict="warn"),
        ],
        others=[
            entry("Lyrics.pdf", "document", "a document"),
            entry("session.yaml", "sheet", "the session sheet"),
            entry(".DS_Store", "clutter", "made by the system"),
        ],
        sheet=SessionSheet(artist="Lanternfish", title="Tide Tables", delivery=2),
    )


def _three_song_findings(files: Sequence[MeasuredFile]) -> list[Finding]:
    paths = [file.path for file in files]
    stems = [file.path for file in files if file.role == "stem"]
    return [
        finding(
            "unreadable",
            "fail",
            paths[4],
            message="Holds no sound: the data chunk is absent.",
            advice="Export the file again, and check the disk it came from.",
            song=SONGS[0],
        ),
        clipping(paths[15], 12, 41, song=SONGS[1]),
        clipping(paths[7], 1, 3, song=SONGS[0]),
        finding(
            "mixed-formats",
            "fail",
            None,
            files=(paths[13],),
            against=tuple(path for path in paths[8:16] if path != paths[13]),
            message="44.1 kHz, 16-bit among 7 files of 48 kHz, 24-bit.",
            advice="Export at the song's own rate and word length, from the session.",
            song=SONGS[1],
        ),
        *(
            finding(
                "true-peak",
                "warn",
                paths[index],
                message=f"True peak {peak} dBTP (long filter); at most 0.0 dBTP allowed.",
                advice="Lower the mix by 1 dB before it is printed, or leave it to mastering.",
                found=float(peak),
                required=0.0,
                unit="dBTP",
            )
            for index, peak in ((6, "+0.1"), (14, "+0.1"), (22, "+0.1"))
        ),
        finding(
            "silent-file",
            "warn",
            paths[18],
            message="Silent from start to end (digital silence).",
            advice="Leave it out, or print it again if it should sound.",
            found=-math.inf,
            required=-80.0,
            unit="dBFS",
        ),
        finding(
            "clipping",
            "fail",
            paths[23],
            message="5 runs at full scale, the longest 9 samples; at most 2 allowed.",
            advice="Export again lower.",
            waived_by="RK",
            waiver_reason="The clipped bus is the sound of the song; approved by the band",
            start_sample=2_400_000,
            end_sample=2_400_009,
            channel=2,
        ),
        finding(
            "tail-silence",
            "warn",
            paths[22],
            message="4.2 s under -70 dBFS at the end; at most 2.0 s allowed.",
            waived_by="RK",
            waiver_reason="The gap before the hidden count-off is wanted",
            start_sample=11_300_000,
            end_sample=11_559_360,
        ),
        finding(
            "dual-mono",
            "warn",
            paths[17],
            message="Left and right carry the same samples.",
            waived_by="MB",
            waiver_reason="Kept stereo so that every stem pans alike",
        ),
        *(
            finding(
                "tail-silence",
                "note",
                path,
                message="3.0 s under -70 dBFS at the end.",
                advice="Nothing must be done.",
            )
            for path in stems[:11]
        ),
        finding(
            "clutter",
            "note",
            ".DS_Store",
            message="Made by the system; it does not travel.",
            advice="Nothing must be done.",
        ),
    ]


def hostile() -> Report:
    """Names that try to break out of text, page and JSON, each with a finding and a waiver."""
    files = [measured_file(name, "track", frames=480_000) for name in HOSTILE_NAMES]
    findings = [
        *(clipping(name, 2, 5, message=f"{name}: clipped in {name}.") for name in HOSTILE_NAMES),
        *(
            finding(
                "dc-offset",
                "warn",
                name,
                message=f"{name} stands off",
                advice=f"Look at {name}",
                waived_by="<i>",
                waiver_reason=f"see {name}",
            )
            for name in HOSTILE_NAMES
        ),
    ]
    return report(files, findings, verdict="fail", notes=HOSTILE_NAMES)


def small() -> Report:
    """Two stems and a mix, one warning, one waiver: small enough to read as a golden file."""
    files = [
        measured_file("Mix.wav", "mix", frames=1_920_000, peak_dbfs=-0.2),
        measured_file("Stems/Drums.wav", frames=1_920_000, peak_dbfs=-4.0),
        measured_file(
            "Stems/Voice.wav", frames=1_920_000, peak_dbfs=-7.5, format_=audio_format(channels=1)
        ),
    ]
    return report(
        files,
        [
            finding(
                "true-peak",
                "warn",
                "Mix.wav",
                message="True peak +0.1 dBTP (long filter); at most 0.0 dBTP allowed.",
                advice="Lower the mix by 1 dB, or leave it to mastering.",
                found=0.11,
                required=0.0,
                unit="dBTP",
            ),
            clipping(
                "Stems/Drums.wav",
                2,
                5,
                occurrences=None,
                waived_by="RK",
                waiver_reason="Driven on purpose",
            ),
        ],
        verdict="warn",
        others=[entry("Lyrics.pdf", "document", "a document")],
    )


def a_plan() -> Plan:
    """Build a plan with a copy, a conversion and things left out."""
    converted = OutputPlan(
        sources=("Stems/Voice.wav",),
        path="stems/Voice.wav",
        role="stem",
        song="",
        operations=(
            Operation(
                name="convert-rate",
                parameters={"from_hz": 44_100, "to_hz": 48_000},
                reason="the song is at 48 kHz",
                evidence="2 of 3 files",
            ),
            Operation(name="rename", reason="folder by role"),
        ),
        format=audio_format(channels=1),
        frames=1_920_000,
        dropped_chunks=("LGWV",),
    )
    return Plan(
        outputs=(
            OutputPlan(
                sources=("Mix.wav",),
                path="mixes/Mix.wav",
                role="mix",
                song="",
                operations=(Operation(name="copy", reason="meets the spec as it is"),),
                format=audio_format(),
                frames=1_920_000,
            ),
            converted,
        ),
        documents=(DocumentPlan(source="Lyrics.pdf", path="documents/Lyrics.pdf"),),
        left_out=(
            LeftOut(path=".DS_Store", reason="made by the system"),
            LeftOut(path="Talkback.wav", reason="talkback stays in the house"),
        ),
        repairs=(Repair(check="sample-rate", file="Stems/Voice.wav", operation="convert-rate"),),
        start_samples={"": 172_800_000},
        references={
            "": StartReference(
                rate_hz=48_000,
                bar_1_samples=96_000,
                start_samples=172_800_000,
                start_bar="0.1",
                is_on_bar_line=True,
            )
        },
        notes=("Start taken from the time references, which all agree.",),
    )


def delivered() -> Report:
    """Build the small report after a delivery that repaired a wrong rate."""
    wrong = finding(
        "sample-rate",
        "fail",
        "Stems/Voice.wav",
        message="44.1 kHz; the song is at 48 kHz.",
        advice="Export at 48 kHz.",
        repair="convert-rate",
    )
    base = small()
    return dataclasses.replace(
        base,
        findings=(wrong, *base.findings),
        repaired=(wrong,),
        plan=a_plan(),
        package="/deliveries/Lanternfish_D02",
        measured=dataclasses.replace(
            base.measured,
            session=dataclasses.replace(
                base.measured.session,
                sheet=SessionSheet(
                    artist="Lanternfish",
                    title="Tide Tables",
                    engineer="R. Kestrel",
                    contact="desk@lanternfish.example",
                    delivery=2,
                ),
            ),
        ),
    )


def written_files() -> tuple[WrittenFile, ...]:
    """Build the plan's outputs as they were written."""
    readings = (
        SecondReading(meter="pyloudnorm, De Man filters", loudness_lufs=-15.71),
        None,
    )
    return tuple(
        WrittenFile(
            plan=output,
            staged=f"/deliveries/.incoming-1/data/{output.path}",
            sha256=digest(output.path),
            sha512="0" * 128,
            size_bytes=2_880_044,
            before=(),
            after=measured_file(output.path, format_=output.format, frames=1_920_000).facts,
            second_reading=reading,
        )
        for output, reading in zip(a_plan().outputs, readings, strict=True)
    )


PREDECESSOR = Predecessor(name="Lanternfish_D01", number=1, tag_manifest_sha256=digest("old"))
COMMANDS = (
    ("Linux", "sha256sum --check --quiet manifest-sha256.txt"),
    ("macOS", "shasum -a 256 -c manifest-sha256.txt"),
    ("Windows", "certutil -hashfile data\\mixes\\Mix.wav SHA256 " + "x" * 60),
)


def verifications() -> tuple[Verification, ...]:
    """One whole package, one damaged, one that did not arrive in full."""
    whole = Verification(
        package="/archive/Lanternfish_D01",
        is_whole=True,
        is_complete=True,
        files=31,
        size_bytes=1_840_000_000,
        tag_manifest_sha256=digest("seal"),
    )
    damage = Damage(
        path="data/stems/<b>\u202eDrums.wav",
        kind="audio-changed",
        message="3 samples differ from 0:14.220 on.",
    )
    missing = Damage(path="data/Mix.wav", kind="missing", message="Listed and not there.")
    return (
        whole,
        dataclasses.replace(
            whole, package="/archive/Lanternfish_D02", is_whole=False, damages=(damage, missing)
        ),
        dataclasses.replace(
            whole,
            package="/archive/" + "d" * 120,
            is_whole=False,
            is_complete=False,
            tag_manifest_sha256=None,
        ),
    )
