"""Check a whole shelf of packages, log what was found, and hold a second copy against the first."""

from __future__ import annotations

import os
from collections.abc import Callable, Mapping
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from stemprep import __version__
from stemprep.app.elsewhere import lies_there
from stemprep.app.verify import verify_one
from stemprep.engine import Engine, ProcessEngine
from stemprep.errors import DeliveryError, UsageError
from stemprep.model.package import Damage, Verification
from stemprep.model.shelf import CopyCheck, LoggedCheck, ShelfCheck, ShelfEntry
from stemprep.package import LOG_NAME, append_log, is_package, packages_of, read_log
from stemprep.transfer import Address

OnChecked = Callable[[int, int, str], None]


def is_shelf(place: Path | Address) -> bool:
    """Tell a folder of packages from a package."""
    return isinstance(place, Path) and place.is_dir() and not is_package(place)


def check_shelf(
    shelf: Path,
    *,
    second: Path | Address | None = None,
    log: Path | None = None,
    engine: Engine | None = None,
    now: datetime | None = None,
    on_checked: OnChecked | None = None,
) -> ShelfCheck:
    """Verify every package of a shelf, or one package, and append the outcome to the log.

    second: where the second copy lies: a shelf with packages of the same names, or the same
            package. log: None for ``fixity-log.csv`` in the shelf. now: None for the clock's time.
    Raises DeliveryError where there is no package, or a store with the copies does not answer, and
    UsageError for a log inside a package.
    """
    packages = [shelf] if is_package(shelf) else packages_of(shelf)
    if not packages:
        raise DeliveryError(f"{shelf}: holds no package; name a package or a folder of packages")
    place = log or (shelf.parent if is_package(shelf) else shelf) / LOG_NAME
    _refuse_inside(place, packages)
    known = read_log(place)
    moment = _moment(now)
    entries = []
    for number, package in enumerate(packages, start=1):
        name = package.name if package == shelf else str(package.relative_to(shelf))
        entry = ShelfEntry(
            name=name,
            verification=_verified(package, engine or ProcessEngine()),
            last=known.get(name),
        )
        if second is not None:
            copy = second if package == shelf else _below(second, name)
            entry = replace(entry, copy=_copy_check(entry.verification, copy, engine))
        entries.append(entry)
        if on_checked is not None:
            on_checked(number, len(packages), name)
    append_log(place, entries, moment, __version__)
    return ShelfCheck(
        shelf=str(shelf),
        checked_at=moment,
        entries=tuple(entries),
        gone=() if is_package(shelf) else _gone(known, {entry.name for entry in entries}),
        log=str(place),
    )


def _refuse_inside(log: Path, packages: list[Path]) -> None:
    where = log.resolve()
    for package in packages:
        if package.resolve() in (where, *where.parents):
            raise UsageError(
                f"the log {log} lies inside the package {package}; nothing is ever written into a "
                "package: name a place outside it"
            )


def _moment(now: datetime | None) -> str:
    """The time of the check; SOURCE_DATE_EPOCH (seconds since 1970, UTC) makes it repeatable."""
    epoch = os.environ.get("SOURCE_DATE_EPOCH", "")
    if now is None and epoch.isdecimal():
        now = datetime.fromtimestamp(int(epoch), UTC)
    return (now or datetime.now(UTC)).strftime("%Y-%m-%dT%H:%M:%SZ")


def _verified(package: Path | Address, engine: Engine) -> Verification:
    """What is no package any more is told as one that is not complete: the others go on."""
    try:
        return verify_one(package, engine)
    except DeliveryError as error:
        shown = package.shown if isinstance(package, Address) else str(package)
        return Verification(
            package=shown,
            is_whole=False,
            is_complete=False,
            files=0,
            size_bytes=0,
            tag_manifest_sha256=None,
            damages=(Damage(path=".", kind="missing", message=str(error)),),
        )


def _below(place: Path | Address, name: str) -> Path | Address:
    return place.below(name) if isinstance(place, Address) else place / name


def _copy_check(first: Verification, copy: Path | Address, engine: Engine | None) -> CopyCheck:
    shown = copy.shown if isinstance(copy, Address) else str(copy)
    if not (lies_there(copy) if isinstance(copy, Address) else copy.exists()):
        return CopyCheck(place=shown, state="missing")
    proof = _verified(copy, engine or ProcessEngine())
    if not (proof.is_whole and proof.is_complete):
        return CopyCheck(place=shown, state="damaged", verification=proof)
    is_same = proof.tag_manifest_sha256 == first.tag_manifest_sha256
    return CopyCheck(place=shown, state="same" if is_same else "other", verification=proof)


def _gone(known: Mapping[str, LoggedCheck], here: set[str]) -> tuple[LoggedCheck, ...]:
    return tuple(last for name, last in sorted(known.items()) if name not in here)
