"""What no single key of a config shows: places that lie in each other, keys that need each other.

A package inside an inbox would be taken for a drop, an inbox inside a destination would be swept
with it, and both go on for ever; so they are refused before the service starts.
"""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from stemprep.errors import SpecError
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.spec.problems import Path_, Problems, dotted, shown, shown_path
from stemprep.spec.reading import Reading
from stemprep.spec.resolved import resolved_or_read


def judge_config(config: ServiceConfig, reading: Reading, problems: Problems) -> None:
    """Tell every contradiction at the key that is easiest to change."""

    def add(path: Path_, message: str) -> None:
        place = reading.places.get(path) or reading.places[path[:-1]]
        problems.add(place.mark, dotted(path), message)

    for index, inbox in enumerate(config.inboxes):
        here: Path_ = ("inboxes", index)
        for path, message in _inbox_problems(inbox):
            add((*here, *path), message)
        for path, message in _spec_problems(inbox):
            add((*here, *path), message)
        for earlier in config.inboxes[:index]:
            if _is_inside(inbox.path, earlier.path) or _is_inside(earlier.path, inbox.path):
                add(
                    (*here, "path"),
                    f"{shown_path(inbox.path)} and the inbox {shown_path(earlier.path)} are one "
                    "folder, or lie in each other; drops would be taken twice: name folders apart",
                )
    for path, message in _place_problems(config):
        add(path, message)
    if config.engine == "dask" and config.scheduler is None:
        add(("engine",), 'dask needs the address of a scheduler: add scheduler: "tcp://HOST:PORT"')
    if config.engine != "dask" and config.scheduler is not None:
        add(("scheduler",), "is used with engine: dask alone; add that, or leave it out")


def _inbox_problems(inbox: Inbox) -> Iterator[tuple[Path_, str]]:
    if inbox.after == "archive" and inbox.archive is None:
        yield ("after",), "archive needs a folder to move delivered drops to: add archive: FOLDER"
    if inbox.after == "leave" and inbox.archive is not None:
        yield ("archive",), "is used with after: archive alone; add that, or leave it out"
    if inbox.archive in inbox.deliver_to:
        yield ("archive",), "drops and packages would lie in one folder; name another for one"
    for position, place in enumerate(inbox.deliver_to):
        if place in inbox.deliver_to[:position]:
            yield ("deliver_to", position), f"{shown_path(place)} stands twice; keep one of them"


def _spec_problems(inbox: Inbox) -> Iterator[tuple[Path_, str]]:
    """Each spec is loaded, so that a fault in it shows now and not with the first drop."""
    names = set()
    for position, name in enumerate(inbox.specs):
        path: Path_ = ("spec", position)
        try:
            spec = resolved_or_read(name)
        except SpecError as error:
            for problem in error.problems:
                yield path, problem
            continue
        if spec.name in names:
            yield path, f"{shown(spec.name)} stands twice; packages would get one name: keep one"
        names.add(spec.name)


def _place_problems(config: ServiceConfig) -> Iterator[tuple[Path_, str]]:
    for inbox in config.inboxes:
        if _is_inside(config.state, inbox.path):
            yield (("state",), _inside("the state folder", config.state, inbox.path))
    for index, inbox in enumerate(config.inboxes):
        here: Path_ = ("inboxes", index)
        if _is_inside(inbox.path, config.state):
            yield (
                (*here, "path"),
                f"{shown_path(inbox.path)} lies in the state folder; name a folder outside it",
            )
        for other in config.inboxes:
            for position, place in enumerate(inbox.deliver_to):
                if _is_inside(place, other.path):
                    path = (*here, "deliver_to", position)
                    yield path, _inside("the destination", place, other.path)
                elif _is_inside(other.path, place):
                    path = (*here, "deliver_to", position)
                    yield path, _around("the destination", place, other.path)
            if inbox.archive is not None and _is_inside(inbox.archive, other.path):
                yield (*here, "archive"), _inside("the archive", inbox.archive, other.path)
            elif inbox.archive is not None and _is_inside(other.path, inbox.archive):
                yield (*here, "archive"), _around("the archive", inbox.archive, other.path)


def _inside(what: str, place: Path, inbox: Path) -> str:
    return (
        f"{what} {shown_path(place)} lies in the inbox {shown_path(inbox)}, "
        "where it would be taken for a drop; name a folder outside every inbox"
    )


def _around(what: str, place: Path, inbox: Path) -> str:
    return (
        f"the inbox {shown_path(inbox)} lies in {what} {shown_path(place)}; "
        "name folders that do not lie in each other"
    )


def _is_inside(place: Path, folder: Path) -> bool:
    """Tell whether a place is the folder or lies in it, links followed as far as they lead."""
    resolved, around = place.resolve(), folder.resolve()
    return around == resolved or around in resolved.parents
