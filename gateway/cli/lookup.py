"""`bandgate lookup`: what is known under one band, from the data folder or a running gateway."""

import os
from pathlib import Path
from typing import Annotated, Any

import httpx
import orjson
import typer

from gateway.caution import CAUTION
from gateway.cli.files import find_region
from gateway.cli.output import errors, out, print_json
from gateway.cli.statuses import FAULTY, GOOD, UNUSABLE
from gateway.errors import Unreachable, UsageFault
from gateway.looking_up import look_up
from gateway.records import Traffic
from gateway.run import REGION_NOTE
from gateway.store.database import Database

PASSWORD = "BANDGATE_PASSWORD"  # noqa: S105 - the name of a variable, not a secret


def lookup(
    band: Annotated[str, typer.Argument(help="The band as printed, scanned or typed.")],
    data: Annotated[Path | None, typer.Option(help="The data folder of a gateway on this machine.")] = None,
    url: Annotated[str | None, typer.Option(help="The address of a running gateway.")] = None,
    region: Annotated[
        Path | None, typer.Option(help="The region file, with --data; the one that was served last otherwise.")
    ] = None,
    account: Annotated[
        str, typer.Option(help=f"Account for --url; the password stands in {PASSWORD}.")
    ] = "coordinator",
    test_traffic: Annotated[
        bool, typer.Option("--test-traffic", help="Look among test traffic instead: feeds on trial, training.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show the episode of a band, every record linked to it and why, and every open question.

    Exit status 0 when the band has an episode, 1 when it has none, 2 when what was given is no band of this region
    (one line says what is wrong with it, and what a band looks like), 3 when the gateway cannot be reached.

    Example: bandgate lookup "YF7 K4M 2QG" --data ./data
    """
    if (data is None) == (url is None):
        raise UsageFault("name one of --data and --url")
    traffic = Traffic.TEST if test_traffic else Traffic.LIVE
    if data is not None:
        answer = _from_folder(band, data, region, traffic)
    else:
        answer = _from_gateway(band, str(url), account, traffic)
    band_read = answer["band"]["canonical"] is not None
    if as_json:
        print_json(answer)
    elif band_read:
        _print(answer)
    else:
        raise UsageFault(_no_band(answer["band"]))
    errors.print(CAUTION, style="dim")
    raise typer.Exit(GOOD if answer["episode"] else FAULTY if band_read else UNUSABLE)


def _from_folder(band: str, data: Path, region_file: Path | None, traffic: Traffic) -> dict[str, Any]:
    if not (data / "gateway.db").is_file():
        raise UsageFault(f"{data}: no gateway.db here: name the folder given to bandgate serve --data")
    note = data / REGION_NOTE
    region = find_region(region_file or (Path(note.read_text(encoding="utf-8")) if note.is_file() else None))
    database = Database.open_to_read(f"sqlite:///{(data / 'gateway.db').resolve()}", key_file=data / "gateway.key")
    try:
        return database.read(lambda tx: look_up(tx, region, band, traffic=traffic))
    finally:
        database.close()


def _from_gateway(band: str, url: str, account: str, traffic: Traffic) -> dict[str, Any]:
    password = os.environ.get(PASSWORD)
    if not password:
        raise UsageFault(f"--url: set {PASSWORD} to the password of {account}")
    try:
        asked = {"band": band, "traffic": traffic.value}
        response = httpx.post(f"{url.rstrip('/')}/lookup", json=asked, auth=(account, password), timeout=30)
    except (httpx.InvalidURL, httpx.UnsupportedProtocol) as error:
        raise UsageFault("--url: not an address: write http://host:port") from error
    except httpx.HTTPError as error:
        raise Unreachable(f"{url}: no answer: does a gateway run there, and are its pages on this port?") from error
    if response.status_code == httpx.codes.UNAUTHORIZED:
        raise UsageFault(f"{url}: wrong account or password")
    if response.status_code == httpx.codes.TOO_MANY_REQUESTS:
        raise UsageFault(f"{url}: too many attempts: try again later")
    if response.status_code not in {httpx.codes.OK, httpx.codes.NOT_FOUND}:
        raise Unreachable(f"{url}: answered {response.status_code}")
    return _answer(url, response.content, traffic)


def _answer(url: str, content: bytes, traffic: Traffic) -> dict[str, Any]:
    try:
        answer = orjson.loads(content)
    except orjson.JSONDecodeError as error:
        raise Unreachable(f"{url}: no gateway answers here") from error
    if not isinstance(answer, dict) or not {"band", "episode"} <= answer.keys():
        raise Unreachable(f"{url}: no gateway answers here")
    band = answer["band"]
    if not isinstance(band, dict) or "canonical" not in band:
        raise Unreachable(f"{url}: no gateway answers here")
    if band["canonical"] is not None and answer.get("traffic") != traffic:
        raise Unreachable(f"{url}: a gateway of another version: it does not say which traffic it tells of")
    return {**answer}


def _no_band(band: dict[str, Any]) -> str:
    """The one line about what is no band; a gateway of an earlier version says only which fault it has."""
    told = filter(None, (band.get("message") or band.get("fault"), band.get("remedy")))
    return ": ".join(("BAND", "no band identifier", *told))


def _print(answer: dict[str, Any]) -> None:
    band, episode = answer["band"], answer["episode"]
    out.print(f"band {band['printed']}" + (", in test traffic" if answer["traffic"] == Traffic.TEST else ""))
    if episode is None:
        out.print("  nothing is linked under this band")
        reviews = answer.get("reviews", [])
    else:
        out.print(f"  episode {episode['id']}, {episode['state']}, bands {', '.join(episode['bands'])}")
        for record in episode["records"]:
            _print_record(record)
        reviews = episode["reviews"]
    for review in reviews:
        out.print(f"  question: {review['says']}")
    if answer["known_elsewhere"]:
        asked_for_test = answer["traffic"] == Traffic.TEST
        hint = "look without --test-traffic" if asked_for_test else "--test-traffic shows it"
        out.print(f"  besides, the band is known in {'live' if asked_for_test else 'test'} traffic: {hint}")


def _print_record(record: dict[str, Any]) -> None:
    link = record["link"]
    sure = ", two identifiers agree" if link["confirmed"] else ""
    out.print(f"  {record['when'] or '-':25}  {record['kind']:12} {record['organisation']:20} {record['id']}")
    out.print(f"      {link['state']}{sure}: " + "; ".join(reason["says"] for reason in link["reasons"]))
