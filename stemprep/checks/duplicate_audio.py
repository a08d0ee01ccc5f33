"""The same sound more than once, under different names.

The wrong track was soloed twice and another one is missing; or a copy was left behind. In the mix
the doubled part is 6 dB louder.

Measured: the hash of the decoded samples (names, headers, containers and rate labels do not
matter). Silent files are no duplicates.
Limit: each sound once in a song (common practice, no source); under one name, but for a word that
calls it a copy or another folder, it is a note at most. An alternate mix that is the same as
a stem is a note at most: the a cappella of a song with one voice is that voice.
Passes: two takes of one part; a doubled guitar played twice.
Fails: `Gtr L.wav` and `Gtr R.wav` with the same samples; a hard link to a file beside it.
To do: look which track the copy should have been and export that one; or take the copy out.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterator, Sequence

from stemprep.checks.nature import Nature
from stemprep.checks.song import Song
from stemprep.checks.tell import about_files, listed, severity_under, worst_ceiling
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile
from stemprep.model.words import Severity
from stemprep.naming import file_name, split_extension

ID = "duplicate-audio"
_WORD = re.compile(r"\d+|[^\W\d_]+")
_COPY_WORDS = frozenset({"copy", "kopie", "copie", "copia", "backup", "bak"})
NATURE = Nature(
    scope="song",
    heading="Same sound twice",
    files_are="there twice",
    concern="together",
)


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for the later copies of each sound."""
    for group in duplicate_groups(song.files):
        stems = [file for file in group if file.role == "stem"]
        mixes = [file for file in group if file.role == "alternate-mix"] if stems else []
        yield from _copies([file for file in group if file not in mixes], rules)
        yield from _copies(mixes, rules)
        yield from _same_as_a_stem(mixes[:1], stems[0], rules) if mixes else ()


def _copies(files: Sequence[MeasuredFile], rules: RuleTable) -> Iterator[Finding]:
    """Yield what is wrong where several files hold one sound; what is unused is the copy."""
    names = {_source_words(file.path) for file in files}
    own: Severity = "note" if len(names) == 1 else "fail"
    severity = severity_under(worst_ceiling(rules, files), own)
    if len(files) < 2 or severity is None:
        return
    first, *copies = sorted(files, key=lambda file: file.source.use == "unused")
    yield about_files(
        copies,
        ID,
        severity,
        message=f"{listed([file.path for file in copies])}: the same samples as {first.path}",
        advice="Look which track this should have been and export it, or take the copy out.",
        against=[first],
        found=len(files),
        required=1,
        unit="files",
    )


def _source_words(path: str) -> frozenset[str]:
    """What a name says of its source, without what calls it a copy."""
    words = _WORD.findall(split_extension(file_name(path))[0].casefold())
    return frozenset(words) - _COPY_WORDS


def _same_as_a_stem(
    mixes: Sequence[MeasuredFile], stem: MeasuredFile, rules: RuleTable
) -> Iterator[Finding]:
    severity = severity_under(worst_ceiling(rules, (*mixes, stem)), "note")
    if severity is not None:
        yield about_files(
            mixes,
            ID,
            severity,
            message=f"the same samples as the stem {stem.path}",
            advice="Nothing to do where that stem is all that this version of the song holds.",
            against=[stem],
            found=2,
            required=1,
            unit="files",
        )


def duplicate_groups(files: Sequence[MeasuredFile]) -> list[list[MeasuredFile]]:
    """Return groups of two and more files with the same samples, silent ones left out."""
    by_hash: dict[str, list[MeasuredFile]] = defaultdict(list)
    for file in files:
        sound = file.facts.sound
        if sound is not None and sound.frames and not sound.silence.is_silent(sound.frames):
            by_hash[sound.audio_sha256].append(file)
    return [group for group in by_hash.values() if len(group) > 1]
