"""Waiting for something to become true, with a limit; between two looks the machine is left to others."""

import threading
import time
from collections.abc import Callable

LIMIT = 60.0
_PAUSE = threading.Event()


def until(true: Callable[[], bool], what: str, *, limit: float = LIMIT) -> None:
    """Return as soon as `true` gives True. Fails after `limit` seconds."""
    end = time.monotonic() + limit
    while not true():
        assert time.monotonic() < end, f"waited too long for {what}"
        _PAUSE.wait(0.02)
