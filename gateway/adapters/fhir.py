"""The patient of an episode and the organisations around it, as FHIR R4 resources.

The band is worn by the person across organisations and visits, so it is an identifier of the Patient: use
`temp`, type PNT, in the scheme's own namespace, with the time since when. Everything else that is known of
the patient is what one source said, never a blend of doubtful ones:

* what may be told at all is decided in `gateway.adapters.disclosure`;
* a value of a record that does not know its patient ("DOE") is no evidence, except the sex that was seen;
* a namespace is never invented: an issuer that is known by name only becomes the assigner.

Sources: FHIR R4 4.0.1; "HL7 Version 2 to FHIR" 1.0.0, CX[Identifier], XPN[HumanName], PID[Patient].
"""

from collections.abc import Iterable, Iterator, Mapping, Sequence

from gateway.adapters.disclosure import (
    get_scheme,
    names_band,
    newest_first,
    shows_content,
    standing_reports,
    standing_visits,
)
from gateway.adapters.fhir_codes import (
    IDENTIFIER_TYPE,
    IDENTIFIER_TYPES,
    ORGANIZATION_TYPE,
    RECORD_NUMBERS,
    URI,
)
from gateway.adapters.fhir_elements import (
    Json,
    absent,
    code,
    coding,
    compact,
    concept,
    date_of_v2,
    moment,
    moment_or_none,
    partial_date,
    resource_id,
    text,
    uri,
    urn,
)
from gateway.bands.scheme import Scheme
from gateway.records import (
    Address,
    Identifier,
    LinkedRecord,
    LinkedReport,
    Organisation,
    Person,
    Record,
)

_CHECK_DIGIT = "http://hl7.org/fhir/StructureDefinition/identifier-checkDigit"
_CHECK_SCHEME = "http://hl7.org/fhir/StructureDefinition/namingsystem-checkDigit"


class Publisher(Record, frozen=True, kw_only=True):
    """Who writes the resources, and what it knows of the region.

    `base` is the address of its FHIR interface without a slash at the end; `software` is the name and version
    that Provenance names as assembler. `nemsis_codes` is the URI under which NEMSIS codes are published,
    since no public terminology registers one.
    """

    base: str
    schemes: tuple[Scheme, ...]
    organisations: Mapping[str, Organisation]
    software: str
    nemsis_codes: str | None = None

    def url(self, kind: str, id: str) -> str:  # noqa: A002 - FHIR's own word
        """Give back the absolute address of a resource: who reads a notification has no base."""
        return f"{self.base}/{kind}/{resource_id(id)}"

    def reference(self, kind: str, id: str) -> Json:  # noqa: A002 - FHIR's own word
        """Give back a Reference to a resource of ours."""
        return {"reference": self.url(kind, id)}

    def refer(self, resource: Json) -> Json:
        """Give back a Reference to a resource already built."""
        return {"reference": f"{self.base}/{resource['resourceType']}/{resource['id']}"}

    def organisation(self, id: str) -> Json:  # noqa: A002 - FHIR's own word
        """Give back a Reference to an organisation; one the region does not know is named, not referred to."""
        known = self.organisations.get(id)
        if known is None:
            return {"display": text(id) or "Organisation not stated"}
        return {**self.reference("Organization", id), **compact(display=text(known.name))}

    def nemsis(self, value: str | None, words: str | None = None) -> Json:
        """Give back the Coding of a NEMSIS code."""
        return coding(self.nemsis_codes or f"{self.base}/CodeSystem/nemsis-v3", value, words)

    def own(self, value: str, words: str) -> Json:
        """Give back a Coding of our own, for what no public terminology has a code."""
        return coding(f"{self.base}/CodeSystem/gateway-observation", value, words)


# ── bands and other identifiers ────────────────────────────────────────────────────────────────────


def band_identifiers(record: LinkedRecord, schemes: Sequence[Scheme]) -> list[Json]:
    """Give back every band of the episode as Identifier, the primary one first.

    Only the primary band's start is known, it opened the episode. Once the episode is closed the bands are
    `old`: late reports still quote them, so they are never taken away.
    """
    episode = record.episode
    return [
        {
            "use": "temp" if episode.closed is None else "old",
            "type": concept(_type_coding("PNT"), words="Patient tracking wristband"),
            "system": get_scheme(band, schemes).system,
            "value": band,
            **compact(
                period=compact(start=None if number else moment(episode.opened), end=moment_or_none(episode.closed))
            ),
        }
        for number, band in enumerate(episode.bands)
    ]


def identifier(given: Identifier, *, type_words: str | None = None, assigner: Json | None = None) -> Json:
    """Give back an Identifier as CX[Identifier] says; `assigner` is who issued it if it does not say so.

    The universal id wins over the namespace, which is a nickname that differs from feed to feed.
    """
    system = uri(given.system) or urn(given.universal_id, given.universal_id_type)
    issuer = text(given.namespace) or text(given.facility)
    named = compact(display=issuer) or assigner or {}
    extensions = [
        {"url": url, "valueString": value}
        for url, value in ((_CHECK_DIGIT, text(given.check_digit)), (_CHECK_SCHEME, text(given.check_scheme)))
        if value
    ]
    return compact(
        extension=extensions,
        type=concept(_type_coding(given.type), words=type_words),
        system=system,
        value=text(given.value),
        period=compact(start=date_of_v2(given.start), end=date_of_v2(given.end)),
        assigner=None if system else named,
    )


def numbered(value: str | None, publisher: Publisher, organisation: str, kind: str | None, words: str) -> Json:
    """Give back a number that `organisation` itself issues, in its namespace, else with it as assigner.

    Empty when there is no number.
    """
    written = text(value)
    if written is None:
        return {}
    known = publisher.organisations.get(organisation)
    system = uri(known.system) if known else None
    return compact(
        type=concept(_type_coding(kind), words=words),
        system=system,
        value=written,
        assigner=None if system else publisher.organisation(organisation),
    )


def _type_coding(kind: str | None) -> Json:
    return coding(IDENTIFIER_TYPE, kind, IDENTIFIER_TYPES.get(kind or ""))


# ── the patient ────────────────────────────────────────────────────────────────────────────────────


def patient(record: LinkedRecord, publisher: Publisher) -> Json:
    """Give back the Patient of the episode: bands and record numbers, and the person where content may show."""
    identifiers = [*band_identifiers(record, publisher.schemes), *_distinct(_record_numbers(record, publisher))]
    people = _people(record)
    return {
        "resourceType": "Patient",
        "id": resource_id(record.episode.id),
        "meta": {"versionId": str(record.version)},
        "identifier": identifiers,
        **(_person(people) if people else {}),
    }


def _record_numbers(record: LinkedRecord, publisher: Publisher) -> Iterator[Json]:
    """What each source calls the patient; without content, only numbers of a record, account or visit."""
    bands = record.episode.bands
    for visit in newest_first(standing_visits(record)):
        admission = visit.visit.admission
        for given in admission.identifiers:
            personal = given.type is not None and given.type not in RECORD_NUMBERS
            if names_band(given, admission.sightings, bands) or (personal and not shows_content(record, visit)):
                continue
            yield identifier(given)
    for report in standing_reports(record):
        for given in report.report.patient_identifiers:
            if not names_band(given, report.report.sightings, bands):
                yield _agency_number(given, report, publisher)


def _agency_number(given: Identifier, report: LinkedReport, publisher: Publisher) -> Json:
    """ePatient.01 is by definition the agency's own number; another source may have named its issuer."""
    if given.system or given.namespace or given.universal_id:
        return identifier(given)
    return numbered(given.value, publisher, report.report.organisation, given.type or "PI", "agency patient number")


def _distinct(identifiers: Iterable[Json]) -> Iterator[Json]:
    seen: set[str] = set()
    for each in identifiers:
        key = repr((each.get("system"), each.get("assigner"), each.get("type"), each.get("value")))
        if "value" in each and key not in seen:
            seen.add(key)
            yield each


def _people(record: LinkedRecord) -> list[Person]:
    """Who the records say the patient is, the most trusted first: hospitals before crews, newest first."""
    visits = newest_first([item for item in standing_visits(record) if shows_content(record, item)])
    reports = [item for item in standing_reports(record) if shows_content(record, item)]
    people = [item.visit.admission.patient for item in visits] + [item.report.patient for item in reports]
    return sorted(people, key=lambda person: person.unidentified)


def known_birth_date(person: Person) -> str | None:
    """Give back the birth date with the precision it was given in, None for a filler."""
    return None if person.unidentified else partial_date(person.birth_date)


def _person(people: Sequence[Person]) -> Json:
    known = [person for person in people if not person.unidentified]
    born = next((day for day in map(known_birth_date, people) if day), None)
    sex = next((person.sex for person in people if person.sex), None)
    home = next((address for person in known if (address := _address(person.address))), None)
    phones = dict.fromkeys(phone for person in known for phone in map(text, person.phones) if phone)
    return compact(
        active=True,
        name=_names(people),
        telecom=[{"system": "phone", "value": phone} for phone in phones],
        gender=sex.value if sex else None,
        birthDate=born,
        _birthDate=None if born else absent("unknown"),
        **_death(people),
        address=[home] if home else None,
    )


def _names(people: Sequence[Person]) -> list[Json]:
    """Each distinct name once. A filler is a temporary name; nobody's name at all is an anonymous one."""
    distinct: dict[tuple[str, ...], Json] = {}
    for person in people:
        if name := _name(person):
            key = tuple((part or "").casefold() for part in (person.family, person.given, person.middle))
            distinct.setdefault(key, {"use": "temp", **name} if person.unidentified else name)
    return list(distinct.values()) or [{"use": "anonymous", "text": "Unidentified patient"}]


def _name(person: Person) -> Json:
    return compact(
        family=text(person.family),
        given=[part for part in map(text, (person.given, person.middle)) if part],
        prefix=[part for part in (text(person.prefix),) if part],
        suffix=[part for part in (text(person.suffix),) if part],
    )


def _address(given: Address | None) -> Json:
    if given is None:
        return {}
    return compact(
        line=[line for line in map(text, given.lines) if line],
        city=text(given.city),
        district=text(given.district),
        state=text(given.state),
        postalCode=text(given.postal_code),
        country=text(given.country),
    )


def _death(people: Sequence[Person]) -> Json:
    for person in people:
        if person.deceased_at is not None:
            return {"deceasedDateTime": moment(person.deceased_at)}
        if person.deceased is not None:
            return {"deceasedBoolean": person.deceased}
    return {}


# ── organisations ──────────────────────────────────────────────────────────────────────────────────


def organization(known: Organisation) -> Json:
    """Give back an agency or a facility with the identifiers it has in each standard."""
    own = urn(known.universal_id, known.universal_id_type)
    state = f"NEMSIS state {known.nemsis_state}" if known.nemsis_state else None
    numbers = [
        {"system": URI, "value": own} if own else {},
        _local_number(known.nemsis_number, "NEMSIS agency number", state),
        *(_local_number(each, "Facility code", None) for each in known.codes),
    ]
    return {
        "resourceType": "Organization",
        "id": resource_id(known.id),
        "active": True,
        **compact(identifier=[number for number in numbers if number]),
        "type": [concept(coding(ORGANIZATION_TYPE, "prov", "Healthcare Provider"), words=known.kind)],
        "name": text(known.name) or known.id,
    }


def _local_number(value: str | None, words: str, issuer: str | None) -> Json:
    written = code(value)
    return compact(type={"text": words}, value=written, assigner=compact(display=issuer)) if written else {}
