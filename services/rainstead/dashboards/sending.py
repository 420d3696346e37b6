"""Putting the template into a server: once, and later again over what it made the first time."""

import json
from collections.abc import Callable
from typing import Any

from rainstead.errors import RainsteadError
from rainstead.forward import body_words, server_client, trouble_words
from rainstead.settings import Forward

from .template import template

__all__ = ["NotSent", "send"]

_STACK = "rainstead"
Ask = Callable[..., Any]
"""method, path, body, query in; JSON out."""


class NotSent(RainsteadError):
    """The server did not take the dashboards; says why and what to do."""


def send(forward: Forward, token: str, ca_file: str | None = None) -> tuple[str, ...]:
    """Apply the template for `forward.bucket` as the stack `rainstead`; the names of what is there now.

    What was sent before is brought up to date, and nothing is there twice. Raises NotSent.
    """
    import urllib3
    from influxdb_client.rest import ApiException

    client: Any = server_client(
        url=forward.url, org=forward.org, token=token, timeout_s=30, ca_file=ca_file, proxy=forward.proxy, retries=False
    )
    try:
        return _send(_asking(client, forward.url), forward)
    except ApiException as error:
        said = body_words(error.body, error.reason)
        lacks = (
            "the token is not accepted, or may not make dashboards and tasks; name one with all access by --token-file"
        )
        advice = {
            401: lacks,
            403: lacks,
            404: "the server has no templates; version 2 of its interface has",
            # Rights that are lacking for a part of the template come as an error of the server's own.
            500: f"{lacks} ({said})" if "unauthorized" in said else said,
        }.get(error.status, said)
        raise NotSent(f"{forward.url}: {error.status}: {advice}") from None
    except (urllib3.exceptions.HTTPError, OSError) as error:
        raise NotSent(
            f"{forward.url}: does not answer ({trouble_words(error)}); check forward.url and the network"
        ) from None
    finally:
        client.close()


def _send(ask: Ask, forward: Forward) -> tuple[str, ...]:
    orgs = _found(ask, "orgs", ("org", forward.org))
    if not orgs:
        raise NotSent(
            f"{forward.url}: there is no organisation {forward.org!r} that this token may see "
            "(or the server is of an older kind, without organisations and templates); "
            "check forward.org, and name a token with all access by --token-file"
        )
    org = orgs[0]["id"]
    if not _found(ask, "buckets", ("orgID", org), ("name", forward.bucket)):
        raise NotSent(
            f"{forward.url}: there is no bucket {forward.bucket!r} in {forward.org!r} that this token may see; "
            "make it, or check forward.bucket and the token"
        )
    stacks = ask("GET", "/api/v2/stacks", query=[("orgID", org), ("name", _STACK)])["stacks"]
    kept = [one["id"] for one in stacks if one["events"][-1]["eventType"] != "uninstall"]
    stack = kept[0] if kept else ask("POST", "/api/v2/stacks", {"orgID": org, "name": _STACK})["id"]
    body = {"orgID": org, "stackID": stack, "template": {"contents": template(forward.bucket)}}
    answer = ask("POST", "/api/v2/templates/apply", body)
    if answer.get("errors"):
        # It says so with 200, and has taken nothing.
        raise NotSent(f"{forward.url}: the server does not take the template: {answer['errors'][0]['reason']}")
    summary = answer["summary"]
    dashboards, tasks = ([one["name"] for one in summary[kind]] for kind in ("dashboards", "summaryTask"))
    return (*dashboards, *tasks, *(one["check"]["name"] for one in summary["checks"]))


def _found(ask: Ask, kind: str, *query: tuple[str, str]) -> list[Any]:
    """A name that is not there is an empty list to some servers and 404 to others."""
    from influxdb_client.rest import ApiException

    try:
        return list(ask("GET", f"/api/v2/{kind}", query=query).get(kind) or ())
    except ApiException as error:
        if error.status != 404:
            raise
        return []


def _asking(client: Any, url: str) -> Ask:
    def ask(method: str, path: str, body: Any = None, query: Any = ()) -> Any:
        answer = client.api_client.call_api(
            path,
            method,
            query_params=list(query),
            header_params={"Content-Type": "application/json", "Accept": "application/json"},
            body=body,
            _return_http_data_only=True,
            _preload_content=False,
        )
        try:
            said = json.loads(answer.data)
        except ValueError:
            said = None
        if not isinstance(said, dict):
            raise NotSent(f"{url}: what answers there does not speak the InfluxDB 2 interface; check forward.url")
        return said

    return ask
