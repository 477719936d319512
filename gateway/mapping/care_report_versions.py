"""Two exports of one care report: what is known of the report when the second has come.

An update is the whole report again under the same UUID: there is no delta, no version number and no delete
(NEMSIS "UUIDs"). So a full export replaces a full one, and may drop what the other said. But the same report
also goes out cut down to the national elements, without name, destination or identifier. That is a partial
view, never the newer version: whichever comes first, neither erases what the other knew.

    held      comes      what is known then
    full      full       the new one, and what only a partial one has ever said
    full      partial    the held one, its gaps filled from the new one
    partial   full       the new one, its gaps filled from the held one
    partial   partial    the new one, its gaps filled from the held one

Of two different values that of the leading export wins. A list (conditions, vital signs, sightings) is one
value: its rows have no identity across exports.
"""

from collections.abc import Container
from typing import Any

from msgspec.structs import replace

from gateway.records import CareReport, Record

#: Parts of the record that are filled value by value.
PARTS = ("patient", "times")

#: What describes the export, or follows from another value: never a gap of its own.
NO_GAPS = frozenset(PARTS) | {
    "key", "organisation", "version", "partial", "traffic", "findings", "origins", "from_partial",
    "destination", "patient_contact", "unidentified",
}  # fmt: skip

#: Origins that are called by the source's value, where the record puts several together or calls it otherwise.
_OTHER_NAMES = {"patient.age_unit": "patient.age", "patient_identifier": "patient_identifiers"}


def combine(old: CareReport, new: CareReport) -> CareReport:
    """Give back what is known of a report when `new` comes and `old` is held.

    Taking the same export twice changes nothing. Raises `ValueError` for two different reports.
    """
    if old.key != new.key:
        raise ValueError("two different care reports")
    leading, other = (old, new) if new.partial and not old.partial else (new, old)
    gaps = _known(other) - _known(leading)
    if not (old.partial or new.partial):
        gaps &= set(old.from_partial)
    return _filled(leading, other, gaps) if gaps else leading


def is_poorer(new: CareReport, old: CareReport) -> bool:
    """Whether `new` says nothing that `old` does not, and leaves out something that `old` does say.

    Of one report twice in a submission, the later one counts unless it is poorer.
    """
    return _known(new) < _known(old)


def _filled(leading: CareReport, other: CareReport, gaps: set[str]) -> CareReport:
    """The leading export with the values named in `gaps` from the other, origins included."""
    values = _picked("", other, gaps)
    values |= {
        part: replace(getattr(leading, part), **_picked(f"{part}.", getattr(other, part), gaps)) for part in PARTS
    }
    if "destination_code" in gaps:
        values["destination"] = other.destination
    if "patient.family" in gaps:
        values["patient"] = replace(values["patient"], unidentified=other.patient.unidentified)
    if "sightings" in gaps:
        values["traffic"] = other.traffic  # an exercise is known by its bands
    values["origins"] = leading.origins | {name: at for name, at in other.origins.items() if _owner(name) in gaps}
    values["from_partial"] = () if leading.partial else tuple(sorted(gaps.union(leading.from_partial)))
    return replace(leading, **values)


def _picked(prefix: str, record: Record, gaps: Container[str]) -> dict[str, Any]:
    return {name: getattr(record, name) for name in record.__struct_fields__ if prefix + name in gaps}


def _known(report: CareReport) -> set[str]:
    """The names of the values that a report has, parts value by value."""
    records: list[tuple[str, Record]] = [("", report), *((f"{part}.", getattr(report, part)) for part in PARTS)]
    return {
        prefix + name
        for prefix, record in records
        for name in record.__struct_fields__
        if name not in NO_GAPS and getattr(record, name) not in (None, (), "")
    }


def _owner(origin: str) -> str:
    """The value an origin belongs to: `vitals` of `vitals[0].heart_rate`, `patient.age` of `patient.age_unit`."""
    steps = origin.partition("[")[0].split(".")
    name = ".".join(steps[: 2 if steps[0] in PARTS else 1])
    return _OTHER_NAMES.get(name, name)
