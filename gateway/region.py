"""The region: who takes part, which feeds come in, who is told; read once, refused if wrong, all faults at once.

One file, `region.yaml`, describes a region. Reading it also reads the mapping files and code tables that
its feeds name, so that a gateway that starts has nothing left to find out. Each mistake is a `Fault` with
file, line and, for a misspelt word, what was probably meant. Mistakes of form and of meaning, of the region file
and of the mappings, all come at once; only what is free of them is put together.
"""

import hashlib
import hmac
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from datetime import timedelta
from itertools import chain
from pathlib import Path
from zoneinfo import ZoneInfo

from gateway.adapters.acknowledgements import Style
from gateway.adapters.mllp import FrameEnd
from gateway.bands.scheme import Scheme
from gateway.documents import Mistake, read_document
from gateway.errors import ConfigurationFault
from gateway.linking.evidence import Rules
from gateway.mapping.admissions import AdmissionReader, compile_admissions
from gateway.mapping.care_reports import CareReportReader, compile_care_reports
from gateway.mapping.rules import Kind
from gateway.mapping.rules import Mapping as MappingFile
from gateway.mapping.source import Authority, Source
from gateway.mapping_folders import MappingFolders, read_mapping_folders, shipped
from gateway.records import Organisation, Stage, Subscription
from gateway.region_file import (
    CertificateEntry,
    FeedEntry,
    ListenerEntry,
    RegionFile,
    SenderEntry,
    ServiceEntry,
    SubscriptionEntry,
    TlsEntry,
)
from gateway.region_mistakes import find_mistakes, scheme_of
from gateway.region_paths import find_absent
from gateway.settings import Settings
from gateway.text_files import read_text

#: The shipped mappings for a first look at a message that no feed sends.
ANYWHERE = {Kind.ADMISSIONS: "band-anywhere-in-admission", Kind.CARE_REPORTS: "band-anywhere-in-report"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Feed:
    """One inbound source, ready to read: its mapping is compiled and its source facts are gathered.

    `layers` are the files the mapping was laid together from: its own, its base, the base of that. `folder` is
    watched for files that this feed drops there.
    """

    name: str
    organisation: str
    kind: Kind
    stage: Stage
    source: Source
    mapping: str
    sender: SenderEntry | None
    token_sha256: str | None
    charset: str
    reader: AdmissionReader | CareReportReader
    layers: tuple[MappingFile, ...] = ()
    service: ServiceEntry | None = None
    folder: Path | None = None
    certificates: tuple[CertificateEntry, ...] = ()
    answers: Style = Style.AUTO

    def knows(self, application: str, facility: str) -> int:
        """How well MSH-3.1 and MSH-4.1 fit this feed: 0 not at all, else the number of parts that agree."""
        wanted = self.sender
        if wanted is None or wanted.application not in (None, application) or wanted.facility not in (None, facility):
            return 0
        return (wanted.application is not None) + (wanted.facility is not None)


@dataclass(frozen=True, slots=True, kw_only=True)
class ListenerTls:
    """The files of TLS at a listener, and what is asked of those who call."""

    certificate: Path
    key: Path | None
    client_issuers: Path | None
    client_certificates: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Listener:
    """One more port for HL7 v2 over MLLP; `feed` is the name of the only one that may send there."""

    name: str
    host: str
    port: int
    tls: ListenerTls | None
    feed: str | None
    frame_end: FrameEnd

    @property
    def door(self) -> str:
        """What is noted of messages that come in there, as the door they came by."""
        return f"mllp-{self.name}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Region:
    """A region that can be served: everything resolved, nothing left to fail later.

    One thing of it changes while it is served: the stage of a feed (`set_stage`). Who keeps a feed for longer than
    a message keeps its name.
    """

    name: str
    address: str
    zone: ZoneInfo
    schemes: tuple[Scheme, ...]
    organisations: Mapping[str, Organisation]
    feeds: dict[str, Feed]
    subscriptions: Mapping[str, Subscription]
    settings: Settings
    rules: Rules
    unknown: Mapping[Kind, Feed]  #: how to show, never keep, a message that no feed sends
    listeners: tuple[Listener, ...] = ()

    def set_stage(self, name: str, stage: Stage) -> None:
        """Let a feed be on trial or live from the next message on."""
        feed = self.feeds[name]
        self.feeds[name] = replace(feed, stage=stage, source=replace(feed.source, trial=stage is Stage.TRIAL))

    def find_admission_feed(self, application: str, facility: str) -> Feed | None:
        """Give back the feed that sends as MSH-3.1 and MSH-4.1, the closest description winning."""
        fits = [
            (feed.knows(application, facility), feed) for feed in self.feeds.values() if feed.kind is Kind.ADMISSIONS
        ]
        score, feed = max(fits, key=lambda fit: fit[0], default=(0, None))
        return feed if score else None

    def find_feed_by_account(self, username: str) -> Feed | None:
        """Give back the feed that submits to the report web service under this name."""
        found = (feed for feed in self.feeds.values() if feed.service and feed.service.username == username)
        return next(found, None)

    def find_feed_by_token(self, token: str, kind: Kind) -> Feed | None:
        """Give back the feed whose bearer token this is; each comparison takes the same time."""
        digest = hashlib.sha256(token.encode()).hexdigest()
        found = [
            feed
            for feed in self.feeds.values()
            if feed.token_sha256 and hmac.compare_digest(feed.token_sha256, digest) and feed.kind is kind
        ]
        return found[0] if found else None


def read_region(path: Path) -> Region:
    """Give back the region of a file. Raises `ConfigurationFault` with every mistake of it and of its mappings."""
    return _read(path, lambda *_: ())


def check_region(path: Path) -> Region:
    """Give back the region of a file as `read_region` does; a folder or certificate that is not there is a mistake."""
    return _read(path, find_absent)


def _read(path: Path, look: Callable[[RegionFile, Path], Iterable[Mistake]]) -> Region:
    """The region of a file; `look` gives further mistakes of what the file says, told with its folder."""
    text = read_text(path)
    folders = read_mapping_folders([path.parent / "mappings", shipped("mappings")])
    try:
        document = read_document(text, RegionFile, file=str(path))
        more = look(document.content, path.parent)
        faults = document.find_faults(chain(find_mistakes(document.content, folders), more))
    except ConfigurationFault as error:
        raise ConfigurationFault([*error.faults, *folders.faults]) from None
    if faults or folders.faults:
        raise ConfigurationFault([*faults, *folders.faults])
    return _assemble(document.content, folders, path.parent)


def _assemble(file: RegionFile, folders: MappingFolders, home: Path) -> Region:
    """Put together what is free of mistakes; a path that does not begin at the root begins at `home`."""
    schemes = tuple(map(scheme_of, file.schemes))
    organisations = {
        entry.id: Organisation(**{**entry.model_dump(), "codes": tuple(entry.codes)}) for entry in file.organisations
    }
    unknown = [
        FeedEntry(name="unknown", organisation="unknown", kind=kind, mapping=name)
        for kind, name in ANYWHERE.items()
        if name in folders.mappings and folders.mappings[name].kind is kind  # a region may have a namesake of its own
    ]

    def feed(entry: FeedEntry) -> Feed:
        return _feed(entry, _source(file, entry, schemes, organisations), folders, home)

    return Region(
        name=file.name,
        address=file.address,
        zone=ZoneInfo(file.time_zone),
        schemes=schemes,
        organisations=organisations,
        feeds={entry.name: feed(entry) for entry in file.feeds},
        unknown={entry.kind: feed(entry) for entry in unknown},
        subscriptions={entry.name: _subscription(entry) for entry in file.subscriptions},
        settings=file.settings,
        rules=_rules(file.settings),
        listeners=tuple(_listener(entry, home) for entry in file.listeners),
    )


def _rules(settings: Settings) -> Rules:
    return Rules(
        before=timedelta(hours=settings.arrival_hours_before),
        after=timedelta(hours=settings.arrival_hours_after),
        episode=timedelta(hours=settings.episode_hours),
        age_years=settings.age_years_apart,
        two_identifiers=settings.two_identifiers,
    )


def _source(
    file: RegionFile, entry: FeedEntry, schemes: tuple[Scheme, ...], organisations: Mapping[str, Organisation]
) -> Source:
    """What mapping has to know of the feed."""
    own = organisations.get(entry.organisation)
    return Source(
        feed=entry.name,
        organisation=entry.organisation,
        zone=ZoneInfo(entry.time_zone or file.time_zone),
        schemes=schemes,
        authorities=_authorities(entry, schemes),
        facilities={code: o.id for o in organisations.values() for code in o.codes},
        placeholders=frozenset(name.upper() for name in file.placeholders),
        agency_numbers=frozenset({own.nemsis_number}) if own and own.nemsis_number else frozenset(),
        trial=entry.stage is Stage.TRIAL,
    )


def _feed(entry: FeedEntry, source: Source, folders: MappingFolders, home: Path) -> Feed:
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
        reader=compile_(folders.mappings[entry.mapping], folders.tables),
        layers=folders.layers[entry.mapping],
        service=entry.service,
        folder=None if entry.folder is None else home / entry.folder,
        certificates=tuple(entry.client_certificates),
        answers=entry.answers,
    )


def _listener(entry: ListenerEntry, home: Path) -> Listener:
    tls = _listener_tls(entry.tls, home) if entry.tls else None
    return Listener(**{**dict(entry), "tls": tls})


def _listener_tls(entry: TlsEntry, home: Path) -> ListenerTls:
    return ListenerTls(
        certificate=home / entry.certificate,
        key=home / entry.key if entry.key else None,
        client_issuers=home / entry.client_issuers if entry.client_issuers else None,
        client_certificates=entry.client_certificates,
    )


def _authorities(entry: FeedEntry, schemes: tuple[Scheme, ...]) -> tuple[Authority, ...]:
    """The feed's own table, and the band schemes, which every feed may name by their proper authority."""
    own = [Authority(**row.model_dump()) for row in entry.authorities]
    return (*own, *(Authority(system=s.system, namespace=s.namespace) for s in schemes))


def _subscription(entry: SubscriptionEntry) -> Subscription:
    header = (entry.header.name, entry.header.from_) if entry.header else None
    return Subscription(**{**entry.model_dump(exclude={"header"}), "header": header})
