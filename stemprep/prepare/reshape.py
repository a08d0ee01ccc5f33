"""What happens to one file by itself: channels joined, split or folded, an offset taken out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

from stemprep.checks.channel_count import ChannelCountRule
from stemprep.checks.dc_offset import DcOffsetRule
from stemprep.checks.dual_mono import DualMonoRule
from stemprep.checks.wrong_rate_label import ID as WRONG_RATE_LABEL
from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.plan import Operation, Parameter
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredFile
from stemprep.model.sheet import WorkOrder
from stemprep.model.words import OperationName
from stemprep.prepare.draft import (
    ADDING_ROLES,
    Draft,
    open_draft,
    sound_of,
    with_operation,
    with_step,
)
from stemprep.units import db_from_ratio

_NO_ORDER = WorkOrder()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wishes:
    """What spec, sheet and findings say about single files.

    faults: (check, path) of every finding that counts and that an operation could cure.
    doubted_rates: files whose label may state another rate than their sound has.
    """

    spec: DeliverySpec
    faults: frozenset[tuple[str, str]]
    doubted_rates: frozenset[str] = frozenset()

    def is_allowed(self, operation: OperationName) -> bool:
        """Tell whether the spec lets the operation be planned without an order."""
        return operation in self.spec.operations.allowed

    def is_wanted(self, operation: OperationName, check: str, file: MeasuredFile) -> bool:
        """Tell whether an allowed repair has something to repair."""
        return self.is_allowed(operation) and (check, file.path) in self.faults


def wishes_of(spec: DeliverySpec, findings: Sequence[Finding]) -> Wishes:
    """Gather them; a waived finding is wanted as it is, so nothing repairs it."""
    faults = {
        (finding.check, path)
        for finding in findings
        if finding.counts and finding.repair is not None
        for path in files_of(finding)
    }
    doubted = (finding for finding in findings if finding.check == WRONG_RATE_LABEL)
    return Wishes(
        spec=spec,
        faults=frozenset(faults),
        doubted_rates=frozenset(
            path for finding in doubted if finding.counts for path in files_of(finding)
        ),
    )


def files_of(finding: Finding) -> tuple[str, ...]:
    """Every path at fault."""
    alone = () if finding.file is None else (finding.file,)
    return finding.files or alone


def order_of(file: MeasuredFile) -> WorkOrder:
    """Find what a person ordered for the file by name."""
    return _NO_ORDER if file.source.note is None else file.source.note.order


def adds_up(file: MeasuredFile, song: Sequence[MeasuredFile]) -> bool:
    """Tell whether the file must still add up with others: a stem beside a mix, or such a mix."""
    roles = {other.role for other in song}
    return (
        file.role in ADDING_ROLES
        and "stem" in roles
        and not roles.isdisjoint({"mix", "alternate-mix"})
    )


def open_drafts(
    files: Sequence[MeasuredFile], set_facts: SetFacts, wishes: Wishes
) -> tuple[list[Draft], list[str]]:
    """Drafts of a song's editable files, joined, split, folded and freed of offsets."""
    notes: list[str] = []
    drafts = _joined(files, set_facts, wishes)
    split = [part for draft in drafts for part in _split(draft, wishes)]
    folded = [_folded(draft, files, wishes, notes) for draft in split]
    return [_without_dc(draft, files, wishes, notes) for draft in folded], notes


def _joined(files: Sequence[MeasuredFile], set_facts: SetFacts, wishes: Wishes) -> list[Draft]:
    by_path = {file.path: file for file in files}
    halves: dict[str, tuple[str, str]] = {}
    for pair in set_facts.pairs:
        if set(pair) <= by_path.keys() and _is_to_join([by_path[path] for path in pair], wishes):
            halves |= dict.fromkeys(pair, pair)
    drafts = []
    for file in files:
        pair_of_file = halves.get(file.path)
        if pair_of_file is None:
            drafts.append(open_draft(file))
        elif file.path == min(pair_of_file, key=list(by_path).index):
            drafts.append(_pair(*(by_path[path] for path in pair_of_file)))
    return drafts


def _is_to_join(pair: Sequence[MeasuredFile], wishes: Wishes) -> bool:
    """Tell whether the pair is allowed or ordered to become one, and fits together exactly."""
    is_ordered = any(f.source.note is not None and f.source.note.pair_of for f in pair)
    left, right = (open_draft(file) for file in pair)
    return (
        (is_ordered or wishes.is_allowed("join"))
        and left.form == right.form
        and left.form.channels == 1
        and left.frames == right.frames
        and left.start_samples == right.start_samples
        and left.role == right.role
    )


def _pair(left: MeasuredFile, right: MeasuredFile) -> Draft:
    one, other = open_draft(left), open_draft(right)
    both = replace(
        one,
        sources=(left, right),
        leading=min(one.leading, other.leading),
        trailing=min(one.trailing, other.trailing),
        peak_dbfs=max(one.peak_dbfs, other.peak_dbfs),
    )
    return with_step(
        both,
        "join",
        form=replace(one.form, channels=2, channel_mask=None),
        reason=f"{left.path} and {right.path} are left and right of one track",
        evidence="same format, length and time reference; "
        + ("ordered in the session sheet" if _is_pair_ordered(left, right) else "by name"),
    )


def _is_pair_ordered(*pair: MeasuredFile) -> bool:
    return any(file.source.note is not None and file.source.note.pair_of for file in pair)


def _split(draft: Draft, wishes: Wishes) -> Iterator[Draft]:
    """One draft a channel where the spec takes no file of so many channels."""
    rule = wishes.spec.rule("channel-count", draft.role)
    accepted = rule.accepted if isinstance(rule, ChannelCountRule) else ()
    channels = draft.form.channels
    if not wishes.is_allowed("split") or channels in accepted or 1 not in accepted:
        yield draft
        return
    for channel in range(1, channels + 1):
        part = replace(
            draft, source_channels=(channel,), channel_name=_channel_name(draft.first, channel)
        )
        yield with_step(
            part,
            "split",
            form=replace(draft.form, channels=1, channel_mask=None),
            reason=f"files of {channels} channels are not accepted, mono files are",
            channel=channel,
        )


def _channel_name(file: MeasuredFile, channel: int) -> str:
    ixml = file.facts.header.ixml
    tracks = () if ixml is None else ixml.tracks
    named = (track.name.strip() for track in tracks if track.interleave_index == channel)
    return next((name for name in named if name), f"ch{channel:02d}")


def _folded(draft: Draft, song: Sequence[MeasuredFile], wishes: Wishes, notes: list[str]) -> Draft:
    file = draft.first
    is_ordered = order_of(file).fold_mono
    if not (is_ordered or wishes.is_wanted("fold-mono", "dual-mono", file)):
        return draft
    rule = wishes.spec.rule("dual-mono", draft.role)
    limit_dbfs = rule.max_difference_dbfs if isinstance(rule, DualMonoRule) else -math.inf
    stereo = sound_of(file).stereo
    if draft.form.channels != 2 or stereo is None:
        return _refused(draft, notes, "folded to mono", "it is not a stereo file", is_ordered)
    if adds_up(file, song):
        return _refused(draft, notes, "folded to mono", "it must add up to the mix", is_ordered)
    if not stereo.is_identical and stereo.difference_peak_dbfs > limit_dbfs:
        why = f"its sides differ by {stereo.difference_peak_dbfs:.1f} dBFS"
        return _refused(draft, notes, "folded to mono", why, is_ordered)
    return with_step(
        draft,
        "fold-mono",
        form=replace(draft.form, channels=1, channel_mask=None),
        reason="both sides carry the same sound; the left one is kept",
        evidence="ordered in the session sheet" if is_ordered else "the sides are the same",
        channel=1,
    )


def _without_dc(
    draft: Draft, song: Sequence[MeasuredFile], wishes: Wishes, notes: list[str]
) -> Draft:
    file = draft.first
    is_ordered = any(order_of(source).remove_dc for source in draft.sources)
    is_wanted = any(wishes.is_wanted("remove-dc", "dc-offset", f) for f in draft.sources)
    if not is_ordered and not is_wanted:
        return draft
    if adds_up(file, song):
        return _refused(draft, notes, "freed of its DC offset", "it must add up to the mix", True)
    offsets = _offsets(draft)
    rule = wishes.spec.rule("dc-offset", draft.role)
    limit_dbfs = rule.max_dbfs if isinstance(rule, DcOffsetRule) else -math.inf
    parameters: dict[str, Parameter] = {
        f"offset_{channel}": offset
        if is_ordered or db_from_ratio(abs(offset)) > limit_dbfs
        else 0.0
        for channel, offset in enumerate(offsets, start=1)
    }
    operation = Operation(
        name="remove-dc",
        parameters=parameters,
        reason="a constant offset takes headroom and clicks at every edit",
        evidence="ordered in the session sheet" if is_ordered else "measured over the whole file",
    )
    return with_operation(replace(draft, is_computed=True), operation, draft.form)


def _offsets(draft: Draft) -> list[float]:
    """Offset of each channel as it was measured: where there is sound, silence has no say."""
    offsets = [offset for file in draft.sources for offset in sound_of(file).level.dc_offset]
    if draft.source_channels:
        return [offsets[channel - 1] for channel in draft.source_channels]
    return offsets[: draft.form.channels]


def _refused(draft: Draft, notes: list[str], what: str, why: str, is_noted: bool) -> Draft:
    if is_noted:
        notes.append(f"{draft.first.path} is not {what}: {why}.")
    return draft
