"""What every kind of companion has to give, and what it gets to work with."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

from stemprep.app.check.inspection import Inspection
from stemprep.engine import Engine
from stemprep.model.header import RF64_ABOVE_BYTES, AudioFormat
from stemprep.model.package import Predecessor, StagedDocument, WrittenFile
from stemprep.model.plan import Companion, Plan
from stemprep.model.report import Report
from stemprep.naming import distinct_paths, portable_path
from stemprep.package import Staging
from stemprep.prepare.layout import MAX_PAYLOAD_CHARACTERS

Made = WrittenFile | StagedDocument
"""Sound to be measured, listed and verified as any file, with ``made_by_us``; or a document."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Handover:
    """A delivery whose outputs are written and judged, before its reports and manifests.

    written: outputs of the plan, read back and measured again.
    made:    companions made so far, in the order of ``MAKERS``.
    name:    of the package as it may be told inside; number and predecessor of the delivery.
    """

    inspection: Inspection
    planned: Plan
    report: Report
    written: tuple[WrittenFile, ...]
    staging: Staging
    engine: Engine
    name: str
    number: int
    predecessor: Predecessor | None
    made: tuple[Made, ...] = ()

    def with_made(self, more: Iterable[Made]) -> Handover:
        """The same with more companions made."""
        return replace(self, made=(*self.made, *more))


class Maker(Protocol):
    """One kind of companion; a module with these two functions is one."""

    def plan_companions(self, inspection: Inspection, planned: Plan) -> Iterable[Companion]:
        """Say what will be made, before anything is; ``planned`` holds the kinds before it.

        Nothing where it cannot be made; the reason why belongs into the package too, as a note
        of the kind that tells (track sheet, delivery note).
        """
        ...

    def make(self, companions: Sequence[Companion], handover: Handover) -> Iterable[Made]:
        """Make exactly the planned ones; raises DeliveryError."""
        ...


def clear_path(path: str, planned: Plan, taken: Iterable[str] = ()) -> str:
    """The path, made portable, and another where the plan or ``taken`` has it already.

    For a kind whose words name its own files: what is clear at once is not renamed later.
    """
    others = [output.path for output in planned.outputs]
    others += [document.path for document in planned.documents]
    others += [companion.path for companion in planned.companions]
    portable = portable_path(path, max_characters=MAX_PAYLOAD_CHARACTERS)
    return distinct_paths([*others, *taken, portable])[-1]


def song_folder(song: str, planned: Plan) -> str:
    """The folder of a song in the payload with its slash; empty where the package has one song.

    It is the one that the song's files go to, so its name is as portable as theirs.
    """
    if len({output.song for output in planned.outputs}) < 2:
        return ""
    path = next((output.path for output in planned.outputs if output.song == song), "")
    folder, slash, _ = path.partition("/")
    return folder + slash if slash else ""


def form_like_most(forms: Sequence[AudioFormat], channels: int, frames: int) -> AudioFormat:
    """The rate and word length of most files, as WAV, or RF64 where that is too small.

    forms: at least one, all of one rate.
    """
    words = Counter((form.encoding, form.bit_depth, form.container_bits) for form in forms)
    encoding, bit_depth, container_bits = min(words, key=lambda word: (-words[word], word))
    form = AudioFormat(
        container="WAV",
        encoding=encoding,
        sample_rate_hz=forms[0].sample_rate_hz,
        channels=channels,
        bit_depth=bit_depth,
        container_bits=container_bits,
    )
    is_large = frames * form.frame_bytes > RF64_ABOVE_BYTES
    return replace(form, container="RF64") if is_large else form
