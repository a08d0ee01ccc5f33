"""Figures on the loopback interface: counts and ages, no names."""

from __future__ import annotations

import socket
import urllib.request
from dataclasses import replace
from pathlib import Path

import pytest

from stemprep.service.jobs import STATES, Job
from stemprep.service.metrics import JobFigures, metrics_served
from stemprep.service.store import Store
from tests.service.receivers import free_port

pytest.importorskip("prometheus_client")

JOB = Job(
    job=0, inbox=Path("/in"), name="Slow Ferry Home", raw_name=b"Slow Ferry Home", spec="base",
    state="waiting", received_s=1000.0, audio_s=120.5,
)  # fmt: skip


def test_figures_are_served_on_the_loopback_interface_alone(tmp_path: Path) -> None:
    port = free_port()
    with Store(tmp_path) as store, metrics_served(store, port) as trouble:
        assert trouble == ""
        store.add(JOB)
        store.add(replace(JOB, state="delivered"))
        with urllib.request.urlopen(f"http://127.0.0.1:{port}/metrics", timeout=10) as answer:
            text = answer.read().decode()
    assert 'stemprep_jobs{state="waiting"} 1.0' in text
    assert 'stemprep_jobs{state="refused"} 0.0' in text
    assert "stemprep_audio_seconds_total 241.0" in text
    assert "Ferry" not in text
    with socket.socket() as client, pytest.raises(ConnectionRefusedError):
        client.connect(("127.0.0.1", port))  # closed with the block


def test_every_state_and_the_age_are_told(tmp_path: Path) -> None:
    with Store(tmp_path) as store:
        store.add(JOB)
        figures = {
            (sample.name, sample.labels.get("state")): sample.value
            for metric in JobFigures(store, clock=lambda: 1060.0).collect()
            for sample in metric.samples
        }
    assert all(("stemprep_jobs", state) in figures for state in STATES)
    assert figures["stemprep_oldest_waiting_seconds", None] == 60.0


def test_a_store_that_refuses_is_a_figure_too(tmp_path: Path) -> None:
    store = Store(tmp_path)
    store.close()
    samples = [sample for metric in JobFigures(store).collect() for sample in metric.samples]
    assert ("stemprep_store_readable", 0) in [(sample.name, sample.value) for sample in samples]


def test_a_port_in_use_is_told_and_stops_nothing(tmp_path: Path) -> None:
    with socket.socket() as other, Store(tmp_path) as store:
        other.bind(("127.0.0.1", 0))
        other.listen()
        with metrics_served(store, other.getsockname()[1]) as trouble:
            assert "cannot be opened for metrics" in trouble


def test_no_port_no_server(tmp_path: Path) -> None:
    with Store(tmp_path) as store, metrics_served(store, None) as trouble:
        assert trouble == ""
