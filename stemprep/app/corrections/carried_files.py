"""The plan of a merged set: what a package holds already is copied, whatever the spec would do."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import replace

from stemprep.app.corrections.merged_set import MergedSet
from stemprep.checks.mixed_formats import ID as MIXED_FORMATS
from stemprep.checks.null_test import ID as NULL_TEST
from stemprep.checks.start_alignment import ID as START_ALIGNMENT
from stemprep.lineage.added_silence import added_parameters, added_silence
from stemprep.model.finding import Finding
from stemprep.model.plan import Operation, OutputPlan, Plan, Repair
from stemprep.model.session import MeasuredFile, MeasuredSession
from stemprep.model.words import OperationName
from stemprep.naming import (
    distinct_paths,
    file_name,
    listable_path,
    listing_problems,
    split_extension,
)
from stemprep.prepare.order_numbers import OWN_NUMBER
from stemprep.prepare.selection import is_doubtful

_WITHOUT_EFFECT: frozenset[OperationName] = frozenset({"copy", "copy-audio", "rename", "rewrap"})
_BREAKING: Mapping[OperationName, tuple[str, str]] = {
    "place": (START_ALIGNMENT, "begin at the common start"),
    "convert-rate": (MIXED_FORMATS, "have the rate of the rest"),
    "gain": (NULL_TEST, "stay in balance with the rest"),
}
"""What a carried file would need to fit what joins it: the check it would break, and why."""


def with_carried(planned: Plan, measured: MeasuredSession, merged: MergedSet) -> Plan:
    """The plan with every carried file copied to where it lay in its package.

    What replaces one file of the package takes its name there. Where a carried file could not
    stay as it is (what joins the set begins earlier, or has another rate), that is a blocker.
    """
    by_path = {file.path: file for file in measured.files}
    staying = [output for output in planned.outputs if not merged.carried.keys() & output.sources]
    home = {item.path for item in planned.left_out}
    kept = {path: file.path for path, file in merged.carried.items() if path not in home}
    names = distinct_paths([listable_path(path) for path in kept.values()])
    carried = [
        _copied(by_path[path], before, name, merged)
        for (path, before), name in zip(kept.items(), names, strict=True)
    ]
    lost = [
        _kept(output, merged)
        for output in planned.outputs
        if merged.carried.keys() & output.sources
    ]
    staying += [output for outputs in lost for output in outputs]
    staying = _counted_on(staying, carried, merged)
    wanted = [_path_in_package(output, merged) for output in staying]
    paths = distinct_paths([*(output.path for output in carried), *wanted])[len(carried) :]
    named = [replace(output, path=path) for output, path in zip(staying, paths, strict=True)]
    return replace(
        planned,
        outputs=tuple(sorted([*carried, *named], key=lambda output: output.path.encode())),
        repairs=(
            *(item for item in planned.repairs if item.file not in merged.carried),
            *_brought_to_level(named, merged),
        ),
        blockers=(*_without_carried(planned.blockers, merged), *_misfits(planned, merged)),
        notes=(*planned.notes, *_carrying_notes(carried, merged)),
    )


def _brought_to_level(joining: Iterable[OutputPlan], merged: MergedSet) -> Iterator[Repair]:
    """What joins as exported fits the mix only at the level that the rest was brought to before.

    Who is at fault in a sum is not always told from the others, so all of the song are named.
    """
    songs = {
        output.song for output in joining if any(step.name == "gain" for step in output.operations)
    }
    for file in merged.session.files:
        if file.song in songs - _songs_at_another_level(merged):
            yield Repair(check=NULL_TEST, file=file.path, operation="gain")


def _copied(file: MeasuredFile, before: str, path: str, merged: MergedSet) -> OutputPlan:
    """The copy of a carried file; a name that common tools misread in lists gives way here too."""
    reason = f"carried from {merged.package.identity.name}, byte for byte"
    added = added_parameters(added_silence(merged.carried[file.path]))
    return OutputPlan(
        sources=(file.path,),
        path=path,
        role=file.role,
        song=file.source.song,
        operations=(
            Operation(name="copy", parameters=added, reason=reason),
            *_renamed(before, path),
        ),
        format=file.facts.format,
        frames=file.facts.header.frames,
        is_damaged=merged.carried[file.path].is_damaged,
        is_doubtful=is_doubtful(file),
    )


def _renamed(before: str, path: str) -> Iterator[Operation]:
    if before != path:
        yield Operation(
            name="rename",
            parameters={"from": file_name(before), "to": file_name(path)},
            reason="; ".join(listing_problems(before)) or "so that no two files share a name",
        )


def _kept(output: OutputPlan, merged: MergedSet) -> tuple[OutputPlan, ...]:
    """What joins and would be worked on together with a carried file: copied for itself."""
    return tuple(
        replace(
            output,
            sources=(path,),
            source_channels=(),
            operations=(Operation(name="copy", reason="its other side is carried as it is"),),
            bext=None,
            track_names=(),
        )
        for path in output.sources
        if path not in merged.carried
    )


def _counted_on(
    staying: Sequence[OutputPlan], carried: Sequence[OutputPlan], merged: MergedSet
) -> list[OutputPlan]:
    """What is new is numbered after what is carried, whose numbers stay; own numbers stay too."""
    highest: dict[str, int] = {}
    for output in carried:
        number = OWN_NUMBER.match(file_name(output.path))
        if number is not None:
            highest[output.song] = max(highest.get(output.song, 0), int(number[0]))
    counted = {}
    for output in sorted(staying, key=lambda each: file_name(each.path)):
        if output.song in highest and _is_given_a_number(output, merged):
            highest[output.song] += 1
            counted[output.path] = _with_number(output, highest[output.song])
    return [counted.get(output.path, output) for output in staying]


def _is_given_a_number(output: OutputPlan, merged: MergedSet) -> bool:
    joining = merged.joined.get(output.sources[0])
    is_new = joining is not None and not joining.replaces
    own = OWN_NUMBER.match(file_name(output.sources[0]))
    return is_new and own is None and OWN_NUMBER.match(file_name(output.path)) is not None


def _with_number(output: OutputPlan, number: int) -> OutputPlan:
    folder, slash, name = output.path.rpartition("/")
    named = f"{number:02d}{OWN_NUMBER.sub('', name, count=1)}"
    operations = tuple(
        replace(step, parameters={**step.parameters, "to": named})
        if step.name == "rename"
        else step
        for step in output.operations
    )
    return replace(output, path=f"{folder}{slash}{named}", operations=operations)


def _path_in_package(output: OutputPlan, merged: MergedSet) -> str:
    """The name of what it replaces, where it is one file for one; else the planned name."""
    joining = merged.joined.get(output.sources[0])
    if joining is None or len(joining.replaces) != 1 or len(output.sources) != 1:
        return output.path
    return listable_path(split_extension(joining.replaces[0])[0] + split_extension(output.path)[1])


def _without_carried(blockers: Iterable[Finding], merged: MergedSet) -> tuple[Finding, ...]:
    """What no operation may do to a carried file is not done to it."""
    return tuple(item for item in blockers if not merged.carried.keys() & set(item.files))


def _misfits(planned: Plan, merged: MergedSet) -> list[Finding]:
    """One blocker for each way in which carried files no longer fit what joins them."""
    needing: dict[OperationName, list[OutputPlan]] = {}
    changed = _songs_at_another_level(merged)
    for output in planned.outputs:
        if merged.carried.keys() & output.sources:
            for name in dict.fromkeys(step.name for step in output.operations):
                if name != "gain" or output.song in changed:
                    needing.setdefault(name, []).append(output)
    return [
        _misfit(check, why, needing[name], merged)
        for name, (check, why) in _BREAKING.items()
        if name in needing
    ]


def _songs_at_another_level(merged: MergedSet) -> frozenset[str]:
    """Songs that a new sheet orders another gain for than the one that the package was made by."""
    before, after = (
        {song.title: song.gain_db or 0.0 for song in (() if sheet is None else sheet.songs)}
        for sheet in (merged.package.manifest.sheet, merged.session.sheet)
    )
    return frozenset(
        title
        for title in before.keys() | after.keys()
        if before.get(title, 0.0) != after.get(title, 0.0)
    )


def _misfit(check: str, why: str, outputs: Iterable[OutputPlan], merged: MergedSet) -> Finding:
    files = tuple(path for output in outputs for path in output.sources if path in merged.carried)
    before = merged.package.identity.name
    return Finding(
        check=check,
        severity="fail",
        file=files[0],
        files=files,
        against=tuple(merged.joined),
        message=f"{len(files)} file{'s' * (len(files) > 1)} of {before} would have to be changed "
        f"to {why}, but what a correction does not replace stays byte for byte.",
        advice="Export the corrected files with the start, rate and level of the rest, or drop "
        "the whole session again and deliver it with --after.",
    )


def _carrying_notes(carried: Iterable[OutputPlan], merged: MergedSet) -> tuple[str, ...]:
    count = len(list(carried))
    if not count:
        return ()
    before = merged.package.identity
    return (
        f"{count} file{'s' * (count > 1)} carried from {before.name} byte for byte; that package "
        f"was verified first (sha256 of its tagmanifest-sha256.txt: "
        f"{before.tag_manifest_sha256[:16]}...).",
    )
