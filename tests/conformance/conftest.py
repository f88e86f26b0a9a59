"""The running service that the clauses are tried on."""

from collections.abc import Iterator
from pathlib import Path

import httpx
import pytest

from tests.conformance.service import Service
from tests.service_process import RunningService, service_is_built, start_service

NOT_BUILT = "service not built yet"


@pytest.fixture(scope="session")
def running_service(tmp_path_factory: pytest.TempPathFactory) -> Iterator[RunningService]:
    """One process for all tests of a run."""
    if not service_is_built():
        pytest.skip(NOT_BUILT)
    with start_service(tmp_path_factory.mktemp("service")) as running:
        yield running


@pytest.fixture(scope="session")
def service_url(running_service: RunningService) -> str:
    """Base address of the running service."""
    return running_service.url


@pytest.fixture(scope="session")
def client(service_url: str) -> Iterator[httpx.Client]:
    """A client whose base address is the running service."""
    with httpx.Client(base_url=service_url, timeout=30.0) as client:
        yield client


@pytest.fixture(scope="session")
def service(running_service: RunningService, client: httpx.Client) -> Service:
    """The running service as the probes speak to it."""
    return Service(client, running_service.data_dir)


@pytest.fixture(scope="session")
def data_path(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A directory for a second service with settings of its own."""
    return tmp_path_factory.mktemp("second-service")
