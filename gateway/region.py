"""The region file: who takes part, which feeds come in, who is told; read once, refused if wrong, all faults at once.

One file, `region.yaml`, describes a region. Reading it also reads the mapping files and code tables that
its feeds name, so that a gateway that starts has nothing left to find out. Each mistake is a `Fault` with
file, line and, for a misspelt word, what was probably meant.
"""

import hashlib
import hmac
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any, Literal
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from pydantic import Field

from gateway.bands.scheme import Scheme, SchemeError, find_clashes
from gateway.documents import Section, line_of, parse_yaml, read_document, suggest
from gateway.errors import ConfigurationFault, Fault
from gateway.linking.evidence import Rules
from gateway.mapping.admissions import AdmissionReader, compile_admissions
from gateway.mapping.care_reports import CareReportReader, compile_care_reports
from gateway.mapping.rules import Kind
from gateway.mapping.source import Authority, Source
from gateway.mapping_folders import MappingFolders, read_mapping_folders, shipped
from gateway.records import Channel, Organisation, Subscription, Topic
from gateway.settings import Settings

#: Patterns of a JSON Schema: found anywhere unless anchored, and `$` is the very end of the text.
NAME = r"^[a-z0-9][a-z0-9-]*$"
NAMESPACE = r"^(urn:oid:[0-9.]+|urn:uuid:[0-9a-f-]+|https?://\S+)$"


class SchemeEntry(Section):
    """A band scheme, as data; see `gateway.bands.scheme` for the meaning of each key."""

    name: str
    system: str = Field(pattern=NAMESPACE)
    namespace: str
    universal_id: str = ""
    universal_id_type: str = "ISO"
    prefix: str = ""
    training_prefix: str | None = None
    alphabet: str
    length: int
    check: str = "none"
    fold: dict[str, str] = {}
    groups: list[int] = []
    wedge_prefixes: list[str] = []
    wedge_suffixes: list[str] = []


class OrganisationEntry(Section):
    """An agency or a facility, with its identifiers in each standard."""

    id: str = Field(pattern=NAME)
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

    name: str = Field(pattern=NAME)
    organisation: str
    kind: Kind
    mapping: str
    stage: Literal["trial", "live"] = "trial"
    time_zone: str | None = None
    sender: SenderEntry | None = None
    authorities: list[AuthorityEntry] = []
    token_sha256: str | None = Field(None, pattern=r"^[0-9a-f]{64}$")
    charset: str = "cp1252"


class HeaderEntry(Section):
    """An HTTP header sent with each notification; its secret comes from `env:NAME` or `file:PATH`."""

    name: str
    from_: str = Field(alias="from", pattern=r"^(env|file):.+$")


class SubscriptionEntry(Section):
    """One facility's wish to be told, over one channel."""

    name: str = Field(pattern=NAME)
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
    address: str = Field(pattern=r"^https?://[^/\s]+$")
    schemes: list[SchemeEntry] = Field(min_length=1)
    organisations: list[OrganisationEntry] = Field(min_length=1)
    feeds: list[FeedEntry] = []
    subscriptions: list[SubscriptionEntry] = []
    allowed_hosts: list[str] = []
    placeholders: list[str] = []
    settings: Settings = Settings()


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """One inbound source, ready to read: its mapping is compiled and its source facts are gathered."""

    name: str
    organisation: str
    kind: Kind
    stage: str
    source: Source
    mapping: str
    sender: SenderEntry | None
    token_sha256: str | None
    charset: str
    reader: AdmissionReader | CareReportReader

    def knows(self, application: str, facility: str) -> int:
        """How well MSH-3.1 and MSH-4.1 fit this feed: 0 not at all, else the number of parts that agree."""
        if self.sender is None:
            return 0
        wanted = [(self.sender.application, application), (self.sender.facility, facility)]
        if any(want is not None and want != got for want, got in wanted):
            return 0
        return sum(want is not None for want, _ in wanted)


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A region that can be served: everything resolved, nothing left to fail later."""

    name: str
    address: str
    zone: ZoneInfo
    schemes: tuple[Scheme, ...]
    organisations: Mapping[str, Organisation]
    feeds: Mapping[str, Feed]
    subscriptions: Mapping[str, Subscription]
    settings: Settings
    rules: Rules

    def find_admission_feed(self, application: str, facility: str) -> Feed | None:
        """Give back the feed that sends as MSH-3.1 and MSH-4.1, the closest description winning."""
        fits = [
            (feed.knows(application, facility), feed) for feed in self.feeds.values() if feed.kind is Kind.ADMISSIONS
        ]
        score, feed = max(fits, key=lambda fit: fit[0], default=(0, None))
        return feed if score else None

    def find_feed_by_token(self, token: str, kind: Kind) -> Feed | None:
        """Give back the feed whose bearer token this is; each comparison takes the same time."""
        digest = hashlib.sha256(token.encode()).hexdigest()
        found = [
            feed
            for feed in self.feeds.values()
            if feed.token_sha256 and hmac.compare_digest(feed.token_sha256, digest) and feed.kind is kind
        ]
        return found[0] if found else None


class _Reader:
    """Gathers the faults of one region file while it is put together."""

    def __init__(self, file: RegionFile, tree: Any, path: Path, folders: MappingFolders) -> None:
        self.file, self.tree, self.path, self.folders = file, tree, path, folders
        self.faults: list[Fault] = list(folders.faults)

    def fault(self, place: tuple[str | int, ...], message: str, remedy: str = "") -> None:
        dotted = "".join(f"[{step}]" if isinstance(step, int) else f".{step}" for step in place).lstrip(".")
        self.faults.append(Fault(str(self.path), line_of(self.tree, place), dotted, message, remedy))

    def zone(self, name: str, place: tuple[str | int, ...]) -> ZoneInfo:
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError):
            self.fault(place, "no such time zone", "use a name such as America/Chicago")
            return ZoneInfo("UTC")

    def unique(self, part: str, names: list[str]) -> None:
        for index, name in enumerate(names):
            if name in names[:index]:
                self.fault((part, index), "the same name twice", "names are unique within their list")


def read_region(path: Path) -> Region:
    """Give back the region of a file. Raises `ConfigurationFault` with every mistake of it and of its mappings."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationFault([Fault(str(path), None, "", f"cannot be read: {type(error).__name__}")]) from error
    file = read_document(text, RegionFile, file=str(path))
    folders = read_mapping_folders([path.parent / "mappings", shipped("mappings")])
    reader = _Reader(file, parse_yaml(text, file=str(path)), path, folders)
    region = _assemble(reader)
    if reader.faults:
        raise ConfigurationFault(reader.faults)
    return region


def _assemble(reader: _Reader) -> Region:
    file = reader.file
    schemes = _schemes(reader)
    organisations = {
        entry.id: Organisation(**{**entry.model_dump(), "codes": tuple(entry.codes)}) for entry in file.organisations
    }
    for part in ("organisations", "feeds", "subscriptions", "schemes"):
        reader.unique(part, [getattr(each, "id", None) or each.name for each in getattr(file, part)])
    feeds = {}
    for index, entry in enumerate(file.feeds):
        feed = _feed(reader, index, entry, schemes, organisations)
        if feed is not None:
            feeds[entry.name] = feed
    return Region(
        name=file.name,
        address=file.address,
        zone=reader.zone(file.time_zone, ("time_zone",)),
        schemes=schemes,
        organisations=organisations,
        feeds=feeds,
        subscriptions={s.name: _subscription(reader, i, s, organisations) for i, s in enumerate(file.subscriptions)},
        settings=file.settings,
        rules=_rules(file.settings),
    )


def _rules(settings: Settings) -> Rules:
    return Rules(
        before=timedelta(hours=settings.arrival_hours_before),
        after=timedelta(hours=settings.arrival_hours_after),
        episode=timedelta(hours=settings.episode_hours),
        age_years=settings.age_years_apart,
        two_identifiers=settings.two_identifiers,
    )


def _schemes(reader: _Reader) -> tuple[Scheme, ...]:
    schemes: list[Scheme] = []
    for index, entry in enumerate(reader.file.schemes):
        try:
            values: dict[str, Any] = {
                key: tuple(value) if isinstance(value, list) else value for key, value in entry.model_dump().items()
            }
            schemes.append(Scheme(**values))
        except SchemeError as error:
            for mistake in error.mistakes:
                reader.fault(("schemes", index, mistake.field), mistake.says)
    for clash in find_clashes(schemes):
        reader.fault(("schemes",), clash.says)
    return tuple(schemes)


def _feed(
    reader: _Reader,
    index: int,
    entry: FeedEntry,
    schemes: tuple[Scheme, ...],
    organisations: dict[str, Organisation],
) -> Feed | None:
    place = ("feeds", index)
    organisation = organisations.get(entry.organisation)
    if organisation is None:
        reader.fault((*place, "organisation"), "no such organisation", suggest(entry.organisation, organisations))
    zone = reader.zone(
        entry.time_zone or reader.file.time_zone, (*place, "time_zone") if entry.time_zone else ("time_zone",)
    )
    mapping = reader.folders.mappings.get(entry.mapping)
    if mapping is None:
        reader.fault((*place, "mapping"), "no such mapping", suggest(entry.mapping, reader.folders.mappings))
    elif mapping.kind is not entry.kind:
        reader.fault(
            (*place, "mapping"), f"this mapping reads {mapping.kind.value}", f"the feed is of kind {entry.kind.value}"
        )
    if entry.kind is Kind.ADMISSIONS and entry.sender is None and entry.token_sha256 is None:
        reader.fault(
            place, "nothing tells this feed's messages apart", "add sender: {application: MSH-3, facility: MSH-4}"
        )
    if mapping is None or organisation is None or mapping.kind is not entry.kind or not schemes:
        return None
    source = Source(
        feed=entry.name,
        organisation=entry.organisation,
        zone=zone,
        schemes=schemes,
        authorities=_authorities(entry, schemes),
        facilities={code: o.id for o in organisations.values() for code in o.codes},
        placeholders=frozenset(name.upper() for name in reader.file.placeholders),
        agency_numbers=frozenset({organisation.nemsis_number} - {None}),  # type: ignore[arg-type]
        trial=entry.stage == "trial",
    )
    compile_ = compile_admissions if entry.kind is Kind.ADMISSIONS else compile_care_reports
    return Feed(
        name=entry.name,
        organisation=entry.organisation,
        kind=entry.kind,
        stage=entry.stage,
        source=source,
        mapping=entry.mapping,
        sender=entry.sender,
        token_sha256=entry.token_sha256,
        charset=entry.charset,
        reader=compile_(mapping, reader.folders.tables),
    )


def _authorities(entry: FeedEntry, schemes: tuple[Scheme, ...]) -> tuple[Authority, ...]:
    """The feed's own table, and the band schemes, which every feed may name by their proper authority."""
    own = [Authority(**row.model_dump()) for row in entry.authorities]
    return (*own, *(Authority(system=s.system, namespace=s.namespace) for s in schemes))


def _subscription(
    reader: _Reader, index: int, entry: SubscriptionEntry, organisations: dict[str, Organisation]
) -> Subscription:
    place = ("subscriptions", index)
    if entry.organisation not in organisations:
        reader.fault((*place, "organisation"), "no such organisation", suggest(entry.organisation, organisations))
    parts = urlsplit(entry.endpoint)
    wanted = {Channel.FHIR_REST_HOOK: ("https", "http"), Channel.HL7V2_MLLP: ("mllp", "mllps")}[entry.channel]
    if parts.scheme not in wanted or not parts.hostname:
        reader.fault((*place, "endpoint"), "not an address for this channel", f"write {wanted[0]}://host:port")
    elif parts.hostname not in reader.file.allowed_hosts:
        reader.fault((*place, "endpoint"), "a host that is not on allowed_hosts", "add the host to allowed_hosts")
    elif parts.scheme == "http" and parts.hostname not in {"127.0.0.1", "::1", "localhost"}:
        reader.fault((*place, "endpoint"), "patients' data may not travel unencrypted", "use https")
    header = (entry.header.name, entry.header.from_) if entry.header else None
    return Subscription(**{**entry.model_dump(exclude={"header"}), "header": header})
