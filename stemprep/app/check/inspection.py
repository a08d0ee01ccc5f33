"""A drop that was measured and judged."""

from __future__ import annotations

from dataclasses import dataclass

from stemprep import __version__
from stemprep.checks import Judgement
from stemprep.model.report import Report
from stemprep.model.rule import DeliverySpec
from stemprep.model.session import MeasuredSession


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """A drop that was measured and judged; a zip's unpacked files live as long as the context."""

    spec: DeliverySpec
    measured: MeasuredSession
    judgement: Judgement

    @property
    def report(self) -> Report:
        """The report of a plain check."""
        return Report(
            stemprep_version=__version__,
            spec_name=self.spec.name,
            spec_title=self.spec.title,
            spec_sha256=self.spec.sha256,
            measured=self.measured,
            set_facts=self.judgement.set_facts,
            findings=self.judgement.findings,
            verdict=self.judgement.verdict,
            songs=self.judgement.songs,
            notes=self.remarks,
        )

    @property
    def remarks(self) -> tuple[str, ...]:
        """What reading spec and sheet left doubtful, with file, line and column."""
        sheet = self.measured.session.sheet
        return self.spec.warnings + (() if sheet is None else sheet.warnings)
