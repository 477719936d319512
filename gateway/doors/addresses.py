"""How often one address may ask, whatever it asks for; health alone is asked without end.

The count stands around the whole application, before anything of a request is looked at but where it comes from.
"""

from collections.abc import Callable
from datetime import datetime

from starlette.types import ASGIApp, Receive, Scope, Send

from gateway.doors.http import too_often
from gateway.doors.rates import buckets
from gateway.passwords import network_of

FREE = "/health/"  # whoever watches over the gateway must never be told to come later


class AddressRates:
    """An application whose requests are counted by address; over the rate they are 429 (RFC 6585, section 4)."""

    def __init__(self, app: ASGIApp, per_second: float, clock: Callable[[], datetime]) -> None:
        """Stand around `app`."""
        self._app = app
        self._buckets = buckets(per_second)
        self._clock = clock

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] == "http" and not scope["path"].startswith(FREE):
            address, _ = scope.get("client") or ("", 0)
            wait = self._buckets.take(network_of(address), self._clock())
            if wait is not None:
                return await too_often(wait)(scope, receive, send)
        return await self._app(scope, receive, send)
