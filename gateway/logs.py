"""Log lines are events with named fields, never sentences; a field that is not on the list is refused.

Every event and every field it may carry stands in `EVENTS`, so that lines can be counted, and so that a
person's data cannot slip in: ids of ours, names of feeds and subscriptions, codes, counts and times only.
Two events alone hold words, and only our own: `notice`, what the operator must read once, and `failed`, the
fault that ended the process.
Lines go to standard error as JSON, one a line.
"""

import logging
import sys
from typing import Any, TextIO

import structlog

#: Event → the fields it may carry. DEVELOPERS.md lists them too.
EVENTS: dict[str, frozenset[str]] = {
    name: frozenset(fields.split())
    for name, fields in {
        "notice": "says",
        "started": "region doors version",
        "stopping": "signal",
        "stopped": "",
        "account_made": "account",
        "sign_in_failed": "address",
        "signed_in": "account",
        "connection_opened": "door address",
        "connection_closed": "door address why frames",
        "connection_refused": "door address why times",
        "handshake_failed": "door address why times",
        "certificate_taken": "door expires",
        "certificate_refused": "door why",
        "message_kept": "feed door kind outcome code findings milliseconds",
        "message_refused": "feed door code",
        "submission_settled": "feed code milliseconds",
        "stage_changed": "feed stage",
        "file_taken": "feed outcome records findings milliseconds",
        "folder_closed": "feed folder why",
        "folder_open": "feed",
        "delivery_made": "delivery subscription attempt milliseconds",
        "delivery_lost": "delivery subscription attempt reason wait_seconds",
        "delivery_held": "delivery subscription attempt reason error",
        "worker_failed": "worker error",
        "request_failed": "error",
        "library_complained": "library error place",
        "store_failed": "error",
        "failed": "says",
    }.items()
}


def set_up(stream: TextIO | None = None, *, level: int = logging.INFO) -> None:
    """Send the events as JSON lines to `stream` (standard error unless told otherwise), and what libraries say."""
    structlog.configure(
        processors=[
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.add_log_level,
            structlog.processors.JSONRenderer(),
        ],
        wrapper_class=structlog.make_filtering_bound_logger(level),
        logger_factory=structlog.PrintLoggerFactory(stream or sys.stderr),
        cache_logger_on_first_use=False,
    )
    root = logging.getLogger()
    root.handlers = [*(each for each in root.handlers if not isinstance(each, _Libraries)), _Libraries()]


class _Libraries(logging.Handler):
    """What a library complains of, by place and kind alone: its sentences and tracebacks may quote a person."""

    def emit(self, record: logging.LogRecord) -> None:
        """Write one complaint as an event."""
        error = record.exc_info[0] if record.exc_info else None
        log(
            "library_complained",
            level="warning",
            library=record.name,
            error=error.__name__ if error else "",
            place=f"{record.module}:{record.lineno}",
        )


def log(event: str, *, level: str = "info", **fields: Any) -> None:
    """Write one event. Raises `ValueError` for an event or a field that is not in `EVENTS`: a mistake of ours."""
    allowed = EVENTS.get(event)
    if allowed is None or not fields.keys() <= allowed:
        raise ValueError(f"log event {event!r} with fields {sorted(fields)} is not in gateway.logs.EVENTS")
    getattr(structlog.get_logger(), level)(event, **fields)
