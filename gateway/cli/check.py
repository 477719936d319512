"""`bandgate check`: is this export or admission message fit to carry the band?"""

from collections import Counter
from collections.abc import Iterable, Iterator, Set
from pathlib import Path
from typing import Annotated, Any, NamedTuple

import typer
from lxml import etree

from gateway.adapters.care_reports import reports
from gateway.adapters.report_checks import DataSet
from gateway.adapters.report_schema import validate
from gateway.caution import CAUTION
from gateway.cli.files import find_feed, find_region, read_files
from gateway.cli.output import counted, errors, out, print_finding, print_json
from gateway.cli.statuses import FAULTY, GOOD
from gateway.errors import SenderFault
from gateway.mapping.capture import BandState, capture
from gateway.mapping.rules import Kind
from gateway.reading import kind_of
from gateway.records import Admission, CareReport, Finding, Level, Sighting
from gateway.region import Feed, Region
from gateway.schema_files import Kind as SetKind
from gateway.schemas import Schemas, load_schema
from gateway.showing import show_records

STANDARDS = {Kind.ADMISSIONS: "HL7 v2", Kind.CARE_REPORTS: "NEMSIS", None: None}
Record = Admission | CareReport


def check(
    paths: Annotated[list[Path], typer.Argument(help="Files or folders: .xml care reports, .hl7 messages.")],
    region: Annotated[Path | None, typer.Option(help="The region file to read by.")] = None,
    feed: Annotated[str | None, typer.Option(help="Read everything as this feed does.")] = None,
    schemas: Annotated[Path | None, typer.Option(help="Folder with the official NEMSIS XSD files.")] = None,
    data: Annotated[
        Path | None, typer.Option(help="Data folder of a gateway: use the schemas registered there.")
    ] = None,
    notes: Annotated[bool, typer.Option("--notes", "-v", help="Show the notes of several files too.")] = False,
    as_json: Annotated[bool, typer.Option("--json", help="Print JSON.")] = False,
) -> None:
    """Say whether files carry the band where a computer can find it, and what to change if not.

    An error must be mended, a warning should be, a note is worth knowing; of several files notes are only counted.

    Exit status 0 when no file has an error, 1 when one has, 2 when a path, the region or the feed cannot be used.

    Example: bandgate check fixtures/day/care-reports --region fixtures/region.yaml
    """
    by = find_region(region)
    asked = find_feed(by, feed)
    official = _Official(load_schema(schemas) if schemas else None, Schemas(data) if data else None)
    files = [_check_file(str(path), content, by, asked, official) for path, content in read_files(paths)]
    summary = _summary(files)
    if as_json:
        print_json({"files": files, "summary": summary})
    else:
        shown = set(Level) if notes or len(files) == 1 else {Level.ERROR, Level.WARNING}
        for each in files:
            _print_file(each, shown)
        _print_summary(files, summary, shown)
    if not official.is_there and any(each["standard"] == STANDARDS[Kind.CARE_REPORTS] for each in files):
        errors.print("not held against the schema: name the folder of the official files with --schemas")
    errors.print(CAUTION, style="dim")
    raise typer.Exit(FAULTY if summary["errors"] else GOOD)


class _Official(NamedTuple):
    """Where the official schemas come from: the one given, or those registered in a data folder."""

    given: etree.XMLSchema | None
    registered: Schemas | None

    @property
    def is_there(self) -> bool:
        """Whether there is any to hold a care report against."""
        return self.given is not None or bool(self._versions())

    def find(self, data: bytes) -> etree.XMLSchema | None:
        """Find the schema for a file: of the version it names, which nobody declares here, or else of the newest."""
        if self.given is not None or self.registered is None or not (versions := self._versions()):
            return self.given
        named = next((report.version for report in reports(data)), "")
        return self.registered.find_schema(DataSet.EMS, named if named in versions else versions[-1])

    def _versions(self) -> list[str]:
        listed = self.registered.registered() if self.registered is not None else ()
        return sorted(each.version for each in listed if (each.kind, each.data_set) == (SetKind.SCHEMA, DataSet.EMS))


def _check_file(name: str, data: bytes, region: Region, feed: Feed | None, official: _Official) -> dict[str, Any]:
    kind = feed.kind if feed else kind_of(data)
    file: dict[str, Any] = {"file": name, "standard": STANDARDS[kind], "version": None, "records": [], "findings": []}
    try:
        if kind is Kind.CARE_REPORTS and (schema := official.find(data)) is not None:
            file["findings"] += [_finding_json(each) for each in validate(data, schema)]
        for shown in show_records(region, data, feed=feed):
            file["version"] = shown.record.version or None
            file["records"].append(_record_json(shown.record))
    except SenderFault as fault:
        file["findings"].append(_fault_json(fault))
    return file


def _record_json(record: Record) -> dict[str, Any]:
    state, best = capture(record.sightings)
    return {
        "id": record.uuid or record.number if isinstance(record, CareReport) else record.control_id,
        "band": {
            "state": state.value,
            "value": best.raw if best else None,
            "canonical": best.canonical if best else None,
            "places": [_place_json(each) for each in record.sightings],
        },
        "findings": [_finding_json(each) for each in record.findings],
    }


def _place_json(sighting: Sighting) -> dict[str, Any]:
    return {"path": sighting.path, "line": sighting.line, "how": sighting.how.value}


def _finding_json(finding: Finding) -> dict[str, Any]:
    return {
        "level": finding.level.value,
        "code": finding.code,
        "path": finding.path,
        "line": finding.line,
        "message": finding.message,
        "remedy": finding.remedy,
    }


def _fault_json(fault: SenderFault) -> dict[str, Any]:
    return {
        "level": Level.ERROR.value,
        "code": fault.code,
        "path": fault.path,
        "line": fault.line,
        "message": fault.message,
        "remedy": fault.remedy,
    }


def _findings(files: Iterable[dict[str, Any]]) -> Iterator[dict[str, Any]]:
    for file in files:
        yield from file["findings"]
        for record in file["records"]:
            yield from record["findings"]


def _summary(files: list[dict[str, Any]]) -> dict[str, Any]:
    levels = Counter(each["level"] for each in _findings(files))
    states = Counter(record["band"]["state"] for file in files for record in file["records"])
    return {
        "files": len(files),
        "records": sum(states.values()),
        "bands": {state.value: states[state.value] for state in BandState},
        "errors": levels["error"],
        "warnings": levels["warning"],
        "notes": levels["note"],
    }


def _print_file(file: dict[str, Any], levels: Set[Level]) -> None:
    standard = " ".join(filter(None, (file["standard"], file["version"]))) or "unknown"
    out.print(f"{file['file']}  ({standard})")
    _print_findings(file["findings"], levels)
    for record in file["records"]:
        band = record["band"]
        places = ", ".join(dict.fromkeys(f"{place['path']} ({place['how']})" for place in band["places"]))
        out.print(f"  {record['id']}: band {band['state']}" + (f" at {places}" if places else ""))
        _print_findings(record["findings"], levels)


def _print_findings(findings: Iterable[dict[str, Any]], levels: Set[Level]) -> None:
    for each in findings:
        if each["level"] in levels:
            print_finding(each, indent="    ")


def _print_summary(files: list[dict[str, Any]], summary: dict[str, Any], levels: Set[Level]) -> None:
    bands = summary["bands"]
    others = ", ".join(f"{count} {state}" for state, count in bands.items() if count and state != "recorded")
    out.print(
        f"In {counted(summary['files'], 'file')}: band recorded in {bands['recorded']} of "
        f"{counted(summary['records'], 'record')}" + (f"; others: {others}" if others else "")
    )
    hidden = "" if Level.NOTE in levels or not summary["notes"] else " (shown with --notes)"
    out.print(
        f"To be mended: {counted(summary['errors'], 'error')}. To be looked at: "
        f"{counted(summary['warnings'], 'warning')}. Worth knowing: {counted(summary['notes'], 'note')}{hidden}."
    )
    faulty = [file["file"] for file in files if any(each["level"] == Level.ERROR for each in _findings([file]))]
    if faulty and len(files) > 1:
        out.print("Errors stand in")
        for name in faulty:
            out.print(f"  {name}")
