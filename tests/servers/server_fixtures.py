"""The real servers for tests: one process for the session, a bucket for each test."""

import os
from collections.abc import Iterator

import pytest
from influxd import Influxd, Influxd1, NoServer

__all__ = ["bucket", "mortal_server", "real_server", "server_1"]


def _missing(why: str) -> None:
    if os.environ.get("RAINSTEAD_TEST_SERVER_NEEDED"):
        pytest.fail(why)
    pytest.skip(why)


@pytest.fixture(scope="session")
def real_server() -> Iterator[Influxd]:
    """InfluxDB 2.8, built and started; or the server that RAINSTEAD_TEST_SERVER_URL, _ORG and _TOKEN name."""
    url = os.environ.get("RAINSTEAD_TEST_SERVER_URL")
    try:
        asked = (os.environ.get("RAINSTEAD_TEST_SERVER_ORG"), os.environ.get("RAINSTEAD_TEST_SERVER_TOKEN"))
        server = Influxd() if url is None else Influxd(url, *asked)
    except NoServer as error:
        _missing(str(error))
    yield server
    server.close()


@pytest.fixture
def mortal_server() -> Iterator[Influxd]:
    """One to kill, with nothing in it: one whose organisations came and went with tasks does not start again."""
    if os.environ.get("RAINSTEAD_TEST_SERVER_URL") is not None:
        pytest.skip("RAINSTEAD_TEST_SERVER_URL names a server, and that is not ours to kill")
    try:
        server = Influxd()
    except NoServer as error:
        _missing(str(error))
    yield server
    server.close()


@pytest.fixture(scope="session")
def server_1() -> Iterator[Influxd1]:
    """InfluxDB 1.8."""
    try:
        server = Influxd1()
    except NoServer as error:
        _missing(str(error))
    yield server
    server.close()


@pytest.fixture
def bucket(real_server: Influxd) -> Iterator[str]:
    """An empty bucket of the real server."""
    name = real_server.new_bucket()
    yield name
    real_server.drop_bucket(name)
