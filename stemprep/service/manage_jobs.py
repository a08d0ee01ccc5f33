"""Jobs as people and programs read them, have them done again, or give them up."""

from __future__ import annotations

import json
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from stemprep.errors import UsageError
from stemprep.model.strict_json import clean_text
from stemprep.report.escaping import visible
from stemprep.report.figures import plural
from stemprep.service.jobs import RETRIABLE, Job, State, Step
from stemprep.service.store import Store

SCHEMA_VERSION = 1


def jobs_text(jobs: Sequence[Job]) -> str:
    """One line a job, with what there is to say of it below."""
    if not jobs:
        return "No jobs.\n"
    lines = [f"{'Job':>6}  {'State':<10} {'Verdict':<7}  {'Changed (UTC)':<16}  Drop, spec"]
    for job in jobs:
        what = f"{visible(job.name)}, {visible(Path(job.spec).stem)}"
        lines.append(
            f"{job.job:>6}  {job.state:<10} {job.verdict or '-':<7}  "
            f"{_minute(job.changed_s):<16}  {what}"
        )
        if job.reason:
            lines.append(f"{'':>6}  {visible(job.reason)}")
    return "\n".join(lines) + "\n"


def job_text(job: Job, steps: Sequence[Step], results: Sequence[Path]) -> str:
    """Everything that is known of one job."""
    facts = [
        ("Job", str(job.job)),
        ("State", job.state),
        ("Why", job.reason),
        ("Drop", str(job.drop)),
        ("Spec", job.spec),
        ("Holds", f"{plural(job.files, 'file')}, {job.size_bytes:,} bytes"),
        ("Verdict", job.verdict),
        ("Package", f"{job.destination}/{job.package}" if job.package else ""),
        ("Delivery", str(job.number) if job.number else ""),
        ("Archived", job.archived_as.decode("utf-8", "surrogateescape")),
        ("Attempts", f"{job.attempts} that the machine failed" if job.attempts else ""),
        ("Interrupted", f"{job.interruptions} times" if job.interruptions else ""),
        ("Not before", _second(job.not_before_s) if job.state == "waiting" else ""),
        ("Kept", ", ".join(str(path) for path in results)),
    ]
    lines = [f"{label:<12}{visible(value)}" for label, value in facts if value]
    lines += ["", "History (UTC)"]
    lines += [f"  {_second(step.at_s)}  {step.state:<10}  {visible(step.reason)}" for step in steps]
    return "\n".join(line.rstrip() for line in lines) + "\n"


def jobs_json(jobs: Sequence[Job]) -> str:
    """The same as strict JSON; times in ISO 8601, UTC."""
    return _dumped({"schema_version": SCHEMA_VERSION, "jobs": [_job(job) for job in jobs]})


def job_json(job: Job, steps: Sequence[Step], results: Sequence[Path]) -> str:
    """One job with its history as strict JSON."""
    return _dumped(
        {
            "schema_version": SCHEMA_VERSION,
            "job": _job(job),
            "history": [
                {
                    "at": _iso(step.at_s),
                    "state": step.state,
                    "attempts": step.attempts,
                    "reason": clean_text(step.reason),
                }
                for step in steps
            ],
            "results": [clean_text(str(path)) for path in results],
        }
    )


def _job(job: Job) -> dict[str, Any]:
    return {
        "job": job.job,
        "state": job.state,
        "verdict": job.verdict or None,
        "reason": clean_text(job.reason),
        "drop": clean_text(job.name),
        "inbox": clean_text(str(job.inbox)),
        "spec": clean_text(job.spec),
        "files": job.files,
        "size_bytes": job.size_bytes,
        "audio_s": round(job.audio_s, 3),
        "received": _iso(job.received_s),
        "changed": _iso(job.changed_s),
        "not_before": _iso(job.not_before_s) if job.not_before_s else None,
        "attempts": job.attempts,
        "interruptions": job.interruptions,
        "delivery": job.number or None,
        "destination": clean_text(job.destination),
        "package": clean_text(job.package) or None,
        "tag_manifest_sha256": job.tag_sha256 or None,
    }


def _dumped(value: object) -> str:
    return json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _iso(seconds: float) -> str:
    return _moment(seconds).isoformat(timespec="seconds").replace("+00:00", "Z")


def _minute(seconds: float) -> str:
    return _moment(seconds).strftime("%Y-%m-%d %H:%M")


def _second(seconds: float) -> str:
    return _moment(seconds).strftime("%Y-%m-%d %H:%M:%S")


def _moment(seconds: float) -> datetime:
    """The time as a date, also where a clock was far off."""
    return datetime.fromtimestamp(min(max(seconds, 0.0), 253_402_300_799.0), UTC)


_WHY_NOT = {
    "running": "is being worked on; wait until that ends",
    "arriving": "still arrives; it is taken up by itself",
    "published": "is published; the rest follows by itself",
    "delivered": "was delivered; change the drop, and it is delivered anew",
    "changed": "was closed, because its drop has changed; the drop has a newer job",
    "gone": "was closed, because its drop is gone; drop it again",
    "given-up": "was given up already",
}


def found_job(store: Store, number: int) -> Job:
    """The job of a number; UsageError where there is none."""
    job = store.job(number)
    if job is None:
        raise UsageError(f"there is no job {number}; `stemprep jobs` lists them")
    return job


def kept_results(state: Path, number: int) -> list[Path]:
    """What the service keeps of a job: report, receipt, inventory, fault."""
    folder = state / "results" / str(number)
    return sorted(folder.iterdir()) if folder.is_dir() else []


def retry(store: Store, number: int, now_s: float) -> None:
    """Have a job done again now; UsageError where that cannot be."""
    job = found_job(store, number)
    latest = store.latest(job.inbox, job.raw_name, job.spec)
    if latest is not None and latest.job != number:
        raise UsageError(
            f"job {number}: the drop has changed since; job {latest.job} has taken its place"
        )
    is_moved = job.state in RETRIABLE and store.retry(number, now_s)
    if not is_moved:
        raise UsageError(f"job {number} {_why_not(store, number)}")


def retry_all(store: Store, states: Sequence[State], now_s: float) -> tuple[list[int], list[str]]:
    """Have all jobs in these states done again: numbers of those that are, why others are not.

    Raises UsageError for a state whose jobs cannot be done again.
    """
    for state in states:
        if state not in RETRIABLE:
            can = ", ".join(sorted(RETRIABLE))
            raise UsageError(f"jobs that are {state} cannot be done again; those can: {can}")
    numbers, refusals = [], []
    for job in store.jobs(tuple(states)):
        try:
            retry(store, job.job, now_s)
            numbers.append(job.job)
        except UsageError as error:
            refusals.append(str(error))
    return numbers, refusals


def give_up(store: Store, number: int, now_s: float) -> None:
    """Have the service do no more about a job; its drop stays. UsageError where that cannot be."""
    found_job(store, number)
    if not store.give_up(number, now_s):
        raise UsageError(f"job {number} {_why_not(store, number)}")


def _why_not(store: Store, number: int) -> str:
    return _WHY_NOT.get(found_job(store, number).state, "has just changed its state; look again")
