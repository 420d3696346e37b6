"""The one way to a server: influxdb-client, with TLS checked and answers packed."""

from typing import Any

__all__ = ["server_client"]


def server_client(
    *, url: str, org: str, token: str, timeout_s: float, ca_file: str | None, proxy: str | None, retries: bool
) -> Any:
    """An InfluxDBClient. retries: whether the transport may ask again by itself, which only a question may."""
    from influxdb_client.client.influxdb_client import InfluxDBClient

    how: dict[str, Any] = {} if retries else {"retries": False}
    return InfluxDBClient(
        url=url.rstrip("/"),
        token=token,
        org=org,
        timeout=round(timeout_s * 1000),
        enable_gzip=True,
        verify_ssl=True,
        ssl_ca_cert=ca_file,
        proxy=proxy,
        **how,
    )
