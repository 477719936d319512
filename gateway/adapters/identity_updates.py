"""The band told to a hospital in HL7 v2: ADT^A31, "update person information", with the band in PID-3.

Rules of this file.

* Repeating fields are snapshots (HL7 v2 2.9.5): a receiver that follows the text drops every identifier an
  update leaves out. So PID-3 repeats the whole list the facility knows its patient by, then adds the bands.
* A field left empty changes nothing and `""` deletes (2.9.5). Nothing is said but the identifiers and the
  name, which the standard requires and which is the facility's own.
* A band counts as told only under its scheme's authority; elsewhere in the list it stays, and is added.
* The message speaks the receiver's version: CX components and codes it does not know are left out.

Source: HL7 v2, edition 2.9.1, 3.3.31 (A31), 2A.2.14 (CX); per-version segment definitions.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import NamedTuple

from gateway.adapters.disclosure import get_scheme, names_band, newest_first, standing_visits
from gateway.adapters.er7_times import write_time
from gateway.adapters.er7_writing import Component, Field, Raw, Repetition, build
from gateway.adapters.fhir_elements import urn
from gateway.bands.scheme import Scheme
from gateway.errors import GatewayFault
from gateway.records import (
    Identifier,
    LinkedRecord,
    LinkedVisit,
    Person,
    Traffic,
    VisitState,
)

_UNKNOWN_NAME: list[Repetition] = [None, (None, None, None, None, None, None, "U")]


class Dialect(NamedTuple):
    """What one version of HL7 v2, and those after it, make of this message.

    `structure` is MSH-9.3, `components` how many CX has; `has_event_code` whether EVN-1 is filled,
    `has_pnt` whether table 0203 holds the type PNT, `needs_name_type` whether PID-5.7 is required.
    """

    since: tuple[int, ...]
    structure: str | None
    components: int
    has_event_code: bool
    has_pnt: bool
    needs_name_type: bool

    def type_of_band(self, wanted: str) -> str:
        """Give back the table 0203 code for a band: the one wanted, PT where PNT was not yet known."""
        return "PT" if wanted == "PNT" and not self.has_pnt else wanted


#: Oldest first. Before 2.3 an identifier carries no assigning authority, so a band cannot be told. The structure
#: that 2.3.1 gives A31 is from memory.
DIALECTS = (
    Dialect((2, 3), None, 6, has_event_code=True, has_pnt=False, needs_name_type=False),
    Dialect((2, 3, 1), "ADT_A01", 6, has_event_code=True, has_pnt=False, needs_name_type=False),
    Dialect((2, 4), "ADT_A05", 8, has_event_code=True, has_pnt=False, needs_name_type=False),
    Dialect((2, 5), "ADT_A05", 10, has_event_code=False, has_pnt=True, needs_name_type=False),
    Dialect((2, 7), "ADT_A05", 12, has_event_code=False, has_pnt=True, needs_name_type=True),
)


class Station(NamedTuple):
    """One end of an interface: application (MSH-3, MSH-5) and facility (MSH-4, MSH-6).

    Each is written as in the message, a name or `name^universal id^type`.
    """

    application: str
    facility: str


def find_visit(record: LinkedRecord, facility: str) -> LinkedVisit | None:
    """Give back the facility's newest visit whose link stands and that was not cancelled, or None.

    Without one there is nothing to update there: the facility does not know this patient, or the band may
    not be this patient's.
    """
    visits = newest_first(item for item in standing_visits(record) if item.visit.organisation == facility)
    return next((item for item in visits if item.visit.state is not VisitState.CANCELLED), None)


def identity_update(
    record: LinkedRecord,
    *,
    schemes: Sequence[Scheme],
    sender: Station,
    receiver: Station,
    control_id: str,
    time: datetime,
    event_time: datetime | None = None,
    version: str = "2.5.1",
    band_type: str = "PNT",
) -> bytes:
    """Give back the ADT^A31 that tells `record.recipient` the bands of its patient.

    `time` is when the message is made; its zone is the one every time in the message is written in.
    `event_time` is when the band was linked (EVN-6). `band_type` is the table 0203 code the receiver takes
    for a band. Raises `GatewayFault` when the recipient has no visit in the record, when a band belongs to no
    scheme, or when the version is older than assigning authorities are.
    """
    dialect = get_dialect(version)
    item = find_visit(record, record.recipient)
    if item is None:
        raise GatewayFault("an identity update needs a visit at the facility it is for")
    header: dict[int, Field] = {
        3: _hierarchic(sender.application),
        4: _hierarchic(sender.facility),
        5: _hierarchic(receiver.application),
        6: _hierarchic(receiver.facility),
        7: write_time(time),
        9: ("ADT", "A31", dialect.structure),
        10: control_id,
        11: "P" if record.episode.traffic is Traffic.LIVE else "T",
        12: version,
    }
    event: dict[int, Field] = {
        1: "A31" if dialect.has_event_code else None,
        2: write_time(time),
        6: write_time(event_time.astimezone(time.tzinfo)) if event_time else None,
    }
    person: dict[int, Field] = {
        1: "1",
        3: _identifiers(item, _missing_bands(record, item, schemes, dialect.type_of_band(band_type), time), dialect),
        5: _name(item.visit.admission.patient, dialect),
    }
    return build([("MSH", header), ("EVN", event), ("PID", person), ("PV1", {1: "1", 2: "N"})])


def get_dialect(version: str) -> Dialect:
    """Give back what MSH-12 `version` makes of the message. Raises `GatewayFault` for what is none, or too old."""
    parts = version.split(".")
    if not all(part.isascii() and part.isdigit() for part in parts):
        raise GatewayFault("not a version of HL7 v2")
    spoken = tuple(map(int, parts))
    for dialect in reversed(DIALECTS):
        if dialect.since <= spoken < (3,):
            return dialect
    raise GatewayFault("this version of HL7 v2 cannot carry an assigning authority")


def _hierarchic(written: str) -> Repetition:
    return tuple(part or None for part in written.split("^"))


# ── PID-3 ──────────────────────────────────────────────────────────────────────────────────────────


def _identifiers(item: LinkedVisit, bands: Sequence[Identifier], dialect: Dialect) -> list[Repetition]:
    """The facility's list in its order, then the bands that it lacks, each cut to what the version knows."""
    given = (*item.visit.admission.identifiers, *bands)
    return [
        Raw("^".join(each.written.split("^")[: dialect.components]))
        if each.written
        else _components(each)[: dialect.components]
        for each in given
    ]


def _missing_bands(
    record: LinkedRecord, item: LinkedVisit, schemes: Sequence[Scheme], band_type: str, time: datetime
) -> list[Identifier]:
    """The bands of the episode that the facility's list does not hold, as identifiers.

    The check character is part of the number: table 0061 has no code for it. Only the primary band's start
    is known, it opened the episode.
    """
    episode = record.episode
    return [
        Identifier(
            value=band,
            namespace=scheme.namespace,
            universal_id=scheme.universal_id,
            universal_id_type=scheme.universal_id_type,
            type=band_type,
            start=_day(episode.opened, time) if number == 0 else None,
            end=_day(episode.closed, time),
        )
        for number, band in enumerate(episode.bands)
        if not _tells(item, band, scheme := get_scheme(band, schemes))
    ]


def _tells(item: LinkedVisit, band: str, scheme: Scheme) -> bool:
    """Whether the facility's list already holds this band under the scheme's authority."""
    admission = item.visit.admission
    return any(
        names_band(given, admission.sightings, (band,))
        and (
            given.universal_id == scheme.universal_id
            or (not given.universal_id and given.namespace == scheme.namespace)
        )
        for given in admission.identifiers
    )


def _components(given: Identifier) -> tuple[Component, ...]:
    """CX.1 to CX.8. An assigning facility that is an OID is one without a name (HD: namespace, id, type)."""
    facility = given.facility
    return (
        given.value,
        given.check_digit,
        given.check_scheme,
        (given.namespace, given.universal_id, given.universal_id_type),
        given.type,
        (None, facility, "ISO") if urn(facility, "ISO") else facility,
        given.start,
        given.end,
    )


def _day(at: datetime | None, time: datetime) -> str | None:
    """CX.7 and CX.8 are days: the day it was where the message is made."""
    return write_time(at.astimezone(time.tzinfo))[:8] if at else None


# ── PID-5 ──────────────────────────────────────────────────────────────────────────────────────────


def _name(person: Person, dialect: Dialect) -> Field:
    """The facility's own name for its patient, fillers included: the field is required.

    For a patient without a name the standard recommends an empty first repetition and a second of type U
    (PID-5, from memory). Where no type is required none is sent, since the record does not know it; else
    a filler is an assigned name, and a name a legal one (table 0200).
    """
    parts = (person.family, person.given, person.middle, person.suffix, person.prefix)
    if not any(parts):
        return _UNKNOWN_NAME
    kind = "A" if person.unidentified else "L"
    return (*parts, None, kind if dialect.needs_name_type else None)
