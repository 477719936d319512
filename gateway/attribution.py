"""Whose message it is: by the port it came to, by the certificate of who called, by what it says of itself.

* What a connection proves goes before what a message says: a port may belong to one feed, and a client
  certificate to one or several. Among those, and among all feeds where nothing is proved, MSH-3 and MSH-4 decide.
* Contradictions are refused, never weighed: a message in one feed's name on another feed's port or certificate
  is either a mistake that mixes up two hospitals or worse.
* A feed that has certificates in the region file is taken from nobody without one of them; else they would prove
  nothing.
"""

from collections.abc import Iterable
from typing import NamedTuple

from gateway.errors import UnknownSender
from gateway.region import Feed, Region
from gateway.region_file import CertificateEntry

PLACE = "MSH-3"


class ClientCertificate(NamedTuple):
    """What a verified certificate says of its owner: fingerprint of its DER form, and names in lower case."""

    sha256: str
    names: frozenset[str]


class Caller(NamedTuple):
    """What is known of a connection before any message: which door, from where, and which feeds it may speak for.

    `port_feed` is the name of the feed that the port belongs to, `certified` the names of those whose certificate
    was shown.
    """

    door: str
    address: str = ""
    port_feed: str | None = None
    certified: tuple[str, ...] = ()


def find_certified(region: Region, certificate: ClientCertificate) -> tuple[str, ...]:
    """Give back the names of the feeds that a certificate belongs to, in the order of the region file."""
    return tuple(
        name for name, feed in region.feeds.items() if any(_is_it(mark, certificate) for mark in feed.certificates)
    )


def attribute(region: Region, application: str, facility: str, caller: Caller | None) -> Feed:
    """Give back the feed of a message that says MSH-3.1 and MSH-4.1; without a caller these alone decide.

    Raises `UnknownSender` for a stranger (`unknown-feed`), where what is known contradicts what is said
    (`feed-contradiction`), and where the feed's certificate was not shown (`feed-certificate`).
    """
    said = region.find_admission_feed(application, facility)
    proved = _proved(region, caller) if caller else []
    feed = _among(proved, said, application, facility) if proved else said
    if feed is None:
        raise _stranger()
    if caller and feed.certificates and feed.name not in caller.certified:
        raise UnknownSender(
            "this feed is taken only from who shows its client certificate",
            code="feed-certificate",
            path=PLACE,
            line=1,
            remedy="connect to a port with TLS and the certificate that the gateway's operator knows",
        )
    return feed


def _is_it(mark: CertificateEntry, certificate: ClientCertificate) -> bool:
    if mark.name is None:
        return mark.sha256 == certificate.sha256
    return mark.name.lower() in certificate.names


def _proved(region: Region, caller: Caller) -> list[Feed]:
    """The feeds that the connection may speak for; none where it proves nothing."""
    if caller.port_feed and caller.certified and caller.port_feed not in caller.certified:
        raise _contradiction("the client certificate is not that of the feed this port belongs to")
    names: Iterable[str] = (caller.port_feed,) if caller.port_feed else caller.certified
    return [region.feeds[name] for name in names]


def _among(proved: list[Feed], said: Feed | None, application: str, facility: str) -> Feed:
    """The feed among those proved that the message fits best; the only one there is may say nothing of itself."""
    closest = max(proved, key=lambda feed: feed.knows(application, facility))
    if closest.knows(application, facility):
        return closest
    if len(proved) == 1 and closest.sender is None and said is None:
        return closest
    raise _contradiction("MSH-3 and MSH-4 are not those of the feed that this port or certificate belongs to")


def _contradiction(message: str) -> UnknownSender:
    remedy = "mend MSH-3 and MSH-4, or connect to the port and with the certificate of this feed"
    return UnknownSender(message, code="feed-contradiction", path=PLACE, line=1, hl7_code="207", remedy=remedy)


def _stranger() -> UnknownSender:
    return UnknownSender(
        "no feed of this region sends as this application and facility",
        code="unknown-feed",
        path=PLACE,
        line=1,
        hl7_code="207",
        remedy="ask the gateway's operator to add the feed, or mend MSH-3 and MSH-4",
    )
