from __future__ import annotations

from stemprep.model.rule import Rule
from tests.checks.factory import findings_of, judged, measured_file, silence, sound


def test_the_later_copy_is_named_and_the_group_is_a_fact() -> None:
    files = [measured_file(path, sound(identity="x")) for path in ("a.wav", "b.wav", "c.wav")]
    judgement = judged(*files, measured_file("d.wav"))
    (finding,) = findings_of(judgement, "duplicate-audio")
    assert (finding.files, finding.against) == (("b.wav", "c.wav"), ("a.wav",))
    assert judgement.set_facts.duplicates == (("a.wav", "b.wav", "c.wav"),)


def test_silent_files_are_no_duplicates() -> None:
    judgement = judged(measured_file("a.wav", silence()), measured_file("b.wav", silence()))
    assert not findings_of(judgement, "duplicate-audio")
    assert judgement.set_facts.duplicates == ()


def test_other_samples_and_other_songs_pass() -> None:
    files = (
        measured_file("a.wav"),
        measured_file("b.wav"),
        measured_file("1/a.wav", sound(identity="x"), song="One"),
        measured_file("2/a.wav", sound(identity="x"), song="Two"),
    )
    assert not findings_of(judged(*files), "duplicate-audio")


def test_an_alternate_mix_that_is_one_stem_is_a_note() -> None:
    """The a cappella of a song with one voice; two alternates that are alike stay a fault."""
    voice = measured_file("Stems/Vox.wav", sound(identity="v"), role="stem")
    acappella = measured_file("A Cappella.wav", sound(identity="v"), role="alternate-mix")
    (note,) = findings_of(judged(voice, acappella), "duplicate-audio")
    assert (note.severity, note.files, note.against) == ("note", (acappella.path,), (voice.path,))
    instrumental = measured_file("Inst.wav", sound(identity="v"), role="alternate-mix")
    found = findings_of(judged(voice, acappella, instrumental), "duplicate-audio")
    assert [(f.severity, f.files) for f in found] == [
        ("warn", (instrumental.path,)), ("note", (acappella.path,)),
    ]  # fmt: skip


def test_two_equal_stems_stay_a_fault_beside_an_alternate() -> None:
    files = [measured_file(f"{n}.wav", sound(identity="v"), role="stem") for n in "ab"]
    mix = measured_file("Inst.wav", sound(identity="v"), role="alternate-mix")
    found = findings_of(judged(*files, mix), "duplicate-audio")
    assert [(f.severity, f.files) for f in found] == [("warn", ("b.wav",)), ("note", ("Inst.wav",))]


def test_a_copy_under_its_own_name_is_a_note_and_another_source_is_not() -> None:
    """Five singers' files with one sound: four recordings are missing."""
    rule = Rule(severity="fail")
    one = sound(identity="one")
    copies = [measured_file(path, one) for path in ("Kick In.wav", "old/Kick In.wav")]
    copies.append(measured_file("Kick In copy.wav", one))
    (finding,) = findings_of(judged(*copies, duplicate_audio=rule), "duplicate-audio")
    assert finding.severity == "note"
    singers = [measured_file(f"Singer {n}.wav", one) for n in range(1, 6)]
    (finding,) = findings_of(judged(*singers, duplicate_audio=rule), "duplicate-audio")
    assert (finding.severity, finding.found) == ("fail", 5)
    snare = [measured_file(path, one) for path in ("Kick In.wav", "Snare Top.wav")]
    (finding,) = findings_of(judged(*snare, duplicate_audio=rule), "duplicate-audio")
    assert finding.severity == "fail"
