"""The page's reader: nothing from before the time it was opened for, and little at once, however it is asked."""

from pathlib import Path

import numpy as np
import pytest
from board_site import SLOW_SITE
from said_log import write_said

from rainstead.log import LogReader
from rainstead.settings import parse_settings
from rainstead_page import latelog
from rainstead_page.latelog import LateLog

START_MS = 1_780_000_000_000
EVERY_MS = 10_000


@pytest.mark.parametrize("from_row", [None, 500])
@pytest.mark.parametrize("after_row", [None, 300, 700])
def test_a_late_log_gives_what_the_whole_one_gives_from_its_time_on_in_pieces(
    from_row: int | None, after_row: int | None, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(latelog, "_MOST_ROWS", 50)
    t_ms = [START_MS + EVERY_MS * k for k in range(1000)]
    path = tmp_path / "readings.db"
    write_said(path, parse_settings(SLOW_SITE, "test"), {"level": [(t, 900.0, 0) for t in t_ms]})
    after_ms = None if after_row is None else t_ms[after_row]
    expected = t_ms[max(-1 if row is None else row for row in (from_row, after_row)) + 1 :]
    with LateLog(path, None if from_row is None else t_ms[from_row]) as log:
        pieces = [batch.t_ms for batch in log.batches(after_ms=after_ms)]
        with_trust = [batch.t_ms for batch, _ in log.batches_with_trust(after_ms=after_ms)]
        rows = [readings["t_ms"] for readings in log.rows(after_ms=after_ms)]
        assert log.span_ms() == (t_ms[0], t_ms[-1])  # what there is at all is no reading
    for asked in (pieces, with_trust, rows):
        assert np.concatenate(asked).tolist() == expected
        assert max(map(len, asked)) <= 50
    with LogReader(path) as log:
        assert len(list(log.batches())) == 1, "pieces are the page's own"
