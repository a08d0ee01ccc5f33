"""Records in, text out: the report as text, JSON and page, the plan, the delivery note.

Pure functions; the template and style beside them are the only files read. A module is loaded
when one of its functions is asked for, jinja2 only when a page is made.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from stemprep.report.asking import render_asking
    from stemprep.report.brief import render_brief
    from stemprep.report.cards import first_screen, verdict_sentence
    from stemprep.report.comparison import (
        comparison_schema,
        render_comparison,
        render_comparison_json,
    )
    from stemprep.report.glance import tempo_words
    from stemprep.report.note import delivery_note
    from stemprep.report.page import render_html
    from stemprep.report.plan import render_plan
    from stemprep.report.readme import render_readme
    from stemprep.report.receipt import receipt_schema, render_receipt_json
    from stemprep.report.reconciliation import render_reconciliation, summary_words
    from stemprep.report.reconciliation_page import render_reconciliation_html
    from stemprep.report.records import plan_json, render_json, report_json, report_schema
    from stemprep.report.return_record import (
        reconciliation_json,
        reconciliation_schema,
        render_reconciliation_json,
    )
    from stemprep.report.returns import ReturnPage, SongToReturn, returns_csv, returns_html
    from stemprep.report.sessions_page import SessionRow, render_sessions
    from stemprep.report.shelf import (
        render_confirmation,
        render_confirmation_json,
        render_shelf,
        render_shelf_json,
        shelf_schema,
    )
    from stemprep.report.text import render_text
    from stemprep.report.track_sheet import (
        TrackRow,
        TrackSheet,
        track_sheet_csv,
        track_sheet_html,
    )
    from stemprep.report.verification import (
        render_verification,
        render_verification_json,
    )

__all__ = [
    "ReturnPage",
    "SessionRow",
    "SongToReturn",
    "TrackRow",
    "TrackSheet",
    "comparison_schema",
    "delivery_note",
    "first_screen",
    "plan_json",
    "receipt_schema",
    "reconciliation_json",
    "reconciliation_schema",
    "render_asking",
    "render_brief",
    "render_comparison",
    "render_comparison_json",
    "render_confirmation",
    "render_confirmation_json",
    "render_html",
    "render_json",
    "render_plan",
    "render_readme",
    "render_receipt_json",
    "render_reconciliation",
    "render_reconciliation_html",
    "render_reconciliation_json",
    "render_sessions",
    "render_shelf",
    "render_shelf_json",
    "render_text",
    "render_verification",
    "render_verification_json",
    "report_json",
    "report_schema",
    "returns_csv",
    "returns_html",
    "shelf_schema",
    "summary_words",
    "tempo_words",
    "track_sheet_csv",
    "track_sheet_html",
    "verdict_sentence",
]

_HOMES = {
    "ReturnPage": "returns",
    "SessionRow": "sessions_page",
    "SongToReturn": "returns",
    "TrackRow": "track_sheet",
    "TrackSheet": "track_sheet",
    "comparison_schema": "comparison",
    "first_screen": "cards",
    "summary_words": "reconciliation",
    "verdict_sentence": "cards",
    "render_asking": "asking",
    "render_brief": "brief",
    "delivery_note": "note",
    "plan_json": "records",
    "receipt_schema": "receipt",
    "render_receipt_json": "receipt",
    "reconciliation_json": "return_record",
    "reconciliation_schema": "return_record",
    "render_comparison": "comparison",
    "render_comparison_json": "comparison",
    "render_html": "page",
    "render_json": "records",
    "render_plan": "plan",
    "render_readme": "readme",
    "render_reconciliation": "reconciliation",
    "render_reconciliation_html": "reconciliation_page",
    "render_reconciliation_json": "return_record",
    "render_sessions": "sessions_page",
    "render_confirmation": "shelf",
    "render_confirmation_json": "shelf",
    "render_shelf": "shelf",
    "render_shelf_json": "shelf",
    "render_text": "text",
    "render_verification": "verification",
    "render_verification_json": "verification",
    "report_json": "records",
    "report_schema": "records",
    "shelf_schema": "shelf",
    "returns_csv": "returns",
    "returns_html": "returns",
    "tempo_words": "glance",
    "track_sheet_csv": "track_sheet",
    "track_sheet_html": "track_sheet",
}


def __getattr__(name: str) -> Any:
    """Load the module of a public function (PEP 562)."""
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(importlib.import_module(f"{__name__}.{_HOMES[name]}"), name)


def __dir__() -> list[str]:
    """The public functions and records."""
    return list(__all__)
