"""What a browser is told not to do, and what it may not send: headers, same-origin forms, small bodies.

Three ASGI layers, each knowing nothing of the pages inside it. Outermost first:

    SecureHeaders → OwnForms → SmallBodies → the pages

* Everything is first-party: no script, no inline style, no frame, no foreign image or form target.
* A page may show what is going on in a region: no cache keeps it. Files of ours are revalidated each time.
* A request that changes something must come from our own pages. The cookie is SameSite=Strict already; this
  is the second lock.
* A form of ours is a few hundred bytes. What is larger is not read.
"""

import re
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

#: W3C Content Security Policy Level 3; `frame-ancestors`, `form-action` and `base-uri` do not fall back to
#: `default-src`, so each is named.
CONTENT_POLICY = (
    "default-src 'none'; style-src 'self'; img-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
)
#: RFC 6797 section 6.1: one year. Sub-domains are the operator's affair.
TRANSPORT_POLICY = "max-age=31536000"
#: `same-origin`, not `no-referrer`: under the latter a browser sends `Origin: null` with our own forms
#: (Fetch, "append a request Origin header").
HEADERS = {
    "content-security-policy": CONTENT_POLICY,
    "x-content-type-options": "nosniff",
    "x-frame-options": "DENY",
    "referrer-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), geolocation=(), microphone=()",
}
SAFE_METHODS = frozenset({"GET", "HEAD", "OPTIONS"})
BODY_BYTES = 4096
_LENGTH = re.compile(r"[0-9]{1,9}")  # RFC 9110 section 8.6; nothing of ten digits is under a limit of ours


class SecureHeaders:
    """Adds the headers to every answer; `https` says whether the region's address is an encrypted one."""

    def __init__(self, app: ASGIApp, *, https: bool) -> None:
        self._app = app
        self._headers = HEADERS | ({"strict-transport-security": TRANSPORT_POLICY} if https else {})

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""

        async def send_with_headers(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in self._headers.items():
                    headers[name] = value
                headers.setdefault("cache-control", "no-store")
            await send(message)

        await self._app(scope, receive, send_with_headers if scope["type"] == "http" else send)


class OwnForms:
    """Refuses with 403 a request that changes something and was not made by a page of this address."""

    def __init__(self, app: ASGIApp) -> None:
        self._app = app

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] == "http" and scope["method"] not in SAFE_METHODS and not is_own(Headers(scope=scope)):
            refusal = PlainTextResponse("This form came from another site. Open the page anew and try again.", 403)
            return await refusal(scope, receive, send)
        return await self._app(scope, receive, send)


def is_own(headers: Headers) -> bool:
    """Whether a request was made by a page of the address it was sent to.

    `Sec-Fetch-Site` is the browser's own word (W3C Fetch Metadata); `none` is a person's doing, not a
    site's. Without it `Origin` must name the host of the request; its scheme is not compared, since TLS may
    end before us. A client that sends neither is no browser of this decade, and carries no one's cookie
    against his will.
    """
    if site := headers.get("sec-fetch-site"):
        return site in {"same-origin", "none"}
    origin = headers.get("origin")
    return origin is None or (bool(urlsplit(origin).netloc) and urlsplit(origin).netloc == headers.get("host"))


class SmallBodies:
    """Refuses with 413 a body over the limit, whether its length is told beforehand or not."""

    def __init__(self, app: ASGIApp, *, limit: int = BODY_BYTES) -> None:
        self._app = app
        self._limit = limit

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return await self._app(scope, receive, send)
        length = Headers(scope=scope).get("content-length", "0")
        if not _LENGTH.fullmatch(length) or int(length) > self._limit:
            return await _TOO_LARGE(scope, receive, send)
        return await self._watch(scope, receive, send)

    async def _watch(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on and count what arrives. Our pages read a form whole before they answer."""
        taken = 0

        async def receive_counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > self._limit:
                raise _BodyTooLarge
            return message

        try:
            await self._app(scope, receive_counted, send)
        except _BodyTooLarge:
            await _TOO_LARGE(scope, receive, send)


class _BodyTooLarge(Exception):
    """Ends the reading of a body; never leaves this module."""


#: To close at once would reset the connection under what is still being sent, and the answer be lost with it
#: (RFC 9112, 9.6); what comes of such a body is thrown away, and only for a while (`gateway.doors.http_connections`).
_TOO_LARGE = PlainTextResponse("The form is larger than any of ours.", 413)
