"""`bandgate read`: the record a message becomes, and for every value its place and the rule that took it."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from gateway.cli.files import find_feed, find_region, read_files
from gateway.cli.output import CAUTION, errors, out, print_json
from gateway.errors import Fault, SenderFault, UsageFault
from gateway.reading import read_records
from gateway.records import Admission, CareReport
from gateway.region import Feed


def read(
    file: Annotated[Path, typer.Argument(help="One .xml care-report file or .hl7 message.")],
    region: Annotated[Path | None, typer.Option(help="The region file to read by.")] = None,
    feed: Annotated[str | None, typer.Option(help="Read it as this feed does.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show the record a message becomes; for every value the place it came from and the rule that took it.

    Nothing is stored. A message that cannot be read is a fault with its place (exit status 1).

    Example: bandgate read fixtures/bad/wrong-check.hl7 --region fixtures/region.yaml
    """
    if file.is_dir():
        raise UsageFault(f"{file}: name one file, or use bandgate check for a folder")
    by = find_region(region)
    asked = find_feed(by, feed)
    (_, data), *_ = read_files([file])
    try:
        records = [describe(by_feed, record) for by_feed, record in read_records(by, data, feed=asked)]
    except SenderFault as fault:
        told = Fault(str(file), fault.line, fault.path, fault.message, fault.remedy)
        errors.print(f"bandgate: {told}", markup=False, soft_wrap=True)
        raise typer.Exit(1) from fault
    if as_json:
        print_json({"file": str(file), "records": records})
    else:
        for each in records:
            _print_record(each)
    errors.print(CAUTION, style="dim")


def describe(feed: Feed, record: Admission | CareReport) -> dict[str, Any]:
    """Give back a record as JSON: its values flat, by dotted name, each with origin and rule."""
    plain = msgspec.to_builtins(record)
    for vital_signs in plain.get("vitals", ()):
        vital_signs.update({reading.pop("name"): reading for reading in vital_signs.pop("readings", ())})
    values = dict(
        _flat({key: value for key, value in plain.items() if key not in {"origins", "findings", "sightings"}})
    )
    return {
        "kind": feed.kind.value,
        "feed": feed.name,
        "mapping": feed.mapping,
        "values": [{"name": name, "value": value, **_origin(record, name)} for name, value in values.items()],
        "sightings": plain.get("sightings", []),
        "findings": plain.get("findings", []),
    }


def _flat(value: Any, name: str = "") -> Iterator[tuple[str, Any]]:
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _flat(inner, f"{name}.{key}" if name else key)
    elif isinstance(value, list | tuple):
        for index, inner in enumerate(value):
            yield from _flat(inner, f"{name}[{index}]")
    else:
        yield name, value


#: Values that are made of another one, and so come from its place.
MADE_OF = (
    (re.compile(r"^destination$"), "destination_code"),
    (re.compile(r"^patient_identifiers\[\d+\].*"), "patient_identifier"),
    (re.compile(r"\.negative$"), ".code"),
)


def _origin(record: Admission | CareReport, name: str) -> dict[str, Any]:
    """The origin of a value, or of the nearest thing around it: an identifier's parts come from one place."""
    for made, source in MADE_OF:
        name = made.sub(source, name)
    while name:
        if name in record.origins:
            path, line, rule = record.origins[name]
            return {"path": path, "line": line, "rule": rule}
        cut = max(name.rfind("."), name.rfind("["))
        name = name[:cut] if cut > 0 else ""
    return {"path": None, "line": None, "rule": None}


def _print_record(record: dict[str, Any]) -> None:
    out.print(f"{record['kind']} by feed {record['feed']}, mapping {record['mapping']}")
    width = max((len(each["name"]) for each in record["values"]), default=0)
    for each in record["values"]:
        where = f"{each['path']}" + (f" line {each['line']}" if each["line"] else "") if each["path"] else "-"
        out.print(f"  {each['name']:{width}}  {each['value']!s:32}  {where}  {each['rule'] or ''}")
    for each in record["sightings"]:
        said = each["canonical"] or f"no band ({each.get('fault')})"
        out.print(f"  band {said} at {each['path']} ({each['how']}) by {each['rule']}")
    for each in record["findings"]:
        where = f"  [{each['path']}]" if each.get("path") else ""
        out.print(f"  {each['level']}: {each['message']}{where}")
