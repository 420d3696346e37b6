"""A CSV file to be imported: rows in order come of it, or ImportRefused with the lines that will not do."""

import atexit
import shutil
import tempfile
from itertools import pairwise
from pathlib import Path

from rainstead.errors import ImportRefused
from rainstead.importing.csvfile import read_rows
from rainstead.settings import parse_settings, starter

LONGEST = 2048
NOW_MS = 1_790_000_000_000
SETTINGS = parse_settings(starter(), "site.toml")
FOLDER = Path(tempfile.mkdtemp(prefix="fuzz-import-"))
atexit.register(shutil.rmtree, FOLDER, True)


def seeds() -> list[bytes]:
    """Good files in several dresses, and bad ones."""
    names = sorted(SETTINGS.sensors)
    good = "utc,sensor,value\n" + "".join(
        f"2026-05-0{day}T0{hour}:00:00Z,{name},{value}\n"
        for day in (1, 2)
        for hour, name, value in ((1, names[0], "1"), (2, names[-1], "1234.5"), (3, names[1], "17"))
    )
    return [
        good.encode(),
        b"\xef\xbb\xbf" + good.replace("\n", "\r\n").encode(),
        b"value,utc,sensor\n12,2026-05-01 01:00:00+02:00," + names[0].encode() + b"\n",
        b'utc,sensor,value\n"2026-05-01T01:00:00Z","' + names[0].encode() + b'","1"\n',
        b"utc,sensor,value\n2026-05-01T01:00:00Z,nobody,1\n,,\n1e9,x,nan\n",
        b"utc;sensor;value\n",
        b"",
    ]


def one(data: bytes) -> None:
    """Through a file, as a person gives it."""
    path = FOLDER / "readings.csv"
    path.write_bytes(data)
    try:
        rows = read_rows(path, SETTINGS, NOW_MS, lambda _: None)
    except ImportRefused as error:
        assert str(error).startswith(str(path)), error
        return
    key = rows.key().tolist()
    assert key and all(earlier < later for earlier, later in pairwise(key))
    assert max(rows.t_ms.tolist()) <= NOW_MS + 86_400_000
