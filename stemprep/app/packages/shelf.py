"""Check a whole shelf of packages, log what was found, and hold a second copy against the first."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

from stemprep import __version__
from stemprep.app.delivery.remote import lies_there, packages_there
from stemprep.app.packages.second_copy import (
    explained_beside,
    fetch_commands,
    fetchable,
    is_same_package,
)
from stemprep.app.packages.verify import verify_one
from stemprep.engine import Engine, ProcessEngine
from stemprep.errors import DeliveryError, UsageError
from stemprep.model.package import Damage, Verification
from stemprep.model.shelf import (
    Confirmation,
    CopyCheck,
    CopyState,
    LoggedCheck,
    OnlyCopy,
    ShelfCheck,
    ShelfEntry,
)
from stemprep.package import (
    LOG_NAME,
    MAX_DEPTH,
    append_confirmation,
    append_log,
    is_package,
    logged_name,
    packages_of,
    read_log,
    require_log_place,
)
from stemprep.transfer import Address

MAX_INITIALS = 40
OnChecked = Callable[[int, int, str], None]


def is_shelf(place: Path | Address) -> bool:
    """Tell a folder of packages from a package."""
    return isinstance(place, Path) and place.is_dir() and not is_package(place)


def check_shelf(
    shelf: Path,
    *,
    copies: Sequence[Path | Address] = (),
    log: Path | None = None,
    engine: Engine | None = None,
    now: datetime | None = None,
    on_checked: OnChecked | None = None,
) -> ShelfCheck:
    """Verify every package of a shelf, or one package, and append the outcome to the log.

    copies: where other copies lie: shelves with packages of the same names, or the same package.
    log: None for ``fixity-log.csv`` in the shelf. now: None for the clock's time.
    Raises DeliveryError where there is no package, or a store with the copies does not answer, and
    UsageError for a log inside a package.
    """
    packages = [shelf] if is_package(shelf) else packages_of(shelf)
    if not packages:
        raise DeliveryError(f"{shelf}: holds no package; name a package or a folder of packages")
    _refuse_doubles(shelf, copies)
    place = log or (shelf.parent if is_package(shelf) else shelf) / LOG_NAME
    _refuse_inside(place, packages)
    known = read_log(place)
    require_log_place(place)
    moment = _moment(now)
    entries = []
    for number, package in enumerate(packages, start=1):
        name = package.name if package == shelf else str(package.relative_to(shelf))
        entry = ShelfEntry(
            name=name,
            verification=_verified(package, engine or ProcessEngine()),
            last=known.get(logged_name(name)),
        )
        there = [copy if package == shelf else _below(copy, name) for copy in copies]
        entries.append(_beside_copies(entry, package, there, engine))
        if on_checked is not None:
            on_checked(number, len(packages), name)
    log_fault = ""
    try:
        append_log(place, entries, moment, __version__)
    except DeliveryError as error:  # what was found took hours: it is given all the same
        log_fault = str(error)
    names = {entry.name for entry in entries}
    logged = set(map(logged_name, names))
    is_one = is_package(shelf)
    return ShelfCheck(
        shelf=str(shelf),
        checked_at=moment,
        entries=tuple(entries),
        gone=() if is_one else _gone(known, logged),
        only_copies=() if is_one else tuple(_only_copies(copies, names)),
        log=str(place),
        log_fault=log_fault,
    )


def confirm(
    package: Path,
    by: str,
    *,
    log: Path | None = None,
    engine: Engine | None = None,
    now: datetime | None = None,
) -> Confirmation:
    """Log that a person answers for a package as it lies there, or for its being gone.

    by: the person's initials. log: None for the log beside the package, or up to four folders
    above, that knows it. Raises UsageError where no log knows it or ``by`` is no name, and
    DeliveryError for a package that is not whole: damage is mended, never confirmed.
    """
    if not by.strip() or len(by) > MAX_INITIALS or not by.isprintable():
        raise UsageError(
            f"--initials {by!r}: give the initials or the name of who confirms, at most "
            f"{MAX_INITIALS} characters"
        )
    place, name, last = _logged(package, log)
    moment = _moment(now)
    proof = None
    if os.path.lexists(package):
        proof = _verified(package, engine or ProcessEngine())
        if not (proof.is_whole and proof.is_complete):
            raise DeliveryError(
                f"{package}: is not whole ({proof.damages[0].path}: {proof.damages[0].message}); "
                "damage is mended, not confirmed; nothing was logged"
                if proof.damages
                else f"{package}: is not complete; nothing was logged"
            )
    append_confirmation(place, name, proof, moment, by.strip(), __version__)
    seal = None if proof is None else proof.tag_manifest_sha256
    return Confirmation(
        package=name, log=str(place), confirmed_at=moment, by=by.strip(), seal=seal, last=last
    )


def _logged(package: Path, log: Path | None) -> tuple[Path, str, LoggedCheck]:
    """The log that knows a package, and the name by which it does."""
    here = Path(os.path.abspath(package))  # noqa: PTH100  # links stay as people named them
    logs = [log] if log is not None else [folder / LOG_NAME for folder in here.parents[:MAX_DEPTH]]
    for place in logs:
        known = read_log(place)
        folder = Path(os.path.abspath(place)).parent  # noqa: PTH100
        names = [str(here.relative_to(folder))] if here.is_relative_to(folder) else []
        for name in (*names, here.name):
            if logged_name(name) in known:
                return place, name, known[logged_name(name)]
    raise UsageError(
        f"{package}: no log of checks knows it; run 'stemprep verify' on its shelf first, or name "
        "the log with --log"
    )


def _refuse_doubles(shelf: Path, copies: Sequence[Path | Address]) -> None:
    """A copy that is the same folder proves nothing."""
    seen = {os.path.realpath(shelf)}
    for copy in copies:
        key = copy.shown if isinstance(copy, Address) else os.path.realpath(copy)
        if key in seen:
            raise UsageError(f"--copy {copy}: is named twice; a copy lies in another place")
        seen.add(key)


def _beside_copies(
    entry: ShelfEntry, package: Path, places: Sequence[Path | Address], engine: Engine | None
) -> ShelfEntry:
    """Hold a package against its copies; each lost file is fetched from the first that has it."""
    checks: list[CopyCheck] = []
    first, fetched = entry.verification, set[str]()
    for place in places:
        check = _copy_check(entry.verification, place, engine)
        proof = check.verification
        if proof is not None:
            is_folder = isinstance(place, Path) and place.is_dir() and package.is_dir()
            lost = tuple(path for path in fetchable(first, proof) if path not in fetched)
            back = fetchable(proof, first)
            fetched.update(lost)
            check = replace(check, fetch=lost, mend=back)
            if is_folder and isinstance(place, Path):
                first = explained_beside(first, lost, package, place)
                check = replace(
                    check,
                    verification=explained_beside(proof, back, place, package),
                    commands=fetch_commands(lost, package, place),
                    mend_commands=fetch_commands(back, place, package),
                )
        checks.append(check)
    return replace(entry, verification=first, copies=tuple(checks))


def _only_copies(copies: Sequence[Path | Address], names: Set[str]) -> Iterator[OnlyCopy]:
    for copy in copies:
        if isinstance(copy, Address):
            found = packages_there(copy)
        elif copy.is_dir() and not is_package(copy):
            found = [str(package.relative_to(copy)) for package in packages_of(copy)]
        else:
            found = []
        shown = copy.shown if isinstance(copy, Address) else str(copy)
        yield from (OnlyCopy(place=shown, name=name) for name in found if name not in names)


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
    state: CopyState = "same" if is_same_package(first, proof) else "other"
    return CopyCheck(place=shown, state=state, verification=proof)


def _gone(known: Mapping[str, LoggedCheck], here: set[str]) -> tuple[LoggedCheck, ...]:
    return tuple(last for name, last in sorted(known.items()) if name not in here)
