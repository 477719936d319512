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
often five lines. What is here is the form of a file; `gateway.mapping.mistakes` says what is wrong with one.
"""

import re
from collections.abc import Iterable
from enum import StrEnum
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field

from gateway.documents import Section
from gateway.records import How

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

    mapping: str = Field(
        pattern=r"^[a-z0-9][a-z0-9.-]*$",
        examples=["band-in-pid3"],
        description="The name feeds call it by; also the file's.",
    )
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

    It holds shape and names; `gateway.mapping.mistakes` says what no schema can say.
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
