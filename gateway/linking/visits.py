"""What an admission message does to a visit.

A visit is folded from its messages by event time, not by arrival: the newest filled value of each field
wins, a value that a later message leaves out stays (an absent field lets no conclusion be drawn, HL7 v2
section 2.9.5), and band sightings are gathered, because a discharge without the band's segment does not
take the band off the wrist.
"""

from datetime import UTC, datetime
from typing import Any, TypeVar

from msgspec.structs import replace

from gateway.linking.episodes import is_mixed
from gateway.records import Admission, Person, Record, Sighting, Visit, VisitState

#: The triggers that act on a visit and the state each brings (HL7 v2 chapter 3); all others are kept and shown.
STATE_AFTER: dict[str, VisitState | None] = {
    "A01": VisitState.PRESENT,
    "A04": VisitState.PRESENT,
    "A03": VisitState.DISCHARGED,
    "A08": None,
}
T = TypeVar("T", bound=Record)
EMPTY: tuple[Any, ...] = (None, (), {}, "", Person())
LONG_AGO = datetime.min.replace(tzinfo=UTC)


def acts(trigger: str) -> bool:
    """Whether a message with this trigger changes a visit."""
    return trigger in STATE_AFTER


def visit_key(admission: Admission) -> str | None:
    """Give back the key of the visit: the visit number, else the account, else person and day; None without any.

    The order is common practice: (facility, PV1-19), else (facility, PID-18), else (facility, PID-3, PV1-44 day).
    """
    if admission.visit_number is not None:
        return f"visit:{admission.visit_number.value}"
    if admission.account is not None:
        return f"account:{admission.account.value}"
    bands = {sighting.raw for sighting in admission.sightings}
    own = next((each for each in admission.identifiers if each.value not in bands), None)
    day = admission.admitted_at or admission.event_time
    return f"person:{own.value}:{day.date().isoformat()}" if own is not None and day is not None else None


def fold(visit: Visit | None, admission: Admission, *, key: str) -> Visit:
    """Give back the visit after this message, whichever of its messages came before."""
    if visit is None:
        state = STATE_AFTER[admission.trigger] or VisitState.PRESENT
        opened = Visit(key=key, organisation=admission.organisation, state=state, admission=admission)
        return replace(opened, **_times(opened, admission, state_bearing=STATE_AFTER[admission.trigger] is not None))
    known, late = visit.admission, _when(admission) < _when(visit.admission)
    merged = _fold_admissions(admission, known) if late else _fold_admissions(known, admission)
    new_state = STATE_AFTER[admission.trigger]
    newer = new_state is not None and _when(admission) >= (visit.state_time or LONG_AGO)
    folded = replace(visit, admission=merged, state=new_state if newer and new_state else visit.state)
    return replace(folded, **_times(folded, admission, state_bearing=newer))


def is_same_to_linking(one: Visit, other: Visit) -> bool:
    """Whether two contents of one visit tell linking the same: under the same rules no decision about it can differ.

    What is compared is all that `gateway.linking.evidence.facts_of_visit` and the bands are taken from.
    """
    return _said_to_linking(one) == _said_to_linking(other)


def _said_to_linking(visit: Visit) -> tuple[object, ...]:
    said = visit.admission
    return (
        visit.started,
        said.patient,
        said.visit_number,
        said.account,
        said.alternate_visit,
        said.identifiers,
        said.quoted_reports,
        [(each.canonical, each.how) for each in said.sightings],
        is_mixed(said.findings),
    )


def _when(admission: Admission) -> datetime:
    return admission.event_time or admission.message_time or LONG_AGO


def _times(visit: Visit, admission: Admission, *, state_bearing: bool) -> dict[str, datetime | None]:
    merged, when = visit.admission, admission.event_time or admission.message_time
    begins = STATE_AFTER[admission.trigger] is VisitState.PRESENT
    starts = [each for each in (merged.admitted_at, visit.started, when if begins else None) if each is not None]
    ended = merged.discharged_at or (when if admission.trigger == "A03" and state_bearing else visit.ended)
    return {
        "started": merged.admitted_at or (min(starts) if starts else when),
        "ended": ended if visit.state is VisitState.DISCHARGED else None,
        "state_time": when if state_bearing else visit.state_time,
    }


def _fold_admissions(older: Admission, newer: Admission) -> Admission:
    """Lay the newer record over the older one: filled fields win, sightings are gathered."""
    merged = _overlay(older, newer)
    if newer.patient.unidentified and not older.patient.unidentified and older.patient != Person():
        merged = replace(merged, patient=_overlay(newer.patient, older.patient))
    else:
        merged = replace(merged, patient=_named(older.patient, newer.patient))
    return replace(merged, sightings=_gathered(older.sightings, newer.sightings), findings=newer.findings)


def _named(older: Person, newer: Person) -> Person:
    """A name that replaces a placeholder brings nothing of the placeholder along."""
    if older.unidentified and newer.family is not None and not newer.unidentified:
        return newer
    return _overlay(older, newer)


def _overlay(older: T, newer: T) -> T:
    """Give back `newer` with every field it leaves empty taken from `older`."""
    kept = {
        name: getattr(older, name)
        for name in newer.__struct_fields__
        if getattr(newer, name) in EMPTY and getattr(older, name) not in EMPTY
    }
    return replace(newer, **kept) if kept else newer


def _gathered(older: tuple[Sighting, ...], newer: tuple[Sighting, ...]) -> tuple[Sighting, ...]:
    seen = {(each.canonical or each.raw, each.how): each for each in (*older, *newer)}
    return tuple(seen.values())
