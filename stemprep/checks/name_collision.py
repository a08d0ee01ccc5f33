"""Two files whose names become one on the receiver's disk.

`Kick.wav` and `kick.wav` are one file on most disks, `Lead.aif` meets `Lead.wav` once it is
converted, and whichever is written last wins: without a word, and for good.

Measured: the names of all audio in the drop against each other, without letter case, Unicode form
and extension; and more loosely, with spaces and signs (folders too) taken for underscores, as many
systems do; dots and hyphens part two names.
Limit: no two alike; RFC 8493 (section on interoperability). A collision of the loose kind is
reported as a warning at most. A listening reference may share its name with the mix it was made
from.
Passes: `Gtr 1.wav` and `Gtr 2.wav`; `Song A/Kick.wav` and `Song B/Kick.wav`.
Fails: `Kick.wav` and `KICK.WAV`; loosely: `Gtr #1.wav` and `Gtr_1.wav`.
To do: deliver gives each its own name and maps old to new in the manifest; or rename one of them.
"""

from __future__ import annotations

import re
import unicodedata
from collections import defaultdict
from collections.abc import Callable, Iterable, Iterator, Sequence

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_files, count_of, severity_under, worst_ceiling
from stemprep.model.finding import Finding
from stemprep.model.rule import RuleTable
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import Severity
from stemprep.naming import collision_key, portable_path

ID = "name-collision"
NATURE = Nature(
    scope="set",
    heading="Names that collide",
    files_are="with colliding names",
    concern="label",
    is_waivable=False,
)
_NO_WORD = re.compile(r"[^\w.\-]+|_+")  # dots and hyphens survive every clean-up of names


def check(measured: MeasuredSession, rules: RuleTable) -> Iterator[Finding]:
    """Yield a finding for each group of names that fall together."""
    strict = {file.path for group in _groups(measured.files, _strict_key) for file in group}
    for group in _groups(measured.files, _strict_key):
        yield from _finding(group, (), rules, "fail")
    for group in _groups(measured.files, _loose_key):
        loose = [file for file in group if file.path not in strict]
        yield from _finding(loose, [f for f in group if f.path in strict], rules, "warn")


def _finding(
    group: Sequence[MeasuredFile],
    against: Sequence[MeasuredFile],
    rules: RuleTable,
    own: Severity,
) -> Iterator[Finding]:
    severity = severity_under(worst_ceiling(rules, group), own)
    if not group or severity is None:
        return
    count = count_of(len(group) + len(against), "name")
    how = (
        "become one on other systems: they differ only in letter case, Unicode form or extension"
        if own == "fail"
        else "are nearly one: they differ only in spaces, signs or folders"
    )
    yield about_files(
        group,
        ID,
        severity,
        message=f"{count} that {how}",
        advice="Let deliver give each its own name, or rename one of them in the session.",
        against=against,
        found=len(group) + len(against),
        required=1,
        unit="files",
        repair="rename",
    )


def _groups(
    files: Iterable[MeasuredFile], key: Callable[[MeasuredFile], str]
) -> list[list[MeasuredFile]]:
    by_key: dict[str, list[MeasuredFile]] = defaultdict(list)
    for file in files:
        by_key[key(file)].append(file)
    return [group for group in by_key.values() if len(group) > 1]


def _strict_key(file: MeasuredFile) -> str:
    """Keep the extension of a listening reference: it is never converted."""
    is_kept = file.role == "listening-reference"
    return collision_key(portable_path(file.path), is_extension_ignored=not is_kept)


def _loose_key(file: MeasuredFile) -> str:
    folded = unicodedata.normalize("NFKC", _strict_key(file)).casefold()
    words = re.sub("_+", "_", _NO_WORD.sub("_", folded)).strip("_")
    return words or folded
