"""Admission messages through a mapping: message and rules give the record, with the origin of every value.

A mapping is compiled once; reading a message then only looks into the fields that the mapping names. The
rules of this file:

* A value that cannot be read costs the value, never the message, and is told at its place.
* `""` is the delete indicator, not a value (HL7 v2 section 2.9.5).
* Every place is a rule of the mapping. Nothing is searched for all over a message: a band least of all.
* A message about several patients (A17, A24, A37, merges in sets) becomes a record for each: the segments
  from one PID to the next.
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from gateway.adapters.er7 import Message, Segment
from gateway.findings import finding
from gateway.mapping.admission_bands import BandSpot, compile_band, look_for_bands
from gateway.mapping.admission_issuers import note_issuers
from gateway.mapping.admission_values import Case, Value, compile_value, gather, read_diagnoses, take_any, take_each
from gateway.mapping.places import Segments, Watch, compile_watch, find_filled
from gateway.mapping.rules import ADMISSION_VALUES, Place
from gateway.mapping.rules import Mapping as MappingFile
from gateway.mapping.sightings import is_exercise, judge
from gateway.mapping.source import Source
from gateway.mapping.tables import CodeTable
from gateway.records import Admission, Finding, Person, Sighting, Traffic

#: MSH-11, table 0103: all but production. Only P says expressly that a message is live.
TEST_TRAFFIC = frozenset("TDNV")

#: What no mapping changes: the time of an event is when it occurred, else when it was recorded, else when the
#: message was made (HL7 v2, the texts of EVN-6, EVN-2 and MSH-7).
FIXED_TIMES = {"event_time": Place(at=["EVN-6", "EVN-2"]), "message_time": Place(at="MSH-7")}

#: PV1-2, table 0004: a message about a person, not about a visit (A28, A31).
NO_VISIT = "N"


@dataclass(frozen=True, slots=True)
class AdmissionReader:
    """A compiled mapping of admission messages; make one with `compile_admissions`.

    `person` and `visit` hold the single values of `Admission.patient` and of `Admission`, `lists` and `phones`
    those that gather; `unidentified` is true if any of its places says so; `watch` tells which values a message
    can have at all.
    """

    mapping: str
    person: tuple[Value, ...]
    visit: tuple[Value, ...]
    lists: tuple[Value, ...]
    phones: Value | None
    unidentified: Value | None
    diagnoses: tuple[Value, ...]
    bands: tuple[BandSpot, ...]
    watch: Watch

    def read(self, message: Message, source: Source) -> Admission:
        """Give back the record of the message, of its first patient when it has several. Never raises."""
        return self._record(message, patients_of(message)[0], source, ())

    def read_each(self, message: Message, source: Source, *, noted: Sequence[Finding] = ()) -> tuple[Admission, ...]:
        """Give back a record for each patient of the message, in order; one when it names none. Never raises.

        `noted` is what reading the message found already; it comes first among the findings of each.
        """
        return tuple([self._record(message, segments, source, noted) for segments in patients_of(message)])

    def _record(self, message: Message, segments: Segments, source: Source, noted: Sequence[Finding]) -> Admission:
        header = message.header
        case = Case(message, segments, source, find_filled(self.watch, segments))
        patient = self._patient(case)
        values = take_each(self.visit, case)
        lists: dict[str, Any] = {value.name: gather(value, case) for value in self.lists}
        if values.get("event_time") is None and values.get("message_time") is not None:
            values["event_time"], case.origins["event_time"] = values["message_time"], case.origins["message_time"]
        sightings = look_for_bands(self.bands, case)
        if case.lacks_issuers:
            note_issuers(case, values, lists, sightings)
        processing_id = header.said(11)
        live, marked = processing_id == "P" and not source.trial, processing_id in TEST_TRAFFIC
        test = source.trial or marked or (is_exercise(sightings) and not live)
        return Admission(
            organisation=source.organisation,
            trigger=header.said(9, 2),
            control_id=header.said(10),
            version=header.said(12),
            processing_id=processing_id,
            traffic=Traffic.TEST if test else Traffic.LIVE,
            patient=patient,
            diagnoses=read_diagnoses(self.diagnoses, case),
            sightings=tuple(sightings),
            findings=(*noted, *_findings(case, values, sightings, live=live, marked=marked)),
            origins=case.origins,
            **values,
            **lists,
        )

    def _patient(self, case: Case) -> Person:
        """The person; one whose name or birth date is a filler is unidentified, by flag or by placeholder."""
        values = take_each(self.person, case)
        phones = () if self.phones is None else gather(self.phones, case)
        flagged = self.unidentified is not None and take_any(self.unidentified, case)
        family = values.get("family")
        placeholder = family is not None and family.upper() in case.source.placeholders
        return Person(phones=phones, unidentified=flagged or placeholder, **values)


def compile_admissions(mapping: MappingFile, tables: Mapping[str, CodeTable]) -> AdmissionReader:
    """Give back the reader of a checked and completed mapping of admissions."""
    places = FIXED_TIMES | mapping.value_places()
    values = {name: _compile(name, mapping.mapping, place, tables) for name, place in places.items()}
    parts: dict[str, list[Value]] = {}
    for name, value in values.items():
        parts.setdefault(_part_of(name), []).append(value)
    return AdmissionReader(
        mapping=mapping.mapping,
        person=tuple(parts.get("patient", ())),
        visit=tuple(parts.get("visit", ())),
        lists=tuple(parts.get("lists", ())),
        phones=values.get("patient.phones"),
        unidentified=values.get("patient.unidentified"),
        diagnoses=tuple(parts.get("diagnoses", ())),
        bands=tuple(compile_band(mapping.mapping, place) for place in mapping.band),
        watch=compile_watch({name: [spot for spot, _ in value.places] for name, value in values.items()}),
    )


def _compile(name: str, mapping: str, place: Place, tables: Mapping[str, CodeTable]) -> Value:
    table = None if place.table is None else tables[place.table]
    return compile_value(name, mapping, place, ADMISSION_VALUES.get(name, "time"), table)


def _part_of(name: str) -> str:
    """Which part of the reader a value belongs to; two values of the patient have a place of their own."""
    if name in ("patient.phones", "patient.unidentified"):
        return name
    group, dot, _ = name.partition(".")
    if dot:
        return group
    return "lists" if ADMISSION_VALUES.get(name) in ("identifiers", "texts") else "visit"


def patients_of(message: Message) -> list[Segments]:
    """Give back the segments of each patient: from one PID to the next, each with those above the first."""
    if len(message.segments("PID")) < 2:
        return [message.named]
    above: list[Segment] = []
    groups: list[list[Segment]] = []
    for segment in message.lines:
        if segment.name == "PID":
            groups.append([*above, segment])
        else:
            (groups[-1] if groups else above).append(segment)
    return [_by_name(group) for group in groups]


def _by_name(segments: Iterable[Segment]) -> Segments:
    named: dict[str, list[Segment]] = {}
    for segment in segments:
        named.setdefault(segment.name, []).append(segment)
    return named


# ── what there is to say about the whole message ───────────────────────────────────────────────────


def _findings(
    case: Case, values: Mapping[str, Any], sightings: Sequence[Sighting], *, live: bool, marked: bool
) -> Iterator[Finding]:
    """`live` and `marked` tell that the message says expressly that it is no exercise, or that it is one."""
    if marked:
        yield finding("hl7-test", path="MSH-11", line=1)
    if case.has_local_times:
        yield finding("time-without-zone", path="MSH-7", line=1)
    yield from case.findings
    patients = case.message.segments("PID")
    if not patients:
        return  # the adapter tells that; nobody is there to wear a band
    if len(patients) > 1:
        yield finding("hl7-several-patients", path="PID[2]", line=patients[1].line)
    visits = case.segments.get("PV1")
    if visits and _lacks_key(values):
        yield finding("hl7-no-visit-number", path="PV1-19", line=visits[0].line)
    yield from judge(sightings, claims_live=live)


def _lacks_key(values: Mapping[str, Any]) -> bool:
    numbers = (values.get("visit_number"), values.get("account"), values.get("alternate_visit"))
    return values.get("patient_class") != NO_VISIT and not any(numbers)
