"""The service's config: read, validated, its places held against each other, frozen."""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from stemprep.errors import SpecError
from stemprep.model.service import DropLimits, Inbox, NoticeTargets, Retries, ServiceConfig
from stemprep.spec.freezing import keys_of
from stemprep.spec.loading import file_content
from stemprep.spec.problems import Problems
from stemprep.spec.reading import read_model, validate
from stemprep.spec.schema import SpecKeys
from stemprep.spec.schema_service import InboxKeys, ServiceKeys
from stemprep.spec.service_places import judge_config
from stemprep.spec.shipped import shipped_specs
from stemprep.spec.tree import read_tree

_BEGINNING = "state: and inboxes: (for example state: /var/lib/stemprep)"
_ELSEWHERE = {
    **dict.fromkeys(SpecKeys.model_fields, "it belongs in a spec, which an inbox names"),
    **dict.fromkeys(InboxKeys.model_fields, "it belongs to an entry of inboxes:"),
}
_GIGABYTE = 1_000_000_000  # as disks are sold
_HOUR_S = 3600.0


def read_service(path: Path) -> ServiceConfig:
    """See ``stemprep.spec.load_service``."""
    problems = Problems()
    content = file_content(path, str(path))
    reading = read_model(
        read_tree(content, str(path), _BEGINNING), ServiceKeys, problems, _ELSEWHERE
    )
    model = validate(ServiceKeys, reading, problems)
    if problems or model is None:
        raise SpecError(problems.told())
    stated = model.model_dump(exclude_unset=True)
    config = _config(stated, path.resolve().parent, tuple(reading.warnings))
    judge_config(config, reading, problems)
    if problems:
        raise SpecError(problems.told())
    return config


def _config(stated: Mapping[str, Any], folder: Path, warnings: tuple[str, ...]) -> ServiceConfig:
    return ServiceConfig(
        state=_place(stated["state"], folder),
        inboxes=tuple(_inbox(inbox, folder) for inbox in stated["inboxes"]),
        limits=_limits(stated.get("limits", {})),
        retries=Retries(**stated.get("retries", {})),
        notices=_notices(stated.get("notices", {}), folder),
        warnings=warnings,
        **{
            key: stated[key]
            for key in (
                "rescan_s",
                "stop_within_s",
                "metrics_port",
                "log_format",
                "engine",
                "scheduler",
            )
            if key in stated
        },
    )


def _inbox(stated: Mapping[str, Any], folder: Path) -> Inbox:
    archive = stated.get("archive")
    plain = {
        field: stated[key]
        for field, key in keys_of(Inbox).items()
        if key in ("after", "settle_s", "ready_marker", "polled") and key in stated
    }
    return Inbox(
        path=_place(stated["path"], folder),
        specs=tuple(_spec(name, folder) for name in stated["spec"]),
        deliver_to=tuple(_place(place, folder) for place in stated["deliver_to"]),
        archive=None if archive is None else _place(archive, folder),
        **plain,
    )


def _spec(name: str, folder: Path) -> str | Path:
    """A shipped name wins over a file, as on the command line."""
    return name if name in shipped_specs() else _place(name, folder)


def _place(text: str, folder: Path) -> Path:
    """An absolute path without ``..``; links stay as they are, they may lead elsewhere tomorrow."""
    return Path(os.path.normpath(folder / text))


def _limits(stated: Mapping[str, Any]) -> DropLimits:
    size_gb, duration_h = stated.get("max_size_gb"), stated.get("max_duration_h")
    return DropLimits(
        max_bytes=None if size_gb is None else int(size_gb * _GIGABYTE),
        max_duration_s=None if duration_h is None else duration_h * _HOUR_S,
        max_channels=stated.get("max_channels"),
        jobs_at_once=stated.get("jobs_at_once", 1),
    )


def _notices(stated: Mapping[str, Any], folder: Path) -> NoticeTargets:
    file = stated.get("url_file")
    kinds = {"kinds": stated["kinds"]} if "kinds" in stated else {}
    return NoticeTargets(
        url_variables=stated.get("url_variables", ()),
        url_file=None if file is None else _place(file, folder),
        is_title_told=stated.get("titles", False),
        **kinds,
    )
