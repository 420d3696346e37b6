"""A short life under faults in every test run; `make soak` has the long ones."""

from pathlib import Path

import pytest
from stress import Stress


@pytest.mark.slow
@pytest.mark.timeout(600)
def test_a_site_under_random_faults_agrees_with_the_truth(tmp_path: Path) -> None:
    report = Stress(tmp_path, seed=3, hours=0.2).run()
    assert report.wrong == []
    assert sum(report.faults.values()) >= 3
    assert report.tips > 20 and report.pulses > 10_000
