"""Who may ask: this machine's user, who holds the token, in a page of ours.

The address is that of this machine only, but every program and every web page that its browser opens can reach it. A
token keeps out programs and pages that don't know it; the name of the host keeps out pages whose name was pointed at
this machine meanwhile (DNS rebinding); the origin keeps pages of others from posting.
"""

from __future__ import annotations

import hmac
import secrets
from typing import TYPE_CHECKING
from urllib.parse import urlencode

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

HOST = "127.0.0.1"

_LARGEST = 64 * 1024  # bytes of a request; questions are small

_HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self';"
        " base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}


def new_token() -> str:
    """Return a token that nobody can guess."""
    return secrets.token_urlsafe(32)


class Guard:
    """Refuses every request that is not the user's own.

    Parameters
    ----------
    app
        What answers the others.
    token
        That each has to carry: in the address first, which makes a cookie of it, in the cookie from then on.
    port
        On which the page is served.
    """

    def __init__(self, app: ASGIApp, token: str, port: int) -> None:
        self._app, self._token = app, token
        self._hosts = {f"{HOST}:{port}", f"localhost:{port}"}
        # cookies know no ports: two pages at a time would take each other's
        self.cookie = f"calib_{port}"

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer a request, or refuse it."""
        from starlette.datastructures import MutableHeaders
        from starlette.requests import Request

        if scope["type"] == "lifespan":
            await self._app(scope, receive, send)
            return
        if scope["type"] != "http":
            raise RuntimeError("The page speaks plain HTTP only.")

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in _HEADERS.items():
                    headers[name] = value
            await send(message)

        answer = self._answer(Request(scope))
        await (self._app if answer is None else answer)(scope, receive, send_guarded)

    def _answer(self, request: Request) -> Response | None:
        """What is said instead of the app's answer; None if the request may pass."""
        from starlette.responses import PlainTextResponse, RedirectResponse

        host = request.headers.get("host", "")
        if host not in self._hosts:
            return _refused("This page is served to this machine under its own address only.")
        in_query = request.query_params.get("token")
        in_cookie = request.cookies.get(self.cookie)
        if not (self._same(in_query) or self._same(in_cookie)):
            return _refused("The token is missing or wrong: open the address that calib view printed.")
        if request.method not in ("GET", "HEAD"):
            if request.headers.get("origin") != f"http://{host}":
                return _refused("Only this page itself may ask that.")
            try:
                size = int(request.headers.get("content-length", ""))
            except ValueError:
                size = -1
            if not 0 <= size <= _LARGEST:
                return PlainTextResponse("This question is too long, or does not say how long it is.", 413)
        if in_query is None or request.method != "GET":
            return None
        # out of the address at once, so that it stands in no history and no picture of the screen
        rest = [(key, value) for key, value in request.query_params.multi_items() if key != "token"]
        path = "/" + request.url.path.lstrip("/\\")
        answer = RedirectResponse(path + (f"?{urlencode(rest)}" if rest else ""), 303)
        answer.set_cookie(self.cookie, self._token, httponly=True, samesite="strict", path="/")
        return answer

    def _same(self, token: str | None) -> bool:
        return token is not None and hmac.compare_digest(token.encode(), self._token.encode())


def _refused(why: str) -> Response:
    from starlette.responses import PlainTextResponse

    return PlainTextResponse(why, 403)
