"""What was made for a package, in the words of its delivery note."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence

from stemprep.model.package import WrittenFile
from stemprep.model.plan import Companion, Plan
from stemprep.model.words import CompanionKind
from stemprep.report import figures
from stemprep.report.layout import Page

COPIES_WORDS = (
    "for listening only: coding shifts them by some samples, so do not import them. Turn the level "
    "down before you listen, above all on headphones."
)
READ_FIRST: tuple[CompanionKind, ...] = ("track-sheet", "returns")


def made_words(plan: Plan | None) -> dict[str, str]:
    """What each made file is, by its path in the package."""
    return {each.path: each.words for each in (() if plan is None else plan.companions)}


def put_beside(page: Page, plan: Plan | None, written: Sequence[WrittenFile]) -> None:
    """What lies beside the package's sound, what is to be read first at the top."""
    sounds = {file.plan.path for file in written}
    documents = [
        each for each in (() if plan is None else plan.companions) if each.path not in sounds
    ]
    if documents:
        page.head("Beside the files")
    for each in sorted(documents, key=_rank):
        if each.kind != "listening-copies":
            page.put(each.path, "  ", "  ")
            page.put(each.words, "    ")
    copies = [each.path for each in documents if each.kind == "listening-copies"]
    for folder, count in Counter(path.rpartition("/")[0] for path in copies).items():
        page.put(f"{folder}/", "  ", "  ")
        page.put(f"{figures.plural(count, 'MP3')} {COPIES_WORDS}", "    ")


def _rank(companion: Companion) -> tuple[int, bool, str]:
    """Kinds to be read first, of each the page before the table."""
    kind = companion.kind
    place = READ_FIRST.index(kind) if kind in READ_FIRST else len(READ_FIRST)
    return place, not companion.path.endswith(".html"), companion.path
