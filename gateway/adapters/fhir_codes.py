"""The code tables behind the FHIR output: which code stands for what, and in whose system.

Facts of the standards in short wording of our own; nothing here decides anything. LOINC codes are those of
the NEMSIS vital-sign and document mappings, HL7 v2 codes those of the guide "HL7 Version 2 to FHIR"
(1.0.0), NEMSIS codes those of the data set 3.5.1. "From memory" marks what was not looked up.
"""

from typing import NamedTuple

ACT_CODE = "http://terminology.hl7.org/CodeSystem/v3-ActCode"
ABSENT_REASON = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
ABSENT_EXTENSION = "http://hl7.org/fhir/StructureDefinition/data-absent-reason"
CONDITION_CATEGORY = "http://terminology.hl7.org/CodeSystem/condition-category"
CONDITION_CLINICAL = "http://terminology.hl7.org/CodeSystem/condition-clinical"
CONDITION_VERIFICATION = "http://terminology.hl7.org/CodeSystem/condition-ver-status"
DIAGNOSIS_ROLE = "http://terminology.hl7.org/CodeSystem/diagnosis-role"
DISCHARGE_DISPOSITION = "http://terminology.hl7.org/CodeSystem/discharge-disposition"
ICD_10_CM = "http://hl7.org/fhir/sid/icd-10-cm"
IDENTIFIER_TYPE = "http://terminology.hl7.org/CodeSystem/v2-0203"
INTERPRETATION = "http://terminology.hl7.org/CodeSystem/v3-ObservationInterpretation"
LIFECYCLE = "http://terminology.hl7.org/CodeSystem/iso-21089-lifecycle"
LOCATION_PHYSICAL = "http://terminology.hl7.org/CodeSystem/location-physical-type"
LOINC = "http://loinc.org"
OBSERVATION_CATEGORY = "http://terminology.hl7.org/CodeSystem/observation-category"
ORGANIZATION_TYPE = "http://terminology.hl7.org/CodeSystem/organization-type"
PARTICIPATION = "http://terminology.hl7.org/CodeSystem/v3-ParticipationType"
PATIENT_STATUS_AT_DISCHARGE = "https://www.nubc.org/CodeSystem/PatDischargeStatus"
PROVENANCE_AGENT = "http://terminology.hl7.org/CodeSystem/provenance-participant-type"
RXNORM = "http://www.nlm.nih.gov/research/umls/rxnorm"
SNOMED = "http://snomed.info/sct"
UCUM = "http://unitsofmeasure.org"
URI = "urn:ietf:rfc:3986"


class Term(NamedTuple):
    """One code of one system, with words for people."""

    system: str
    code: str
    display: str


# ── HL7 v2 to FHIR ─────────────────────────────────────────────────────────────────────────────────

_CLASS_0004 = "http://terminology.hl7.org/CodeSystem/v2-0004"
_TYPE_0007 = "http://terminology.hl7.org/CodeSystem/v2-0007"
_SERVICE_0069 = "http://terminology.hl7.org/CodeSystem/v2-0069"

FIELD = Term(ACT_CODE, "FLD", "field")
UNKNOWN_CLASS = Term(_CLASS_0004, "U", "Unknown")

#: Patient class (table 0004) as Encounter.class: ConceptMap PatientClass[EncounterClass].
ENCOUNTER_CLASS = {
    "E": Term(ACT_CODE, "EMER", "emergency"),
    "I": Term(ACT_CODE, "IMP", "inpatient encounter"),
    "O": Term(ACT_CODE, "AMB", "ambulatory"),
    "P": Term(ACT_CODE, "PRENC", "pre-admission"),
    "R": Term(_CLASS_0004, "R", "Recurring patient"),
    "B": Term(_CLASS_0004, "B", "Obstetrics"),
    "C": Term(_CLASS_0004, "C", "Commercial Account"),
    "N": Term(_CLASS_0004, "N", "Not Applicable"),
    "U": UNKNOWN_CLASS,
}

#: Patient class as Encounter.status while a visit lasts: ConceptMap PatientClass[EncounterStatus]; every
#: class that is not listed is in progress.
STATUS_OF_CLASS = {"P": "planned", "U": "unknown"}

#: Admission type (table 0007) as Encounter.type: ConceptMap AdmissionType.
ADMISSION_TYPE = {
    code: Term(_TYPE_0007, code, display)
    for code, display in (
        ("A", "Accident"),
        ("E", "Emergency"),
        ("L", "Labor and Delivery"),
        ("R", "Routine"),
        ("N", "Newborn (Birth in healthcare facility)"),
        ("U", "Urgent"),
        ("C", "Elective"),
    )
}

#: Hospital service (table 0069) as Encounter.serviceType: ConceptMap HospitalService.
HOSPITAL_SERVICE = {
    "MED": Term("http://terminology.hl7.org/CodeSystem/service-type", "382", "Medical Services"),
    "SUR": Term(_SERVICE_0069, "SUR", "Surgical Service"),
    "URO": Term("http://terminology.hl7.org/CodeSystem/service-type", "222", "Urology"),
    "PUL": Term(_SERVICE_0069, "PUL", "Pulmonary Service"),
    "CAR": Term(_SERVICE_0069, "CAR", "Cardiac Service"),
}

#: UB-04 patient status as FHIR discharge disposition, where one code fits without a doubt.
DISPOSITION = {
    "01": Term(DISCHARGE_DISPOSITION, "home", "Home"),
    "03": Term(DISCHARGE_DISPOSITION, "snf", "Skilled nursing facility"),
    "07": Term(DISCHARGE_DISPOSITION, "aadvice", "Left against advice"),
    "20": Term(DISCHARGE_DISPOSITION, "exp", "Expired"),
    "62": Term(DISCHARGE_DISPOSITION, "rehab", "Rehabilitation"),
    "63": Term(DISCHARGE_DISPOSITION, "long", "Long-term care"),
    "65": Term(DISCHARGE_DISPOSITION, "psy", "Psychiatric hospital"),
}

#: Diagnosis type (table 0052) as Encounter.diagnosis.use: ConceptMap DiagnosisType, which maps A alone.
DIAGNOSIS_TYPE = {"A": Term(DIAGNOSIS_ROLE, "AD", "Admission diagnosis")}

#: Names of coding systems (table 0396) as URIs; the URIs are those HL7 Terminology registers, from memory.
CODING_SYSTEM = {
    "I10C": ICD_10_CM,
    "I10": "http://hl7.org/fhir/sid/icd-10",
    "I9C": "http://hl7.org/fhir/sid/icd-9-cm",
    "I9CDX": "http://hl7.org/fhir/sid/icd-9-cm",
    "SCT": SNOMED,
    "LN": LOINC,
}

#: Identifier types (table 0203) met in admission messages, with the table's words.
IDENTIFIER_TYPES = {
    "AN": "Account number",
    "DL": "Driver's license number",
    "MR": "Medical record number",
    "MRT": "Temporary Medical Record Number",
    "PI": "Patient internal identifier",
    "PN": "Person number",
    "PNT": "Temporary Living Subject Number",
    "PT": "Patient external identifier",
    "SS": "Social Security number",
    "U": "Unspecified identifier",
    "VN": "Visit number",
}

#: Identifier types that number a record, an account or a visit of one organisation. Others (social security,
#: licence, passport, insurance) follow a person everywhere and count as personal data.
RECORD_NUMBERS = frozenset({"AN", "ANT", "MR", "MRT", "PI", "PNT", "PT", "VN"})

# ── care reports ───────────────────────────────────────────────────────────────────────────────────

EMS_DOCUMENT = Term(LOINC, "67796-3", "EMS patient care report")
SYSTOLIC = Term(LOINC, "8480-6", "Systolic blood pressure")
DIASTOLIC = Term(LOINC, "8462-4", "Diastolic blood pressure")
BLOOD_PRESSURE = Term(LOINC, "85354-9", "Blood pressure panel")
AGE = Term(LOINC, "30525-0", "Age")
MASS_CASUALTY = Term(LOINC, "67490-3", "Mass casualty incident")
INITIAL_ACUITY = Term(LOINC, "67493-7", "Initial patient acuity")
FINAL_ACUITY = Term(LOINC, "77941-3", "Final patient acuity")

#: Yes and no of LOINC answer list LL361-7, from memory.
YES_NO = {True: Term(LOINC, "LA33-6", "Yes"), False: Term(LOINC, "LA32-8", "No")}


class Vital(NamedTuple):
    """How one kind of measurement is written: its code, its UCUM unit (None: a coded value), its category."""

    term: Term
    unit: str | None
    category: str = "vital-signs"


#: eVitals by the names that records use. The code is the mapping guide's; blood pressure stands apart, as a
#: panel, and end-tidal CO2 depends on the unit the crew's monitor gave.
VITALS = {
    "heart_rate": Vital(Term(LOINC, "8867-4", "Heart rate"), "/min"),
    "spo2": Vital(Term(LOINC, "2708-6", "Oxygen saturation"), "%"),
    "respiratory_rate": Vital(Term(LOINC, "9279-1", "Respiratory rate"), "/min"),
    "glucose": Vital(Term(LOINC, "2339-0", "Glucose in blood"), "mg/dL"),
    "coma_eye": Vital(Term(LOINC, "9267-6", "Coma score, eye opening"), "{score}", "survey"),
    "coma_verbal": Vital(Term(LOINC, "9270-0", "Coma score, verbal"), "{score}", "survey"),
    "coma_motor": Vital(Term(LOINC, "9268-4", "Coma score, motor"), "{score}", "survey"),
    "coma_total": Vital(Term(LOINC, "9269-2", "Coma score, total"), "{score}", "survey"),
    "temperature": Vital(Term(LOINC, "8310-5", "Body temperature"), "Cel"),
    "alertness": Vital(Term(LOINC, "67775-7", "Level of responsiveness"), None, "survey"),
    "pain": Vital(Term(LOINC, "72514-3", "Pain severity, 0 to 10"), "{score}", "survey"),
}

ETCO2 = Vital(Term(LOINC, "19889-5", "End-tidal carbon dioxide, partial pressure"), "mm[Hg]")

#: eVitals.16 @ETCO2Type and its plain spellings: the unit, and what turns its values into mm[Hg]. A percentage
#: is no pressure and cannot be turned into one without the air pressure.
ETCO2_UNITS: dict[str, tuple[str, float | None]] = {
    "3340001": ("mm[Hg]", 1),
    "mmHg": ("mm[Hg]", 1),
    "mm[Hg]": ("mm[Hg]", 1),
    "3340003": ("%", None),
    "%": ("%", None),
    "3340005": ("kPa", 7.5006),
    "kPa": ("kPa", 7.5006),
}

#: eScene.08; the label keeps colour and word, because the schemes differ in both.
TRIAGE = {
    "2708001": "Red - Immediate",
    "2708003": "Yellow - Delayed",
    "2708005": "Green - Minimal (Minor)",
    "2708007": "Gray - Expectant",
    "2708009": "Black - Deceased",
}

#: eSituation.13 and eDisposition.19 as answers of LOINC list LL1843-3; the rest have no LOINC answer.
ACUITY: dict[str, tuple[str, Term | None]] = {
    "2813001": ("Critical (red)", Term(LOINC, "LA17696-8", "Critical")),
    "2813003": ("Emergent (yellow)", Term(LOINC, "LA17695-0", "Emergent")),
    "2813005": ("Lower acuity (green)", Term(LOINC, "LA17694-3", "Lower acuity")),
    "2813007": ("Dead without resuscitation efforts", Term(LOINC, "LA17697-6", "Dead without resuscitation efforts")),
    "2813009": ("Non-acute or routine", None),
    "4219001": ("Critical (red)", Term(LOINC, "LA17696-8", "Critical")),
    "4219003": ("Emergent (yellow)", Term(LOINC, "LA17695-0", "Emergent")),
    "4219005": ("Lower acuity (green)", Term(LOINC, "LA17694-3", "Lower acuity")),
    "4219007": ("Dead without resuscitation efforts", Term(LOINC, "LA17697-6", "Dead without resuscitation efforts")),
    "4219009": ("Dead with resuscitation efforts", None),
    "4219011": ("Non-acute or routine", None),
}

#: eVitals.26.
ALERTNESS = {
    "3326001": "Alert",
    "3326003": "Responds to voice",
    "3326005": "Responds to pain",
    "3326007": "Unresponsive",
}

#: eDisposition.30: who took the patient away, if anybody did.
TRANSPORT = {
    "4230001": "Transported by this unit",
    "4230003": "Transported by this unit, with a member of another crew",
    "4230005": "Transported by another unit",
    "4230007": "Transported by another unit, with a member of this crew",
    "4230009": "Patient refused transport",
    "4230011": "Non-patient transport",
    "4230013": "No transport",
}

#: Pertinent negatives, in words, and the data-absent-reason that says the same, where one does.
NEGATIVES: dict[str, tuple[str, str | None]] = {
    "8801001": ("Contraindicated", "not-performed"),
    "8801003": ("Denied by order", "not-performed"),
    "8801005": ("Finding not present", None),
    "8801007": ("Allergy to the drug", "not-performed"),
    "8801009": ("Already taken", "not-performed"),
    "8801013": ("No known drug allergy", None),
    "8801015": ("None reported", None),
    "8801017": ("Not done by EMS", "not-performed"),
    "8801019": ("Refused", "asked-declined"),
    "8801021": ("Unresponsive", "not-performed"),
    "8801023": ("Unable to complete", "not-performed"),
    "8801025": ("Not immunised", None),
    "8801027": ("Order criteria not met", "not-performed"),
    "8801029": ("Approximate", None),
    "8801031": ("Symptom not present", None),
}

#: The one pertinent negative that leaves the value standing: it is an estimate.
APPROXIMATE = "8801029"

#: eMedications.03 @CodeType and its plain spellings.
DRUG_SYSTEM = {"9924003": RXNORM, "RxNorm": RXNORM, "9924005": SNOMED, "SNOMED CT": SNOMED, "SNOMED": SNOMED}

#: eMedications.06 as words and UCUM; None where the unit is no measure UCUM knows.
DOSE_UNITS: dict[str, tuple[str, str | None]] = {
    "3706001": ("g", "g"),
    "3706003": ("in", "[in_i]"),
    "3706005": ("international units", "[iU]"),
    "3706007": ("keep vein open", None),
    "3706009": ("L", "L"),
    "3706013": ("metered dose", None),
    "3706015": ("mcg", "ug"),
    "3706017": ("mcg/kg/min", "ug/kg/min"),
    "3706019": ("mEq", "meq"),
    "3706021": ("mg", "mg"),
    "3706023": ("mg/kg/min", "mg/kg/min"),
    "3706025": ("mL", "mL"),
    "3706027": ("mL/h", "mL/h"),
    "3706029": ("other", None),
    "3706031": ("cm", "cm"),
    "3706033": ("drops", "[drp]"),
    "3706035": ("L/min", "L/min"),
    "3706037": ("mcg/min", "ug/min"),
    "3706039": ("mg/kg", "mg/kg"),
    "3706041": ("mg/min", "mg/min"),
    "3706043": ("puffs", "{puff}"),
    "3706045": ("units/h", "{unit}/h"),
    "3706047": ("mcg/kg", "ug/kg"),
    "3706049": ("units", "{unit}"),
    "3706051": ("units/kg/h", "{unit}/kg/h"),
    "3706053": ("units/kg", "{unit}/kg"),
    "3706055": ("mg/h", "mg/h"),
}

#: eMedications.07.
RESPONSES = {"9916001": "improved", "9916003": "unchanged", "9916005": "worse"}

#: eMedications.04: the ways in use in the field; a code outside this list is written without words.
ROUTES = {
    "9927001": "Blow-by",
    "9927003": "Buccal",
    "9927005": "Endotracheal tube",
    "9927009": "Inhalation",
    "9927015": "Intramuscular",
    "9927017": "Intranasal",
    "9927021": "Intraosseous",
    "9927023": "Intravenous",
    "9927025": "Nasal cannula",
    "9927031": "Non-rebreather mask",
    "9927035": "Oral",
    "9927043": "Rectal",
    "9927045": "Subcutaneous",
    "9927047": "Sublingual",
    "9927049": "Topical",
    "9927053": "Transdermal",
    "9927057": "Venturi mask",
    "9927063": "Auto-injector",
    "9927065": "Bag-valve mask",
    "9927067": "CPAP",
    "9927069": "Intravenous pump",
    "9927071": "Nebuliser",
}


class SectionTitle(NamedTuple):
    """One section of the care record: its LOINC code, None where the guide names none, and its title."""

    code: str | None
    title: str


CHIEF_COMPLAINT = SectionTitle("10154-3", "Chief complaint")
PRESENT_ILLNESS = SectionTitle("10164-2", "Present illness: symptoms")
ASSESSMENT = SectionTitle("51848-0", "Assessment: impressions")
TRIAGE_SECTION = SectionTitle("11283-9", "Triage and acuity")
VITAL_SIGNS = SectionTitle("8716-3", "Vital signs")
MEDICATIONS = SectionTitle("18610-6", "Medications administered")
PROCEDURES = SectionTitle("29554-3", "Procedures")
NARRATIVE = SectionTitle(None, "Narrative")
