"""Everything a reader may be told about one drop; rendered as text, JSON and HTML."""

from __future__ import annotations

from dataclasses import dataclass, field

from stemprep.model.closeup import Closeup
from stemprep.model.facts import SetFacts
from stemprep.model.finding import Finding
from stemprep.model.null_test import NullTest, UntestedSum
from stemprep.model.package import Amendment, Receipt
from stemprep.model.plan import Plan
from stemprep.model.session import MeasuredSession
from stemprep.model.since import Since
from stemprep.model.words import Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class SongVerdict:
    """The verdict of one song; title "" where the drop holds one unnamed song."""

    song: str
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True)
class DeliveredFacts:
    """What the written files show when they are measured and judged again; paths in the package."""

    findings: tuple[Finding, ...] = ()
    null_tests: tuple[NullTest, ...] = ()
    untested_sums: tuple[UntestedSum, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Report:
    """The result of checking one drop against one spec.

    findings: worst first, then in path order; waived ones are among them.
    repaired: findings of severity fail that the plan removes; only after a delivery.
    plan:     None for a plain check.
    cured:    findings that a delivery under this spec would remove in its copies, blockers: what
              would stop it though no check is broken; only of a plain check, in words alone.
    package:  where the package lies; None where none was made.
    amendment: what the delivery corrects in the package before it; None: it is a whole drop.
    receipt:  every copy of the package; None where none was made.
    delivered: what the written files show, after a delivery; all other facts are of the drop.
    closeups: the sound around the worst places, for pages alone; empty where none was asked for.
    since:    what became of an earlier report's findings; None where none was named.
    is_package_known: the same package lay there before, byte for byte; none was written.
    """

    stemprep_version: str
    spec_name: str
    spec_title: str
    spec_sha256: str
    measured: MeasuredSession
    set_facts: SetFacts
    findings: tuple[Finding, ...]
    verdict: Verdict
    songs: tuple[SongVerdict, ...]
    repaired: tuple[Finding, ...] = ()
    cured: tuple[Finding, ...] = ()
    blockers: tuple[Finding, ...] = ()
    plan: Plan | None = None
    package: str | None = None
    is_package_known: bool = False
    amendment: Amendment | None = None
    receipt: Receipt | None = None
    delivered: DeliveredFacts | None = None
    notes: tuple[str, ...] = field(default=())
    closeups: tuple[Closeup, ...] = ()
    since: Since | None = None

    @property
    def passed(self) -> bool:
        """True unless an unwaived finding of severity fail stands."""
        return self.verdict != "fail"

    @property
    def waived(self) -> tuple[Finding, ...]:
        """The findings a person has signed for."""
        return tuple(finding for finding in self.findings if not finding.counts)
