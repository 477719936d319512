"""How much the MLLP doors of one process take at once, over all listeners together.

Every limit is the operator's (`gateway.settings`). Who is over one is turned away or waits; nobody who is in is
put out for somebody else.
"""

import asyncio
from collections import Counter

from gateway.settings import Settings


class Capacity:
    """Counts connections, unanswered bytes and messages in work; one for all doors of a process."""

    def __init__(self, settings: Settings) -> None:
        self._settings = settings
        self._addresses: Counter[str] = Counter()
        self._unanswered = 0
        self.in_flight = asyncio.Semaphore(settings.messages_in_flight)

    @property
    def connections(self) -> int:
        """How many are open, those in the middle of their TLS handshake too."""
        return self._addresses.total()

    def why_full(self, address: str) -> str:
        """Say why a connection from this address cannot be taken; empty when it can."""
        if self._addresses.total() >= self._settings.connections_in_all:
            return "too-many-connections"
        if self._addresses[address] >= self._settings.connections_per_address:
            return "too-many-from-address"
        return ""

    def enter(self, address: str) -> None:
        """Count a connection from the moment it is accepted."""
        self._addresses[address] += 1

    def leave(self, address: str) -> None:
        """Count a connection no longer."""
        self._addresses[address] -= 1
        if not self._addresses[address]:
            del self._addresses[address]

    def hold(self, more: int) -> bool:
        """Count bytes that are not answered yet (negative: no longer); False where all together are over the limit."""
        self._unanswered += more
        return more <= 0 or self._unanswered <= self._settings.unanswered_bytes
