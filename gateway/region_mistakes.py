"""What can be wrong with a region file that has the right form: names, addresses, zones, and what fits what.

Everything is looked at, whatever else is wrong; a mistake names the other places from which it was concluded,
so that it is not told when one of those could not be read.
"""

from collections.abc import Hashable, Iterable, Iterator, Sequence
from posixpath import normpath
from typing import Any
from urllib.parse import urlsplit
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from gateway.adapters.identity_updates import get_dialect
from gateway.bands.scheme import LONGEST_IDENTIFIER, Scheme, SchemeError, find_clashes
from gateway.documents import Mistake, suggest
from gateway.errors import GatewayFault
from gateway.mapping.rules import Kind
from gateway.mapping_folders import MappingFolders
from gateway.records import Channel
from gateway.region_file import FeedEntry, ListenerEntry, RegionFile, SchemeEntry, SubscriptionEntry
from gateway.yaml_tree import UNREAD, Steps

#: What else of a scheme was looked at before its check finds something wrong in this part.
CONCLUDED_FROM: dict[str, tuple[str, ...]] = {
    "universal_id": ("universal_id_type",),
    "system": ("universal_id",),
    "alphabet": ("check", "length"),
    "prefix": ("check", "alphabet"),
    "training_prefix": ("prefix", "check", "alphabet"),
    "length": ("prefix", "check"),
    "groups": ("groups", "length"),
    "wedge_prefixes": ("wedge_prefixes",),
    "wedge_suffixes": ("wedge_suffixes",),
    "fold": ("fold", "alphabet", "check"),
}

#: How the address of a subscriber begins, by channel; the first is the one to be recommended.
ADDRESSES = {Channel.FHIR_REST_HOOK: ("https", "http"), Channel.HL7V2_MLLP: ("mllp", "mllps")}
LOOPBACK = frozenset({"127.0.0.1", "::1", "localhost"})


def find_mistakes(file: RegionFile, folders: MappingFolders) -> Iterator[Mistake]:
    """Give back every mistake of a region file, even if parts of it are unread; `folders` has its mappings."""
    yield from _zone_mistakes(file.time_zone, ("time_zone",))
    yield from _scheme_mistakes(file.schemes)
    yield from _doubles(file)
    for index, feed in enumerate(file.feeds):
        yield from _organisation_mistakes(file, ("feeds", index, "organisation"), feed.organisation)
        yield from _feed_mistakes(file, ("feeds", index), feed, folders)
        yield from _certificate_mistakes(file, ("feeds", index), feed)
    for index, listener in enumerate(file.listeners):
        yield from _listener_mistakes(file, ("listeners", index), listener)
    for index, subscription in enumerate(file.subscriptions):
        yield from _organisation_mistakes(file, ("subscriptions", index, "organisation"), subscription.organisation)
        yield from _subscription_mistakes(("subscriptions", index), subscription, file.allowed_hosts)


def scheme_of(entry: SchemeEntry) -> Scheme:
    """Give back the band scheme that an entry describes. Raises `SchemeError`."""
    values: dict[str, Any] = {key: tuple(value) if isinstance(value, list) else value for key, value in entry}
    return Scheme(**values)


def _zone_mistakes(name: str, path: Steps) -> Iterator[Mistake]:
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):  # OSError: the name of a folder of zones
        yield Mistake(path, "no such time zone", "use a name such as America/Chicago")


def _scheme_mistakes(entries: Sequence[SchemeEntry]) -> Iterator[Mistake]:
    schemes: list[Scheme] = []
    for index, entry in enumerate(entries):
        readable = entry.model_copy(update={"length": LONGEST_IDENTIFIER}) if entry.length is UNREAD else entry
        try:
            schemes.append(scheme_of(readable))
        except SchemeError as error:
            for mistake in error.mistakes:
                given = tuple(("schemes", index, other) for other in CONCLUDED_FROM.get(mistake.field, ()))
                yield Mistake(("schemes", index, mistake.field), mistake.says, given=given)
    parts = ("name", "prefix", "training_prefix", "alphabet")
    given = tuple(("schemes", index, part) for index in range(len(entries)) for part in parts)
    for clash in find_clashes(schemes):
        yield Mistake(("schemes",), clash.says, given=given)


def _doubles(file: RegionFile) -> Iterator[Mistake]:
    """What tells two entries apart must differ, or the first would silently get what is the other's."""
    organisations, feeds = list(enumerate(file.organisations)), list(enumerate(file.feeds))
    for marks in (
        [(("organisations", n, "id"), each.id) for n, each in organisations],
        [(("feeds", n, "name"), feed.name) for n, feed in feeds],
        [(("subscriptions", n, "name"), each.name) for n, each in enumerate(file.subscriptions)],
        [(("listeners", n, "name"), each.name) for n, each in enumerate(file.listeners)],
    ):
        yield from _repeated(marks, "the same name twice", "names are unique within their list")
    yield from _repeated(
        [(("organisations", n, "codes", m), code) for n, each in organisations for m, code in enumerate(each.codes)],
        "another facility has this code",
        "give each facility codes of its own",
    )
    yield from _repeated(
        [(("organisations", n, "nemsis_number"), each.nemsis_number) for n, each in organisations],
        "another agency has this number",
        "give each agency its own",
    )
    yield from _repeated(
        [
            (("listeners", n, "port"), (each.host, each.port) if each.port else None)
            for n, each in enumerate(file.listeners)
        ],
        "another listener has this port",
        "give each its own; 0 takes any free one",
    )
    yield from _repeated(
        [(("feeds", n, "token_sha256"), feed.token_sha256) for n, feed in feeds],
        "another feed has this token",
        "make one with: bandgate token FEED",
    )
    yield from _repeated(
        [(("feeds", n, "service", "username"), feed.service.username if feed.service else None) for n, feed in feeds],
        "another feed has this user name",
        "give each feed an account of its own",
    )
    yield from _repeated(
        [(("feeds", n, "folder"), _plain(feed.folder)) for n, feed in feeds],
        "another feed has this folder",
        "give each feed a folder of its own",
    )
    yield from _repeated(
        [(("feeds", n, "sender"), feed.sender) for n, feed in feeds],
        "another feed has this sender",
        "tell them apart by application and facility (MSH-3 and MSH-4)",
    )


def _plain(folder: str | None) -> str | None:
    """A path as it is compared; one that could not be read stays what it is."""
    return normpath(folder) if isinstance(folder, str) else folder


def _repeated(marks: Iterable[tuple[Steps, Hashable]], message: str, remedy: str) -> Iterator[Mistake]:
    """A mark of None stands for "has none" and may come as often as it likes."""
    seen: dict[Hashable, Steps] = {}
    for path, mark in marks:
        if mark is not None and mark in seen:
            yield Mistake(path, message, remedy, given=(path, seen[mark]))
        seen.setdefault(mark, path)


def _organisation_mistakes(file: RegionFile, path: Steps, named: str) -> Iterator[Mistake]:
    ids = [organisation.id for organisation in file.organisations]
    if named not in ids:
        given = tuple(("organisations", index, "id") for index in range(len(ids) or 1))
        yield Mistake(path, "no such organisation", suggest(named, ids), given)


def _feed_mistakes(file: RegionFile, path: Steps, feed: FeedEntry, folders: MappingFolders) -> Iterator[Mistake]:
    if feed.time_zone is not None:
        yield from _zone_mistakes(feed.time_zone, (*path, "time_zone"))
    if not _is_codec(feed.charset):
        yield Mistake((*path, "charset"), "no such character set", "write a name such as cp1252 or latin-1")
    absent = folders.find_mistake((*path, "mapping"), feed.mapping)
    if absent is not None:
        yield absent
    if feed.service is not None and feed.kind is Kind.ADMISSIONS:
        message = "only care reports come by the report web service"
        yield Mistake((*path, "service"), message, "use token_sha256", given=((*path, "kind"),))
    kind = folders.kinds.get(feed.mapping)
    if kind is not None and kind is not feed.kind:
        message = f"this mapping reads {kind}, and the feed is of kind {feed.kind}"
        remedy = f"name a mapping of {feed.kind}, or write kind: {kind}"
        yield Mistake((*path, "mapping"), message, remedy, given=((*path, "kind"),))
    elif feed.kind is Kind.ADMISSIONS and not _is_told_apart(file, feed):
        keys = ("sender", "token_sha256", "folder", "client_certificates")
        yield Mistake(
            path,
            "nothing tells this feed's messages apart",
            "add sender: {application: MSH-3, facility: MSH-4}",
            given=(*((*path, key) for key in keys), *_all_of("listeners", file.listeners, "feed")),
        )


def _is_told_apart(file: RegionFile, feed: FeedEntry) -> bool:
    marks = (feed.sender, feed.token_sha256, feed.folder, feed.client_certificates or None)
    return any(mark is not None for mark in marks) or any(each.feed == feed.name for each in file.listeners)


def _certificate_mistakes(file: RegionFile, path: Steps, feed: FeedEntry) -> Iterator[Mistake]:
    place = (*path, "client_certificates")
    if feed.client_certificates and feed.kind is not Kind.ADMISSIONS:
        message = "only those who send admission messages over MLLP have client certificates"
        yield Mistake(place, message, "use token_sha256", given=((*path, "kind"),))
    elif feed.client_certificates and not any(each.tls and each.tls.client_issuers for each in file.listeners):
        message = "no listener asks for client certificates, so nobody could send for this feed"
        remedy = "add a listener with tls: {certificate, key, client_issuers}"
        yield Mistake(place, message, remedy, given=_all_of("listeners", file.listeners, "tls"))
    for index, entry in enumerate(feed.client_certificates):
        if (entry.name is None) == (entry.sha256 is None):
            given = tuple((*place, index, key) for key in ("name", "sha256"))
            yield Mistake((*place, index), "one of name and sha256 is wanted", "write {name: client.example}", given)


def _listener_mistakes(file: RegionFile, path: Steps, listener: ListenerEntry) -> Iterator[Mistake]:
    named = {feed.name: feed for feed in file.feeds}
    feed = named.get(listener.feed or "")
    if listener.feed is not None and feed is None:
        given = _all_of("feeds", file.feeds, "name")
        yield Mistake((*path, "feed"), "no such feed", suggest(listener.feed, list(named)), given)
    elif feed is not None and feed.kind is not Kind.ADMISSIONS:
        given = (*_all_of("feeds", file.feeds, "name"), *_all_of("feeds", file.feeds, "kind"))
        yield Mistake((*path, "feed"), "care reports do not come over MLLP", "name a feed of admissions", given)


def _all_of(part: str, entries: Sequence[object], key: str) -> tuple[Steps, ...]:
    """One key of every entry of a list, and the list itself: what was concluded from "none of them"."""
    return ((part,), *((part, index, key) for index in range(len(entries))))


def _subscription_mistakes(path: Steps, entry: SubscriptionEntry, allowed: list[str]) -> Iterator[Mistake]:
    place, given = (*path, "endpoint"), ((*path, "channel"), ("allowed_hosts",))
    wanted = ADDRESSES.get(entry.channel, ("",))
    scheme, host, port = _parts_of(entry.endpoint)
    if scheme not in wanted or not host or (port is None and entry.channel is Channel.HL7V2_MLLP):
        yield Mistake(place, "not an address for this channel", f"write {wanted[0]}://host:port", given)
    elif host not in allowed:
        yield Mistake(place, "a host that is not on allowed_hosts", "add the host to allowed_hosts", given)
    elif scheme == "http" and host not in LOOPBACK:
        yield Mistake(place, "patients' data may not travel unencrypted", "use https", given)
    if entry.channel is Channel.HL7V2_MLLP:
        try:
            get_dialect(entry.version)
        except GatewayFault as error:
            yield Mistake((*path, "version"), str(error), "write a version such as 2.5.1")


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
