from __future__ import annotations

from dataclasses import fields, replace

from stemprep.app.delivery.contents import UNNAMED, portable_report
from stemprep.model.mic_pairs import ContentLag, MicLag
from stemprep.model.session import MeasuredSession
from tests.report import factory

MIC_LAG = MicLag(
    song="", reference="Snare Top.wav", file="Room.wav", relation="kit", sample_rate_hz=48_000
)
CONTENT_LAG = ContentLag(
    song="", reference="A.wav", file="B.wav", sample_rate_hz=48_000, lag_samples=3, likeness=0.9
)


def test_the_report_that_travels_keeps_every_measurement() -> None:
    report = factory.three_songs()
    measured = replace(report.measured, mic_lags=(MIC_LAG,), content_lags=(CONTENT_LAG,))
    inside = portable_report(replace(report, measured=measured)).measured
    for field in fields(MeasuredSession):
        if field.name not in ("session", "files"):
            assert getattr(inside, field.name) == getattr(measured, field.name), field.name
    assert [file.facts for file in inside.files] == [file.facts for file in measured.files]


def test_the_report_that_travels_does_not_know_where_the_drop_lay() -> None:
    report = factory.three_songs()
    untitled = replace(report.measured.session, sheet=None, root="/media/drop", archive="a.zip")
    inside = portable_report(
        replace(report, measured=replace(report.measured, session=untitled))
    ).measured.session
    assert (inside.name, inside.root, inside.archive) == (UNNAMED, "", None)
    assert all(entry.archive is None for entry in inside.entries)
