"""Where the work of jobs is done, as the config names it."""

from __future__ import annotations

from stemprep.engine import Engine, InlineEngine
from stemprep.model.service import ServiceConfig


def engine_of(config: ServiceConfig) -> Engine | None:
    """The engine that the config names; None: worker processes, small drops in this process."""
    if config.engine == "inline":
        return InlineEngine()
    if config.engine == "dask":
        from stemprep.engine.dask_engine import DaskEngine  # an extra

        assert config.scheduler is not None, "the config holds this"
        shared = (*(box.path for box in config.inboxes), *config.destinations)
        return DaskEngine(scheduler=config.scheduler, shared=shared)
    return None
