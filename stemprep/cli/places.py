"""``stemprep places``: the folders that the service works with, and how they stand."""

from __future__ import annotations

import json
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from stemprep.cli.options import config_option, json_option, quiet_option

if TYPE_CHECKING:
    from stemprep.service.place_making import PlaceState

EXIT_AWAY = 5


@click.command("places")
@config_option
@click.option("--make", "is_made", is_flag=True,
              help="Make the folders that the service does not know yet, once.")  # fmt: skip
@click.option("--renew", "renewed", metavar="PLACE", multiple=True,
              type=click.Path(path_type=Path),
              help="Take what lies there now for this place: it has moved.")  # fmt: skip
@json_option
@quiet_option
def command(
    config_file: Path,
    is_made: bool,
    renewed: tuple[Path, ...],
    json_file: Path | None,
    quiet: bool,
) -> int:
    """List the inboxes, destinations and archives of the service, and how each stands.

    The service makes none of them by itself: a folder whose share is not mounted looks like a new
    one. --make makes them once and leaves an identity file in each, by which the service knows it
    again; mount all shares first. What lacks its identity, lies on another disk, or is read-only or
    full, is away: its jobs wait, nothing is moved, and they go on when it is back.

    Exit code 0 when all are there, 5 when one is away or not made yet.
    """
    from stemprep.cli.output import put, try_report_places
    from stemprep.report.escaping import visible
    from stemprep.service.place_making import words_of

    try_report_places(json_file)
    states = _states(config_file, is_made=is_made, renewed=renewed)

    def text() -> str:
        return "".join(f"{visible(line)}\n" for line in words_of(states).splitlines())

    put((json_file, lambda: _json(states)), shown=None if quiet else text)
    return EXIT_AWAY if any(state.away for state in states) else 0


def _states(config_file: Path, *, is_made: bool, renewed: Sequence[Path]) -> Sequence[PlaceState]:
    from stemprep.errors import InputError
    from stemprep.service.place_making import (
        make_places,
        place_states,
        renew_place,
        require_own_account,
    )
    from stemprep.service.state_folder import made_state_folder
    from stemprep.service.store import Store
    from stemprep.spec import load_service

    config = load_service(config_file)
    if is_made or renewed:
        require_own_account(config.state)
        made_state_folder(config.state)
        with Store(config.state) as store:
            for path in renewed:
                renew_place(config, store, path)
            return (
                list(make_places(config, store, config_file.resolve().parent))
                if is_made
                else (place_states(config, store))
            )
    try:
        with Store(config.state, "read") as store:
            return place_states(config, store)
    except InputError:  # no service has run with this config yet
        return place_states(config, None)


def _json(states: Sequence[PlaceState]) -> str:
    from stemprep.model.strict_json import clean_text

    places = [
        {
            "path": clean_text(str(state.place.path)),
            "roles": list(state.place.roles),
            "is_known": state.record is not None,
            "is_away": bool(state.away),
            "reason": clean_text(state.away),
            "disk": None if state.record is None else clean_text(state.record.disk),
        }
        for state in states
    ]
    document = {"schema_version": 1, "places": places}
    return json.dumps(document, indent=2, ensure_ascii=False) + "\n"
