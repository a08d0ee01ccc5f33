"""The name does not hold on another computer.

On the receiver's system the file cannot be written, is renamed without a word, or is left out of
a zip: characters that Windows forbids, device names such as AUX, trailing dots and spaces, control
characters, text that is not in the usual Unicode form, paths that are too long.

Measured: the path in the drop, part by part.
Limit: the rules of RFC 8493 (section on interoperability); paths of 255 characters unless the spec
says less.
Passes: `100% wet & loud (v2).wav` (called `100_ wet ...` in the package, for lists of checksums
cannot hold % as it stands), `AUX 1.wav`.
Fails: `AUX.wav`, `Vox: dbl?.wav`, `Bass .wav`.
To do: deliver gives the copy a portable name and writes the old one beside it in the manifest; or
rename the track in the session.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Annotated

from stemprep.checks.nature import Nature
from stemprep.checks.tell import about_file, severity_under
from stemprep.model.definition import Key, Range
from stemprep.model.finding import Finding
from stemprep.model.rule import Rule
from stemprep.model.session import MeasuredFile
from stemprep.naming import MAX_PATH_CHARACTERS, portability_problems

ID = "name"


@dataclass(frozen=True, slots=True, kw_only=True)
class NameRule(Rule):
    """What a name must hold."""

    is_portable: Annotated[bool, Key("names must hold on Windows, macOS and Linux", True)]
    max_path_characters: Annotated[int, Range(20, 4096), Key("of the whole path", 255)]


NATURE = Nature(
    scope="file",
    heading="Name that does not work everywhere",
    files_are="with an unsafe name",
    concern="label",
    rule=NameRule,
)


def check(file: MeasuredFile, rule: NameRule) -> Iterator[Finding]:
    """Yield one finding for all that keeps a path from holding everywhere."""
    severity = severity_under(rule.severity)
    problems = list(portability_problems(file.path)) if rule.is_portable else []
    limit = rule.max_path_characters
    if len(file.path) > limit and (limit < MAX_PATH_CHARACTERS or not rule.is_portable):
        problems.append(f"the path has {len(file.path)} characters, {limit} allowed")
    if not problems or severity is None:
        return
    yield about_file(
        file,
        ID,
        severity,
        message="; ".join(dict.fromkeys(problems)),
        advice="Let deliver give the copy a portable name, or rename the track in the session.",
        found="; ".join(dict.fromkeys(problems)),
        required="a name that holds on Windows, macOS and Linux",
        repair="rename",
    )
