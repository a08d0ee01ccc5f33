"""Starting the service with a config, and ending it when the system asks."""

from __future__ import annotations

import os
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import structlog

from stemprep import __version__
from stemprep.model.service import ServiceConfig
from stemprep.service.logs import set_up_logs
from stemprep.service.metrics import metrics_served
from stemprep.service.notices import Notices, addresses_of
from stemprep.service.place_making import require_made
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from stemprep.spec import load_service

HARD_END_S = 10.0
"""Beyond ``stop_within_s``: by then the process ends, whatever hangs in it."""


def watch(config_file: Path, *, is_once: bool = False) -> int:
    """Run the service until SIGTERM or SIGINT, or until all is worked off; the exit code.

    Raises SpecError for the config and for places that were never made, UsageError where another
    service holds the state folder.
    """
    config = load_service(config_file)
    set_up_logs(config.log_format)
    log = structlog.get_logger()
    for warning in config.warnings:
        log.warning("config", told=warning)
    addresses, problems = addresses_of(config.notices, os.environ)
    for problem in problems:
        log.warning("notices", told=problem)
    with (
        state_folder(config.state),
        Store(config.state) as store,
        metrics_served(store, config.metrics_port) as no_metrics,
    ):
        require_made(config, store, config_file)
        if no_metrics:
            log.warning("metrics", told=no_metrics)
        notices = Notices(addresses, is_title_shown=config.notices.are_titles_shown, log=log)
        service = Service(config=config, store=store, notices=notices, is_once=is_once)
        with _ended_by_signals(service, config):
            log.info("watching", inboxes=len(config.inboxes), release=__version__)
            exit_code = service.run()
            log.info("ended", exit_code=exit_code)
            return exit_code


@contextmanager
def _ended_by_signals(service: Service, config: ServiceConfig) -> Iterator[None]:
    """Have SIGTERM and SIGINT end the service; an alarm ends the process if that hangs."""

    def on_signal(number: int, _: object) -> None:
        service.stop()
        signal.signal(signal.SIGALRM, lambda *_: os._exit(0))
        signal.setitimer(signal.ITIMER_REAL, config.stop_within_s + HARD_END_S)

    before = {
        number: signal.signal(number, on_signal) for number in (signal.SIGTERM, signal.SIGINT)
    }
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)
        if service.is_at_rest:  # else the alarm ends what hangs on a share, for example
            signal.setitimer(signal.ITIMER_REAL, 0)
