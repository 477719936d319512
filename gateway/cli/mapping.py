"""`bandgate mapping`: the form of a mapping file, and what is shipped."""

from pathlib import Path
from typing import Annotated

import typer

from gateway.cli.output import out, print_json
from gateway.errors import ConfigurationFault, UsageFault
from gateway.mapping.rules import mapping_schema
from gateway.mapping_folders import read_mapping_folders, shipped

mapping_app = typer.Typer(help="Mapping files.", no_args_is_help=True, rich_markup_mode=None)


@mapping_app.command()
def schema() -> None:
    """Print the JSON Schema of a mapping file.

    Example: bandgate mapping schema > mapping.schema.json
    """
    print_json(mapping_schema())


@mapping_app.command(name="list")
def list_(
    folder: Annotated[Path | None, typer.Option(help="A folder of your own, read before the shipped ones.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """List the mappings there are, checking each.

    Example: bandgate mapping list --folder mappings
    """
    if folder is not None and not folder.is_dir():
        raise UsageFault(f"{folder}: no such folder: name the one that holds your mapping files")
    found = read_mapping_folders([*([folder] if folder else []), shipped("mappings")])
    if found.faults:
        raise ConfigurationFault(found.faults)
    rows = [{"mapping": m.mapping, "kind": m.kind.value, "about": m.about} for _, m in sorted(found.mappings.items())]
    if as_json:
        print_json({"mappings": rows})
        return
    for row in rows:
        out.print(f"{row['mapping']:32} {row['kind']:14} {row['about']}")
