"""`bandgate region`: the form of a region file, and whether one is right."""

from pathlib import Path
from typing import Annotated, Any

import typer

from gateway.cli.output import counted, out, print_json
from gateway.region import read_region
from gateway.region_file import RegionFile

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

    Example: bandgate region check region.yaml
    """
    region = read_region(file)
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
