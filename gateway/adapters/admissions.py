"""What an admission message announces: its trigger, and what that does.

The rules:

* MSH-9.2 alone names the trigger. MSH-9.3 and EVN-1 cannot be trusted (the standard's own examples
  contradict themselves); a contradiction is noted and decides nothing.
* An unknown trigger is no error: the message is kept, and `known` says so.
* Times stay as written; the mapping reads them and says which of them dates the event, because only it knows the
  feed's zone.

The table is HL7 v2 chapter 3 (3.3) with tables 0003 and 0354; the field use of the triggers that 2.7
withdrew is from memory.
"""

import re
from collections.abc import Mapping
from enum import StrEnum
from typing import Final, NamedTuple

from gateway.adapters.er7 import Message
from gateway.findings import finding
from gateway.records import Finding


class Effect(StrEnum):
    """What a trigger does to what the receiver knows."""

    ADMIT = "admit"  #: a stay begins, a bed is assigned
    REGISTER = "register"  #: a visit without a bed begins: arrival in the emergency department
    PREADMIT = "preadmit"  #: a stay is expected
    TRANSFER = "transfer"  #: another bed of the census
    DISCHARGE = "discharge"  #: the visit ends, by death too
    CHANGE_CLASS = "change-class"  #: outpatient to inpatient or back, often under a new visit number
    UPDATE = "update"  #: new particulars of a current visit
    TRACK = "track"  #: the patient moves, the bed stays
    SWAP = "swap"  #: two patients exchange beds: the message holds both
    LEAVE = "leave"  #: the visit pauses or goes on
    EXPECT = "expect"  #: an admission, transfer or discharge is planned
    CANCEL_ADMIT = "cancel-admit"  #: an A01 or A04 is as if it had not happened
    CANCEL_PREADMIT = "cancel-preadmit"
    CANCEL_TRANSFER = "cancel-transfer"
    CANCEL_DISCHARGE = "cancel-discharge"  #: the visit is open again
    CANCEL_TRACK = "cancel-track"
    CANCEL_LEAVE = "cancel-leave"
    CANCEL_EXPECT = "cancel-expect"
    DELETE_VISIT = "delete-visit"  #: the record of a visit is purged; not a cancellation
    ADD_PERSON = "add-person"  #: a person without a visit
    UPDATE_PERSON = "update-person"
    DELETE_PERSON = "delete-person"
    MERGE = "merge"  #: two become one; the identifier in MRG is never used again
    MOVE = "move"  #: a subordinate set goes to another parent and keeps its identifier
    CHANGE = "change"  #: one record gets another identifier; nothing is merged
    LINK = "link"  #: two records are one person's, and stay distinct
    UNLINK = "unlink"
    CARE_TEAM = "care-team"  #: attending or consulting doctor
    ALLERGIES = "allergies"
    BED_STATUS = "bed-status"  #: about a bed, not a patient
    QUERY = "query"  #: asks, announces nothing
    UNKNOWN = "unknown"  #: a trigger that the table does not have


class Group(StrEnum):
    """What a trigger is about; the columns of the standard's chapter 3 in one word each."""

    IDENTITY = "identity"  #: who is who: merge, move, change, link
    VISIT = "visit"  #: whether a visit is planned, under way or over
    LOCATION = "location"  #: where the patient is
    DEMOGRAPHICS = "demographics"  #: particulars of person or visit
    OTHER = "other"


class Subject(StrEnum):
    """At which level an identity trigger acts: patient over account over visit (3.6.2)."""

    PATIENT = "patient"
    ACCOUNT = "account"
    VISIT = "visit"


class Trigger(NamedTuple):
    """One trigger event; `structures` are the MSH-9.3 values that editions of the standard give it."""

    meaning: str
    effect: Effect
    group: Group
    structures: tuple[str, ...] = ()
    subject: Subject | None = None


_I, _V, _L, _D, _O = Group.IDENTITY, Group.VISIT, Group.LOCATION, Group.DEMOGRAPHICS, Group.OTHER
_PATIENT, _ACCOUNT, _VISIT = Subject.PATIENT, Subject.ACCOUNT, Subject.VISIT

# The structure named after the trigger itself is always accepted, as early editions gave one to each.
TRIGGERS: Final[dict[str, Trigger]] = {
    "A01": Trigger("admitted", Effect.ADMIT, _V),
    "A02": Trigger("transferred", Effect.TRANSFER, _L),
    "A03": Trigger("discharged, or visit ended", Effect.DISCHARGE, _V),
    "A04": Trigger("registered", Effect.REGISTER, _V, ("ADT_A01",)),
    "A05": Trigger("pre-admitted", Effect.PREADMIT, _V),
    "A06": Trigger("outpatient became inpatient", Effect.CHANGE_CLASS, _V),
    "A07": Trigger("inpatient became outpatient", Effect.CHANGE_CLASS, _V, ("ADT_A06",)),
    "A08": Trigger("particulars updated", Effect.UPDATE, _D, ("ADT_A01",)),
    "A09": Trigger("departing, tracking only", Effect.TRACK, _L),
    "A10": Trigger("arriving, tracking only", Effect.TRACK, _L, ("ADT_A09",)),
    "A11": Trigger("admission or registration cancelled", Effect.CANCEL_ADMIT, _V, ("ADT_A09",)),
    "A12": Trigger("transfer cancelled", Effect.CANCEL_TRANSFER, _L, ("ADT_A09",)),
    "A13": Trigger("discharge cancelled", Effect.CANCEL_DISCHARGE, _V, ("ADT_A01",)),
    "A14": Trigger("admission pending", Effect.EXPECT, _V, ("ADT_A05",)),
    "A15": Trigger("transfer pending", Effect.EXPECT, _V),
    "A16": Trigger("discharge pending", Effect.EXPECT, _V),
    "A17": Trigger("two patients swap beds", Effect.SWAP, _L),
    "A18": Trigger("patients merged (withdrawn)", Effect.MERGE, _I, (), _PATIENT),
    "A19": Trigger("query (withdrawn)", Effect.QUERY, _O),
    "A20": Trigger("bed status", Effect.BED_STATUS, _O),
    "A21": Trigger("leave of absence began", Effect.LEAVE, _V),
    "A22": Trigger("leave of absence ended", Effect.LEAVE, _V, ("ADT_A21",)),
    "A23": Trigger("visit record deleted", Effect.DELETE_VISIT, _V, ("ADT_A21",)),
    "A24": Trigger("two patients linked", Effect.LINK, _I, (), _PATIENT),
    "A25": Trigger("pending discharge cancelled", Effect.CANCEL_EXPECT, _V, ("ADT_A21",)),
    "A26": Trigger("pending transfer cancelled", Effect.CANCEL_EXPECT, _V, ("ADT_A21",)),
    "A27": Trigger("pending admission cancelled", Effect.CANCEL_EXPECT, _V, ("ADT_A21",)),
    "A28": Trigger("person added", Effect.ADD_PERSON, _D, ("ADT_A05",)),
    "A29": Trigger("person deleted", Effect.DELETE_PERSON, _I, ("ADT_A21",), _PATIENT),
    "A30": Trigger("persons merged (withdrawn)", Effect.MERGE, _I, (), _PATIENT),
    "A31": Trigger("person updated", Effect.UPDATE_PERSON, _D, ("ADT_A05", "ADT_A28")),
    "A32": Trigger("arrival cancelled, tracking only", Effect.CANCEL_TRACK, _L, ("ADT_A21",)),
    "A33": Trigger("departure cancelled, tracking only", Effect.CANCEL_TRACK, _L, ("ADT_A21",)),
    "A34": Trigger("patients merged, patient id only (withdrawn)", Effect.MERGE, _I, ("ADT_A30",), _PATIENT),
    "A35": Trigger("accounts merged, account number only (withdrawn)", Effect.MERGE, _I, ("ADT_A30",), _ACCOUNT),
    "A36": Trigger("patients merged, patient id and account (withdrawn)", Effect.MERGE, _I, ("ADT_A30",), _PATIENT),
    "A37": Trigger("two patients unlinked", Effect.UNLINK, _I, (), _PATIENT),
    "A38": Trigger("pre-admission cancelled", Effect.CANCEL_PREADMIT, _V),
    "A39": Trigger("persons merged, external id (withdrawn)", Effect.MERGE, _I, (), _PATIENT),
    "A40": Trigger("patients merged", Effect.MERGE, _I, ("ADT_A39",), _PATIENT),
    "A41": Trigger("accounts merged", Effect.MERGE, _I, ("ADT_A39",), _ACCOUNT),
    "A42": Trigger("visits merged", Effect.MERGE, _I, ("ADT_A39",), _VISIT),
    "A43": Trigger("patient identifiers moved", Effect.MOVE, _I, (), _PATIENT),
    "A44": Trigger("account moved to another patient", Effect.MOVE, _I, ("ADT_A43",), _ACCOUNT),
    "A45": Trigger("visit moved to another account", Effect.MOVE, _I, (), _VISIT),
    "A46": Trigger("patient id changed (withdrawn)", Effect.CHANGE, _I, ("ADT_A30",), _PATIENT),
    "A47": Trigger("patient identifiers changed", Effect.CHANGE, _I, ("ADT_A30",), _PATIENT),
    "A48": Trigger("alternate patient id changed (withdrawn)", Effect.CHANGE, _I, ("ADT_A30",), _PATIENT),
    "A49": Trigger("account number changed", Effect.CHANGE, _I, ("ADT_A30",), _ACCOUNT),
    "A50": Trigger("visit number changed", Effect.CHANGE, _I, (), _VISIT),
    "A51": Trigger("alternate visit id changed", Effect.CHANGE, _I, ("ADT_A50",), _VISIT),
    "A52": Trigger("leave of absence cancelled", Effect.CANCEL_LEAVE, _V),
    "A53": Trigger("return from leave cancelled", Effect.CANCEL_LEAVE, _V, ("ADT_A52",)),
    "A54": Trigger("attending doctor changed", Effect.CARE_TEAM, _D),
    "A55": Trigger("change of attending doctor cancelled", Effect.CARE_TEAM, _D, ("ADT_A54", "ADT_A52")),
    "A60": Trigger("allergies updated", Effect.ALLERGIES, _O),
    "A61": Trigger("consulting doctor changed", Effect.CARE_TEAM, _D),
    "A62": Trigger("change of consulting doctor cancelled", Effect.CARE_TEAM, _D, ("ADT_A61",)),
}

UNKNOWN_TRIGGER: Final = Trigger("not in the table", Effect.UNKNOWN, Group.OTHER)


class Kind(StrEnum):
    """What a readable message is to this gateway."""

    ADMISSION = "admission"  #: MSH-9.1 is ADT
    ANSWER = "answer"  #: MSH-9.1 is ACK
    OTHER = "other"


class AdmissionEvent(NamedTuple):
    """One admission message as an event. Absent texts are empty; `message_time` is raw, as written."""

    kind: Kind
    message_type: str
    trigger: str
    meaning: str
    effect: Effect
    group: Group
    subject: Subject | None
    known: bool
    control_id: str
    version: str
    processing_id: str
    sending_application: str
    sending_facility: str
    message_time: str
    notes: tuple[Finding, ...]


_KINDS: Final = {"ADT": Kind.ADMISSION, "ACK": Kind.ANSWER}
_VERSION = re.compile(r"2\.\d{1,2}(?:\.\d{1,2})?|2\.0D", re.ASCII)  # table 0104 by its form, as editions go on


def event_of(message: Message) -> AdmissionEvent:
    """Say what the message announces. Never raises, never refuses: what is odd is in `notes`."""
    header = message.header
    said = {number: header.said(number) for number in (3, 4, 7, 9, 10, 11, 12)}
    message_type, code = said[9], header.said(9, 2)
    kind = _KINDS.get(message_type, Kind.OTHER)
    trigger = TRIGGERS.get(code, UNKNOWN_TRIGGER) if kind is Kind.ADMISSION else UNKNOWN_TRIGGER
    return AdmissionEvent(
        kind=kind,
        message_type=message_type,
        trigger=code,
        meaning=trigger.meaning,
        effect=trigger.effect,
        group=trigger.group,
        subject=trigger.subject,
        known=trigger is not UNKNOWN_TRIGGER,
        control_id=said[10],
        version=said[12],
        processing_id=said[11],
        sending_application=said[3],
        sending_facility=said[4],
        message_time=said[7],
        notes=(*_note_header(said, code), *_note_event(message, code), *_note_kind(message, kind, code, trigger)),
    )


#: What is noted when one of these fields of MSH is empty.
_MISSING: Final = {
    7: "hl7-no-message-time",
    10: "hl7-no-control-id",
    11: "hl7-no-processing-id",
    12: "hl7-no-version",
}


def _note_header(said: Mapping[int, str], trigger: str) -> list[Finding]:
    """What the header lacks; `said` are its fields by their number."""
    notes = [finding(code, path=f"MSH-{n}", line=1) for n, code in _MISSING.items() if not said[n]]
    if said[12] and not _VERSION.fullmatch(said[12]):
        notes.append(finding("hl7-version-unknown", path="MSH-12", line=1))
    if not trigger and said[9] != "ACK":
        notes.append(finding("hl7-no-trigger", path="MSH-9.2", line=1))
    return notes


def _note_event(message: Message, code: str) -> list[Finding]:
    event = message.find_segment("EVN")
    if event is None or event.said(1) in {"", code}:
        return []
    return [finding("hl7-event-code", path="EVN-1", line=event.line)]


def _note_kind(message: Message, kind: Kind, code: str, trigger: Trigger) -> list[Finding]:
    if kind is not Kind.ADMISSION:
        return [finding("hl7-not-admission", path="MSH-9.1", line=1)]
    notes = []
    if code and trigger is UNKNOWN_TRIGGER:
        notes.append(finding("hl7-trigger-unknown", path="MSH-9.2", line=1))
    structure = message.header.said(9, 3)
    if structure and trigger is not UNKNOWN_TRIGGER and structure not in {f"ADT_{code}", *trigger.structures}:
        notes.append(finding("hl7-structure", path="MSH-9.3", line=1))
    if not message.segments("EVN"):
        notes.append(finding("hl7-no-event-segment", path="EVN"))
    if not message.segments("PID") and trigger.effect is not Effect.BED_STATUS:
        notes.append(finding("hl7-no-patient", path="PID"))
    return notes
