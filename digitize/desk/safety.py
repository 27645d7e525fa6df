"""Who may talk to the desk: this machine's own page, and nobody else.

Other pages in the same browser can send requests to a loopback address, and a name of theirs can be made to point at it
(DNS rebinding); so the Host and the Origin are checked, and whatever is of the plan needs the token of this start.
"""

from __future__ import annotations

import hmac
import json

from starlette.datastructures import Headers, MutableHeaders
from starlette.types import ASGIApp, Message, Receive, Scope, Send

LARGEST_BODY = 64 * 1024  # bytes of one request
POLICY = "; ".join(
    (
        "default-src 'none'",
        "script-src 'self'",
        "style-src 'self'",
        "img-src 'self' blob:",
        "connect-src 'self'",
        "base-uri 'none'",
        "form-action 'none'",
        "frame-ancestors 'none'",
        "require-trusted-types-for 'script'",
    )
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Cache-Control": "no-store",
}
OPEN_METHODS = ("GET", "HEAD")
OPEN_SITES = ("same-origin", "none")


class OnlyThisPage:
    """Lets through what comes from the desk's own page with its token."""

    def __init__(self, app: ASGIApp, port: int, token: str) -> None:
        """Guard an application that is served at a port of the loopback address."""
        self.app = app
        self.hosts = (f"127.0.0.1:{port}", f"localhost:{port}")
        self.origins = tuple(f"http://{host}" for host in self.hosts)
        self.token = token

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass a request on, or refuse it."""
        if scope["type"] != "http":
            return

        async def guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                MutableHeaders(scope=message).update(HEADERS)
            await send(message)

        fault = self._fault(scope["path"], scope["method"], Headers(scope=scope))
        if fault is None:
            await self.app(scope, receive, guarded)
        else:
            await _refuse(guarded, *fault)

    def _fault(self, path: str, method: str, headers: Headers) -> tuple[int, str] | None:
        """Return the status and the reason to refuse a request, if any."""
        if headers.getlist("host") not in ([self.hosts[0]], [self.hosts[1]]):
            return 400, "This is not the address of the desk."
        origin = headers.get("origin")
        if (origin is not None and origin not in self.origins) or self._foreign(method, headers):
            return 403, "Another page may not talk to the desk."
        if path.startswith("/api/") and not self._has_token(headers):
            return 401, "Open the desk by the whole address that the command printed."
        if method not in OPEN_METHODS:
            return _body_fault(headers)
        return None

    def _foreign(self, method: str, headers: Headers) -> bool:
        site = headers.get("sec-fetch-site")
        return method not in OPEN_METHODS and site is not None and site not in OPEN_SITES

    def _has_token(self, headers: Headers) -> bool:
        sent = headers.get("authorization", "").removeprefix("Bearer ")
        return hmac.compare_digest(sent.encode("latin-1", "replace"), self.token.encode())


def _body_fault(headers: Headers) -> tuple[int, str] | None:
    """Return the fault of a body: its length has to be told and small, and it has to be JSON."""
    length = headers.get("content-length", "")
    if not length.isdecimal():
        return 411, "The length of the request is missing."
    if int(length) > LARGEST_BODY:
        return 413, f"A request may hold {LARGEST_BODY} bytes."
    if headers.get("content-type", "").split(";")[0].strip() != "application/json":
        return 415, "A request holds JSON."
    return None


async def _refuse(send: Send, status: int, text: str) -> None:
    body = json.dumps({"text": text}).encode()
    kind, length = (b"content-type", b"application/json"), (b"content-length", str(len(body)).encode())
    await send({"type": "http.response.start", "status": status, "headers": [kind, length]})
    await send({"type": "http.response.body", "body": body})
