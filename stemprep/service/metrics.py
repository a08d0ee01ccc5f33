"""Figures for Prometheus, on the loopback interface: counts and ages, never a name."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from stemprep import __version__
from stemprep.errors import StemprepError
from stemprep.service.jobs import STATES
from stemprep.service.store import Store

if TYPE_CHECKING:
    from prometheus_client.metrics_core import Metric

LOOPBACK = "127.0.0.1"


class JobFigures:
    """Collects at every scrape what the store holds then."""

    def __init__(self, store: Store, clock: Callable[[], float] = time.time) -> None:
        self._store = store
        self._clock = clock

    def collect(self) -> Iterator[Metric]:
        """See prometheus_client's custom collectors; what the store refuses is left out."""
        from prometheus_client.core import (
            CounterMetricFamily,
            GaugeMetricFamily,
            InfoMetricFamily,
        )

        yield InfoMetricFamily("stemprep", "Release.", value={"version": __version__})
        try:
            counts = self._store.counts_by_state()
            audio_s = self._store.audio_seconds()
            oldest_s = self._store.oldest_waiting_s(self._clock())
        except StemprepError:
            yield GaugeMetricFamily("stemprep_store_readable", "1 if jobs can be read.", value=0)
            return
        yield GaugeMetricFamily("stemprep_store_readable", "1 if jobs can be read.", value=1)
        jobs = GaugeMetricFamily("stemprep_jobs", "Jobs by state.", labels=["state"])
        for state in STATES:
            jobs.add_metric([state], counts.get(state, 0))
        yield jobs
        yield CounterMetricFamily(
            "stemprep_audio_seconds", "Seconds of sound in measured drops.", value=audio_s
        )
        yield GaugeMetricFamily(
            "stemprep_oldest_waiting_seconds", "Age of the oldest waiting drop.", value=oldest_s
        )


@contextmanager
def metrics_served(store: Store, port: int | None) -> Iterator[str]:
    """Serve figures at ``http://127.0.0.1:port/metrics`` inside the block; none for port None.

    Gives, in words, why they are not served; "" where they are, or are not wanted.
    """
    if port is None:
        yield ""
        return
    try:
        from prometheus_client import CollectorRegistry, ProcessCollector, start_http_server
    except ImportError:
        yield "metrics need the service extra; install stemprep[service]"
        return
    registry = CollectorRegistry()
    registry.register(JobFigures(store))
    ProcessCollector(registry=registry)
    try:
        server, thread = start_http_server(port, addr=LOOPBACK, registry=registry)
    except OSError as error:
        yield f"port {port} cannot be opened for metrics ({error.strerror}); name another port"
        return
    try:
        yield ""
    finally:
        server.shutdown()
        server.server_close()
        thread.join()
