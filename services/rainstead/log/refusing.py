"""Who said no: the disk, which may let us later, or somebody who has to mend something first."""

import errno
from typing import Final

from rainstead.errors import DiskRefuses, LogError

__all__ = ["told"]

_OF_THE_DISK: Final = (
    errno.ENOSPC,
    errno.EDQUOT,
    errno.EROFS,
    errno.EIO,
    errno.EUCLEAN,
    errno.EBADMSG,
    # A stick that was pulled out may be plugged in again; what the kernel is short of, it may have later.
    errno.ENODEV,
    errno.ENXIO,
    errno.ESTALE,
    errno.EMFILE,
    errno.ENFILE,
    errno.ENOMEM,
)


def told(error: OSError, message: str) -> LogError:
    """An error with this message: DiskRefuses where waiting may help."""
    return DiskRefuses(message) if error.errno in _OF_THE_DISK else LogError(message)
