"""Where a package goes: asked first whether it fits, then copied there and read back."""

from __future__ import annotations

import fcntl
import os
import shutil
import tempfile
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import ExitStack, contextmanager, suppress
from pathlib import Path
from typing import Final

from stemprep.app.delivery.remote import send_copy, send_zip
from stemprep.app.delivery.zip_package import publish_zip
from stemprep.app.output_files import refuse_destination, refuse_inside_drop, refuse_inside_package
from stemprep.errors import DeliveryError, NoRoomError
from stemprep.model.package import Copy, PackageForm, Published, Verification
from stemprep.model.plan import OutputPlan, Plan
from stemprep.model.session import MeasuredSession
from stemprep.package import (
    OpenFolder,
    exchanged,
    open_staging,
    replicate,
    told_as_delivery_error,
    verify_package,
)
from stemprep.transfer import (
    Address,
    Limits,
    OnSent,
    cautions,
    has_no_room,
    limits_of_folder,
    limits_of_remote,
    opened_remote,
    refusals,
    require_reachable,
    sha256_of,
    zipped_size,
)

_PREFIX: Final = "stemprep-delivery-"
_FOLDER: Final = os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW | os.O_CLOEXEC


@contextmanager
def private_folder() -> Iterator[Path]:
    """Make a folder below the temporary folder that only this user may enter.

    It is locked while it is in use, and filled only then; so what is filled and not locked was
    left by a process that died, and is removed first. DeliveryError where none can be made.
    """
    place = Path(tempfile.gettempdir())
    _remove_left(place)
    with told_as_delivery_error("making a temporary folder", place):
        folder = Path(tempfile.mkdtemp(prefix=_PREFIX))  # mode 0700
        descriptor = os.open(folder, _FOLDER)
    try:
        with suppress(OSError):  # a disk without locks: then nothing is ever taken for left
            fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)
        with suppress(OSError):  # by hand: a worker forked meanwhile shares the lock
            fcntl.flock(descriptor, fcntl.LOCK_UN)
        os.close(descriptor)


def _remove_left(place: Path) -> None:
    """Remove what deliveries of this user left below ``place`` when they were killed."""
    with suppress(OSError):
        for folder in place.glob(f"{_PREFIX}*"):
            with suppress(OSError):
                _remove_if_left(folder)


def _remove_if_left(folder: Path) -> None:
    descriptor = os.open(folder, _FOLDER)
    try:
        with os.scandir(descriptor) as entries:
            is_filled = any(entries)
        if os.fstat(descriptor).st_uid != os.geteuid() or not is_filled:
            return  # of somebody else, or just made and not locked yet
        fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
        shutil.rmtree(folder, ignore_errors=True)
    finally:
        os.close(descriptor)


Destination = Path | Address

_HEADER_BYTES = 64 << 10
_OTHER_BYTES = 4 << 20
"""Room for what is written beside the sound: reports, manifests, tag files."""


def refuse_destinations(
    destinations: Sequence[Destination], drop: Path, amended: Path | None
) -> None:
    """Raise UsageError or DeliveryError for a place that nothing may or can be written into."""
    folders = [destination for destination in destinations if isinstance(destination, Path)]
    if not folders:
        refuse_inside_drop(Path(tempfile.gettempdir()), drop, "the temporary folder")
    for destination in destinations:
        if isinstance(destination, Path):
            refuse_destination(destination, drop)
            if amended is not None:
                refuse_inside_package(destination, amended, "the destination")
        else:
            with opened_remote(destination) as remote:
                require_reachable(remote)


# --- asked before anything is written


def ask(
    destinations: Sequence[Destination],
    planned: Plan,
    measured: MeasuredSession,
    name: str,
    form: PackageForm,
) -> tuple[str, ...]:
    """Ask every destination whether the planned package fits; return what to look out for.

    Raises DeliveryError, with all reasons at once, where it does not fit; NoRoomError where room is
    all that is missing.
    """
    files = expected_sizes(planned, measured)
    total = sum(files.values()) + _OTHER_BYTES
    if form == "zip":
        whole = zipped_size(files.items(), name) + _OTHER_BYTES
        files, total = {f"{name}.zip": whole}, total + whole
    limits = [_limits(destination) for destination in destinations]
    on_disk = Counter(item.disk for item in limits if item.disk)
    stops = [
        reason
        for item in limits
        for reason in refusals(item, files, name, total * max(1, on_disk[item.disk]))
    ]
    if stops:
        short = sum(has_no_room(item, total * max(1, on_disk[item.disk])) for item in limits)
        kind = NoRoomError if short == len(stops) else DeliveryError
        raise kind("; ".join(dict.fromkeys(stops)) + "; nothing was written")
    return tuple(dict.fromkeys(words for item in limits for words in cautions(item, files, name)))


def _limits(destination: Destination) -> Limits:
    if isinstance(destination, Address):
        with opened_remote(destination) as remote:
            return limits_of_remote(remote)
    with told_as_delivery_error("asking what it can hold", destination):
        return limits_of_folder(destination)


def expected_sizes(planned: Plan, measured: MeasuredSession) -> dict[str, int]:
    """Sizes of what the plan writes, bytes by path; an upper bound but for compressed containers.

    What is made beside the dropped files is counted as large as the largest of what it is made of.
    """
    by_path = {file.path: file.facts.size_bytes for file in measured.files}
    entries = {entry.path: entry.size_bytes for entry in measured.session.entries}
    sizes = {output.path: _output_size(output, by_path) for output in planned.outputs}
    for document in planned.documents:
        sizes[document.path] = entries.get(document.source, 0)
    for companion in planned.companions:
        sources = (by_path.get(path, 0) for path in companion.made_from)
        sizes[companion.path] = max(sources, default=0)
    return sizes


def _output_size(output: OutputPlan, by_path: Mapping[str, int]) -> int:
    source_bytes = sum(by_path.get(path, 0) for path in output.sources)
    if output.is_copy or output.format is None:
        return source_bytes
    form = output.format
    sound_bytes = output.frames * form.channels * ((form.container_bits + 7) // 8)
    return sound_bytes + _HEADER_BYTES


# --- copied, and read back


@contextmanager
def built_at(destinations: Sequence[Destination], form: PackageForm, job: str) -> Iterator[Path]:
    """The folder that the package is built in: the first destination that is one.

    Where zips are wanted, a hidden folder there; where none is one, a temporary folder of this
    delivery alone: the same job may be sent to two stores at once. Both are removed again.
    """
    folders = [destination for destination in destinations if isinstance(destination, Path)]
    if folders and form == "folder":
        yield folders[0]
        return
    with ExitStack() as stack:
        place = folders[0] if folders else stack.enter_context(private_folder())
        yield stack.enter_context(open_staging(place, f"work-{job}")).root


def copied(
    published: Published,
    home: Path,
    destinations: Sequence[Destination],
    form: PackageForm,
    job: str,
    on_sent: OnSent | None = None,
    open_folder: OpenFolder | None = None,
) -> list[Copy]:
    """Bring a package from where it was built to every destination, and read each copy back.

    open_folder: see ``open_staging``.
    Where one fails, the message names the copies that are whole, which stay.
    """
    copies: list[Copy] = []
    for destination in destinations:
        try:
            copies.append(
                proved(published)
                if destination == home
                else copy_to(published, destination, form, job, on_sent, open_folder)
            )
        except DeliveryError as error:
            if not copies:
                raise
            whole = ", ".join(copy.place for copy in copies)
            raise DeliveryError(f"{error}. Whole copies lie at {whole}") from error
    return copies


def copy_to(
    published: Published,
    destination: Destination,
    form: PackageForm,
    job: str,
    on_sent: OnSent | None = None,
    open_folder: OpenFolder | None = None,
) -> Copy:
    """Copy a published package to a destination, in the form that was ordered, and read it back.

    job: names the staging folder there. open_folder: see ``open_staging``. Raises DeliveryError as
    the ways there do.
    """
    package, expected = Path(published.path), published.tag_manifest_sha256
    if isinstance(destination, Address):
        send = send_copy if form == "folder" else send_zip
        return send(package, expected, destination, on_sent)
    if form == "folder":
        return proved(replicate(package, destination, job, expected, open_folder))
    final, proof, was_there = publish_zip(package, expected, destination)
    with told_as_delivery_error("reading the zip", final):
        sha256 = sha256_of(final)
    return copy_of(str(final), form, proof, sha256=sha256, already_there=was_there)


def proved(package: Published) -> Copy:
    """What was published in a folder, read back whole once more from its final place."""
    proof = verify_package(Path(package.path))
    if not (proof.is_whole and proof.is_complete):
        first = proof.damages[0].message if proof.damages else "it is incomplete"
        raise DeliveryError(
            f"{package.path}: published, but reading it back failed: {first}; "
            "check that disk and deliver again elsewhere"
        )
    if proof.tag_manifest_sha256 != package.tag_manifest_sha256:
        raise exchanged(package.path)
    return copy_of(package.path, "folder", proof, already_there=package.already_there)


def copy_of(
    place: str,
    form: PackageForm,
    proof: Verification,
    *,
    sha256: str | None = None,
    already_there: bool = False,
) -> Copy:
    """The record of a copy that was read back whole."""
    assert proof.tag_manifest_sha256 is not None, "a whole package has a tag manifest"
    return Copy(
        place=place,
        form=form,
        tag_manifest_sha256=proof.tag_manifest_sha256,
        files=proof.files,
        size_bytes=proof.size_bytes,
        sha256=sha256,
        already_there=already_there,
    )
