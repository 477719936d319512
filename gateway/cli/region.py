"""`bandgate region`: the form of a region file, whether one is right, and what agencies say that it lacks."""

from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from gateway.cli.files import find_region
from gateway.cli.output import counted, errors, out, print_json
from gateway.demographics import Suggestion, suggestions
from gateway.errors import UsageFault
from gateway.records import Traffic
from gateway.region import check_region
from gateway.region_file import RegionFile
from gateway.run import REGION_NOTE
from gateway.store import demographics
from gateway.store.database import Database

region_app = typer.Typer(help="The region file.", no_args_is_help=True, rich_markup_mode=None)


def region_schema() -> dict[str, Any]:
    """Give back the published JSON Schema of region.yaml."""
    return {"$schema": "https://json-schema.org/draft/2020-12/schema", **RegionFile.model_json_schema(by_alias=True)}


@region_app.command()
def schema() -> None:
    """Print the JSON Schema of region.yaml.

    Example: bandgate region schema > region.schema.json
    """
    print_json(region_schema())


@region_app.command(short_help="Are a region file and its mappings right?")
def check(
    file: Annotated[Path, typer.Argument(help="The region file.")],
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say whether a region file and the mappings it names can be served; every mistake at once.

    A folder or a certificate that the file names and that is not on this machine is a mistake too.

    Example: bandgate region check region.yaml
    """
    region = check_region(file)
    counts = {
        "organisations": len(region.organisations),
        "feeds": len(region.feeds),
        "subscriptions": len(region.subscriptions),
    }
    if as_json:
        print_json({"region": region.name, **counts})
    else:
        told = (counted(count, name.removesuffix("s")) for name, count in counts.items())
        out.print(f"{region.name}: {', '.join(told)}")


@region_app.command(short_help="What agencies say about themselves that the file lacks.")
def suggest(
    data: Annotated[Path, typer.Option(help="The data folder of the gateway.")],
    region: Annotated[
        Path | None, typer.Option(help="The region file; the one that was served last otherwise.")
    ] = None,
    database: Annotated[str | None, typer.Option(help="postgresql://… in place of SQLite in --data.")] = None,
    test_traffic: Annotated[
        bool, typer.Option("--test-traffic", help="Look at what feeds on trial have sent instead.")
    ] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Print the organisations that agencies' demographics name and region.yaml lacks or has otherwise, ready for it.

    Nothing is changed: whoever keeps the region file decides.

    Example: bandgate region suggest --data ./data
    """
    if database is None and not (data / "gateway.db").is_file():
        raise UsageFault(f"{data}: no gateway.db here: name the folder given to bandgate serve --data")
    note = data / REGION_NOTE
    served = find_region(region or (Path(note.read_text(encoding="utf-8")) if note.is_file() else None))
    url = database or f"sqlite:///{(data / 'gateway.db').resolve()}"
    store = Database.open_to_read(url, key_file=data / "gateway.key")
    try:
        traffic = Traffic.TEST if test_traffic else Traffic.LIVE
        kept = store.read(lambda tx: demographics.everything(tx, traffic=traffic))
    finally:
        store.close()
    found = suggestions(tuple(served.organisations.values()), kept)
    if as_json:
        print_json({"agencies": len(kept), "suggestions": [_shown(each) for each in found]})
        return
    errors.print(f"demographics of {counted(len(kept), 'agency', 'agencies')}: {counted(len(found), 'suggestion')}")
    if found:
        out.print("organisations:")
        for each in found:
            _print_lines(each)


def _shown(each: Suggestion) -> dict[str, Any]:
    return {**msgspec.to_builtins(each.organisation), "is_known": each.known is not None, "reason": each.reason}


def _print_lines(each: Suggestion) -> None:
    """One organisation as region.yaml has it; a JSON text is a YAML text (YAML 1.2, section 1.3)."""
    out.print(f"  # {each.reason}" + ("; change the entry to" if each.known else ""))
    for number, (key, value) in enumerate(msgspec.to_builtins(each.organisation).items()):
        out.print(f"  {'- ' if number == 0 else '  '}{key}: {msgspec.json.encode(value).decode()}")
