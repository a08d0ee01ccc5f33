from __future__ import annotations

from dataclasses import replace

import pytest

from stemprep.app.check.null_tests import (
    null_test_jobs,
    renamed,
    untested_sums,
    with_null_tests_after,
)
from stemprep.engine import InlineEngine
from stemprep.model.null_test import NullCause
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import SessionSheet, SongNote, TrackNote
from tests.checks.factory import measured_file, null_test, session, silence, sound

TEST = null_test(
    stems=("a.wav", "b.wav"),
    causes=(
        NullCause(
            kind="level",
            file="a.wav",
            gain_db=1.0,
            alternatives=(NullCause(kind="level", file="b.wav", gain_db=-1.0),),
        ),
    ),
)


def files(*more: MeasuredFile) -> list[MeasuredFile]:
    return [
        measured_file("a.wav", role="stem"),
        measured_file("b.wav", role="stem"),
        measured_file("MIX.wav", role="mix", channels=2),
        *more,
    ]


def test_a_mix_and_its_stems_are_one_job_and_the_rest_is_left_out() -> None:
    more = (measured_file("click.wav", role="click"), measured_file("raw.wav"))
    (job,) = null_test_jobs(session(*files(*more)))
    assert (job.mix.path, [stem.path for stem in job.stems]) == ("MIX.wav", ["a.wav", "b.wav"])
    assert job.left_out == (("click.wav", "click"), ("raw.wav", "track"))


@pytest.mark.parametrize(
    ("odd", "obstacle"),
    [
        (measured_file("c.wav", role="stem", rate_hz=44_100), "sample-rate"),
        (measured_file("c.wav", role="stem", is_readable=False), "not-readable"),
        (measured_file("c.wav", role="stem", channels=6), "channels"),
    ],
)
def test_stems_that_cannot_be_summed_give_no_job_and_a_reason(
    odd: MeasuredFile, obstacle: str
) -> None:
    set_ = session(*files(odd))
    assert not null_test_jobs(set_)
    (untested,) = untested_sums(set_)
    assert (untested.reference, untested.odd, untested.obstacle) == (
        "MIX.wav",
        ("c.wav",),
        obstacle,
    )
    assert not untested_sums(session(*files()))


def test_one_stem_or_no_mix_gives_no_job() -> None:
    assert not null_test_jobs(session(*files()[:2]))
    assert not null_test_jobs(session(*files()[1:]))


def test_the_sheet_names_the_mix() -> None:
    told = SessionSheet(songs=(SongNote(title="Dawn", reference_mix="print 4.wav"),))
    named = [replace(file, source=replace(file.source, song="Dawn")) for file in files()]
    print_4 = measured_file("print 4.wav", role="alternate-mix", song="Dawn")
    (job,) = null_test_jobs(session(*named, print_4, sheet=told))
    assert job.mix.path == "print 4.wav"


@pytest.mark.parametrize(
    ("names", "tested"),
    [
        (("Dawn MIX v3.wav", "Dawn MIX v4.wav"), ["Dawn MIX v4.wav"]),
        (("Dawn MIX v9.wav", "Dawn MIX v10.wav"), ["Dawn MIX v10.wav"]),
        (("Dawn MIX.wav", "Dawn MIX 2.wav"), ["Dawn MIX 2.wav"]),
        (("Dawn_MIX_rev1.2.wav", "Dawn_MIX_rev1.10.aif"), ["Dawn_MIX_rev1.10.aif"]),
        (("Dawn MIX 2031-05-02.wav", "Dawn MIX 2031-04-30.wav"), ["Dawn MIX 2031-05-02.wav"]),
        (("Dawn MIX.wav", "Dawn Vocal Up MIX.wav"), ["Dawn MIX.wav", "Dawn Vocal Up MIX.wav"]),
    ],
)
def test_only_the_newest_revision_is_tested(names: tuple[str, ...], tested: list[str]) -> None:
    mixes = [measured_file(name, role="mix") for name in names]
    jobs = null_test_jobs(session(*files()[:2], *mixes))
    assert [job.mix.path for job in jobs] == tested
    left_out = {path for job in jobs for path, role in job.left_out if role == "mix"}
    assert {*names} == {*tested} | left_out


@pytest.mark.parametrize(
    ("revision", "tested"), [(3, "Dawn MIX v3.wav"), (4, "Dawn MIX v4.wav"), (9, "Dawn MIX v4.wav")]
)
def test_the_sheet_states_the_revision(revision: int, tested: str) -> None:
    sheet = SessionSheet(songs=(SongNote(title="", revision=revision),))
    mixes = [measured_file(f"Dawn MIX v{number}.wav", role="mix") for number in (3, 4)]
    (job,) = null_test_jobs(session(*files()[:2], *mixes, sheet=sheet))
    assert job.mix.path == tested


def test_what_the_sheet_leaves_out_is_neither_summed_nor_tested() -> None:
    """An alternate beside the stem it stands for would be heard twice."""
    unused, alternate = (TrackNote(pattern="*", use=use) for use in ("unused", "alternate"))
    more = (
        measured_file("b2.wav", role="stem", note=alternate),
        measured_file("c.wav", role="stem", note=unused),
        measured_file("MIX 2.wav", role="mix", note=unused),
    )
    (job,) = null_test_jobs(session(*files(*more)))
    assert (job.mix.path, [stem.path for stem in job.stems]) == ("MIX.wav", ["a.wav", "b.wav"])


def test_a_padded_word_counts_by_the_bits_in_use() -> None:
    quiet = measured_file("c.wav", sound(effective_bit_depth=16), role="stem")
    simple = measured_file("d.wav", sound(effective_bit_depth=3), role="stem")
    silent = measured_file("e.wav", silence(), role="stem")
    (job,) = null_test_jobs(session(*files(quiet, simple, silent)))
    assert [stem.word_bits for stem in job.stems] == [24, 24, 16, 16, 24]


def test_files_that_kept_their_samples_keep_their_test_under_new_names() -> None:
    before = replace(session(*files()), null_tests=(TEST,))
    written = session(
        *(
            replace(file, source=measured_file(f"out/{file.path}", role=file.role).source)
            for file in before.files
        )
    )
    sources = {file.path: file.path.removeprefix("out/") for file in written.files}
    after = with_null_tests_after(written, before, sources, InlineEngine())
    (test,) = after.null_tests
    assert (test.reference, test.stems) == ("out/MIX.wav", ("out/a.wav", "out/b.wav"))
    assert test.causes[0].file == "out/a.wav"
    assert test.causes[0].alternatives[0].file == "out/b.wav"


def test_names_that_are_not_told_stay() -> None:
    assert renamed(TEST, {}) == TEST
