"""Mapping files: where one kind of source puts the band and every other value of a record.

A mapping file is data that an interface analyst or agency IT staff write. It names a place for each value
of the record, in HL7 positions (`PID-3`, `OBX-5.1`) or as a path below `PatientCareReport`
(`eOutcome/eOutcome.ExternalDataGroup/eOutcome.04`); several places stand in order of trust. Conditions are
structured keys, never a formula:

    band:
      - at: PID-3                  # each repetition is looked at
        where: {PID-3.4.1: [YFBAND, BAND]}
        how: identifier
      - at: NTE-3
        how: free-text             # only ever opens a review
    values:
      visit_number: PV1-19         # the short form: one place, no condition
      alternate_visit: null        # nothing here, whatever the base says

A position that stops early means its first part, as everywhere in HL7 v2: `PV1-2` reads PV1-2.1. `base`
names another mapping whose values hold wherever this one says nothing, so that a new hospital's file is
often five lines. Everything is checked when the file is loaded, all mistakes at once.
"""

import re
from collections.abc import Iterable
from collections.abc import Mapping as MappingType
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from gateway.documents import Section, dotted, line_of, parse_yaml, read_document, suggest
from gateway.errors import ConfigurationFault, Fault
from gateway.mapping.tables import CodeTable
from gateway.records import How, Sex

POSITION = re.compile(r"[A-Z][A-Z0-9]{2}-[1-9][0-9]{0,2}(\.[1-9][0-9]?(\.[1-9][0-9]?)?)?\Z")
STEP = r"[A-Za-z][A-Za-z0-9]*(\.[A-Za-z0-9]+)*"
ELEMENT_PATH = re.compile(rf"(/?{STEP}(/{STEP})*(/@[A-Za-z0-9]+)?|@[A-Za-z0-9]+)\Z")

Conversion = Literal[
    "text", "date", "time", "number", "flag", "identifier", "identifiers", "texts", "location", "address", "name"
]

#: The values of an admission record that a mapping may place, and the conversion each one needs.
ADMISSION_VALUES: dict[str, Conversion] = {
    "visit_number": "identifier",
    "alternate_visit": "identifier",
    "account": "identifier",
    "identifiers": "identifiers",
    "merged": "identifiers",
    "patient.family": "text",
    "patient.given": "text",
    "patient.middle": "text",
    "patient.suffix": "text",
    "patient.prefix": "text",
    "patient.birth_date": "date",
    "patient.sex": "text",
    "patient.address": "address",
    "patient.phones": "texts",
    "patient.deceased": "flag",
    "patient.deceased_at": "time",
    "patient.unidentified": "flag",
    "patient_class": "text",
    "location": "location",
    "previous_location": "location",
    "admission_type": "text",
    "admit_source": "text",
    "service": "text",
    "attending": "identifier",
    "attending_name": "name",
    "admitted_at": "time",
    "discharged_at": "time",
    "disposition": "text",
    "discharged_to": "text",
    "diagnoses.code": "text",
    "diagnoses.system": "text",
    "diagnoses.text": "text",
    "diagnoses.type": "text",
    "quoted_reports": "texts",
}

#: The single values of a care report that a mapping may place.
CARE_REPORT_VALUES: dict[str, Conversion] = {
    "number": "text",
    "agency_number": "text",
    "agency_state": "text",
    "agency_name": "text",
    "incident_number": "text",
    "response_number": "text",
    "unit": "text",
    "service": "text",
    "patient_contact": "flag",
    "patient_identifier": "text",
    "patient.family": "text",
    "patient.given": "text",
    "patient.middle": "text",
    "patient.suffix": "text",
    "patient.birth_date": "date",
    "patient.sex": "text",
    "patient.age": "number",
    "patient.age_unit": "text",
    "patient.phones": "texts",
    "patient.address.lines": "texts",
    "patient.address.city": "text",
    "patient.address.district": "text",
    "patient.address.state": "text",
    "patient.address.postal_code": "text",
    "patient.address.country": "text",
    "times.called": "time",
    "times.notified": "time",
    "times.en_route": "time",
    "times.on_scene": "time",
    "times.at_patient": "time",
    "times.left_scene": "time",
    "times.arrived": "time",
    "times.handed_over": "time",
    "times.back_in_service": "time",
    "destination_code": "text",
    "destination_name": "text",
    "transport": "text",
    "mass_casualty": "flag",
    "triage": "text",
    "initial_acuity": "text",
    "final_acuity": "text",
    "narrative": "text",
}

#: The repeating groups of a care report and the values each may place, relative to the group's element.
CARE_REPORT_GROUPS: dict[str, tuple[str, ...]] = {
    "vitals": (
        "at", "before_unit", "systolic", "diastolic", "heart_rate", "spo2", "respiratory_rate", "etco2", "etco2_unit",
        "glucose",
        "coma_eye", "coma_verbal", "coma_motor", "coma_total", "temperature", "alertness", "pain",
    ),
    "medications": (
        "code", "code_system", "at", "before_unit", "route", "dose", "dose_unit", "response", "complications",
        "performer_role",
    ),
    "procedures": ("code", "at", "before_unit", "attempts", "successful", "complications"),
    "quoted": ("value", "type", "issuer"),
}  # fmt: skip

#: Coded statements about the patient: one element each, repeated, no group of their own.
CARE_REPORT_CONDITIONS = ("complaint", "symptom", "other-symptom", "primary-impression", "secondary-impression")


class Kind(StrEnum):
    """Which kind of message a mapping reads."""

    ADMISSIONS = "admissions"
    CARE_REPORTS = "care-reports"


class Presence(Section):
    """A condition on a place being filled or empty."""

    present: bool


def _shape_of_condition(value: Any) -> Any:
    """Refuse what is no condition before the union is tried: one mistake, one fault."""
    if isinstance(value, dict):
        if set(value) != {"present"} or not isinstance(value["present"], bool):
            raise ValueError("a condition is a code, a list of codes, or {present: true} or {present: false}")
        return value
    codes = value if isinstance(value, list) else [value]
    if not codes or not all(isinstance(code, str) for code in codes):
        raise ValueError("codes are text: write them in quotes, or leading zeros are lost")
    return value


def _shape_of_places(value: Any) -> Any:
    places = value if isinstance(value, list) else [value]
    if not places or not all(isinstance(place, str) for place in places):
        raise ValueError("write one place, or a list of places in order of trust")
    return value


def _long_form(value: Any) -> Any:
    """The short form of a place, `PID-5.1`, means `{at: PID-5.1}`."""
    if isinstance(value, str | list):
        return {"at": value}
    if isinstance(value, dict | Place):
        return value
    raise ValueError("write a place such as PID-5.1, a list of places, or {at: ...}")


Condition = Annotated[str | list[str] | Presence, BeforeValidator(_shape_of_condition)]
Conditions = Annotated[
    dict[str, Condition],
    Field(
        description="Conditions, all of which must hold in the same repetition or group: a place, and the code "
        "it must have, the list of codes it may have, or {present: true} or {present: false}."
    ),
]


class Place(Section):
    """Where a value stands: one place or several in order of trust, each under the same conditions."""

    at: Annotated[
        str | list[str],
        BeforeValidator(_shape_of_places),
        Field(description="One place, or several in order of trust; a list value gathers all of them."),
    ]
    where: Conditions = Field(default_factory=dict)
    convert: Conversion | None = Field(None, description="How the text is read; the value's own way if left out.")
    table: str | None = Field(None, description="The code table that translates the text, named without .csv.")

    @property
    def places(self) -> list[str]:
        """The places as a list, in order of trust."""
        return [self.at] if isinstance(self.at, str) else self.at


PlaceOrShort = Annotated[Place, BeforeValidator(_long_form)]


class BandPlace(Section):
    """Where the band may stand, how well it is recorded there, and under which conditions it is the band."""

    at: str | None = Field(None, description="The place; each repetition and each segment there is looked at.")
    custom: str | None = Field(
        None,
        description="In place of `at`: a custom element of a care report, by its CustomElementID or by its "
        "title as eCustomConfiguration.01 gives it.",
    )
    where: Conditions = Field(default_factory=dict)
    how: How = Field(
        description="identifier: a field meant for identifiers; custom: a place by agreement; free-text: prose, "
        "which only ever opens a review."
    )
    scheme: str | None = Field(None, description="Only bands of this scheme; of any scheme if left out.")
    shared: bool = Field(
        False,
        description="Other identifiers stand here too, so what is no band is no fault. PID-3 without a "
        "condition is always shared.",
    )

    @property
    def for_bands_only(self) -> bool:
        """Whether text here that is in no scheme's form is a fault.

        PID-3 lists all identifiers of the patient (HL7 v2, the text of PID-3), so without a condition what is no
        band there is simply another of them.
        """
        return bool(self.where) or not (self.shared or self.at in {"PID-3", "PID-3.1"})


class Group(Section):
    """A repeating group of a care report: the element that repeats, and the values below it."""

    each: str = Field(description="The element that repeats, below PatientCareReport.")
    values: dict[str, PlaceOrShort] = Field(description="The values of one row, by places relative to that element.")


class Mapping(Section):
    """One mapping file, checked; `complete` puts it over its base."""

    mapping: str = Field(pattern=r"^[a-z0-9][a-z0-9.-]*$", description="The name feeds call it by; also the file's.")
    kind: Kind = Field(description="Which kind of message it reads.")
    about: str = Field(description="What kind of source it is for, in a sentence.")
    base: str | None = Field(None, description="The mapping that holds wherever this one says nothing.")
    fixture: str | None = Field(None, description="An example message that this mapping reads.")
    band: list[BandPlace] = Field([], description="Where the band may stand, in order of trust; free text last.")
    values: dict[str, PlaceOrShort | None] = Field(
        {}, description="The values of the record and where each stands; null takes away what the base says."
    )
    groups: dict[str, Group] = Field({}, description="Care reports: the repeating groups.")
    conditions: dict[str, str] = Field({}, description="Care reports: coded statements about the patient.")

    def value_places(self) -> dict[str, Place]:
        """Give back the single values that have a place."""
        return {name: place for name, place in self.values.items() if place is not None}


def read_mapping(text: str, file: str, *, tables: MappingType[str, CodeTable]) -> Mapping:
    """Give back the mapping in `text`, fully checked but for its base.

    `tables` are the code tables that the file may name. Raises `ConfigurationFault` with every mistake, each with
    its line and, for a misspelt word, the likely one.
    """
    mapping = read_document(text, Mapping, file=file)
    tree = parse_yaml(text, file=file)
    faults = [
        Fault(file, line_of(tree, path), dotted(path), message, remedy)
        for path, message, remedy in _mistakes(mapping, tables)
    ]
    if faults:
        raise ConfigurationFault(sorted(faults, key=lambda fault: fault.line or 0))
    return mapping


def complete(mapping: Mapping, base: Mapping | None) -> Mapping:
    """Give back `mapping` with everything it does not say taken from `base`.

    Its own band places come first, but free text comes last wherever it was written.
    """
    inherited = base or mapping
    places = [*mapping.band, *(place for place in inherited.band if place not in mapping.band)]
    values = {**inherited.values, **mapping.values}
    return mapping.model_copy(
        update={
            "band": sorted(places, key=lambda place: place.how is How.FREE_TEXT),
            "values": {name: place for name, place in values.items() if place is not None},
            "groups": {**inherited.groups, **mapping.groups},
            "conditions": {**inherited.conditions, **mapping.conditions},
        }
    )


def mapping_schema() -> dict[str, Any]:
    """Give back the published form of a mapping file: a JSON Schema (draft 2020-12) with descriptions.

    It holds shape, names and the form of positions; `read_mapping` checks what no schema can say as well.
    """
    schema = Mapping.model_json_schema(by_alias=True)
    parts = schema["$defs"]
    parts["LongPlace"] = parts["Place"]
    parts["Place"] = {
        "description": parts["LongPlace"]["description"],
        "anyOf": [{"type": "string"}, {"type": "array", "items": {"type": "string"}}, {"$ref": "#/$defs/LongPlace"}],
    }
    admissions, care_reports = (_names_of(values) for values in (ADMISSION_VALUES, CARE_REPORT_VALUES))
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "Mapping file",
        "description": "Where one kind of source puts the band and every other value of a record.",
        "if": {"properties": {"kind": {"const": Kind.ADMISSIONS.value}}},
        "then": {
            "properties": {"values": admissions, "groups": {"maxProperties": 0}, "conditions": {"maxProperties": 0}}
        },
        "else": {
            "properties": {
                "values": care_reports,
                "groups": _names_of(CARE_REPORT_GROUPS),
                "conditions": _names_of(CARE_REPORT_CONDITIONS),
            }
        },
    }


def _names_of(known: Iterable[str]) -> dict[str, Any]:
    return {"propertyNames": {"enum": sorted(known)}}


# ── what can be wrong with a mapping that has the right shape ──────────────────────────────────────

Steps = tuple[str | int, ...]
Mistake = tuple[Steps, str, str]


def _mistakes(mapping: Mapping, tables: MappingType[str, CodeTable]) -> list[Mistake]:
    admissions = mapping.kind is Kind.ADMISSIONS
    form, known = (POSITION, ADMISSION_VALUES) if admissions else (ELEMENT_PATH, CARE_REPORT_VALUES)
    found: list[Mistake] = []
    for name, place in mapping.values.items():
        path = ("values", name)
        if name not in known:
            found.append((path, "not a value of this record", suggest(name, known)))
        elif place is not None and place.convert not in (None, known[name]):
            found.append(((*path, "convert"), "this value is read another way", f"write {known[name]}, or nothing"))
        if place is not None:
            found += _place_mistakes(path, place, form, tables)
    for index, band in enumerate(mapping.band):
        found += _band_mistakes(("band", index), band, mapping.kind, form)
        if index and mapping.band[index - 1].how is How.FREE_TEXT is not band.how:
            found.append(
                (("band", index), "stands behind free text, which nobody may trust more", "put free text last")
            )
    return found + (_admission_mistakes(mapping, tables) if admissions else _care_report_mistakes(mapping, tables))


def _admission_mistakes(mapping: Mapping, tables: MappingType[str, CodeTable]) -> list[Mistake]:
    found: list[Mistake] = [
        ((part,), "only care reports have this", "take it out")
        for part in ("groups", "conditions")
        if getattr(mapping, part)
    ]
    for name, place in mapping.value_places().items():
        found += _fit_mistakes(("values", name), ADMISSION_VALUES.get(name), place, tables)
    diagnoses = {name: place for name, place in mapping.value_places().items() if name.startswith("diagnoses.")}
    if len({segment_of(at) for place in diagnoses.values() for at in place.places}) > 1:
        found += [(("values", name), "a diagnosis stands in one segment", "use one segment") for name in diagnoses]
    return found


def _fit_mistakes(
    path: Steps, conversion: Conversion | None, place: Place, tables: MappingType[str, CodeTable]
) -> list[Mistake]:
    """Whether place and code table fit what the record needs of the value."""
    if conversion in ("location", "address", "name"):
        parts = [at for at in place.places if "." in at]
        return (
            [((*path, "at"), "this value needs the whole field", f"write {parts[0].partition('.')[0]}")]
            if parts
            else []
        )
    wanted = {"patient.sex": set(Sex)}.get(str(path[-1]), {"Y", "N"} if conversion == "flag" else set())
    table = tables.get(place.table) if place.table else None
    if table and conversion not in ("text", "texts", "flag"):
        return [((*path, "table"), "this value is no code", "take the table out")]
    if table is None or not wanted or wanted.issuperset(table.meanings.values()):
        return []
    return [
        ((*path, "table"), "the table has a meaning that this value cannot have", f"only: {', '.join(sorted(wanted))}")
    ]


def _care_report_mistakes(mapping: Mapping, tables: MappingType[str, CodeTable]) -> list[Mistake]:
    found: list[Mistake] = []
    for name, group in mapping.groups.items():
        found += _group_mistakes(name, group, tables)
    for name, path in mapping.conditions.items():
        if name not in CARE_REPORT_CONDITIONS:
            found.append((("conditions", name), "not a known condition", suggest(name, CARE_REPORT_CONDITIONS)))
        found += _form_mistakes(("conditions", name), path, ELEMENT_PATH)
    return found


def _group_mistakes(name: str, group: Group, tables: MappingType[str, CodeTable]) -> list[Mistake]:
    known = CARE_REPORT_GROUPS.get(name)
    if known is None:
        return [(("groups", name), "not a group of a care report", suggest(name, CARE_REPORT_GROUPS))]
    found = _form_mistakes(("groups", name, "each"), group.each, ELEMENT_PATH)
    for value, place in group.values.items():
        path = ("groups", name, "values", value)
        if value not in known:
            found.append((path, "not a value of this group", suggest(value, known)))
        if place.convert is not None:
            found.append(((*path, "convert"), "a value of a group is read in one way only", "take it out"))
        found += _place_mistakes(path, place, ELEMENT_PATH, tables)
    return found


def _band_mistakes(path: Steps, band: BandPlace, kind: Kind, form: re.Pattern[str]) -> list[Mistake]:
    if (band.at is None) == (band.custom is None):
        return [(path, "needs one place", "write either at: or custom:")]
    if band.custom is not None and kind is Kind.ADMISSIONS:
        return [((*path, "custom"), "only care reports have custom elements", "write at: with an HL7 position")]
    places = [] if band.at is None else [band.at]
    found = [mistake for at in places for mistake in _form_mistakes((*path, "at"), at, form)]
    return found + _where_mistakes(path, band.where, places, form)


def _place_mistakes(
    path: Steps, place: Place, form: re.Pattern[str], tables: MappingType[str, CodeTable]
) -> list[Mistake]:
    found = [mistake for at in place.places for mistake in _form_mistakes((*path, "at"), at, form)]
    if place.table is not None and place.table not in tables:
        found.append(((*path, "table"), "no such code table", suggest(place.table, tables)))
    return found + _where_mistakes(path, place.where, place.places, form)


def _where_mistakes(
    path: Steps, where: dict[str, Condition], places: list[str], form: re.Pattern[str]
) -> list[Mistake]:
    segments = {segment_of(at) for at in places if form.match(at)}
    found: list[Mistake] = []
    for key in where:
        step = (*path, "where", key)
        wrong = _form_mistakes(step, key, form)
        if not wrong and form is POSITION and not segments <= {segment_of(key)}:
            wrong = [(step, "a condition looks at the segment of its own place", "name the same segment")]
        found += wrong
    return found


def _form_mistakes(path: Steps, place: str, form: re.Pattern[str]) -> list[Mistake]:
    if form.match(place):
        return []
    if form is POSITION:
        return [(path, "not an HL7 position such as PID-3.1", "segment-field.component, all from 1")]
    return [(path, "not an element path such as ePatient/ePatient.17", "steps joined by /")]


def segment_of(position: str) -> str:
    """Give back the segment of an HL7 position: `PID-3.1` stands in `PID`."""
    return position.partition("-")[0]
