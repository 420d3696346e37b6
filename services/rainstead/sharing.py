"""Files in a folder that a group shares: what one user of the group leaves there must not lock another one out.

Who reads a log while no writer has it open makes SQLite lay a `-shm` and an empty `-wal` beside it, as files of the
reader's own with the log's mode, and they stay.
"""

import os
import stat
from pathlib import Path

__all__ = ["clear_the_way", "share"]

_GROUP = stat.S_IRGRP | stat.S_IWGRP


def share(path: Path) -> None:
    """In a folder that a group may write to and hands on to what is in it, the file is for that group, too.

    Then what SQLite leaves beside it for one user can be written, or rolled back, by another.
    """
    folder = path.parent.stat().st_mode
    if not (folder & stat.S_ISGID and folder & stat.S_IWGRP):
        return
    now = path.stat()
    if now.st_mode & _GROUP != _GROUP and now.st_uid == os.geteuid():
        path.chmod(stat.S_IMODE(now.st_mode) | _GROUP)


def clear_the_way(path: Path) -> None:
    """Take away what a reader left and we may not write; never a write-ahead log with anything in it.

    The caller has the writer's lock, so no writer has them in use. Raises OSError where the folder does not let us.
    """
    wal, shm = (path.with_name(path.name + part) for part in ("-wal", "-shm"))
    for part in (wal, shm):
        ours = not part.exists() or os.access(part, os.W_OK, effective_ids=True)
        if not ours and not (part == wal and part.stat().st_size):
            part.unlink()
