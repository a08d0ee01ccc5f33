"""Copies under way, told live to a running service: each is delivered once, and whole.

The takes are those of the recorded arrival cases where these lie beside the project, else generated
ones of the same size.
"""

from __future__ import annotations

import os
import tarfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path

import pytest
import soundfile

from stemprep.service.notices import Notices
from stemprep.service.service import Service
from stemprep.service.state_folder import state_folder
from stemprep.service.store import Store
from tests import signals
from tests.end_to_end.field_cases import CASES
from tests.service.studio import Studio, hurry

SETTLE_S = 0.8
LYING, BURST = 2, 5
DROPS = LYING + BURST + 3
OLD = (10**18, 10**18)


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> bytes:
    """Bytes of one whole take of two seconds."""
    folder = tmp_path_factory.mktemp("take")
    if CASES.is_dir():
        with tarfile.open(CASES / "cases.tar.gz") as archive:
            member = next(name for name in archive.getnames() if name.endswith("/final.wav"))
            stream = archive.extractfile(member)
            assert stream is not None
            return stream.read()
    sound = signals.pluck(peak_dbfs=-6, seconds=2, seed=1)
    signals.write_wav(folder / "take.wav", sound)
    return (folder / "take.wav").read_bytes()


@contextmanager
def running(studio: Studio) -> Iterator[None]:
    """Have the service run in a thread of its own."""
    with state_folder(studio.config.state), Store(studio.config.state) as store:
        service = Service(config=studio.config, store=store, notices=Notices(()))
        thread = threading.Thread(target=service.run)
        thread.start()
        try:
            yield
        finally:
            service.stop()
            thread.join()


def slow_copy(target: Path, content: bytes) -> None:
    step = len(content) // 10 + 1
    for begin in range(0, len(content), step):
        with target.open("ab") as stream:
            stream.write(content[begin : begin + step])
        time.sleep(0.1)


def presized_copy(target: Path, content: bytes) -> None:
    """Header and size are right from the start; the second half is silence until it is filled."""
    half = len(content) // 2
    target.write_bytes(content[:half] + bytes(len(content) - half))
    os.utime(target, ns=OLD)
    step = half // 8
    for begin in range(half, len(content), step):
        time.sleep(0.15)
        with target.open("r+b") as stream:
            stream.seek(begin)
            stream.write(content[begin : begin + step])
        os.utime(target, ns=OLD)


def pause_copy(target: Path, content: bytes) -> None:
    """A pause beyond the settle time, with the file closed: nobody can tell it from the end."""
    half = len(content) // 2
    target.write_bytes(content[:half])
    time.sleep(3 * SETTLE_S)
    with target.open("ab") as stream:
        stream.write(content[half:])


@pytest.mark.parametrize("is_polled", [False, True])
def test_takes_arrive_in_every_way_while_others_lie_there(
    tmp_path: Path, take: bytes, monkeypatch: pytest.MonkeyPatch, is_polled: bool
) -> None:
    hurry(monkeypatch)
    studio = Studio.built(tmp_path, spec="base", settle_s=SETTLE_S, is_polled=is_polled)
    studio.config = replace(studio.config, rescan_s=1.0)
    for number in range(LYING):
        studio.drop(f"already there {number}", seed=number)
    ways: dict[str, Callable[[Path, bytes], None]] = {
        way.__name__: way for way in (slow_copy, presized_copy, pause_copy)
    }
    copies = []
    for name, way in ways.items():
        (studio.inbox / name).mkdir()
        copies.append(threading.Thread(target=way, args=(studio.inbox / name / "take.wav", take)))
    with running(studio):
        for copy in copies:
            copy.start()
        for number in range(BURST):
            studio.drop(f"burst {number:02}", seed=100 + number)
        for copy in copies:
            copy.join()
        end_s = time.monotonic() + 90
        while not _all_done(studio, DROPS) and time.monotonic() < end_s:
            time.sleep(0.1)
    states = studio.states()
    assert len(states) == DROPS
    assert set(states.values()) == {"delivered"}
    delivered = [job.name for job in studio.jobs() if job.state == "delivered"]
    assert sorted(delivered) == sorted(states)  # each once
    studio.require_only_whole_packages()
    for name in ways:
        (package,) = (studio.out / job.package for job in studio.jobs() if job.name == name
                      and job.state == "delivered")  # fmt: skip
        (written,) = package.rglob("take*.wav")
        whole, _ = soundfile.read(written)
        assert (studio.inbox / name / "take.wav").read_bytes() == take
        assert len(whole) == 96_000
        assert abs(whole[-24_000:]).max() > 0


def _all_done(studio: Studio, drops: int) -> bool:
    states = studio.states()
    return len(states) == drops and set(states.values()) == {"delivered"}
