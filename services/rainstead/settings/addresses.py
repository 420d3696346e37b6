"""What is advised against an address that alarms go to, by the file that holds it. Nothing of what is in it is told."""

import ipaddress
from pathlib import Path
from urllib.parse import urlsplit

__all__ = ["address_advice"]

_PLAIN_WEB = {"http", "json", "xml", "form", "apprise", "gotify", "matrix", "rocket", "mmost"}
"""Kinds of address that go to a server of one's own without encryption, and with an s behind them with it."""


def address_advice(key: str, path: Path) -> list[str]:
    """Lines of advice. key: the setting that leads to the file."""
    try:
        mode = path.stat().st_mode
    except FileNotFoundError:
        return [f"{key} = {path}: is not there yet; put the address into it before the messenger starts"]
    except OSError:
        return []
    if mode & 0o077:
        return [
            f"{key} = {path}: can be read by others than its owner, so the messenger will refuse it; `chmod 600` it"
        ]
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
        parts = urlsplit(next((line.strip() for line in lines if line.strip() and not line.startswith("#")), ""))
        host = parts.hostname or ""
    except (OSError, ValueError):
        return []  # it may be another user's, who can read it
    scheme = parts.scheme.lower()
    if scheme in _PLAIN_WEB and not _is_loopback(host):
        return [
            f"{key} = {path}: is a plain web address ({scheme}://), and the sign-in page of a network on the way may "
            f"say yes to it in the receiver's place; use {scheme}s://, which proves who answers"
        ]
    # A mail address may ask for encryption in its own query.
    is_clear = scheme == "mqtt" or (scheme == "mailto" and "mode=" not in parts.query.lower())
    if is_clear and parts.password and not _is_loopback(host):
        return [f"{key} = {path}: sends its password in the clear ({scheme}://); use {scheme}s://"]
    return []


def _is_loopback(host: str) -> bool:
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return host == "localhost"
