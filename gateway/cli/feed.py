"""`bandgate feed`: which feeds there are, and the one action by which a feed goes live, or back on trial.

Going live shows what the trial found and asks. It is kept with who and when, and a gateway that runs takes it
up within a second or two. Which word counts when region.yaml says something else: see `gateway.stages`.
"""

import contextlib
import os
import pwd
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Annotated, Any

import typer

from gateway.cli.files import find_region
from gateway.cli.output import counted, errors, out, print_json
from gateway.clock import clock
from gateway.documents import suggest
from gateway.errors import UsageFault
from gateway.mapping.capture import BandState
from gateway.records import Stage, Traffic
from gateway.region import Feed, Region
from gateway.run import REGION_NOTE, Options, open_database
from gateway.stages import move, stage_of
from gateway.store import feeds, stages, trials, worklist
from gateway.store.database import Database
from gateway.store.stages import FeedStage
from gateway.store.transaction import Tx
from gateway.store.trials import Figures
from gateway.store.worklist import Item

LATELY = timedelta(days=30)  # the records that a feed's figures are counted from
LISTED = 1000  # faults of one feed that are looked at
TRAFFIC = {Stage.TRIAL: Traffic.TEST, Stage.LIVE: Traffic.LIVE}
BEGINNING = datetime(1970, 1, 1, tzinfo=UTC)

Data = Annotated[Path, typer.Option(help="The data folder of the gateway.")]
RegionOption = Annotated[Path | None, typer.Option(help="The region file; the one that was served last otherwise.")]
DatabaseOption = Annotated[str | None, typer.Option(help="postgresql://… in place of SQLite in --data.")]
Json = Annotated[bool, typer.Option("--json", help="Print JSON.")]
Yes = Annotated[bool, typer.Option("--yes", help="Do it without asking.")]

feed_app = typer.Typer(help="The feeds, and which of them count.", no_args_is_help=True, rich_markup_mode=None)


@feed_app.command("list", short_help="The feeds, their stage, and how they do.")
def list_feeds(data: Data, region: RegionOption = None, database: DatabaseOption = None, as_json: Json = False) -> None:
    """Show each feed with its stage, its last message, and how many of its records carry the band.

    Counted are the records of the last 30 days, in test traffic for a feed on trial.

    Example: bandgate feed list --data ./data
    """
    served, now = _region(region, data), clock()
    with _opened_to_read(data, database) as store:
        lines = store.read(lambda tx: [_line(tx, feed, now) for feed in served.feeds.values()])
    if as_json:
        print_json({"feeds": lines})
        return
    for line in lines:
        share = f"{line['queryable']} of {counted(line['records'], 'record')} with the band"
        said = (
            f"last message {line['last_message'].isoformat(timespec='seconds')}" if line["last_message"] else "silent"
        )
        out.print(f"{line['feed']:28} {line['stage']:6} {said:40} {share}")


@feed_app.command(short_help="Let a feed count, after a look at what its trial found.")
def live(
    feed: Annotated[str, typer.Argument(help="The feed, as in region.yaml.")],
    data: Data,
    region: RegionOption = None,
    database: DatabaseOption = None,
    yes: Yes = False,
    as_json: Json = False,
) -> None:
    """Put a feed live: show what its trial found, ask, and keep who did it and when.

    A gateway that runs takes it up within two seconds. What was sent on trial stays test traffic; sent again, it
    comes for the first time. Without --yes, and with nobody to ask, nothing is changed (status 2).

    Example: bandgate feed live skerry-reports --data ./data
    """
    _move(feed, Stage.LIVE, data, region, database, yes=yes, as_json=as_json)


@feed_app.command(short_help="Put a feed back on trial.")
def trial(
    feed: Annotated[str, typer.Argument(help="The feed, as in region.yaml.")],
    data: Data,
    region: RegionOption = None,
    database: DatabaseOption = None,
    yes: Yes = False,
    as_json: Json = False,
) -> None:
    """Put a feed back on trial: what it sends from then on is test traffic, and nobody is told of it.

    What it sent while it was live stays live, and stays linked.

    Example: bandgate feed trial skerry-reports --data ./data
    """
    _move(feed, Stage.TRIAL, data, region, database, yes=yes, as_json=as_json)


def _move(
    name: str, to: Stage, data: Path, region: Path | None, database: str | None, *, yes: bool, as_json: bool
) -> None:
    feed = _feed(_region(region, data), name)
    with _opened(data, database) as store:
        found = store.read(lambda tx: _found(tx, feed))
        if not as_json:
            _print(found, to)
        changed = found["stage"] is not to and (yes or _agreed(name, to))
        if changed:
            changed = store.write(lambda tx: move(tx, feed, to, who=_who(), now=clock())) is not None
        after = store.read(lambda tx: stage_of(feed, stages.find(tx, feed.name)))
    if as_json:
        print_json({**found, "before": found["stage"], "stage": after, "changed": changed})
    if after is not to:
        raise UsageFault(f"{name}: nothing was changed: say --yes to put it {_words(to)}")
    if not as_json:
        out.print(f"{name} is {_words(to)}." if changed else f"{name} was {_words(to)} already: nothing was changed.")


def _words(stage: Stage) -> str:
    return "live" if stage is Stage.LIVE else "on trial"


def _agreed(name: str, to: Stage) -> bool:
    """Whether the person at the terminal says yes; nobody is asked where there is none."""
    if not (sys.stdin.isatty() and errors.file.isatty()):
        return False
    return typer.confirm(f"Put {name} {_words(to)}?", err=True)


def _who() -> str:
    """The operating system's word for who this is; no variable of the environment can change it."""
    number = os.getuid()
    try:
        return f"system user {pwd.getpwuid(number).pw_name}"
    except KeyError:  # a user without a name, as containers have them
        return f"system user {number}"


# ── what is counted ────────────────────────────────────────────────────────────────────────────────


def _line(tx: Tx, feed: Feed, now: datetime) -> dict[str, Any]:
    known = stages.find(tx, feed.name)
    stage = stage_of(feed, known)
    counted_lately = trials.figures(tx, feed.name, traffic=TRAFFIC[stage], since=now - LATELY)
    last = {total.feed: total.last_received for total in feeds.totals(tx, traffic=TRAFFIC[stage])}
    return {
        "feed": feed.name,
        "organisation": feed.organisation,
        "kind": feed.kind.value,
        "stage": stage,
        "since": known.since if known else None,
        "by": known.who if known else None,
        "folder": str(feed.folder) if feed.folder else None,
        "last_message": last.get(feed.name),
        "records": counted_lately.records,
        "queryable": counted_lately.queryable,
    }


def _found(tx: Tx, feed: Feed) -> dict[str, Any]:
    """What the feed's trial found, or, for a live feed, what it did since it went live."""
    known = stages.find(tx, feed.name)
    stage = stage_of(feed, known)
    since = known.since if known is not None and known.stage is stage else BEGINNING
    traffic = TRAFFIC[stage]
    figures = trials.figures(tx, feed.name, traffic=traffic, since=since)
    faults = worklist.open_items(tx, traffic=traffic, feed=feed.name, limit=LISTED)
    return {"feed": feed.name, "stage": stage, **_since(known), "found": _as_json(figures, faults)}


def _since(known: FeedStage | None) -> dict[str, Any]:
    return {"since": known.since if known else None, "by": known.who if known else None}


def _as_json(figures: Figures, faults: list[Item]) -> dict[str, Any]:
    codes: dict[str, dict[str, Any]] = {}
    for item in faults:
        entry = codes.setdefault(item.code, {"code": item.code, "level": item.level, "says": item.says, "times": 0})
        entry["times"] += item.times
    return {
        "messages": dict(figures.messages),
        "records": figures.records,
        "queryable": figures.queryable,
        "bands": dict(figures.bands),
        "links": {"linked": figures.links.linked, "confirmed": figures.links.confirmed, "held": figures.links.held},
        "shared_with_other_traffic": figures.elsewhere,
        "findings": sorted(codes.values(), key=lambda each: -each["times"]),
        "faults_open": len(faults),
        "in_quarantine": figures.quarantine,
    }


def _print(told: dict[str, Any], to: Stage) -> None:
    found, sent = told["found"], told["found"]["messages"]
    since = (
        f" since {told['since'].isoformat(timespec='seconds')}, by the word of {told['by']}" if told["since"] else ""
    )
    out.print(f"{told['feed']}: {_words(told['stage'])}{since}")
    taken = ", ".join(f"{number} {what}" for what, number in sent.items())
    out.print(f"  messages            {sum(sent.values())} ({taken})")
    out.print(f"  records             {found['records']}, {found['queryable']} with the band in a queryable field")
    for state in (BandState.SEVERAL, BandState.FREE_TEXT_ONLY, BandState.MALFORMED, BandState.MISSING):
        out.print(f"    {state.value:18}{found['bands'][state]}")
    links = found["links"]
    out.print(
        f"  linked              {links['linked']} ({links['confirmed']} by two identifiers), {links['held']} held"
    )
    if to is Stage.LIVE:
        out.print(f"  would have met      live records under the same band: {found['shared_with_other_traffic']}")
    out.print(f"  faults still open   {found['faults_open']}, {found['in_quarantine']} in quarantine")
    for finding in found["findings"]:
        out.print(f"    {finding['times']:5} × {finding['level']} {finding['code']}: {finding['says']}")


# ── where it stands ────────────────────────────────────────────────────────────────────────────────


def _region(file: Path | None, data: Path) -> Region:
    note = data / REGION_NOTE
    return find_region(file or (Path(note.read_text(encoding="utf-8")) if note.is_file() else None))


def _feed(region: Region, name: str) -> Feed:
    if name not in region.feeds:
        raise UsageFault(f"FEED: no such feed: {suggest(name, region.feeds)}")
    return region.feeds[name]


@contextlib.contextmanager
def _opened_to_read(data: Path, database: str | None) -> Iterator[Database]:
    """Open the store as it is. Raises `UsageFault` where no gateway of this version has been started yet."""
    if database is None and not (data / "gateway.db").is_file():
        raise UsageFault(f"{data}: no gateway.db here: name the folder given to bandgate serve --data")
    url = database or f"sqlite:///{(data / 'gateway.db').resolve()}"
    store = Database.open_to_read(url, key_file=data / "gateway.key")
    try:
        yield store
    finally:
        store.close()


@contextlib.contextmanager
def _opened(data: Path, database: str | None) -> Iterator[Database]:
    """Open the store to write beside a gateway that may run; its tables are left as they are."""
    with _opened_to_read(data, database):
        pass  # tables of another version are refused here: to change them is the gateway's own affair
    with open_database(Options(region=data / REGION_NOTE, data=data, database=database)) as store:
        yield store
