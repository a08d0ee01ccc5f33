"""Records in, text out: the report as text, JSON and page, the plan, the delivery note.

Pure functions; the template and style beside them are the only files read. jinja2 is
imported only when a page is made.
"""

from __future__ import annotations

from stemprep.report.note import delivery_note
from stemprep.report.page import render_html
from stemprep.report.plan import render_plan
from stemprep.report.records import plan_json, render_json, report_json
from stemprep.report.report_schema import report_schema
from stemprep.report.text import render_text
from stemprep.report.verification import (
    render_verification,
    render_verification_json,
    verification_json,
)

__all__ = [
    "delivery_note",
    "plan_json",
    "render_html",
    "render_json",
    "render_plan",
    "render_text",
    "render_verification",
    "render_verification_json",
    "report_json",
    "report_schema",
    "verification_json",
]
