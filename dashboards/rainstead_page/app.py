"""The addresses of the page. It asks, and lays out what it is told."""

import json
import logging
from collections.abc import Mapping
from importlib.resources import files
from typing import Any

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from rainstead import answers

from .keeping import Busy, Kept
from .laying import environment
from .query import BadQuery, read_query, read_stamp
from .screens import SCREENS

__all__ = ["make_app"]

_LISTS = {
    "/": "now",
    "/alarms": "alarms",
    "/storms": "storms",
    "/runs": "runs",
    "/rain": "rain",
    "/health": "health",
}
_SHEETS = {"/storms/": "storm", "/runs/": "run"}
_TITLES = {
    "now": "Now",
    "alarms": "Alarms",
    "storms": "Storms",
    "runs": "Pump runs",
    "rain": "Rain days",
    "health": "Health",
    "storm": "Storm",
    "run": "Pump run",
}
_REFRESH_S = {"now": 10, "alarms": 30, "health": 30}
_AGAIN_S = 3
_NOTHING_S = 10
_journal = logging.getLogger("rainstead.page")


def make_app(kept: Kept) -> Flask:
    """The page as a WSGI application; it is to stand behind `guarded`."""
    app = Flask("rainstead_page", static_folder=None, template_folder=None)
    app.url_map.merge_slashes = False
    templates = environment()
    nav = [(path, _TITLES[screen]) for path, screen in _LISTS.items()]

    def html(template: str, status: int = 200, **shown: Any) -> Response:
        shown = {"nav": nav, "here": "", "refresh_s": None, "title": "rainstead", "told": None, "answer": None} | shown
        text = templates.get_template(template).render(shown)
        return Response(text, status, content_type="text/html; charset=utf-8")

    def screen_page(screen: str, here: str, numbers: dict[str, int]) -> Response:
        told = kept.ask(screen, numbers)
        common: dict[str, Any] = {"title": _TITLES[screen], "here": here, "told": told, "numbers": numbers}
        if told.refused is not None:
            return html("nothing.html", 404, **common, said=told.refused)
        if told.answer is None:
            return html("nothing.html", 503, **common, said=None, refresh_s=_NOTHING_S)
        return html(f"{screen}.html", **common, answer=told.answer, refresh_s=_REFRESH_S.get(screen))

    def screen_json(screen: str, numbers: dict[str, int]) -> Response:
        told = kept.ask(screen, numbers)
        if told.refused is not None:
            return plain({"because": told.refused}, 404)
        if told.answer is None:
            return plain({"because": told.trouble}, 503)
        return plain(answers.to_plain(told.answer))

    def list_page(screen: str, here: str, *, as_json: bool) -> Response:
        numbers = read_query(_given(), SCREENS[screen].takes)
        return screen_json(screen, numbers) if as_json else screen_page(screen, here, numbers)

    def sheet_page(screen: str, here: str, at: str, *, as_json: bool) -> Response:
        read_query(_given(), ())
        numbers = {"at_ms": read_stamp(at)}
        return screen_json(screen, numbers) if as_json else screen_page(screen, here, numbers)

    def add(path: str, name: str, view: Any) -> None:
        app.add_url_rule(path, name, view, methods=["GET"], provide_automatic_options=False)

    for path, screen in _LISTS.items():
        short = "/now" if path == "/" else path
        add(path, screen, lambda screen=screen, path=path: list_page(screen, path, as_json=False))
        add(f"{short}.json", f"{screen}_json", lambda screen=screen, path=path: list_page(screen, path, as_json=True))
    for path, screen in _SHEETS.items():
        here = path.removesuffix("/")
        add(
            f"{path}<at>.json",
            f"{screen}_json",
            lambda at, screen=screen, here=here: sheet_page(screen, here, at, as_json=True),
        )
        add(
            f"{path}<at>",
            screen,
            lambda at, screen=screen, here=here: sheet_page(screen, here, at, as_json=False),
        )
    for name, kind in (("page.css", "text/css; charset=utf-8"), ("icon.svg", "image/svg+xml")):
        held = files("rainstead_page").joinpath("static", name).read_bytes()
        add(f"/{name}", name.replace(".", "_"), lambda held=held, kind=kind: Response(held, content_type=kind))

    @app.errorhandler(Exception)
    def said(error: Exception) -> Response:
        """Every end that is no answer: in words, and never with a traceback."""
        status, words, refresh_s = _in_words(error)
        if request.path.endswith(".json"):
            response = plain({"because": words}, status)
        else:
            # A page that says "wait" is no failure of the page, and it looks again by itself.
            shown = 202 if isinstance(error, Busy) else status
            response = html("nothing.html", shown, said=words, refresh_s=refresh_s, title="No answer")
        if status == 503:
            response.headers["Retry-After"] = str(refresh_s or _NOTHING_S)
        return response

    return app


def plain(told: Mapping[str, Any], status: int = 200) -> Response:
    """As JSON, laid out as the desk's."""
    text = json.dumps(told, indent=2, ensure_ascii=False, allow_nan=False)
    return Response(f"{text}\n", status, content_type="application/json")


def _given() -> dict[str, list[str]]:
    return dict(request.args.lists())


def _in_words(error: Exception) -> tuple[int, str, int | None]:
    match error:
        case BadQuery():
            return 400, f"That cannot be asked: {error}.", None
        case Busy():
            return 503, "This is being worked out; it takes a while on a small board.", _AGAIN_S
        case HTTPException(code=404):
            return 404, "There is no such page here.", None
        case HTTPException(code=int(code)) if 400 <= code < 500:
            return code, f"That cannot be asked here ({error.name}).", None
    _journal.error("a page could not be laid out", exc_info=error)
    return 503, f"This cannot be shown now ({type(error).__name__}); the journal says more.", _NOTHING_S
