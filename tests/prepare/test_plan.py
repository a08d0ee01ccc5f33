"""What is planned for whole sessions: a mix with stems, a tracking day, an archive."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from stemprep.checks.channel_count import ChannelCountRule
from stemprep.model.header import HeaderFault, Ixml, IxmlTrack
from stemprep.model.rule import RuleTable
from stemprep.model.session import DropEntry
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote, WorkOrder
from stemprep.prepare.plan import joined_name
from tests import signals
from tests.prepare.planning import (
    carried_out,
    finding,
    names_of,
    numbered_spec,
    output_of,
    planned,
    samples_of,
    session,
    sounding,
    spec,
    unreadable,
)
from tests.prepare.rendering import form
from tests.shipped import shipped_rule


def entry(path: str, kind: str, reason: str = "") -> DropEntry:
    return DropEntry(path=path, raw_path=path.encode(), kind=kind, reason=reason)  # type: ignore[arg-type]


def stem_files(**more: object) -> list:  # type: ignore[type-arg]
    stems = [
        sounding(
            f"Song_{name}.wav",
            signals.noise(peak_dbfs=-20, seconds=0.5, channels=2, seed=seed),
            role="stem",
            start=172_800_000,
            **more,  # type: ignore[arg-type]
        )
        for seed, name in enumerate(("BASS", "DRUMS", "VOX"), start=1)
    ]
    mix = sum(samples_of(stem) for stem in stems)
    return [*stems, sounding("Song_MIX.wav", np.asarray(mix), role="mix", start=172_800_000)]


def test_mix_and_stems_for_mastering_are_copied() -> None:
    plan = planned(session(*stem_files()), spec("mastering"))
    assert [out.path for out in plan.outputs] == [
        "mixes/Song_MIX.wav", "stems/Song_BASS.wav", "stems/Song_DRUMS.wav", "stems/Song_VOX.wav",
    ]  # fmt: skip
    assert all(out.is_copy and names_of(out) == ["copy"] for out in plan.outputs)
    assert all(out.bext is None for out in plan.outputs)
    assert plan.start_samples == {"": 172_800_000}
    assert (plan.left_out, plan.documents, plan.blockers, plan.notes) == ((), (), (), ())


def test_overdub_writes_headers_around_the_same_sound() -> None:
    plan = planned(session(*stem_files()), spec("overdub"))
    assert all(names_of(out) == ["copy-audio"] for out in plan.outputs)
    assert all(out.bext is None for out in plan.outputs), "an unchanged bext is carried as it is"


def test_where_no_file_has_a_start_all_are_given_the_same() -> None:
    """Half the files at zero and half without would leave the receiver to guess."""
    plan = planned(session(sounding("Kick.wav"), sounding("Bass.wav")), spec("overdub"))
    assert [out.bext and out.bext.time_reference_samples for out in plan.outputs] == [0, 0]
    assert all(
        out.bext is None
        for out in planned(session(sounding("Kick.wav")), spec("mastering")).outputs
    )


def test_a_gain_for_a_song_of_tracks_alone_is_told_as_not_done() -> None:
    sheet = SessionSheet(songs=(SongNote(title="Song", gain_db=-3.0),))
    plan = planned(session(sounding("Kick.wav", song="Song"), sheet=sheet), spec("overdub"))
    assert any("-3.00 dB" in note and "not done" in note for note in plan.notes)


def test_everything_of_the_drop_is_somewhere() -> None:
    """Talkback, clutter, broken files and unsafe entries are named with a reason."""
    files = [sounding("Kick.wav"), sounding("TB.wav", role="talkback"), unreadable("broken.wav")]
    others = [
        entry("lyrics.txt", "document"),
        entry("session.yaml", "sheet"),
        entry(".DS_Store", "clutter", "written by a file browser"),
        entry("link.wav", "unsafe", "a link out of the drop"),
    ]
    plan = planned(session(*files, others=others), spec("mastering"))
    assert {item.path: item.reason for item in plan.left_out} == {
        "TB.wav": "talkback does not travel in this package",
        "broken.wav": "could not be read",
        ".DS_Store": "written by a file browser",
        "link.wav": "a link out of the drop",
    }
    assert [(item.source, item.path) for item in plan.documents] == [
        ("lyrics.txt", "documents/lyrics.txt"),
        ("session.yaml", "documents/session.yaml"),
    ]


def test_archive_keeps_all_as_dropped_damaged_ones_too() -> None:
    fault = HeaderFault(
        check="truncated", code="c", severity="fail", found="", required="", message="", advice=""
    )
    files = [
        sounding("day 1/Kick?.wav", start=48_000),
        sounding("day 1/cut.wav", start=48_000, faults=(fault,)),
        unreadable("broken.wav"),
        sounding("TB.wav", role="talkback", start=48_000),
    ]
    others = [entry("notes.txt", "document")]
    plan = planned(session(*files, others=others), spec("archive"))
    assert [out.path for out in plan.outputs] == [
        "TB.wav", "broken.wav", "day 1/Kick_.wav", "day 1/cut.wav",
    ]  # fmt: skip
    assert all(out.is_copy for out in plan.outputs)
    assert names_of(output_of(plan, "day 1/Kick?.wav")) == ["copy", "rename"]
    assert [out.path for out in plan.outputs if out.is_damaged] == ["broken.wav", "day 1/cut.wav"]
    assert plan.documents[0].path == "notes.txt"
    assert plan.start_samples == {"": 48_000}


def test_several_songs_get_a_folder_each() -> None:
    files = [
        sounding("One/mix.wav", role="mix", song="One"),
        sounding("Two/mix.wav", role="mix", song="Two"),
        sounding("Two/Bass: dry.wav", song="Two"),
    ]
    plan = planned(session(*files), spec("mastering"))
    assert [out.path for out in plan.outputs] == [
        "One/mixes/mix.wav", "Two/mixes/mix.wav", "Two/tracks/Bass_ dry.wav",
    ]  # fmt: skip
    assert plan.start_samples == {"One": None, "Two": None}


def test_names_never_fall_together() -> None:
    paths = ["Kick.wav", "kick.wav", "Vox/Lead.wav", "Gtr/Lead.wav", "Vox_Lead.wav", "AUX.wav"]
    findings = [
        finding("name-collision", "kick.wav", repair="rename"),
        finding("name", "AUX.wav", repair="rename"),
    ]
    plan = planned(session(*map(sounding, paths)), spec("mastering"), findings=findings)
    given = {out.sources[0]: out.path.removeprefix("tracks/") for out in plan.outputs}
    assert given == {
        "Kick.wav": "Kick.wav",
        "kick.wav": "kick_2.wav",
        "Vox/Lead.wav": "Vox_Lead_2.wav",
        "Gtr/Lead.wav": "Gtr_Lead.wav",
        "Vox_Lead.wav": "Vox_Lead.wav",
        "AUX.wav": "AUX_.wav",
    }
    assert names_of(output_of(plan, "AUX.wav")) == ["copy", "rename"]
    assert output_of(plan, "AUX.wav").is_copy
    assert names_of(output_of(plan, "Kick.wav")) == ["copy"]
    assert {(repair.check, repair.file) for repair in plan.repairs} == {
        ("name-collision", "kick.wav"),
        ("name", "AUX.wav"),
    }


def test_published_names_or_the_own_name_with_the_reason() -> None:
    sheet = SessionSheet(
        artist_initials="NO",
        mixer_initials="KL",
        songs=(SongNote(title="River of Tallow", revision=2),),
    )
    used = replace(
        spec("mastering"),
        naming=replace(
            spec("mastering").naming,
            template="{artist_initials}_{song_title}_{mixer_initials}{revision}_{version}_{rate}{bits}",
            template_roles=("mix", "stem"),
        ),
    )
    files = [
        sounding("River of Tallow_vocal up.wav", role="mix", song="River of Tallow"),
        sounding("Kick.wav", song="River of Tallow"),
    ]
    plan = planned(session(*files, sheet=sheet), used)
    assert [out.path for out in plan.outputs] == [
        "mixes/NO_RiverOfTallow_KL02_VocalUp_48k24.wav",
        "tracks/Kick.wav",
    ]
    silent = planned(session(*files, sheet=replace(sheet, mixer_initials=None)), used)
    assert silent.outputs[0].path == "mixes/River of Tallow_vocal up.wav"
    assert "mixer_initials" in silent.notes[0]
    secret = replace(sheet, is_unreleased=True, working_title="Project Buoy")
    hidden = planned(session(*files, sheet=secret), used)
    assert hidden.outputs[0].path.startswith("mixes/NO_ProjectBuoy_KL02_")


def test_other_containers_become_wav_where_asked() -> None:
    aiff = replace(form(24), container="AIFF")
    files = [sounding("a.aif", file_form=aiff, data_size_bytes=0), sounding("b.wav")]
    kept = planned(session(*files), spec("mastering"))
    assert names_of(output_of(kept, "a.aif")) == ["copy"]
    told = [finding("container", "a.aif", repair="rewrap")]
    plan = planned(session(*files), spec("mastering"), findings=told)
    rewrapped = output_of(plan, "a.aif")
    assert (rewrapped.path, names_of(rewrapped)) == ("tracks/a.wav", ["rewrap"])
    assert rewrapped.format is not None
    assert rewrapped.format.container == "WAV"
    assert [(r.check, r.file, r.operation) for r in plan.repairs] == [
        ("container", "a.aif", "rewrap")
    ]
    assert np.array_equal(carried_out(rewrapped, session(*files)), samples_of(files[0]))


def test_a_wrong_header_is_written_anew_where_allowed() -> None:
    told = [finding("header", "a.wav", repair="copy-audio")]
    plan = planned(session(sounding("a.wav")), spec("mastering"), findings=told)
    assert names_of(plan.outputs[0]) == ["copy-audio"]
    assert [repair.check for repair in plan.repairs] == ["header"]


@pytest.mark.parametrize("is_ordered", [True, False])
def test_pairs_are_joined_only_when_allowed_or_ordered(is_ordered: bool) -> None:
    note = TrackNote(pattern="OH L.wav", pair_of="OH R.wav") if is_ordered else None
    left = sounding("OH L.wav", signals.noise(peak_dbfs=-6, seconds=0.1, seed=1), note=note)
    right = sounding("OH R.wav", signals.noise(peak_dbfs=-6, seconds=0.1, seed=2))
    measured = session(left, sounding("x.wav"), right)
    plan = planned(
        measured, spec("overdub", is_equal_length=False), pairs=[("OH L.wav", "OH R.wav")]
    )
    if not is_ordered:
        assert len(plan.outputs) == 3
        return
    joined = output_of(plan, "OH L.wav", "OH R.wav")
    assert (joined.path, names_of(joined)) == ("tracks/OH.wav", ["join"])
    assert joined.track_names == ("OH L", "OH R")
    expected = np.concatenate([samples_of(left), samples_of(right)])
    assert np.array_equal(carried_out(joined, measured), expected)


def test_a_file_of_many_channels_is_split_by_its_track_names() -> None:
    samples = signals.noise(peak_dbfs=-6, seconds=0.1, channels=3)
    ixml = Ixml(
        tracks=(
            IxmlTrack(interleave_index=1, name="Boom"),
            IxmlTrack(interleave_index=3, name="A/B"),
        )
    )
    measured = session(sounding("poly.wav", samples, ixml=ixml))
    used = spec("overdub", allowed=("split",))
    rules = {
        **used.rules,
        "channel-count": RuleTable(default=shipped_rule(ChannelCountRule, accepted=(1, 2))),
    }
    told = [finding("channel-count", "poly.wav", repair="split")]
    plan = planned(measured, replace(used, rules=rules), findings=told)
    assert [(out.path, out.source_channels, out.track_names) for out in plan.outputs] == [
        ("tracks/poly_A_B.wav", (3,), ("A/B",)),
        ("tracks/poly_Boom.wav", (1,), ("Boom",)),
        ("tracks/poly_ch02.wav", (2,), ("ch02",)),
    ]
    for out in plan.outputs:
        (channel,) = out.source_channels
        expected = samples_of(measured.files[0])[channel - 1 : channel]
        assert np.array_equal(carried_out(out, measured), expected)
    assert [repair.check for repair in plan.repairs] == ["channel-count"]


def test_dual_mono_is_folded_but_never_a_stem_beside_its_mix() -> None:
    dual = np.tile(signals.pluck(peak_dbfs=-6, seconds=0.5), (2, 1))
    told = [finding("dual-mono", path, repair="fold-mono") for path in ("t.wav", "s.wav")]
    track, stem, mix = (
        sounding(path, dual, role=role)  # type: ignore[arg-type]
        for path, role in (("t.wav", "track"), ("s.wav", "stem"), ("m.wav", "mix"))
    )
    used = spec("mastering", allowed=("fold-mono",))
    plan = planned(session(track, stem, mix), used, findings=told)
    assert names_of(output_of(plan, "t.wav")) == ["fold-mono"]
    assert names_of(output_of(plan, "s.wav")) == ["copy"]
    assert [repair.file for repair in plan.repairs] == ["t.wav"]
    assert carried_out(output_of(plan, "t.wav"), session(track)).shape == (1, 24_000)
    alone = planned(session(stem), used, findings=told)
    assert names_of(alone.outputs[0]) == ["fold-mono"], "without a mix nothing has to add up"
    waived = [replace(told[0], waived_by="KL")]
    assert names_of(planned(session(track), used, findings=waived).outputs[0]) == ["copy"]


def test_offset_is_taken_out_of_the_sound_alone() -> None:
    """A file silent for half its length has twice the offset where it sounds."""
    samples = signals.sine(960, peak_dbfs=-20, seconds=2) + 0.02
    samples[:, 48_000:] = 0
    measured = session(sounding("b.wav", samples))
    told = [finding("dc-offset", "b.wav", repair="remove-dc")]
    plan = planned(measured, spec("mastering", allowed=("remove-dc",)), findings=told)
    out = plan.outputs[0]
    assert names_of(out) == ["remove-dc", "convert-word-length"]
    assert out.operations[0].parameters["offset_1"] == pytest.approx(0.02, rel=0.02)
    result = carried_out(out, measured)
    assert not result[:, 48_000:].any()
    assert abs(result[:, :48_000].mean()) < 0.0005
    beside_a_mix = session(*(replace_role(measured.files[0], r) for r in ("stem", "mix")))
    told = [finding("dc-offset", path, repair="remove-dc") for path in ("stem.wav", "mix.wav")]
    refused = planned(beside_a_mix, spec("mastering", allowed=("remove-dc",)), findings=told)
    assert all(out.is_copy for out in refused.outputs)
    assert len(refused.notes) == 2


def replace_role(file, role):  # type: ignore[no-untyped-def]
    source = replace(file.source, role=role, entry=entry(f"{role}.wav", "audio"))
    return replace(file, source=source)


def test_one_ordered_gain_for_all_that_must_add_up() -> None:
    """Stems still add up to the mix; a track of the same song keeps its level."""
    sheet = SessionSheet(songs=(SongNote(title="Song", gain_db=-2.5),))
    measured = session(*stem_files(), sounding("Kick.wav"), sheet=sheet)
    plan = planned(measured, spec("mastering"))
    assert names_of(output_of(plan, "Kick.wav")) == ["copy"]
    paths = ["Song_BASS.wav", "Song_DRUMS.wav", "Song_VOX.wav", "Song_MIX.wav"]
    outputs = [output_of(plan, path) for path in paths]
    for out in outputs:
        assert names_of(out) == ["gain", "convert-word-length"]
        assert out.operations[0].parameters["gain_db"] == -2.5
    results = [carried_out(out, measured) for out in outputs]
    residual = results[0] + results[1] + results[2] - results[3]
    assert np.abs(residual).max() <= 4 * 1.5 * 2.0**-23  # standards.md, section 6


@pytest.mark.parametrize(("found", "is_cured"), [(1.2, True), (2.6, False)])
def test_a_gain_repairs_only_what_it_brings_under_the_limit(found: float, is_cured: bool) -> None:
    sheet = SessionSheet(songs=(SongNote(title="Song", gain_db=-2.5),))
    told = [finding("true-peak", "mix.wav", repair="gain", found=found, required=0.0)]
    measured = session(sounding("mix.wav", role="mix"), sheet=sheet)
    plan = planned(measured, spec("mastering"), findings=told)
    assert bool(plan.repairs) == is_cured


def test_a_gain_for_one_stem_alone_is_refused() -> None:
    files = stem_files()
    note = TrackNote(pattern="Song_BASS.wav", order=WorkOrder(gain_db=3.0))
    files[0] = replace(files[0], source=replace(files[0].source, note=note))
    plan = planned(session(*files), spec("mastering"))
    assert all(out.is_copy for out in plan.outputs)
    assert "Song_BASS.wav keeps its level" in plan.notes[0]


def test_polarity_is_flipped_only_by_order() -> None:
    note = TrackNote(pattern="Snare.wav", order=WorkOrder(invert_polarity=True))
    measured = session(sounding("Snare.wav", note=note))
    plan = planned(measured, spec("mastering"))
    assert names_of(plan.outputs[0]) == ["gain"]
    assert np.array_equal(carried_out(plan.outputs[0], measured), -samples_of(measured.files[0]))


def test_unused_takes_stay_at_home_by_order_of_the_sheet() -> None:
    note = TrackNote(pattern="take 2.wav", use="unused")
    plan = planned(
        session(sounding("take 1.wav"), sounding("take 2.wav", note=note)), spec("mastering")
    )
    assert [item.path for item in plan.left_out] == ["take 2.wav"]
    kept = planned(session(sounding("take 2.wav", note=note)), spec("archive"))
    assert len(kept.outputs) == 1


def test_plan_does_not_depend_on_the_order_of_findings() -> None:
    measured = session(*stem_files())
    told = [finding("name", "Song_BASS.wav", repair="rename"), finding("dual-mono", "Song_VOX.wav")]
    used = spec("overdub")
    assert planned(measured, used, findings=told) == planned(measured, used, findings=told[::-1])


def test_numbers_in_front_where_the_spec_asks() -> None:
    """A file's own number stays, the rest are counted on; a mix has no place in that order."""
    files = [sounding("Kick.wav"), sounding("03 Snare.wav"), sounding("Bass DI.wav", role="di")]
    files += [sounding("Plate.wav", role="effect-return"), sounding("Mix.wav", role="mix")]
    plan = planned(session(*files), numbered_spec())
    assert [out.path for out in plan.outputs] == [
        "effect-returns/06_Plate.wav", "mixes/Mix.wav",
        "tracks/03 Snare.wav", "tracks/04_Kick.wav", "tracks/05_Bass DI.wav",
    ]  # fmt: skip


def test_numbers_follow_the_sheet_and_its_names() -> None:
    notes = (
        TrackNote(pattern="c.wav", name="Kick In"),
        TrackNote(pattern="*.wav", name="Other"),
        TrackNote(pattern="07_a.wav", name="Voice"),
    )
    files = [
        sounding("07_a.wav", note=notes[2]),
        sounding("b.wav", note=notes[1]),
        sounding("c.wav", note=notes[0]),
        sounding("d.wav", note=notes[1]),
        sounding("808.wav"),
    ]
    sheet = SessionSheet(tracks=notes)
    plan = planned(session(*files, sheet=sheet), numbered_spec())
    assert [out.path for out in plan.outputs] == [
        "tracks/07_Voice.wav", "tracks/08_Kick In.wav", "tracks/09_b.wav", "tracks/10_d.wav",
        "tracks/11_808.wav",
    ]  # fmt: skip


def test_as_dropped_keeps_folders_and_makes_them_portable() -> None:
    used = spec("mastering")
    dropped = replace(used, contents=replace(used.contents, layout="as-dropped"))
    files = [sounding("day 1./a:b.wav"), sounding("day 1/Lead.wav"), sounding("day 1/lead.WAV")]
    plan = planned(session(*files, others=[entry("day 1/plan?.txt", "document")]), dropped)
    assert [out.path for out in plan.outputs] == [
        "day 1/Lead.wav", "day 1/a_b.wav", "day 1/lead_2.WAV",
    ]  # fmt: skip
    assert plan.documents[0].path == "day 1/plan_.txt"


@pytest.mark.parametrize(
    ("left", "right", "joined"),
    [
        ("OH L", "OH R", "OH"),
        ("09_OH L", "10_OH R", "09_OH"),
        ("OH_L_dry", "OH_R_dry", "OH_dry"),
        ("Piano.left", "Piano.right", "Piano"),
        ("Room (L)", "Room (R)", "Room"),
        ("L", "R", "L"),
    ],
)
def test_name_of_a_joined_pair(left: str, right: str, joined: str) -> None:
    assert joined_name(left, right) == joined


def test_dropped_files_give_way_to_our_own_records() -> None:
    names = ["manifest.json", "Report/QC-report.txt", "delivery-note.txt", "notes.txt"]
    others = [entry(name, "document") for name in names]
    plan = planned(session(sounding("report"), sounding("x.wav"), others=others), spec("archive"))
    assert [out.path for out in plan.outputs] == ["report_2", "x.wav"]
    assert [item.path for item in plan.documents] == [
        "Report/QC-report_2.txt", "delivery-note_2.txt", "manifest_2.json", "notes.txt",
    ]  # fmt: skip
