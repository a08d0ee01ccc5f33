"""What verifying packages has shown, as text and JSON."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from stemprep.model.json_document import JsonDocument
from stemprep.model.package import Verification
from stemprep.report import figures
from stemprep.report.layout import Page

MAX_LISTED_DAMAGES = 500
"""More are told as a number: a folder may hold a hundred thousand files that are not ours."""
MAX_NAMED = 3
MAX_COMMANDS = 40
NAMES_WORDS = (
    "In a terminal, line by line in this order (nothing is overwritten or removed), these give the "
    "files their names back:"
)
PROOF_WORDS = (
    "Whole means: every file is, byte for byte, the one that was packed, and none is missing or "
    "added. It does not prove who packed it; for that, compare the seal with the one that the "
    "sender gave you by another way."
)
SEAL_WORDS = (
    "The seal stands for the lists of hashes, not for the files: the lists may be as they were "
    "sent while files differ from them."
)


def render_verification(results: Sequence[Verification], width: int = 80) -> str:
    """All results as text; the first line is the verdict. No line is wider than ``width``."""
    page = Page(width=width)
    page.fact("Verdict", _verdict(results))
    page.fact("To do", _to_do(results))
    for result in results:
        _put_package(page, result)
    page.blank()
    page.put(PROOF_WORDS)
    return page.text()


def is_proved(result: Verification) -> bool:
    """Tell whether the package is there in full and nothing of it differs."""
    return result.is_whole and result.is_complete


def _verdict(results: Sequence[Verification]) -> str:
    if len(results) == 1:
        return results[0].state
    counts = dict.fromkeys(("whole", "damaged", "incomplete"), 0)
    for result in results:
        counts[result.state] += 1
    found = [f"{count} {state}" for state, count in counts.items() if count]
    return f"{', '.join(found)} of {figures.plural(len(results), 'package')}"


def _to_do(results: Sequence[Verification]) -> str:
    if all(is_proved(result) for result in results):
        return "Nothing."
    if any(not result.is_complete for result in results):
        return "Let the transfer finish or copy the package again from another copy, then verify."
    damages = [damage for result in results for damage in result.damages]
    if all(damage.kind == "extra" for damage in damages):
        return "Move what was not delivered to a place outside the package, then verify again."
    if all(damage.cause in ("renamed", "swapped") for damage in damages):
        return "Give the files named below their names back, then verify again; nothing is lost."
    return (
        "Keep everything as it is; fetch the files named below from another copy of the package, "
        "then verify again."
    )


def _put_package(page: Page, result: Verification) -> None:
    page.head(result.package)
    page.fact("State", result.state, indent=2)
    page.fact(
        "Held",
        f"{figures.plural(result.files, 'file')}, {figures.size(result.size_bytes)} with the "
        "lists of checksums",
        indent=2,
    )
    _put_seal(page, result)
    for damage in result.damages[:MAX_LISTED_DAMAGES]:
        page.put(f"{damage.path}: {damage.message}", "  - ", "    ")
    more = result.all_damages - MAX_LISTED_DAMAGES
    if more > 0:
        page.put(f"and {more:,} more: see the JSON report", "  - ")
    put_additions(page, result)
    put_commands(page, NAMES_WORDS, result.commands)


def put_additions(page: Page, result: Verification) -> None:
    """Tell what other systems did to the folder that is no damage."""
    if result.system_files:
        count = figures.plural(len(result.system_files), "file")
        more = " and more" if len(result.system_files) > MAX_NAMED else ""
        page.put(
            f"{count} added by another system (by the name; not opened), no part of the package "
            f"and no damage, though other tools may object: "
            f"{', '.join(result.system_files[:MAX_NAMED])}{more}",
            "  ",
        )
    if result.other_forms:
        count = figures.plural(len(result.other_forms), "name")
        first = result.other_forms[0][0]
        page.put(
            f"{count} came back from this disk in another Unicode form, such as {first}: the same "
            "letters, the same files, no damage",
            "  ",
        )


def put_commands(page: Page, words: str, commands: Sequence[str]) -> None:
    """Put lines of a shell to be copied, each on one line of its own."""
    if not commands:
        return
    page.put(words, "  ")
    for line in commands[:MAX_COMMANDS]:
        page.command(line)
    if len(commands) > MAX_COMMANDS:
        page.put(f"and {len(commands) - MAX_COMMANDS:,} more lines: see the JSON report", "  ")


def _put_seal(page: Page, result: Verification) -> None:
    """Put the checksum on one line of its own: it is there to be copied and compared."""
    if result.tag_manifest_sha256:
        page.fact("Seal", "sha256 of tagmanifest-sha256.txt:", indent=2)
        page.command(result.tag_manifest_sha256)
        if not is_proved(result):
            page.put(SEAL_WORDS, " " * 4)
    else:
        page.fact("Seal", "none: the tag manifest is absent", indent=2)


@dataclass(frozen=True, slots=True, kw_only=True)
class _Verified:
    is_proved: bool
    packages: tuple[Verification, ...]


_DOCUMENT = JsonDocument(
    kind="verification", record=_Verified, title="stemprep verification of packages"
)


def render_verification_json(results: Sequence[Verification]) -> str:
    """Write the results as strict JSON text."""
    return _DOCUMENT.text(
        _Verified(is_proved=all(map(is_proved, results)), packages=tuple(results))
    )
