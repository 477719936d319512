"""The form of region.yaml: what may stand where; `gateway.region` puts the parts together.

The published JSON Schema is made from these classes, so what they accept is what the schema accepts.
"""

from typing import Annotated, Literal

from pydantic import Field

from gateway.adapters.acknowledgements import Style
from gateway.adapters.mllp import FrameEnd
from gateway.adapters.report_service import Operation
from gateway.bands.scheme import LONGEST_IDENTIFIER
from gateway.documents import Section
from gateway.mapping.rules import Kind
from gateway.records import Channel, Stage, Topic
from gateway.settings import Settings

CHARSET = "cp1252"  # read where MSH-18 and UTF-8 fail, unless the feed names another; common practice, no source

#: The usual form of an Argon2id hash with its salt and costs (the PHC string format).
ARGON2 = r"^\$argon2id\$v=19\$m=[0-9]+,t=[0-9]+,p=[0-9]+\$[A-Za-z0-9+/]{11,}\$[A-Za-z0-9+/]{16,}$"
# Patterns as JSON Schema has them: found anywhere unless anchored, and `$` is the very end of the text.
Name = Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]*$", examples=["harrow-point"])]
Namespace = Annotated[
    str,
    Field(
        pattern=r"^(urn:oid:[0-9.]+|urn:uuid:[0-9a-f-]+|https?://\S+)$", examples=["urn:oid:2.16.840.1.113883.19.77.1"]
    ),
]


class SchemeEntry(Section):
    """A band scheme, as data; see `gateway.bands.scheme` for the meaning of each key."""

    name: str
    system: Namespace
    namespace: str
    universal_id: str
    universal_id_type: str = "ISO"
    prefix: str = ""
    training_prefix: str | None = None
    alphabet: str
    length: int = Field(ge=1, le=LONGEST_IDENTIFIER)
    check: str = "none"
    fold: dict[str, str] = {}
    groups: list[int] = []
    wedge_prefixes: list[str] = []
    wedge_suffixes: list[str] = []


class OrganisationEntry(Section):
    """An agency or a facility, with its identifiers in each standard."""

    id: Name
    kind: Literal["agency", "facility"]
    name: str
    system: str | None = None
    namespace: str | None = None
    universal_id: str | None = None
    universal_id_type: str | None = None
    nemsis_number: str | None = None
    nemsis_state: str | None = None
    codes: list[str] = []


class AuthorityEntry(Section):
    """One row of a feed's table of issuers; see `gateway.mapping.source.Authority`."""

    system: str
    namespace: str | None = None
    universal_id: str | None = None
    type: str | None = None


class SenderEntry(Section):
    """How an admission feed is told apart: MSH-3.1 and MSH-4.1; an unset one matches anything."""

    application: str | None = None
    facility: str | None = None


class CertificateEntry(Section):
    """A TLS client certificate by which a feed is known: a name it was issued to, or its SHA-256 fingerprint.

    `name` is the common name of its subject or one of its alternative names (DNS, e-mail or URI), in any case.
    """

    name: str | None = Field(None, min_length=1)
    sha256: str | None = Field(None, pattern=r"^[0-9a-f]{64}$")


class ServiceEntry(Section):
    """The account by which an agency's software submits to the report web service.

    `organization` is what it sends as such; `operations` are those it may use.
    """

    username: str = Field(min_length=1, max_length=100)
    password_hash: str = Field(pattern=ARGON2, examples=["$argon2id$v=19$m=65536,t=3,p=4$SALT$HASH"])
    organization: str = Field(min_length=1, max_length=100)
    operations: list[Operation] = list(Operation)


class FeedEntry(Section):
    """One inbound source: whose it is, how it is mapped, how it signs in and is answered, and whether it counts."""

    name: Name
    organisation: str
    kind: Kind
    mapping: str
    stage: Stage = Stage.TRIAL
    folder: str | None = Field(None, min_length=1, examples=["/srv/exports/larkfield"])
    time_zone: str | None = None
    sender: SenderEntry | None = None
    authorities: list[AuthorityEntry] = []
    token_sha256: str | None = Field(None, pattern=r"^[0-9a-f]{64}$")
    service: ServiceEntry | None = None
    charset: str = CHARSET
    client_certificates: list[CertificateEntry] = []
    answers: Style = Style.AUTO


class TlsEntry(Section):
    """TLS at a listener: its certificate chain and key, and whether those who call must have certificates too.

    Files are PEM, and their names relative to the region file. `client_issuers` has the certificates of those who
    may issue the callers'.
    """

    certificate: str
    key: str | None = None
    client_issuers: str | None = None
    client_certificates: Literal["required", "optional"] = "required"


class ListenerEntry(Section):
    """One more port for HL7 v2 over MLLP; with `feed`, all that comes in there is of that feed.

    `frame_end: pair` is for senders whose messages hold the byte 0x1C: only 0x1C and 0x0D together end a frame.
    """

    name: Name
    host: str = "127.0.0.1"
    port: int = Field(ge=0, le=65535, examples=[2576])
    tls: TlsEntry | None = None
    frame_end: FrameEnd = FrameEnd.ANY
    feed: str | None = None


class HeaderEntry(Section):
    """An HTTP header sent with each notification; its secret comes from `env:NAME` or `file:PATH`."""

    name: str
    from_: str = Field(alias="from", pattern=r"^(env|file):.+$", examples=["env:FENWICK_TOKEN"])


class SubscriptionEntry(Section):
    """One facility's wish to be told, over one channel."""

    name: Name
    organisation: str
    topic: Topic
    channel: Channel
    endpoint: str
    header: HeaderEntry | None = None
    version: str = "2.5.1"
    receiving_application: str = ""
    receiving_facility: str = ""
    band_type: str = "PNT"
    timeout: float = Field(30.0, gt=0)


class RegionFile(Section):
    """The whole of region.yaml."""

    name: str
    time_zone: str
    address: str = Field(pattern=r"^https?://[^/\s]+$", examples=["https://gateway.example:8443"])
    schemes: list[SchemeEntry] = Field(min_length=1)
    organisations: list[OrganisationEntry] = Field(min_length=1)
    feeds: list[FeedEntry] = []
    listeners: list[ListenerEntry] = []
    subscriptions: list[SubscriptionEntry] = []
    allowed_hosts: list[str] = []
    placeholders: list[str] = []
    settings: Settings = Settings()
