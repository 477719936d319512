"""Connections of HTTP before anybody knows who calls: a request must have begun and told its head within its time.

The server reads heads of any size, however slowly they come, and holds any number of connections. Here are the
limits for that. A body that is waited for is the affair of `gateway.doors.bodies`; what is left of one when its request
has been answered is thrown away here, and must have come in time too.
"""

import asyncio
from typing import Any, ClassVar

from uvicorn.protocols.http.httptools_impl import HttpToolsProtocol

from gateway.logs import log
from gateway.settings import Settings

HEAD_BYTES = 64 * 1024  # of a request's line and headers; other servers take 8 to 32 KiB (common practice)
DOOR = "http"


class _LimitedHttp(HttpToolsProtocol):
    """One connection; ended when its next request's head is too late or too large, or the rest of its last body is."""

    settings: ClassVar[Settings]

    def connection_made(self, transport: Any) -> None:
        """Take the connection, or close it where there are too many."""
        super().connection_made(transport)
        self._head, self._patience, self._has_rest = 0, None, False
        if len(self.connections) > self.settings.http_connections:
            self._refuse("too many connections")
        else:
            self._expect_head()

    def data_received(self, data: bytes) -> None:
        """Read on; what comes before the head is whole is counted, but for the rest of a body."""
        is_rest = self._has_rest
        super().data_received(data)
        if self._patience is not None and not is_rest:
            self._head += len(data)
            if self._head > HEAD_BYTES and not self.transport.is_closing():
                self._refuse("head too large")

    def on_message_begin(self) -> None:
        """A request begins: the first of the connection, or the next."""
        super().on_message_begin()
        self._expect_head()

    def on_headers_complete(self) -> None:
        """The head is whole."""
        self._expect_nothing()
        super().on_headers_complete()

    def on_message_complete(self) -> None:
        """The body is whole, whether anybody read it or not."""
        super().on_message_complete()
        self._has_rest = False

    def on_response_complete(self) -> None:
        """A request is answered: what is left of its body, and the next head, must come in time."""
        super().on_response_complete()
        if self.cycle.response_complete and not self.transport.is_closing():
            self._has_rest = self.cycle.more_body
            self._expect_head()

    def connection_lost(self, exc: Exception | None) -> None:
        """The connection is gone."""
        self._expect_nothing()
        super().connection_lost(exc)

    _head: int
    _patience: asyncio.TimerHandle | None
    _has_rest: bool  # whether the last request was answered before all of its body had come

    def _expect_head(self) -> None:
        self._expect_nothing()
        self._head = 0
        self._patience = self.loop.call_later(self.settings.request_seconds, self._too_late)

    def _expect_nothing(self) -> None:
        if self._patience is not None:
            self._patience.cancel()
            self._patience = None

    def _too_late(self) -> None:
        """End the connection, unless it is the next request that is late and the last one is still to be answered."""
        if self.cycle is not None and not self.cycle.response_complete:
            self._expect_head()
        else:
            self._refuse("body too slow" if self._has_rest else "head too slow")

    def _refuse(self, why: str) -> None:
        self._expect_nothing()
        address = self.client[0] if self.client else ""
        log("connection_refused", level="warning", door=DOOR, address=address, why=why)
        self.transport.close()


def limited_http(settings: Settings) -> type[HttpToolsProtocol]:
    """Give back the protocol of an HTTP server with these settings."""
    return type("LimitedHttp", (_LimitedHttp,), {"settings": settings})
