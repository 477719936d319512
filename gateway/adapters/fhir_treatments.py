"""What a crew gave, did and found, as FHIR R4 MedicationAdministrations, Procedures and Conditions.

The one thing to get right: a pertinent negative beside a code turns the statement round. A drug with one was
*not* given and a procedure *not* done (status `not-done`, with the reason); a symptom with one was *not*
there (`refuted`). A reader that loses this reports treatments that never happened.

Source: NEMSIS data set 3.5.1, eMedications, eProcedures, eSituation and its national rules e005 to e007.
"""

from gateway.adapters.fhir_codes import (
    CONDITION_CATEGORY,
    CONDITION_CLINICAL,
    CONDITION_VERIFICATION,
    DOSE_UNITS,
    DRUG_SYSTEM,
    ICD_10_CM,
    RESPONSES,
    ROUTES,
    RXNORM,
    SNOMED,
)
from gateway.adapters.fhir_elements import (
    Json,
    absent,
    coding,
    compact,
    concept,
    moment,
    notes,
    number,
    period,
    quantity,
    text,
    uri,
)
from gateway.adapters.fhir_observations import Sheet
from gateway.records import Condition, Medication, Procedure

_BEFORE_UNIT = "Before this unit's care"

_KINDS = {
    "complaint": "Chief complaint",
    "symptom": "Primary symptom",
    "other-symptom": "Other symptom",
    "primary-impression": "Primary impression",
    "secondary-impression": "Secondary impression",
}


# ── MedicationAdministration ───────────────────────────────────────────────────────────────────────


def administrations(sheet: Sheet) -> list[Json]:
    """Give back one MedicationAdministration for each drug, given or expressly not given."""
    drugs = enumerate(sheet.item.report.medications, 1)
    return [_administration(sheet, f"m{place}", drug) for place, drug in drugs if text(drug.code)]


def _administration(sheet: Sheet, name: str, drug: Medication) -> Json:
    system = DRUG_SYSTEM.get(drug.code_system or "") or uri(drug.code_system)
    if drug.code_system is None:
        system = RXNORM  # eMedications.03 is RxNorm unless its CodeType says otherwise
    return {
        **sheet.resource("MedicationAdministration", name),
        "status": "not-done" if drug.negative else "completed",
        **compact(statusReason=[sheet.negative(drug.negative)] if drug.negative else None),
        "medicationCodeableConcept": concept(coding(system, drug.code)),
        "subject": sheet.subject,
        "context": sheet.encounter,
        **_given_at(sheet, drug),
        **({} if drug.negative else _as_given(sheet, drug)),
    }


def _given_at(sheet: Sheet, drug: Medication) -> Json:
    """The time is required: without one, the crew's time with the patient, and where that is unknown, that it is."""
    if drug.at is not None:
        return {"effectiveDateTime": moment(drug.at)}
    times = sheet.item.report.times
    around = period(None, times.at_patient) if drug.before_unit else period(times.at_patient, times.handed_over)
    return {"effectivePeriod": around or absent("unknown")}


def _as_given(sheet: Sheet, drug: Medication) -> Json:
    response = RESPONSES.get(drug.response or "") or text(drug.response)
    complications = [f"Complication: {each}" for each in map(text, drug.complications) if each]
    role = text(drug.performer_role)
    crew = {
        "function": concept(sheet.publisher.nemsis(role)),
        "actor": {"type": "Practitioner", "display": "Crew member"},
    }
    return compact(
        performer=[crew] if role and not drug.before_unit else None,
        note=notes(
            [
                _BEFORE_UNIT if drug.before_unit else None,
                f"Response: {response}" if response else None,
                *complications,
            ]
        ),
        dosage=_dosage(sheet, drug),
    )


def _dosage(sheet: Sheet, drug: Medication) -> Json:
    words, unit = DOSE_UNITS.get(drug.dose_unit or "", (drug.dose_unit, None))
    amount = number(drug.dose)
    return compact(
        text=" ".join(part for part in map(text, (drug.dose, words)) if part) if text(drug.dose) else None,
        route=sheet.told(drug.route, ROUTES),
        dose=quantity(amount, unit, words) if amount is not None else None,
    )


# ── Procedure ──────────────────────────────────────────────────────────────────────────────────────


def procedures(sheet: Sheet) -> list[Json]:
    """Give back one Procedure for each procedure, done or expressly not done."""
    done = enumerate(sheet.item.report.procedures, 1)
    return [_procedure(sheet, f"p{place}", each) for place, each in done if text(each.code)]


def _procedure(sheet: Sheet, name: str, each: Procedure) -> Json:
    return {
        **sheet.resource("Procedure", name),
        **({} if each.negative else _attempts(sheet, each)),
        "status": "not-done" if each.negative else "completed",
        **compact(statusReason=sheet.negative(each.negative) if each.negative else None),
        "code": concept(coding(SNOMED, each.code)),
        "subject": sheet.subject,
        "encounter": sheet.encounter,
        **compact(performedDateTime=moment(each.at) if each.at else None),
        **({} if each.negative else _as_done(sheet, each)),
    }


def _attempts(sheet: Sheet, each: Procedure) -> Json:
    if each.attempts is None:
        return {}
    url = f"{sheet.publisher.base}/StructureDefinition/procedure-attempts"
    return {"extension": [{"url": url, "valueInteger": each.attempts}]}


def _as_done(sheet: Sheet, each: Procedure) -> Json:
    outcome = None if each.successful is None else ("Successful" if each.successful else "Not successful")
    agency = sheet.publisher.organisation(sheet.item.report.organisation)
    return compact(
        performer=[{"actor": agency}] if agency and not each.before_unit else None,
        outcome=concept(words=outcome),
        complication=[told for given in each.complications if (told := sheet.told(given, {}))],
        note=notes([_BEFORE_UNIT if each.before_unit else None]),
    )


# ── Condition ──────────────────────────────────────────────────────────────────────────────────────


def conditions(sheet: Sheet) -> tuple[list[Json], list[Json], list[Json]]:
    """Give back complaints, symptoms and impressions.

    A pertinent negative without a code ("none reported") negates nothing in particular and becomes nothing.
    """
    complaints: list[Json] = []
    symptoms: list[Json] = []
    impressions: list[Json] = []
    groups = {"complaint": complaints, "symptom": symptoms, "other-symptom": symptoms}
    for place, given in enumerate(sheet.item.report.conditions, 1):
        what = concept(coding(ICD_10_CM, given.code), words=given.text)
        if what:
            groups.get(given.kind, impressions).append(_condition(sheet, f"c{place}", given, what))
    return complaints, symptoms, impressions


def _condition(sheet: Sheet, name: str, given: Condition, what: Json) -> Json:
    known = "refuted" if given.negative else "provisional"
    kind = _KINDS.get(given.kind) or text(given.kind)
    return {
        **sheet.resource("Condition", name),
        **compact(clinicalStatus=None if given.negative else concept(coding(CONDITION_CLINICAL, "active"))),
        "verificationStatus": concept(coding(CONDITION_VERIFICATION, known)),
        "category": [concept(coding(CONDITION_CATEGORY, "encounter-diagnosis", "Encounter Diagnosis"), words=kind)],
        "code": what,
        "subject": sheet.subject,
        "encounter": sheet.encounter,
    }
