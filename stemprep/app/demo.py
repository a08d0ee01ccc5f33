"""The demo: a faulty session is delivered and verified, and what comes back is reconciled."""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

from stemprep.app.check.inspect import inspect
from stemprep.app.delivery.deliver import deliver, plan
from stemprep.app.demo_folders import write_return, write_session
from stemprep.app.output_files import write_report_file
from stemprep.app.packages.verify import verify
from stemprep.app.returns.reconcile import reconcile
from stemprep.demo import FAULTS, PlantedFault
from stemprep.demo.overdubs import PLAYED_TO, RETURN_FAULTS
from stemprep.errors import StemprepError
from stemprep.model.finding import Finding
from stemprep.model.package import Verification
from stemprep.model.plan import Plan
from stemprep.model.reconciliation import Reconciliation
from stemprep.model.report import Report
from stemprep.report import (
    render_html,
    render_plan,
    render_reconciliation,
    render_reconciliation_html,
    render_text,
    render_verification,
    summary_words,
    verdict_sentence,
)

Say = Callable[[str], None]
SPEC = "overdub"
_WIDTH = 80


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """How the demo went.

    returned: None where no package came out that could have been sent.
    missed: planted faults that no finding named; empty when all went as told.
    """

    session: Path
    checked: Report
    planned: Report
    delivered: Report
    proofs: tuple[Verification, ...]
    returned: Reconciliation | None
    missed: tuple[PlantedFault, ...]

    @property
    def ran_as_planned(self) -> bool:
        """True when every planted fault was found and the package is proved whole."""
        is_proved = bool(self.proofs) and all(p.is_whole and p.is_complete for p in self.proofs)
        return not self.missed and self.returned is not None and is_proved


def run_demo(into: Path, say: Say, called: str = "stemprep") -> Story:
    """Tell the whole story in ``into``, which must not exist or be empty.

    called: how the reader calls stemprep, for the commands to try next.
    Raises DeliveryError where it cannot be written.
    """
    long: list[str] = []
    write = long.append
    say(f"Making a session with {len(FAULTS)} planted faults, checking it ...")
    session = write_session(into)
    write(_filled(f"1. A session was made in {session}, with {len(FAULTS)} faults planted in it:"))
    _show_planted(FAULTS, write)
    write(f"\n2. stemprep check, against the spec '{SPEC}':\n")
    checked = inspect(session, SPEC, closeups="heard")
    write(_indented(render_text(checked, width=_WIDTH - 6)))
    write_report_file(into / "check-report.html", render_html(checked))
    missed = missed_faults(checked.findings)
    _say_planted("Planted:", FAULTS, say)
    _say_line(
        f"Found: {len(FAULTS) - len(missed)} of {len(FAULTS)}. {verdict_sentence(checked)}", say
    )
    write("\n3. stemprep plan: what a delivery will do\n")
    planned = plan(session, SPEC)
    assert planned.plan is not None
    _show_plan(planned.plan, into / "plan.txt", write)
    write("\n4. stemprep deliver\n")
    delivered = deliver(session, SPEC, [into / "delivered"])
    write(_indented("\n".join(render_text(delivered, width=_WIDTH - 6).splitlines()[:3])))
    package = None if delivered.package is None else into / "delivered" / _name(delivered.package)
    proofs = () if package is None else tuple(verify([package]))
    write("\n5. stemprep verify\n")
    write(_indented(render_verification(proofs, width=_WIDTH - 6)))
    if package is not None:
        is_whole = all(proof.is_whole and proof.is_complete for proof in proofs)
        say(f"Delivered and read back, {'whole' if is_whole else 'NOT whole'}:\n  {package}")
    returned = None if package is None else _show_return(into, package, write)
    if returned is not None:
        _say_planted("What an invented overdub room did to what it sent back:", RETURN_FAULTS, say)
        _say_line(f"Told: {summary_words(returned.returned)}", say)
    write_report_file(into / "story.txt", "\n".join(long) + "\n")
    say("Look at and listen to it (floor tom clipped: level down first), or read it all:")
    say(f"  {into / 'check-report.html'}\n  {into / 'story.txt'}")
    say(f'On your own folder: {called} check "My Session" --html report.html')
    return Story(
        session=session,
        checked=checked,
        planned=planned,
        delivered=delivered,
        proofs=proofs,
        returned=returned,
        missed=(
            *missed_faults(checked.findings),
            *missed_faults(() if returned is None else returned.findings, RETURN_FAULTS),
        ),
    )


def _show_return(into: Path, package: Path, say: Say) -> Reconciliation:
    """The other room records, sends back, and its folder is held against the package."""
    folder = write_return(into, package)
    say(
        _filled(
            f"\n6. An overdub room (invented, like all of this) imported the package, recorded to "
            f"{PLAYED_TO} and sent {folder} back. What it did there:"
        )
    )
    _show_planted(RETURN_FAULTS, say)
    say(f"\n7. stemprep reconcile: what of '{folder.name}' is what, and where the new takes go\n")
    returned = reconcile(folder, package)
    say(_indented(render_reconciliation(returned, width=_WIDTH - 6, is_brief=True)))
    say("\n  With --accept --to DEST it becomes the next delivery: originals from the")
    say("  package, new takes beside them. --move FILE takes a lag out; without an order")
    say("  nothing is moved.")
    write_report_file(into / "reconcile.html", render_reconciliation_html(returned))
    return returned


def _say_planted(heading: str, faults: Iterable[PlantedFault], say: Say) -> None:
    """A line a fault, cut to the screen; the whole is in the story."""
    say(heading)
    for fault in faults:
        line = f"{_name(fault.path)}: {fault.story}"
        say(f"  {textwrap.shorten(line, _WIDTH - 2, placeholder=' ...')}")


def _say_line(text: str, say: Say) -> None:
    say(textwrap.fill(text, width=_WIDTH, subsequent_indent="  "))


def _show_planted(faults: Iterable[PlantedFault], say: Say) -> None:
    for fault in faults:
        text = f"{_name(fault.path)}: {fault.story}"
        say(textwrap.fill(text, width=_WIDTH, initial_indent=" " * 5, subsequent_indent=" " * 7))


def _show_plan(planned: Plan, file: Path, say: Say) -> None:
    """What is decided and the files with more than one step; all of it goes into a file."""
    text = render_plan(planned, width=_WIDTH - 6)
    write_report_file(file, text)
    decided, heading, rest = text.partition("\nFiles of the package\n")
    busy = [each for each in rest.split("\n\n") if "\n    2. " in each]
    text = "\n\n".join([f"{decided}{heading.rstrip()}: those with most to do", *busy])
    say(_indented(text))
    say(f"\n  The other files, and what is made beside them: {file}")


def missed_faults(
    findings: Iterable[Finding], planted: Sequence[PlantedFault] = FAULTS
) -> tuple[PlantedFault, ...]:
    """Planted faults that no finding of the right check names."""
    found = {
        (finding.check, path) for finding in findings for path in (*finding.files, finding.file)
    }
    return tuple(fault for fault in planted if (fault.check, fault.path) not in found)


def _name(path: str) -> str:
    return path.rpartition("/")[2]


def _filled(text: str) -> str:
    """Wrapped to the screen; a path is never broken, so that it can be copied."""
    begun = "\n" * (len(text) - len(text.lstrip("\n")))
    return begun + textwrap.fill(
        text.lstrip(), width=_WIDTH, subsequent_indent="   ",
        break_long_words=False, break_on_hyphens=False,
    )  # fmt: skip


def _indented(text: str) -> str:
    return "\n".join(f"  {line}".rstrip() for line in text.splitlines())


def missed_faults_text(missed: Sequence[PlantedFault]) -> str:
    """What went wrong with the demo, for the error line."""
    return "; ".join(f"{fault.path}: {fault.check} was not found" for fault in missed)


class DemoFailedError(StemprepError):
    """The demo did not run as told: a fault of ours."""
