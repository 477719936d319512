"""`bandgate read`: the record a message becomes, and for every value its place and the rule that took it."""

import re
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import Annotated, Any

import msgspec
import typer

from gateway.caution import CAUTION
from gateway.cli.files import find_feed, find_region, read_files
from gateway.cli.output import errors, out, print_finding, print_json
from gateway.cli.statuses import FAULTY, GOOD
from gateway.errors import Fault, SenderFault, UsageFault
from gateway.records import Admission, CareReport, Level
from gateway.showing import Shown, show_records


def read(
    file: Annotated[Path, typer.Argument(help="One .xml care-report file or .hl7 message.")],
    region: Annotated[Path | None, typer.Option(help="The region file to read by.")] = None,
    feed: Annotated[str | None, typer.Option(help="Read it as this feed does.")] = None,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Show the record a message becomes; for every value the place it came from and the rule that took it.

    Below the values stands where the mapping looked for the band and what came of each place. Nothing is stored.

    Exit status 0 when the record has no error, 1 when it has one or the message cannot be read, 2 when the file, the
    region or the feed cannot be used.

    Example: bandgate read fixtures/bad/wrong-check.hl7 --region fixtures/region.yaml
    """
    if file.is_dir():
        raise UsageFault(f"{file}: name one file, or use bandgate check for a folder")
    by = find_region(region)
    asked = find_feed(by, feed)
    (_, data), *_ = read_files([file])
    try:
        records = [describe(each) for each in show_records(by, data, feed=asked)]
    except SenderFault as fault:
        told = Fault(str(file), fault.line, fault.path, fault.message, fault.remedy)
        errors.print(f"bandgate: {told}", markup=False, soft_wrap=True)
        raise typer.Exit(FAULTY) from fault
    if as_json:
        print_json({"file": str(file), "records": records})
    else:
        for each in records:
            _print_record(each)
    errors.print(CAUTION, style="dim")
    faulty = any(finding["level"] == Level.ERROR for each in records for finding in each["findings"])
    raise typer.Exit(FAULTY if faulty else GOOD)


def describe(shown: Shown) -> dict[str, Any]:
    """Give back a record as JSON: its values flat, by dotted name, each with its place and the rule that took it."""
    feed, record = shown.feed, shown.record
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
        "looked_at": [each._asdict() for each in shown.looked_at],
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
            return msgspec.structs.asdict(record.origins[name])
        cut = max(name.rfind("."), name.rfind("["))
        name = name[:cut] if cut > 0 else ""
    return {"path": None, "line": None, "rule": None}


# ── as a person reads it ───────────────────────────────────────────────────────────────────────────

WIDEST = 32  # characters of a column of values; a longer one has the rest of its row on a line of its own


def _print_record(record: dict[str, Any]) -> None:
    out.print(f"{record['kind']} by feed {record['feed']}, mapping {record['mapping']}")
    _print_rows((each["name"], str(each["value"]), _where(each), each["rule"] or "") for each in record["values"])
    for each in record["sightings"]:
        said = each["canonical"] or f"no band ({each.get('fault')})"
        out.print(f"  band {said} at {each['path']} ({each['how']}) by {each['rule']}")
    if record["looked_at"]:
        out.print("  looked for the band at")
    _print_table((each["place"], each["how"], _file(each), each["says"]) for each in record["looked_at"])
    for each in record["findings"]:
        print_finding(each, indent="  ")


def _where(value: dict[str, Any]) -> str:
    line = f" line {value['line']}" if value["line"] else ""
    return f"{value['path']}{line}" if value["path"] else "-"


def _file(place: dict[str, Any]) -> str:
    return f"by {place['rule'].partition(':')[0]}"


def _print_rows(rows: Iterable[tuple[str, str, str, str]]) -> None:
    """Print the values; behind one that is wider than the column the row goes on below, so that the columns hold."""
    rows = list(rows)
    names, values, places = (min(WIDEST, max(len(row[n]) for row in rows)) for n in range(3))
    for name, value, place, rule in rows:
        gap = "\n" + " " * (names + values + 6) if rule and len(value) > values else "  "
        for line in f"  {name:{names}}  {value:{values}}{gap}{place:{places}}  {rule}".split("\n"):
            out.print(line.rstrip())


def _print_table(rows: Iterable[tuple[str, ...]]) -> None:
    rows = list(rows)
    widths = [max(map(len, column)) for column in zip(*rows, strict=True)]
    for row in rows:
        out.print("    " + "  ".join(f"{cell:{width}}" for cell, width in zip(row, widths, strict=True)).rstrip())
