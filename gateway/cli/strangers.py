"""`bandgate strangers`: who knocks at the MLLP doors without being a feed of the region."""

from pathlib import Path
from typing import Annotated, Any

import typer

from gateway.cli.output import counted, out, print_json
from gateway.errors import UsageFault
from gateway.store import strangers as store
from gateway.store.database import Database
from gateway.store.strangers import IN_ALL, Stranger

#: What an operator may want to do, by why the newest message was refused.
REMEDIES = {
    "unknown-feed": "if they should come, add a feed with this sender",
    "feed-contradiction": "compare the sender, port and certificate of the feed with what they use",
    "feed-certificate": "give them a client certificate that the feed names",
}


def strangers(
    data: Annotated[Path, typer.Option(help="The data folder of the gateway.")],
    database: Annotated[str | None, typer.Option(help="postgresql://… in place of SQLite in --data.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show who sends admission messages without being known: in whose name, from where, how often, since when.

    Their messages are refused with AR and lie in quarantine, up to a number for each. The list is bounded: whom it
    has no room for is counted under "all others", and who has not come for a month is forgotten.

    Example: bandgate strangers --data ./data
    """
    file = data / "gateway.db"
    if database is None and not file.is_file():
        raise UsageFault(f"{data}: no gateway.db here: name the folder given to bandgate serve --data")
    opened = Database.open_to_read(database or f"sqlite:///{file.resolve()}", key_file=data / "gateway.key")
    try:
        found = opened.read(lambda tx: store.newest(tx, limit=IN_ALL + 1))
    finally:
        opened.close()
    if as_json:
        print_json({"strangers": list(map(_line, found))})
    elif found:
        for each in found:
            _print(each)
    else:
        out.print("no stranger has knocked")


def _line(stranger: Stranger) -> dict[str, Any]:
    return {
        "application": stranger.application,
        "facility": stranger.facility,
        "address": stranger.address,
        "door": stranger.door,
        "all_others": stranger.gathered,
        "code": stranger.code,
        "times": stranger.times,
        "first": stranger.first_seen.isoformat(),
        "last": stranger.last_seen.isoformat(),
    }


def _print(stranger: Stranger) -> None:
    name = f"{stranger.application or '-'} / {stranger.facility or '-'}"
    who = "all others" if stranger.gathered else name
    out.print(f"{who}  from {stranger.address or 'anywhere'}, at {stranger.door or 'any door'}: {stranger.code}")
    seen = f"{stranger.first_seen:%Y-%m-%d %H:%M} to {stranger.last_seen:%Y-%m-%d %H:%M} UTC"
    out.print(f"  {counted(stranger.times, 'message')}, {seen}")
    if remedy := REMEDIES.get(stranger.code):
        out.print(f"  remedy: {remedy}")
