"""By which names the page may be asked for.

A browser can be led to send requests here under a name that somebody else controls, and would then let that somebody
read what it gets. So a name that the owner has not given is refused.
"""

import ipaddress
import re
from collections.abc import Iterable

__all__ = ["is_allowed"]

_HEADER = re.compile(r"(?:\[(?P<six>[0-9A-Fa-f:.]{2,45})\]|(?P<name>[^\s:\[\]/@]{1,255}))(?::[0-9]{1,5})?", re.ASCII)
_LOOPBACK = {"localhost", "127.0.0.1", "::1"}


def is_allowed(header: str | None, listen: str, names: Iterable[str]) -> bool:
    """Whether a request with this Host header is meant for us.

    listen: the address that is listened on; one that stands for all of them lets any address pass, for an address is
    no name that another could take over. names: small letters, as the settings have them. The port does not matter: it
    may be another at the far end of a tunnel.
    """
    found = None if header is None else _HEADER.fullmatch(header)
    if found is None:
        return False
    asked = (found["six"] or found["name"]).lower().removesuffix(".")
    ours = {listen, *names}
    on = ipaddress.ip_address(listen)
    if on.is_loopback or on.is_unspecified:
        ours |= _LOOPBACK
    try:
        address = ipaddress.ip_address(asked)
    except ValueError:
        return asked in ours
    if (address.version == 6) != (found["six"] is not None):
        return False
    return str(address) in ours or (on.is_unspecified and on.version >= address.version)
