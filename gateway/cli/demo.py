"""`bandgate demo`: the invented day of Yarrowfen through the real doors, to real subscribers.

The gateway runs as a process of its own; messages go in over MLLP and HTTP in the order in which they
happened, and what the subscribers receive is compared with what each case must become.
"""

import asyncio
import contextlib
import csv
import re
import shlex
import shutil
import signal
import sys
import tempfile
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Any

import httpx
import typer
from ruamel.yaml import YAML

from gateway.caution import CAUTION
from gateway.cli.demo_gateway import gateway_process, words_of
from gateway.cli.demo_judging import Verdict, judge
from gateway.cli.demo_receivers import Received, fhir_receiver, mllp_receiver
from gateway.cli.output import PlainConsole, counted, errors, out, print_json
from gateway.cli.serve import LAST_PORT
from gateway.errors import GatewayError, UsageFault
from gateway.mapping_folders import shipped
from gateway.mllp_client import MllpClient
from gateway.records import Channel, DeliveryState, Traffic
from gateway.region import Region, read_region
from gateway.store import deliveries, episodes, links, quarantine, reports, reviews, visits
from gateway.store.database import Database
from gateway.store.transaction import Tx

SETTLE_SECONDS = 60.0
STOPPED = 130  # the status of a command that was stopped by the keyboard


def demo(
    once: Annotated[bool, typer.Option(help="Stop when everything has arrived, instead of serving the pages.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print one JSON document as the last output.")] = False,
    data: Annotated[Path | None, typer.Option(help="Keep the data here; a temporary folder otherwise.")] = None,
    port: Annotated[int, typer.Option(min=0, max=LAST_PORT, help="Port for the pages; 0 takes a free one.")] = 0,
) -> None:
    """Run the invented day of Yarrowfen through a gateway, and say what became of every case.

    Exit status 1 if anything did not arrive or did not become what it must.

    Example: bandgate demo --once --json
    """
    with tempfile.TemporaryDirectory(prefix="bandgate-demo-") as folder:
        home = (data or Path(folder)).absolute()
        home.mkdir(parents=True, exist_ok=True)
        if any(home.iterdir()):
            raise UsageFault(f"{home}: is not empty, and the demonstration would write over it: name an empty folder")
        try:
            fine = asyncio.run(_until_told_to_stop(home, once=once, as_json=as_json, port=port))
        except (KeyboardInterrupt, asyncio.CancelledError):
            raise typer.Exit(STOPPED) from None
        except GatewayError:
            _empty(home)  # it was empty before, and shall be no obstacle to the next try
            raise
    raise typer.Exit(0 if fine else 1)


def _empty(folder: Path) -> None:
    for each in folder.iterdir():
        if each.is_dir():
            shutil.rmtree(each)
        else:
            each.unlink()


@dataclass(frozen=True, slots=True)
class Day:
    """The invented day: its folder, its order of arrival, and what it must become."""

    folder: Path
    order: list[dict[str, str]]
    cases: list[dict[str, Any]]


async def _until_told_to_stop(home: Path, *, once: bool, as_json: bool, port: int) -> bool:
    """Demonstrate; SIGTERM ends it as Ctrl-C does, and takes the gateway's process along."""
    demonstration = asyncio.ensure_future(_demonstrate(home, once=once, as_json=as_json, port=port))
    asyncio.get_running_loop().add_signal_handler(signal.SIGTERM, demonstration.cancel)
    return await demonstration


async def _demonstrate(home: Path, *, once: bool, as_json: bool, port: int) -> bool:
    day = _read_day(shipped("fixtures"))
    received = Received()
    async with contextlib.AsyncExitStack() as stack:
        region_file = await _region_with_receivers(day.folder, home, received, stack)
        doors = await stack.enter_async_context(gateway_process(region_file, home, port))
        errors.print("The gateway runs; the day goes in through its doors.")
        region = read_region(region_file)
        database = Database.open_to_read(
            f"sqlite:///{(home / 'data' / 'gateway.db').resolve()}", key_file=home / "data" / "gateway.key"
        )
        stack.callback(database.close)
        refused = await _send_day(day, doors, database)
        settled = await _wait_until_settled(database)
        result = database.read(lambda tx: _result(tx, day, region, received, refused))
        fine = settled and not refused and result["cases"]["different"] == 0 and _all_arrived(result)
        told = errors if as_json else out
        _print_result(result, told)
        if as_json:
            print_json({**result, **({} if once else {"doors": doors}), "good": fine})
        errors.print(CAUTION, style="dim")
        if not once:
            await _serve_on(home, doors, told)
    return fine


def _read_day(folder: Path) -> Day:
    with (folder / "day" / "order.csv").open(encoding="utf-8", newline="") as file:
        order = list(csv.DictReader(file))
    expected = YAML(typ="safe").load((folder / "expected.yaml").read_text(encoding="utf-8"))
    return Day(folder, order, expected["cases"])


async def _region_with_receivers(
    fixtures: Path, home: Path, received: Received, stack: contextlib.AsyncExitStack
) -> Path:
    """Start a receiver for each subscription and give back a region file that names their addresses."""
    text = (fixtures / "region.yaml").read_text(encoding="utf-8")
    for subscription in read_region(fixtures / "region.yaml").subscriptions.values():
        make = fhir_receiver if subscription.channel is Channel.FHIR_REST_HOOK else mllp_receiver
        address = await stack.enter_async_context(make(subscription.name, received))
        text = text.replace(f'"{subscription.endpoint}"', f'"{address}"')
    shutil.copytree(fixtures / "mappings", home / "mappings", dirs_exist_ok=True)
    region_file = home / "region.yaml"
    region_file.write_text(text, encoding="utf-8")
    return region_file


async def _send_day(day: Day, doors: dict[str, str], database: Database) -> list[str]:
    """Send every message of the day in order, each through its door; gives back the files that were refused.

    Minutes lie between two messages of one case, so what the first one set going has arrived before the second.
    """
    refused, cases = [], set()
    async with MllpClient(doors["admissions"]) as line, httpx.AsyncClient(base_url=doors["web"], timeout=30) as web:
        for row in day.order:
            if row["case"] in cases:
                await _wait_until_settled(database)
            cases.add(row["case"])
            content = (day.folder / row["file"]).read_bytes()
            if row["door"] == "http":
                headers = {"Authorization": f"Bearer demo-{row['feed']}", "Content-Type": "application/xml"}
                taken = (await web.post("/care-reports", content=content, headers=headers)).is_success
            else:
                taken = re.search(rb"\rMSA\|[AC]A", await line.send(content)) is not None
            if not taken:
                refused.append(row["file"])
    return refused


async def _wait_until_settled(database: Database) -> bool:
    """Wait until no delivery is on its way; False when it takes too long."""
    under_way = {DeliveryState.QUEUED, DeliveryState.SENDING, DeliveryState.WAITING}
    try:
        async with asyncio.timeout(SETTLE_SECONDS):
            while any(state in under_way for _, state in database.read(deliveries.count)):
                await asyncio.sleep(0.01)
    except TimeoutError:
        return False
    return True


def _result(tx: Tx, day: Day, region: Region, received: Received, refused: list[str]) -> dict[str, Any]:
    live = Traffic.LIVE
    verdicts = judge(tx, day.cases, region, received)
    sent = deliveries.count(tx)
    return {
        "region": region.name,
        "sent": {"messages": len(day.order), "refused": refused},
        "reports": sum(reports.count(tx, traffic=live).values()),
        "admissions": sum(1 for row in day.order if row["door"] == "mllp"),
        "visits": sum(visits.count(tx, traffic=live).values()),
        "episodes": {state.value: number for state, number in episodes.count(tx, traffic=live).items()},
        "links": {
            f"{state.value}{', confirmed' if sure else ''}": n
            for (state, sure), n in links.count(tx, traffic=live).items()
        },
        "reviews": {state.value: number for state, number in reviews.count(tx, traffic=live).items()},
        "quarantine": quarantine.count_open(tx),
        "deliveries": {
            "sent": sum(n for (_, state), n in sent.items() if state is DeliveryState.DELIVERED),
            "received": received.count(),
            "by_subscription": _by_subscription(sent),
        },
        "cases": {
            "expected": sum(1 for each in verdicts if not each.differences),
            "different": sum(1 for each in verdicts if each.differences),
            "needing_more": sum(1 for each in verdicts if each.needs),
            "list": [_verdict_json(each) for each in verdicts],
        },
    }


def _by_subscription(sent: dict[tuple[str, DeliveryState], int]) -> dict[str, dict[str, int]]:
    table: dict[str, dict[str, int]] = {}
    for (name, state), number in sorted(sent.items()):
        table.setdefault(name, {})[state.value] = number
    return table


def _verdict_json(verdict: Verdict) -> dict[str, Any]:
    return {
        "id": verdict.id,
        "title": verdict.title,
        "as_expected": not verdict.differences,
        "needs": verdict.needs,
        "differences": list(verdict.differences),
    }


def _all_arrived(result: dict[str, Any]) -> bool:
    told = result["deliveries"]
    others = sum(n for states in told["by_subscription"].values() for s, n in states.items() if s != "delivered")
    return bool(told["sent"] == told["received"] and others == 0)


def _print_result(result: dict[str, Any], to: PlainConsole) -> None:
    sent, told, cases = result["sent"], result["deliveries"], result["cases"]
    to.print(f"{counted(sent['messages'], 'message')} went in through the doors, {len(sent['refused'])} refused.")
    to.print(f"Kept: {counted(result['reports'], 'care report')} and {counted(result['visits'], 'visit')}.")
    to.print("episodes: " + ", ".join(f"{n} {state}" for state, n in sorted(result["episodes"].items())))
    to.print(links_in_words(result["links"]))
    to.print(f"open reviews: {result['reviews'].get('open', 0)}; in quarantine: {result['quarantine']}")
    to.print(f"{counted(told['sent'], 'notification')} sent, {told['received']} received by the subscribers.")
    became = f"{cases['expected']} of {counted(len(cases['list']), 'case')} became what the day expects"
    to.print(f"{became}, {cases['different']} did not.")
    for each in cases["list"]:
        for difference in each["differences"]:
            to.print(f"  {each['id']}: {difference}")


#: What a link rests on, by how the result counts it.
RESTS_ON = {"linked, confirmed": "linked by two identifiers that agree", "linked": "linked by the band alone"}


def links_in_words(links: dict[str, int]) -> str:
    """Give back how many links there are of each kind, as people say it."""
    kinds = (f"{n} {RESTS_ON.get(state, state.removesuffix(', confirmed'))}" for state, n in sorted(links.items()))
    return "links: " + "; ".join(kinds)


async def _serve_on(home: Path, doors: dict[str, str], to: PlainConsole) -> None:
    """Say where to look, and wait for Ctrl-C."""
    to.print(f"Pages: {doors['web']}")
    for said in words_of("notice", home / "gateway.log"):
        if said != CAUTION:
            to.print(said)
    to.print(f"Look a band up:  {command_from_here(sys.argv[0])} lookup YFFPD2J2A --data {from_here(home / 'data')}")
    to.print("Ctrl-C stops everything.")
    await asyncio.Event().wait()


def command_from_here(called: str) -> str:
    """How to call this command again from the folder the user stands in; `called` is its argv[0]."""
    path = Path(called)
    if path.name == "__main__.py":
        return f"{from_here(Path(sys.executable))} -m gateway"
    on_path = shutil.which(path.name)
    if on_path and Path(on_path).resolve() == path.resolve():
        return path.name
    typed = from_here(path)
    return typed if "/" in typed else f"./{typed}"


def from_here(path: Path) -> str:
    """A path as it is shortest to type in the folder the user stands in, quoted where a shell needs it."""
    path, here = path.absolute(), Path.cwd()
    return shlex.quote(str(path.relative_to(here) if path.is_relative_to(here) else path))
