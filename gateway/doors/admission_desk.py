"""Where the admission messages of one MLLP connection are taken: what is known of the connection, and the intake."""

from collections.abc import Awaitable
from dataclasses import dataclass

from gateway.attribution import Caller, find_certified
from gateway.doors.certificates import read_client_certificate
from gateway.doors.mllp_connection import Peer
from gateway.errors import SenderFault
from gateway.intake import AdmissionIntake
from gateway.region import Region


@dataclass(frozen=True, slots=True)
class AdmissionDesk:
    """Hands each message of a connection on, with what the connection proves."""

    admissions: AdmissionIntake
    caller: Caller

    def take(self, message: bytes) -> Awaitable[tuple[bytes, ...]]:
        """Keep one message; gives back its acknowledgements."""
        return self.admissions.take(message, self.caller)

    def refuse(self, head: bytes, fault: SenderFault) -> Awaitable[tuple[bytes, ...]]:
        """Put what there is of a message into quarantine; gives back the refusals."""
        return self.admissions.turn_away(head, fault, self.caller)


def caller_of(peer: Peer, region: Region, *, door: str, port_feed: str | None = None) -> Caller:
    """Give back what a connection to a door says of who calls, before any message."""
    certified: tuple[str, ...] = ()
    if peer.certificate is not None:
        certified = find_certified(region, read_client_certificate(peer.certificate))
    return Caller(door, peer.address, port_feed, certified)
