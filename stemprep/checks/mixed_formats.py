"""Files of one song that differ in sample rate, word length or container.

One session has one rate. An odd file plays at the wrong speed or is converted on import without a
word; an odd word length tells of an export that was made differently from the rest.

Measured: rate, word (integer and float apart) and container of each file against what most files
of its song have; the minority is named, never the whole set. Of equally many the higher rate and
the longer word are the measure, since nothing is lost on the way up.
Limit: none may differ (common practice, no source). Lower than the spec's ceiling: a container
alone is a note, and RF64 or BW64 beside WAV is nothing; click, talkback, guides and rough mixes
get a note at most.
Passes: 24 files of 48 kHz and 24 bit, one of them RF64.
Fails: 23 files at 48 kHz and one at 44.1 kHz.
To do: export the odd file again from the session; where the spec allows it, deliver brings it to
the song's rate and word.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass

from stemprep.checks.heard import Heard, ceiling_in_set, measure_givers, word_of
from stemprep.checks.nature import Nature
from stemprep.checks.song import Song, majority
from stemprep.checks.tell import about_files, rate_name, severity_under
from stemprep.model.finding import Finding
from stemprep.model.header import WAV_FAMILY
from stemprep.model.rule import RuleTable
from stemprep.model.words import OperationName, Severity

ID = "mixed-formats"
NATURE = Nature(
    scope="song",
    heading="Another format than the rest",
    files_are="in another format",
    concern="form",
)


@dataclass(frozen=True, slots=True)
class _Oddity:
    """What is odd about a file, in words; empty where it is as the rest."""

    rate: str = ""
    word: str = ""
    container: str = ""


@dataclass(frozen=True, slots=True)
class _Common:
    rate_hz: int
    word: tuple[int, str]
    container: str
    is_tied: bool

    def oddity(self, item: Heard) -> _Oddity:
        rate_hz, word = item.format.sample_rate_hz, word_of(item)
        container = _family(item)
        return _Oddity(
            rate="" if rate_hz == self.rate_hz else rate_name(rate_hz),
            word="" if word == self.word else word[1],
            container="" if container == self.container else container,
        )


def check(song: Song, rules: RuleTable) -> Iterator[Finding]:
    """Yield one finding for all files that are odd in the same way."""
    common = _common(song)
    if common is None:
        return
    odd: dict[tuple[_Oddity, Severity], list[Heard]] = defaultdict(list)
    usual: list[Heard] = []
    for item in song.compared:
        oddity = common.oddity(item)
        ceiling = ceiling_in_set(rules.for_role(item.file.role).severity, item.file.role)
        severity = severity_under(ceiling, "fail" if oddity.rate or oddity.word else "note")
        if oddity == _Oddity():
            usual.append(item)
        elif severity is not None:
            odd[oddity, severity].append(item)
    for (oddity, severity), items in odd.items():
        yield _finding(items, usual, oddity, common, severity)


def _common(song: Song) -> _Common | None:
    givers = measure_givers(song.compared)
    rate = majority(item.format.sample_rate_hz for item in givers)
    word = majority(word_of(item) for item in givers)
    container = majority((0, _family(item)) for item in givers)
    if rate is None or word is None or container is None:
        return None
    return _Common(rate[0], word[0], container[0][1], not (rate[1] and word[1]))


def _family(item: Heard) -> str:
    container = item.format.container
    return "WAV" if container in WAV_FAMILY else container


def _finding(
    items: list[Heard], usual: list[Heard], oddity: _Oddity, common: _Common, severity: Severity
) -> Finding:
    pairs = [
        (oddity.rate, rate_name(common.rate_hz)),
        (oddity.word, common.word[1]),
        (oddity.container, common.container),
    ]
    found = ", ".join(own for own, _ in pairs if own)
    required = ", ".join(theirs for own, theirs in pairs if own)
    is_even = " (as many have either; the higher is taken)" if common.is_tied else ""
    return about_files(
        [item.file for item in items],
        ID,
        severity,
        message=f"{found}, while the song is {required}{is_even}",
        advice="Export the odd file again from the session like the others.",
        against=[item.file for item in usual[:3]],
        found=found,
        required=required,
        unit=_unit(oddity),
        repair=_repair(oddity),
    )


def _unit(oddity: _Oddity) -> str:
    """Name what differs, where it is one thing: another check may tell it already."""
    kinds = [("Hz", oddity.rate), ("bit", oddity.word), ("container", oddity.container)]
    differing = [unit for unit, found in kinds if found]
    return differing[0] if len(differing) == 1 else ""


def _repair(oddity: _Oddity) -> OperationName:
    if oddity.rate:
        return "convert-rate"
    return "convert-word-length" if oddity.word else "rewrap"
