"""A short outage with kills in every test run; `make soak` has the month."""

from pathlib import Path

import pytest
from influxd import Influxd
from outage_life import Life, live

pytestmark = pytest.mark.xdist_group("server")


@pytest.mark.slow
def test_days_without_a_server_and_kills_of_forwarder_and_server_lose_and_double_nothing(
    mortal_server: Influxd, tmp_path: Path
) -> None:
    report = live(
        tmp_path, mortal_server, Life(days=2, outage_s=2, kills=4, every_s=240, slow_s=0.1, seed=2, most_s=90)
    )
    assert report.log_is_the_twins
    assert report.comparison.examples == [] and report.comparison.agrees
    assert report.comparison.wanted > 5_000 and report.refused == 0
    assert report.killed_forwarder >= 2 and report.killed_server >= 1
