"""Making places known to the service: once, by a person, never by the service itself."""

from __future__ import annotations

import os
import secrets
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

from stemprep.app.output_files import write_whole
from stemprep.errors import DeliveryError, SpecError, UsageError
from stemprep.model.service import PLACE_FILE, ServiceConfig
from stemprep.report.figures import plural
from stemprep.service.mounts import disk_of
from stemprep.service.places import (
    AwayError,
    Place,
    PlaceRecord,
    identity_content,
    open_place,
    place_record,
    places_of,
    read_identity,
    record_place,
)
from stemprep.service.store import Store

FSTAB = Path("/etc/fstab")
MOST_NAMED = 3


@dataclass(frozen=True, slots=True, kw_only=True)
class PlaceState:
    """How a place stands: record: None where it was never made; away: why, "" where it is there.

    made: what was just done with it, in words; "" for nothing.
    """

    place: Place
    record: PlaceRecord | None
    away: str
    made: str = ""


def place_states(config: ServiceConfig, store: Store | None) -> tuple[PlaceState, ...]:
    """How every place of a config stands; store: None where there is none yet."""
    return tuple(_state(place, store) for place in places_of(config))


def _state(place: Place, store: Store | None, made: str = "") -> PlaceState:
    record = None if store is None else place_record(store, place.path)
    away = ""
    try:
        os.close(open_place(place, record))
    except AwayError as error:
        away = str(error)
    return PlaceState(place=place, record=record, away=away, made=made)


def make_places(config: ServiceConfig, store: Store, config_folder: Path) -> Iterator[PlaceState]:
    """Make what was never made, one place after the other; what is known stays as it is.

    A folder that is there is taken as it is, with the identity that it has, or a new one. One that
    is not there is made where the folder around it is, and below ``config_folder`` with all that
    leads to it. Raises DeliveryError for a place that is not made: those before it are.
    """
    for place in places_of(config):
        is_known = place_record(store, place.path) is not None
        yield _state(place, store, "" if is_known else _make(place, store, config_folder))


def renew_place(config: ServiceConfig, store: Store, path: Path) -> PlaceState:
    """Take the folder that lies there now for the place, because a person says so.

    Raises UsageError for what is no place of the config, DeliveryError where no folder lies there.
    """
    wanted = Path(os.path.normpath(path.absolute()))
    for place in places_of(config):
        if place.path in (path, wanted):
            with _opened(place) as descriptor:
                _record(place, store, descriptor)
            return _state(place, store, "recorded anew")
    raise UsageError(f"{path}: is no inbox, destination or archive of the config; see its paths")


def require_made(config: ServiceConfig, store: Store, config_file: Path) -> None:
    """Raise SpecError, with the command to run, where the service does not know a place yet."""
    unknown = [place for place in places_of(config) if place_record(store, place.path) is None]
    if unknown:
        named = "; ".join(place.shown for place in unknown[:MOST_NAMED])
        more = len(unknown) - MOST_NAMED
        rest = f"; and {more:,} more" if more > 0 else ""
        raise SpecError(
            (
                f"{config_file}: {plural(len(unknown), 'place')} not made known to the service "
                f"yet: {named}{rest}. It makes no folder by itself any more, because a folder "
                "whose share is not mounted looks like a new one. Mount all shares, then run "
                f"once: stemprep places --config {config_file} --make",
            )
        )


def require_own_account(state: Path) -> None:
    """Raise UsageError for root where the service has an account of its own.

    What root makes, in the state folder above all, the service could not write to.
    """
    try:
        owner = state.stat().st_uid
    except FileNotFoundError:
        return
    if os.geteuid() == 0 and owner != 0:
        raise UsageError(
            f"{state}: belongs to the account of the service, which could not write to what root "
            f"makes; run this as that account, for example with sudo -u '#{owner}'"
        )


def _make(place: Place, store: Store, config_folder: Path) -> str:
    done = "known from now on"
    if not os.path.lexists(place.path):
        _require_mounted(place)
        _make_folder(place, config_folder)
        done = "made"
    with _opened(place) as descriptor:
        _record(place, store, descriptor)
    return done


def _make_folder(place: Place, config_folder: Path) -> None:
    is_ours = config_folder in place.path.parents
    if not is_ours and not place.path.parent.is_dir():
        raise DeliveryError(
            f"{place.shown}: the folder around it, {place.path.parent}, is not there; mount its "
            "share, or make that folder, then run this again"
        )
    try:
        place.path.mkdir(parents=is_ours, exist_ok=True)
    except OSError as error:
        raise DeliveryError(
            f"{place.shown}: cannot be made ({error.strerror}); make the folder, with the right "
            "to write into it for the account of the service, then run this again"
        ) from error


def _require_mounted(place: Place) -> None:
    """Raise DeliveryError where the system's table has a mount there that is not mounted now."""
    for point in _points_of_table():
        is_around = point == place.path or point in place.path.parents
        if is_around and point != Path("/") and not os.path.ismount(point):
            raise DeliveryError(
                f"{place.shown}: {point} stands in {FSTAB} and is not mounted; mount it, then run "
                "this again"
            )


def _points_of_table() -> list[Path]:
    """Mount points of fstab(5), where blanks are written as octal numbers."""
    try:
        lines = FSTAB.read_text(errors="surrogateescape").splitlines()
    except OSError:
        return []
    fields = [line.split() for line in lines if line.strip() and not line.lstrip().startswith("#")]
    points = [field[1].replace("\\040", " ") for field in fields if len(field) > 1]
    return [Path(point) for point in points if point.startswith("/")]


@contextmanager
def _opened(place: Place) -> Iterator[int]:
    try:
        descriptor = os.open(place.path, os.O_RDONLY | os.O_DIRECTORY | os.O_CLOEXEC)
    except OSError as error:
        raise DeliveryError(
            f"{place.shown}: cannot be opened as a folder ({error.strerror}); mount its share, or "
            "put right what has its name"
        ) from error
    try:
        yield descriptor
    finally:
        os.close(descriptor)


def _record(place: Place, store: Store, descriptor: int) -> None:
    """Leave an identity where there is none, and write down what is there."""
    try:
        identity = read_identity(descriptor)
        if not identity:
            identity = secrets.token_hex(16)
            content = identity_content(identity)
            write_whole(place.path / PLACE_FILE, content, folder=descriptor)
        disk = disk_of(descriptor)
    except OSError as error:
        raise DeliveryError(
            f"{place.shown}: its identity file {PLACE_FILE} cannot be written "
            f"({error.strerror}); give the account of the service the right to write there"
        ) from error
    record_place(store, place.path, PlaceRecord(identity=identity, disk=disk))


def words_of(states: Sequence[PlaceState]) -> str:
    """The places and how each stands, two lines a place."""
    lines = []
    for state in states:
        lines.append(f"{', '.join(state.place.roles)} {state.place.path}")
        if state.record is None:
            how = "not made known to the service yet; 'stemprep places --config FILE --make' does"
        elif state.away:
            how = state.away.removeprefix(f"{state.place.shown} is ")
        else:
            how = f"there, on {state.record.disk}"
        lines.append(f"    {f'{state.made}; ' if state.made else ''}{how}")
    return "\n".join(lines) + "\n"
