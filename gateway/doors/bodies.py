"""How long the body of an HTTP request may take, whichever address it is sent to.

A connection whose body never comes takes a place that another sender needs. The clock stands around the whole
application, so that no door and no page can forget it: who is too slow is answered 408 (RFC 9110, 15.5.9), and to
door and page it is as if he had hung up, which each of them must bear anyway.

It is an average that is asked, and only what is spent waiting for the sender counts: what came fast pays for a pause.
"""

import asyncio

from starlette.requests import ClientDisconnect
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from gateway.adapters.operation_outcome import issue_of_fault
from gateway.doors.http import outcome
from gateway.errors import SenderFault
from gateway.settings import Settings


class BodyClock:
    """An application whose requests get their bodies in time, or end."""

    def __init__(self, app: ASGIApp, settings: Settings) -> None:
        """Stand around `app`."""
        self._app = app
        self._settings = settings

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Serve one request."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        timed = _Timed(scope, receive, send, self._settings)
        try:
            await self._app(scope, timed.receive, timed.send)
        except ClientDisconnect:
            return  # nobody waits for an answer, or it was given already


class _Timed:
    """One request under the clock."""

    def __init__(self, scope: Scope, receive: Receive, send: Send, settings: Settings) -> None:
        self._scope, self._receive, self._send = scope, receive, send
        self._left, self._speed = settings.request_seconds, settings.body_bytes_per_second
        self._is_whole = self._is_late = self._is_answered = False

    async def receive(self) -> Message:
        """Give back the next piece of the body, or the sender's hanging up, which being late is taken for."""
        if self._is_whole:
            return await self._receive()
        begun = asyncio.get_running_loop().time()
        try:
            async with asyncio.timeout(self._left):
                message = await self._receive()
        except TimeoutError:
            return await self._end()
        spent = asyncio.get_running_loop().time() - begun
        self._left += len(message.get("body", b"")) / self._speed - spent
        self._is_whole = not message.get("more_body", False)
        return message

    async def send(self, message: Message) -> None:
        """Pass the answer on, unless another was given."""
        if not self._is_late:
            self._is_answered = True
            await self._send(message)

    async def _end(self) -> Message:
        self._is_whole = self._is_late = True
        if not self._is_answered:
            fault = SenderFault("the body came too slowly", code="payload-too-slow", remedy="send it again")
            late = outcome(408, [issue_of_fault(fault, code="timeout")], Connection="close")
            await late(self._scope, self._receive, self._send)
        return {"type": "http.disconnect"}
