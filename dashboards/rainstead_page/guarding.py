"""What holds for every request and every response, whatever the page itself does."""

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from wsgiref.types import StartResponse, WSGIApplication, WSGIEnvironment

__all__ = ["HEADERS", "guarded"]

HEADERS = {
    # Nothing but its own style sheet and picture, no script at all, no form, never inside another page.
    "Content-Security-Policy": "default-src 'none'; style-src 'self'; img-src 'self'; base-uri 'none'; "
    "form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
}
_READING = ("GET", "HEAD")


def guarded(page: "WSGIApplication", allows: Callable[[str | None], bool]) -> "WSGIApplication":
    """The page behind its checks. allows: whether a Host header is one of ours."""

    def application(environ: "WSGIEnvironment", start_response: "StartResponse") -> Iterable[bytes]:
        def begin(status: str, headers: list[tuple[str, str]], *rest: Any) -> Any:
            kept = [(name, value) for name, value in headers if name.title() not in ("Server", *HEADERS)]
            return start_response(status, [*kept, *HEADERS.items()], *rest)

        if not allows(environ.get("HTTP_HOST")):
            told = "This page is not known by that name. page.names in site.toml lists the names that it may have."
            return _refuse(begin, environ, "400 Bad Request", told)
        if environ["REQUEST_METHOD"] not in _READING:
            told = "This page can be read only."
            return _refuse(begin, environ, "405 Method Not Allowed", told, ("Allow", "GET, HEAD"))
        return page(environ, begin)

    return application


def _refuse(
    begin: Callable[..., Any], environ: "WSGIEnvironment", status: str, told: str, *more: tuple[str, str]
) -> list[bytes]:
    body = f"{told}\n".encode()
    begin(status, [("Content-Type", "text/plain; charset=utf-8"), ("Content-Length", str(len(body))), *more])
    return [] if environ["REQUEST_METHOD"] == "HEAD" else [body]
