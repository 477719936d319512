"""What can be wrong with a region file that has the right form: names, addresses, zones, and what fits what.

Everything is looked at, whatever else is wrong; a mistake names the other places from which it was concluded,
so that it is not told when one of those could not be read.
"""

from collections.abc import Hashable, Iterable, Iterator, Sequence
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
from gateway.region_file import FeedEntry, RegionFile, SchemeEntry, SubscriptionEntry
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
        yield from _feed_mistakes(("feeds", index), feed, folders)
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
        [(("feeds", n, "token_sha256"), feed.token_sha256) for n, feed in feeds],
        "another feed has this token",
        "make one with: bandgate token FEED",
    )
    yield from _repeated(
        [(("feeds", n, "sender"), feed.sender) for n, feed in feeds],
        "another feed has this sender",
        "tell them apart by application and facility (MSH-3 and MSH-4)",
    )


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


def _feed_mistakes(path: Steps, feed: FeedEntry, folders: MappingFolders) -> Iterator[Mistake]:
    if feed.time_zone is not None:
        yield from _zone_mistakes(feed.time_zone, (*path, "time_zone"))
    if not _is_codec(feed.charset):
        yield Mistake((*path, "charset"), "no such character set", "write a name such as cp1252 or latin-1")
    absent = folders.find_mistake((*path, "mapping"), feed.mapping)
    if absent is not None:
        yield absent
    kind = folders.kinds.get(feed.mapping)
    if kind is not None and kind is not feed.kind:
        message = f"this mapping reads {kind}, and the feed is of kind {feed.kind}"
        remedy = f"name a mapping of {feed.kind}, or write kind: {kind}"
        yield Mistake((*path, "mapping"), message, remedy, given=((*path, "kind"),))
    elif feed.kind is Kind.ADMISSIONS and feed.sender is None and feed.token_sha256 is None:
        yield Mistake(
            path,
            "nothing tells this feed's messages apart",
            "add sender: {application: MSH-3, facility: MSH-4}",
            given=((*path, "sender"), (*path, "token_sha256")),
        )


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
