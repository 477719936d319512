"""The form of region.yaml: what may stand where; `gateway.region` puts the parts together.

The published JSON Schema is made from these classes, so what they accept is what the schema accepts.
"""

from typing import Annotated, Literal

from pydantic import Field

from gateway.bands.scheme import LONGEST_IDENTIFIER
from gateway.documents import Section
from gateway.mapping.rules import Kind
from gateway.records import Channel, Topic
from gateway.settings import Settings

CHARSET = "cp1252"  # read where MSH-18 and UTF-8 fail, unless the feed names another; common practice, no source

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


class FeedEntry(Section):
    """One inbound source: whose it is, how it is mapped, how it signs in, and whether it counts."""

    name: Name
    organisation: str
    kind: Kind
    mapping: str
    stage: Literal["trial", "live"] = "trial"
    time_zone: str | None = None
    sender: SenderEntry | None = None
    authorities: list[AuthorityEntry] = []
    token_sha256: str | None = Field(None, pattern=r"^[0-9a-f]{64}$")
    charset: str = CHARSET


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
    subscriptions: list[SubscriptionEntry] = []
    allowed_hosts: list[str] = []
    placeholders: list[str] = []
    settings: Settings = Settings()
