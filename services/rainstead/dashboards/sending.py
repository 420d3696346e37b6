"""Putting the template into a server: once, and later again over what it made the first time."""

import json
from collections.abc import Callable
from typing import Any

from rainstead.errors import RainsteadError
from rainstead.forward import server_client
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
        return _send(_asking(client), forward)
    except ApiException as error:
        advice = {
            401: "the token is not accepted; name another with --token-file",
            403: "the token may not make dashboards and tasks; name an all-access token with --token-file",
            404: "there is no such organisation, or the server has no templates (version 2 of its interface has)",
        }.get(error.status, " ".join(str(error.body or error.reason).split())[:300])
        raise NotSent(f"{forward.url}: {error.status}: {advice}") from None
    except (urllib3.exceptions.HTTPError, OSError) as error:
        raise NotSent(f"{forward.url}: does not answer ({error}); check forward.url and the network") from None
    finally:
        client.close()


def _send(ask: Ask, forward: Forward) -> tuple[str, ...]:
    found = ask("GET", "/api/v2/orgs", query=[("org", forward.org)])["orgs"]
    if not found:
        raise NotSent(f"{forward.url}: there is no organisation {forward.org!r} that this token may see")
    org = found[0]["id"]
    stacks = ask("GET", "/api/v2/stacks", query=[("orgID", org), ("name", _STACK)])["stacks"]
    kept = [one["id"] for one in stacks if one["events"][-1]["eventType"] != "uninstall"]
    stack = kept[0] if kept else ask("POST", "/api/v2/stacks", {"orgID": org, "name": _STACK})["id"]
    body = {"orgID": org, "stackID": stack, "template": {"contents": template(forward.bucket)}}
    summary = ask("POST", "/api/v2/templates/apply", body)["summary"]
    dashboards, tasks = ([one["name"] for one in summary[kind]] for kind in ("dashboards", "tasks"))
    return (*dashboards, *tasks, *(one["check"]["name"] for one in summary["checks"]))


def _asking(client: Any) -> Ask:
    def ask(method: str, path: str, body: Any = None, query: Any = ()) -> Any:
        answer = client.api_client.call_api(
            path,
            method,
            query_params=list(query),
            header_params={"Content-Type": "application/json", "Accept": "application/json"},
            body=body,
            auth_settings=["TokenAuthentication"],
            _preload_content=False,
        )
        return json.loads(answer.data)

    return ask
