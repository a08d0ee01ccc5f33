"""The service's config: read, its places made absolute and held against each other."""

from __future__ import annotations

import os
from dataclasses import replace
from pathlib import Path

from stemprep.errors import SpecError
from stemprep.model.service import Inbox, ServiceConfig
from stemprep.spec.keys import service_keys, spec_keys
from stemprep.spec.loading import file_content
from stemprep.spec.problems import Problems
from stemprep.spec.reading import read_keys
from stemprep.spec.service_places import judge_config
from stemprep.spec.shapes import build_record, keys_of
from stemprep.spec.shipped import shipped_specs
from stemprep.spec.tree import read_tree

_BEGINNING = "state: and inboxes: (for example state: /var/lib/stemprep)"


def read_service(path: Path) -> ServiceConfig:
    """See ``stemprep.spec.load_service``."""
    problems = Problems()
    content = file_content(path, str(path))
    keys = service_keys()
    elsewhere = {
        **dict.fromkeys(spec_keys().shapes, "it belongs in a spec, which an inbox names"),
        **dict.fromkeys(keys_of(Inbox).shapes, "it belongs to an entry of inboxes:"),
    }
    reading = read_keys(read_tree(content, str(path), _BEGINNING), keys, problems, elsewhere)
    if problems:
        raise SpecError(problems.messages())
    config = _with_absolute_places(build_record(keys, reading.values), path.resolve().parent)
    config = replace(config, warnings=tuple(reading.warnings))
    judge_config(config, reading, problems)
    if problems:
        raise SpecError(problems.messages())
    return config


def _with_absolute_places(config: ServiceConfig, folder: Path) -> ServiceConfig:
    """Let every path count from the config's folder."""
    file = config.notices.url_file
    return replace(
        config,
        state=_absolute(config.state, folder),
        inboxes=tuple(_inbox(inbox, folder) for inbox in config.inboxes),
        notices=replace(config.notices, url_file=None if file is None else _absolute(file, folder)),
    )


def _inbox(inbox: Inbox, folder: Path) -> Inbox:
    return replace(
        inbox,
        path=_absolute(inbox.path, folder),
        specs=tuple(_spec(str(name), folder) for name in inbox.specs),
        deliver_to=tuple(_absolute(place, folder) for place in inbox.deliver_to),
        archive=None if inbox.archive is None else _absolute(inbox.archive, folder),
    )


def _spec(name: str, folder: Path) -> str | Path:
    """A shipped name wins over a file, as on the command line."""
    return name if name in shipped_specs() else _absolute(Path(name), folder)


def _absolute(place: Path, folder: Path) -> Path:
    """An absolute path without ``..``; links stay as they are, they may lead elsewhere tomorrow."""
    return Path(os.path.normpath(folder / place))
