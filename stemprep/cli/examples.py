"""Three examples for the help page of each command."""

from __future__ import annotations

from collections.abc import Mapping

EXAMPLES: Mapping[str, tuple[str, str, str]] = {
    "demo": (
        "stemprep demo",
        "stemprep demo --into ~/stemprep-demo",
        "stemprep explain late-entry",
    ),
    "check": (
        'stemprep check "Slow Ferry Home"',
        'stemprep check "Slow Ferry Home" --html report.html',
        "stemprep check stems.zip --spec mastering --ask again.txt",
    ),
    "plan": (
        'stemprep plan "Slow Ferry Home" --spec overdub',
        "stemprep plan stems.zip --spec mastering",
        'stemprep plan "Slow Ferry Home" --spec archive --json plan.json',
    ),
    "deliver": (
        'stemprep deliver "Slow Ferry Home" --spec overdub --to /media/outbox',
        "stemprep deliver stems.zip --spec mastering --to out --to /media/b --zip",
        'stemprep deliver fixed --amends Package_01 --reason "too loud" --to out',
    ),
    "verify": (
        "stemprep verify Slow-Ferry-Home_mastering_01",
        "stemprep verify /media/shelf --copy /media/second-shelf",
        "stemprep verify --confirm Slow-Ferry-Home_archive_01 --initials MK",
    ),
    "reconcile": (
        "stemprep reconcile returned --against Slow-Ferry-Home_overdub_01",
        "stemprep reconcile returned --against Package_01 --html reconcile.html",
        "stemprep reconcile returned --against Package_01 --accept --to outbox",
    ),
    "compare": (
        "stemprep compare Package_01 Package_02",
        "stemprep compare Package_01 Package_02 --json -",
        "stemprep compare old/Package_01 outbox/Package_02 --json changes.json",
    ),
    "watch": (
        "stemprep watch --config service.yaml",
        "stemprep watch --config service.yaml --once",
        "stemprep places --config service.yaml --make",
    ),
    "places": (
        "stemprep places --config service.yaml",
        "stemprep places --config service.yaml --make",
        "stemprep places --config service.yaml --renew /media/outbox",
    ),
    "jobs": (
        "stemprep jobs --config service.yaml",
        "stemprep jobs --config service.yaml --state refused",
        "stemprep jobs --config service.yaml retry 12",
    ),
    "health": (
        "stemprep health --config service.yaml",
        "stemprep health --config service.yaml --json",
        "stemprep health --config /etc/stemprep/service.yaml",
    ),
    "specs": (
        "stemprep specs",
        "stemprep specs mastering",
        "stemprep specs overdub > my-spec.yaml",
    ),
    "explain": (
        "stemprep explain",
        "stemprep explain click",
        "stemprep explain null-test",
    ),
}


def epilog(command: str) -> str:
    """The examples as click prints them: a paragraph that is not wrapped."""
    return "\b\nExamples:\n" + "\n".join(f"  {line}" for line in EXAMPLES[command])
