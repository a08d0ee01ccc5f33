"""Stores on this machine, shared by the tests of one module."""

from __future__ import annotations

from collections.abc import Iterator

import pytest

from tests.transfer.servers import S3Service, SftpHost, s3_service, sftp_host


@pytest.fixture(scope="module")
def s3() -> Iterator[S3Service]:
    with s3_service() as service:
        yield service


@pytest.fixture(scope="module")
def sftp(tmp_path_factory: pytest.TempPathFactory) -> Iterator[SftpHost]:
    place = tmp_path_factory.mktemp("host")
    with sftp_host(place / "root", place) as host:
        yield host
