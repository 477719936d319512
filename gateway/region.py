"""The region file: who takes part, which feeds come in, who is told; read once, refused if wrong, all faults at once.

One file, `region.yaml`, describes a region. Reading it also reads the mapping files and code tables that
its feeds name, so that a gateway that starts has nothing left to find out. Each mistake is a `Fault` with
file, line and, for a misspelt word, what was probably meant. Mistakes of form come first, all of them; only of
a file in the right form can be asked whether its parts fit, and those mistakes come all at once too.
"""

import hashlib
import hmac
from collections.abc import Hashable, Iterable, Mapping
from dataclasses import dataclass
from datetime import timedelta
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gateway.adapters.identity_updates import get_dialect
from gateway.bands.scheme import Scheme, SchemeError, find_clashes
from gateway.documents import Tree, dotted, line_of, parse_yaml, read_document, suggest
from gateway.errors import ConfigurationFault, Fault, GatewayFault
from gateway.linking.evidence import Rules
from gateway.mapping.admissions import AdmissionReader, compile_admissions
from gateway.mapping.care_reports import CareReportReader, compile_care_reports
from gateway.mapping.rules import Kind
from gateway.mapping.rules import Mapping as MappingFile
from gateway.mapping.source import Authority, Source
from gateway.mapping.tables import CodeTable
from gateway.mapping_folders import MappingFolders, read_mapping_folders, shipped
from gateway.records import Channel, Organisation, Subscription
from gateway.region_file import FeedEntry, RegionFile, SenderEntry, SubscriptionEntry
from gateway.settings import Settings

#: The shipped mappings for a first look at a message that no feed sends.
ANYWHERE = {Kind.ADMISSIONS: "band-anywhere-in-admission", Kind.CARE_REPORTS: "band-anywhere-in-report"}


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
        wanted = self.sender
        if wanted is None or wanted.application not in (None, application) or wanted.facility not in (None, facility):
            return 0
        return (wanted.application is not None) + (wanted.facility is not None)


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
    unknown: Mapping[Kind, Feed]  #: how to show, never keep, a message that no feed sends

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


Place = tuple[str | int, ...]


class _Reader:
    """Gathers the faults of one region file while it is put together."""

    def __init__(self, file: RegionFile, tree: Tree, path: Path, folders: MappingFolders) -> None:
        self.file, self.tree, self.path, self.folders = file, tree, path, folders
        self.faults: list[Fault] = []

    def fault(self, place: Place, message: str, remedy: str = "") -> None:
        self.faults.append(Fault(str(self.path), line_of(self.tree, place), dotted(place), message, remedy))

    def zone(self, name: str, place: Place) -> ZoneInfo:
        try:
            return ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder of zones
            self.fault(place, "no such time zone", "use a name such as America/Chicago")
            return ZoneInfo("UTC")

    def unique(self, marks: Iterable[tuple[Place, Hashable]], message: str, remedy: str) -> None:
        """A mark of None stands for "has none" and may come as often as it likes."""
        seen: set[Hashable] = {None}
        for place, mark in marks:
            if mark in seen and mark is not None:
                self.fault(place, message, remedy)
            seen.add(mark)


def read_region(path: Path) -> Region:
    """Give back the region of a file. Raises `ConfigurationFault` with every mistake of it and of its mappings."""
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise ConfigurationFault([Fault(str(path), None, "", f"cannot be read: {type(error).__name__}")]) from error
    folders = read_mapping_folders([path.parent / "mappings", shipped("mappings")])
    try:
        file = read_document(text, RegionFile, file=str(path))
    except ConfigurationFault as error:
        raise ConfigurationFault([*error.faults, *folders.faults]) from None
    reader = _Reader(file, parse_yaml(text, file=str(path)), path, folders)
    region = _assemble(reader)
    if reader.faults or folders.faults:
        found = sorted(dict.fromkeys(reader.faults), key=lambda fault: fault.line or 0)
        raise ConfigurationFault([*found, *folders.faults])
    return region


def _assemble(reader: _Reader) -> Region:
    file = reader.file
    schemes = _schemes(reader)
    organisations = {
        entry.id: Organisation(**{**entry.model_dump(), "codes": tuple(entry.codes)}) for entry in file.organisations
    }
    _check_uniqueness(reader)
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
        unknown=_unknown_feeds(reader, schemes, organisations),
        subscriptions={s.name: _subscription(reader, i, s, organisations) for i, s in enumerate(file.subscriptions)},
        settings=file.settings,
        rules=_rules(file.settings),
    )


def _check_uniqueness(reader: _Reader) -> None:
    """What tells two entries apart must differ, or the first would silently get what is the other's."""
    file = reader.file
    for part in ("organisations", "feeds", "subscriptions"):
        names = [getattr(each, "id", None) or each.name for each in getattr(file, part)]
        marks = [((part, index), name) for index, name in enumerate(names)]
        reader.unique(marks, "the same name twice", "names are unique within their list")
    reader.unique(
        (
            (("organisations", n, "codes", m), code)
            for n, o in enumerate(file.organisations)
            for m, code in enumerate(o.codes)
        ),
        "another facility has this code",
        "give each facility codes of its own",
    )
    reader.unique(
        ((("organisations", n, "nemsis_number"), o.nemsis_number) for n, o in enumerate(file.organisations)),
        "another agency has this number",
        "give each agency its own",
    )
    feeds = list(enumerate(file.feeds))
    reader.unique(
        ((("feeds", n, "token_sha256"), feed.token_sha256) for n, feed in feeds),
        "another feed has this token",
        "make one with: bandgate token FEED",
    )
    reader.unique(
        ((("feeds", n, "sender"), feed.sender) for n, feed in feeds),
        "another feed has this sender",
        "tell them apart by application and facility (MSH-3 and MSH-4)",
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
    if not _is_codec(entry.charset):
        reader.fault((*place, "charset"), "no such character set", "write a name such as cp1252 or latin-1")
    mapping = reader.folders.mappings.get(entry.mapping)
    if mapping is None and entry.mapping not in reader.folders.broken:
        reader.fault((*place, "mapping"), "no such mapping", suggest(entry.mapping, reader.folders.mappings))
    if mapping is not None and mapping.kind is not entry.kind:
        reader.fault(
            (*place, "mapping"), f"this mapping reads {mapping.kind.value}", f"the feed is of kind {entry.kind.value}"
        )
    if entry.kind is Kind.ADMISSIONS and entry.sender is None and entry.token_sha256 is None:
        reader.fault(
            place, "nothing tells this feed's messages apart", "add sender: {application: MSH-3, facility: MSH-4}"
        )
    if mapping is None or organisation is None or mapping.kind is not entry.kind or not schemes:
        return None
    source = _source(reader, entry, zone, schemes, organisations)
    return _compiled(entry, mapping, source, reader.folders.tables)


def _source(
    reader: _Reader,
    entry: FeedEntry,
    zone: ZoneInfo,
    schemes: tuple[Scheme, ...],
    organisations: dict[str, Organisation],
) -> Source:
    """What mapping has to know of the feed."""
    own = organisations.get(entry.organisation)
    return Source(
        feed=entry.name,
        organisation=entry.organisation,
        zone=zone,
        schemes=schemes,
        authorities=_authorities(entry, schemes),
        facilities={code: o.id for o in organisations.values() for code in o.codes},
        placeholders=frozenset(name.upper() for name in reader.file.placeholders),
        agency_numbers=frozenset({own.nemsis_number}) if own and own.nemsis_number else frozenset(),
        trial=entry.stage == "trial",
    )


def _compiled(entry: FeedEntry, mapping: MappingFile, source: Source, tables: Mapping[str, CodeTable]) -> Feed:
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
        reader=compile_(mapping, tables),
    )


def _unknown_feeds(
    reader: _Reader, schemes: tuple[Scheme, ...], organisations: dict[str, Organisation]
) -> dict[Kind, Feed]:
    """How a message that no feed sends is shown: by the shipped mapping that looks into every usual place."""
    zone = reader.zone(reader.file.time_zone, ("time_zone",))
    feeds = {}
    for kind, name in ANYWHERE.items():
        mapping = reader.folders.mappings.get(name)
        if mapping is not None:
            entry = FeedEntry(name="unknown", organisation="unknown", kind=kind, mapping=name)
            feeds[kind] = _compiled(
                entry, mapping, _source(reader, entry, zone, schemes, organisations), reader.folders.tables
            )
    return feeds


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
    _check_endpoint(reader, (*place, "endpoint"), entry)
    if entry.channel is Channel.HL7V2_MLLP:
        try:
            get_dialect(entry.version)
        except GatewayFault as error:
            reader.fault((*place, "version"), str(error), "write a version such as 2.5.1")
    header = (entry.header.name, entry.header.from_) if entry.header else None
    return Subscription(**{**entry.model_dump(exclude={"header"}), "header": header})


def _check_endpoint(reader: _Reader, place: Place, entry: SubscriptionEntry) -> None:
    wanted = {Channel.FHIR_REST_HOOK: ("https", "http"), Channel.HL7V2_MLLP: ("mllp", "mllps")}[entry.channel]
    scheme, host, port = _parts_of(entry.endpoint)
    if scheme not in wanted or not host or (port is None and entry.channel is Channel.HL7V2_MLLP):
        reader.fault(place, "not an address for this channel", f"write {wanted[0]}://host:port")
    elif host not in reader.file.allowed_hosts:
        reader.fault(place, "a host that is not on allowed_hosts", "add the host to allowed_hosts")
    elif scheme == "http" and host not in {"127.0.0.1", "::1", "localhost"}:
        reader.fault(place, "patients' data may not travel unencrypted", "use https")


def _parts_of(address: str) -> tuple[str, str | None, int | None]:
    """Scheme, host and port of an address; empty for what is none."""
    try:
        parts = urlsplit(address)
        return parts.scheme, parts.hostname, parts.port
    except ValueError:
        return "", None, None


def _is_codec(name: str) -> bool:
    try:
        return bool("text".encode(name))
    except (LookupError, ValueError):
        return False
