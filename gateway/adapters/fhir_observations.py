"""What a crew measured and judged, as FHIR R4 Observations.

One Observation for each measurement, except blood pressure, which FHIR keeps as a panel. The meaning of a
missing value is kept: a pertinent negative says why there is no value and becomes `dataAbsentReason`; a
value that is only "not recorded" (NV) says nothing and becomes nothing. A number off the meter's scale is
written as the source wrote it, marked as off the scale.

Source: NEMSIS data set 3.5.1, eVitals, eScene.07/.08, eSituation.13, eDisposition.19/.30; FHIR R4 4.0.1.
"""

from collections import Counter
from collections.abc import Iterator, Mapping
from typing import NamedTuple

from gateway.adapters.fhir import Publisher, known_birth_date
from gateway.adapters.fhir_codes import (
    ABSENT_REASON,
    ACUITY,
    AGE,
    ALERTNESS,
    APPROXIMATE,
    BLOOD_PRESSURE,
    DIASTOLIC,
    ETCO2,
    ETCO2_UNITS,
    FINAL_ACUITY,
    INITIAL_ACUITY,
    INTERPRETATION,
    MASS_CASUALTY,
    NEGATIVES,
    OBSERVATION_CATEGORY,
    SYSTOLIC,
    TRANSPORT,
    TRIAGE,
    VITALS,
    YES_NO,
    Vital,
)
from gateway.adapters.fhir_elements import (
    Json,
    code,
    coding,
    compact,
    concept,
    moment,
    notes,
    number,
    of_term,
    quantity,
    resource_id,
    text,
)
from gateway.records import LinkedReport, Reading, VitalSigns

_OFF_SCALE = {
    "high": coding(INTERPRETATION, ">", "Off scale high"),
    "low": coding(INTERPRETATION, "<", "Off scale low"),
}

_PRESSURES = {"systolic": SYSTOLIC, "diastolic": DIASTOLIC}

_BEFORE_UNIT = "Before this unit's care"


class Sheet(NamedTuple):
    """What all resources of one care report share."""

    item: LinkedReport
    subject: Json
    encounter: Json
    publisher: Publisher

    def resource(self, kind: str, name: str) -> Json:
        """Give back the start of a resource: its id is the report's and `name`."""
        return {
            "resourceType": kind,
            "id": resource_id(f"{self.item.id}-{name}"),
            "meta": {"versionId": str(self.item.version)},
        }

    def negative(self, given: str) -> Json:
        """Give back a pertinent negative as CodeableConcept, with the FHIR reason first where there is one."""
        words, reason = NEGATIVES.get(given, (None, None))
        return concept(coding(ABSENT_REASON, reason), self.publisher.nemsis(given, words), words=words)

    def told(self, given: str | None, labels: Mapping[str, str]) -> Json:
        """Give back a NEMSIS code with its label; what is no code of the list stands as words."""
        label = labels.get(given or "")
        written = code(given)
        if label or (written and written.isascii() and written.isdigit()):
            return concept(self.publisher.nemsis(written, label), words=label)
        return concept(words=given)


# ── vital signs ────────────────────────────────────────────────────────────────────────────────────


def vital_signs(sheet: Sheet) -> list[Json]:
    """Give back one Observation for each reading of each set that says something."""
    sets = enumerate(sheet.item.report.vitals, 1)
    return [each for place, signs in sets for each in _of_set(sheet, f"v{place}", signs)]


def _of_set(sheet: Sheet, place: str, signs: VitalSigns) -> Iterator[Json]:
    told = [reading for reading in signs.readings if text(reading.value) or reading.negative]
    pressures = {reading.name: reading for reading in told if reading.name in _PRESSURES}
    taken = compact(
        effectiveDateTime=moment(signs.at) if signs.at else None,
        note=notes([_BEFORE_UNIT if signs.before_unit else None]),
    )
    if pressures:
        yield {**_blood_pressure(sheet, place, pressures), **taken}
    seen = Counter({"blood-pressure": 1})
    for reading in told:
        if reading.name not in _PRESSURES:
            slug = reading.name.replace("_", "-")
            seen[slug] += 1
            name = f"{place}-{slug}" if seen[slug] == 1 else f"{place}-{slug}-{seen[slug]}"
            yield {**_measurement(sheet, name, reading), **taken}


def _blood_pressure(sheet: Sheet, place: str, pressures: Mapping[str, Reading]) -> Json:
    components = [
        {"code": of_term(term), **_value(sheet, pressures[name], "mm[Hg]")}
        for name, term in _PRESSURES.items()
        if name in pressures
    ]
    palpated = any((reading.value or "").strip().upper() == "P" for reading in pressures.values())
    return {
        **_observation(sheet, f"{place}-blood-pressure", of_term(BLOOD_PRESSURE), "vital-signs"),
        **compact(method={"text": "Palpated"} if palpated else None),
        "component": components,
    }


def _measurement(sheet: Sheet, name: str, reading: Reading) -> Json:
    if reading.name == "etco2":
        return _end_tidal(sheet, name, reading)
    vital = VITALS.get(reading.name)
    if vital is None:  # a kind of measurement the tables do not know is still what the crew measured
        what = concept(words=reading.name.replace("_", " ")) or {"text": "Unnamed measurement"}
        unit = code(reading.unit)
        return {**_observation(sheet, name, what, "vital-signs"), **_value(sheet, reading, None, unit)}
    return {**_of_vital(sheet, name, vital), **_value(sheet, reading, vital.unit)}


def _end_tidal(sheet: Sheet, name: str, reading: Reading) -> Json:
    """eVitals.16 is a partial pressure, a share of the gas, or nobody knows which: three different facts."""
    unit, factor = ETCO2_UNITS.get((reading.unit or "").strip(), (None, None))
    measured = number(reading.value)
    if factor is None:
        what = concept(
            sheet.publisher.own("etco2-fraction" if unit else "etco2", "End-tidal carbon dioxide"),
            words="End-tidal carbon dioxide" + (", share of gas" if unit else ", unit not stated"),
        )
        return {**_observation(sheet, name, what, "vital-signs"), **_value(sheet, reading, unit)}
    if measured is None or reading.negative not in (None, APPROXIMATE):
        return {**_of_vital(sheet, name, ETCO2), **_value(sheet, reading, ETCO2.unit)}
    pressure = measured if factor == 1 else round(measured * factor, 1)
    return {**_of_vital(sheet, name, ETCO2), "valueQuantity": quantity(pressure, ETCO2.unit)}


def _value(sheet: Sheet, reading: Reading, unit: str | None, words: str | None = None) -> Json:
    """The value, or why there is none. A value that is expressly negated is no value."""
    if reading.negative and reading.negative != APPROXIMATE:
        return {"dataAbsentReason": sheet.negative(reading.negative)}
    measured = number(reading.value)
    if reading.name == "alertness":
        return compact(valueCodeableConcept=sheet.told(reading.value, ALERTNESS))
    if measured is not None:
        return {"valueQuantity": quantity(measured, unit, words)}
    written = (reading.value or "").strip()
    if reading.name == "diastolic" and written.upper() == "P":
        return {"dataAbsentReason": concept(coding(ABSENT_REASON, "not-performed"), words="Palpated")}
    off_scale = _OFF_SCALE.get(written.lower())
    if off_scale:
        return {"valueString": written, "interpretation": [{"coding": [dict(off_scale)]}]}
    return compact(valueString=text(reading.value))


# ── age, triage, acuity ────────────────────────────────────────────────────────────────────────────


def assessments(sheet: Sheet) -> list[Json]:
    """Give back the age, where no birth date is known, and how the patient left the scene."""
    report = sheet.item.report
    found = []
    age = report.patient.age
    if age is not None and known_birth_date(report.patient) is None:
        observation = _observation(sheet, "age", of_term(AGE), "survey")
        value = {"valueQuantity": quantity(age.value, code(age.unit))}
        found.append({**observation, **value, **compact(note=notes(["Estimated" if age.estimated else None]))})
    if text(report.transport):
        what = concept(sheet.publisher.own("transport-disposition", "Transport disposition"))
        observation = _observation(sheet, "transport", what, "survey")
        found.append({**observation, "valueCodeableConcept": sheet.told(report.transport, TRANSPORT)})
    return found


def triage_observations(sheet: Sheet) -> list[Json]:
    """Give back the mass-casualty flag, the triage category, and both acuities: four different facts.

    The triage category has no public code; it is never sent as an acuity.
    """
    report, publisher = sheet.item.report, sheet.publisher
    first = report.times.at_patient or report.times.on_scene
    last = report.times.handed_over or report.times.arrived
    found = []
    if report.mass_casualty is not None:
        answer = of_term(YES_NO[report.mass_casualty])
        found.append((_observation(sheet, "mass-casualty", of_term(MASS_CASUALTY), "survey"), answer, first))
    if text(report.triage):
        what = concept(publisher.own("mci-triage-category", "MCI triage category"))
        found.append((_observation(sheet, "triage", what, "survey"), sheet.told(report.triage, TRIAGE), first))
    for name, term, given, at in (
        ("initial-acuity", INITIAL_ACUITY, report.initial_acuity, first),
        ("final-acuity", FINAL_ACUITY, report.final_acuity, last),
    ):
        if text(given):
            found.append((_observation(sheet, name, of_term(term), "survey"), _acuity(sheet, given), at))
    return [
        {**observation, "valueCodeableConcept": answer, **compact(effectiveDateTime=moment(at) if at else None)}
        for observation, answer, at in found
    ]


def _acuity(sheet: Sheet, given: str | None) -> Json:
    label, answer = ACUITY.get(given or "", (None, None))
    if label is None:
        return sheet.told(given, {})
    return concept(answer._asdict() if answer else {}, sheet.publisher.nemsis(given, label), words=label)


def _of_vital(sheet: Sheet, name: str, vital: Vital) -> Json:
    return _observation(sheet, name, of_term(vital.term), vital.category)


def _observation(sheet: Sheet, name: str, what: Json, category: str) -> Json:
    return {
        **sheet.resource("Observation", name),
        "status": "final",
        "category": [{"coding": [{"system": OBSERVATION_CATEGORY, "code": category}]}],
        "code": what,
        "subject": sheet.subject,
        "encounter": sheet.encounter,
    }
