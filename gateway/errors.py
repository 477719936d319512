"""Every error the gateway raises, in one tree; the class says who is to blame and so what to answer.

    GatewayError
    ├── SenderFault            what came in is at fault: tell the sender what to mend
    │   ├── FramingFault       the bytes on the connection are no MLLP frame
    │   ├── UnreadableMessage  the bytes are no message of the standard
    │   ├── TooLarge           over a limit the operator set
    │   └── UnknownSender      readable, but no feed of the region sends this
    ├── ConfigurationFault     a region or mapping file is wrong; holds all its faults at once
    ├── UsageFault             a command was called with something it cannot use
    ├── DeliveryFault          a subscriber did not take a delivery
    │   ├── Refused            it read the delivery and said no: never sent again unchanged
    │   └── Lost               no answer, or "not now": sent again later
    ├── Unreachable            the other end of a command could not be reached
    └── GatewayFault           our own fault: answer "try again" and wake someone
        ├── StoreUnavailable   the database cannot be written or read now
        └── NotKept            another process of ours could not keep a message, and has logged why

No message of this tree ever carries a person's data: it names the place, never the value.
"""

from collections.abc import Sequence
from typing import NamedTuple


class GatewayError(Exception):
    """Never raised itself; catch a branch instead."""


class SenderFault(GatewayError):
    """What came in is at fault.

    `code` is a short stable word for programs, `path` and `line` say where, `remedy` what to change;
    `hl7_code` is the HL7 v2 table 0357 error code an acknowledgement carries (HL7 v2 section 2.15.5).
    """

    def __init__(
        self,
        message: str,
        *,
        code: str,
        path: str = "",
        line: int | None = None,
        remedy: str = "",
        hl7_code: str = "207",
    ) -> None:
        super().__init__(message)
        self.message = message
        self.code = code
        self.path = path
        self.line = line
        self.remedy = remedy
        self.hl7_code = hl7_code

    def __str__(self) -> str:
        line = "" if self.line is None else f"line {self.line}"
        where = f"{self.path} ({line})" if self.path and line else self.path or line
        return ": ".join(part for part in (where, self.message, self.remedy) if part)


class FramingFault(SenderFault):
    """The bytes on the connection are no MLLP frame."""


class UnreadableMessage(SenderFault):
    """The bytes are no message of the standard they claim to follow."""


class TooLarge(SenderFault):
    """Over a limit the operator set."""


class UnknownSender(SenderFault):
    """Readable, but no feed of the region sends this."""


class Fault(NamedTuple):
    """One mistake in a file people write: where it stands, what is wrong, what to write instead."""

    file: str
    line: int | None
    path: str
    message: str
    remedy: str = ""

    def __str__(self) -> str:
        where = self.file if self.line is None else f"{self.file}:{self.line}"
        return ": ".join(part for part in (where, self.path, self.message, self.remedy) if part)


class ConfigurationFault(GatewayError):
    """A region or mapping file is wrong; `faults` holds every mistake found, not just the first."""

    def __init__(self, faults: Sequence[Fault]) -> None:
        super().__init__("\n".join(str(fault) for fault in faults))
        self.faults = tuple(faults)


class UsageFault(GatewayError):
    """A command was called with something it cannot use."""


class DeliveryFault(GatewayError):
    """A subscriber did not take a delivery; `reason` is a short word kept with the delivery.

    `is_away` tells that the receiver itself cannot be reached or cannot work now, so that the next delivery
    would fare no better.
    """

    def __init__(self, message: str, *, reason: str, is_away: bool = False) -> None:
        super().__init__(message)
        self.reason = reason
        self.is_away = is_away


class Refused(DeliveryFault):
    """The subscriber read the delivery and said no: it is never sent again unchanged."""


class Lost(DeliveryFault):
    """No answer, or an answer that means "not now": the same delivery is sent again later."""


class Unreachable(GatewayError):
    """The other end of a command could not be reached."""


class GatewayFault(GatewayError):
    """Our own fault: the sender is told to try again, and somebody is woken."""


class StoreUnavailable(GatewayFault):
    """The database cannot be written or read now."""


class NotKept(GatewayFault):
    """Another process of ours could not keep a message; it has logged why, and who called it need not."""
