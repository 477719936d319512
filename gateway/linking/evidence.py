"""What two records say about being one patient: facts compared, each comparison a reason with its weight.

A comparison knows three outcomes. It *supports* (an independent fact agrees: with the band that makes two
identifiers), it *contradicts*, or it says nothing. Missing, placeholder and estimated data never support.
Two weights of contradiction are told apart: a **strong** one (sex, birth date, age, two record numbers of
one hospital) holds the links whatever else agrees; a **weak** one (place, time) only when no independent
fact agrees, because ambulances are diverted and clocks are wrong.

How often such facts are right in the field sets the tolerance: names 83.6 %, birth dates 78.9 % (Prehosp
Emerg Care 2008;12:187), so a birth date one slip away is no contradiction when the name or a quoted number
agrees. The rules are those of joint practice, two identifiers at the least; the figures are settings.
"""

import re
import unicodedata
from dataclasses import dataclass
from datetime import date, datetime, timedelta

from gateway.records import Age, CareReport, Identifier, Person, Reason, RecordKind, Sex, Visit

#: eOutcome.03 codes under which a report quotes a number that a hospital gave (NEMSIS 3.5 eOutcome.03).
HOSPITAL_NUMBERS = frozenset({"4303005", "4303007", "4303017"})
DAYS = {"a": 365.25, "mo": 30.44, "wk": 7.0, "d": 1.0, "h": 1 / 24, "min": 1 / 1440}


@dataclass(frozen=True, slots=True, kw_only=True)
class Rules:
    """The settings that linking obeys; see `gateway.settings` for each."""

    before: timedelta = timedelta(hours=2)
    after: timedelta = timedelta(hours=24)
    episode: timedelta = timedelta(hours=72)
    age_years: int = 2
    two_identifiers: bool = True


@dataclass(frozen=True, slots=True, kw_only=True)
class Facts:
    """What one record can say for or against another, in comparable form.

    `place` is the facility where the patient was (a visit) or was brought (a report); `at` is the arrival
    there. `numbers` are the identifiers the record's own organisation gave, `quoted` those of others that
    it repeats, both normalised; `record_numbers` are the hospital's numbers for the person by issuer.
    """

    kind: RecordKind
    record: str
    organisation: str
    person: Person
    place: str | None
    at: datetime | None
    numbers: frozenset[str]
    quoted: frozenset[str]
    record_numbers: frozenset[tuple[str, str]] = frozenset()


@dataclass(frozen=True, slots=True)
class Comparison:
    """The reasons one pair of records gives, by weight."""

    supports: tuple[Reason, ...]
    strong: tuple[Reason, ...]
    weak: tuple[Reason, ...]

    @property
    def contradictions(self) -> tuple[Reason, ...]:
        """What contradicts, once an agreeing fact has cleared what it may clear."""
        return self.strong if self.supports else self.strong + self.weak


def facts_of_report(record: str, report: CareReport) -> Facts:
    """Give back what a care report can say."""
    own = {report.number, *([report.uuid] if report.uuid else [])}
    return Facts(
        kind=RecordKind.CARE_REPORT,
        record=record,
        organisation=report.organisation,
        person=report.patient,
        place=report.destination,
        at=report.times.arrived or report.times.handed_over or report.times.at_patient,
        numbers=frozenset(map(comparable_number, own)),
        quoted=frozenset(comparable_number(q.value) for q in report.quoted if q.type in HOSPITAL_NUMBERS),
    )


def facts_of_visit(record: str, visit: Visit, *, bands: frozenset[str]) -> Facts:
    """Give back what a visit can say; `bands` are the episode's identifiers, which are no second fact."""
    admission = visit.admission
    own = [admission.visit_number, admission.account, admission.alternate_visit, *admission.identifiers]
    numbers = {comparable_number(each.value) for each in own if each is not None and each.value not in bands}
    return Facts(
        kind=RecordKind.VISIT,
        record=record,
        organisation=visit.organisation,
        person=admission.patient,
        place=visit.organisation,
        at=visit.started,
        numbers=frozenset(numbers),
        quoted=frozenset(map(comparable_number, admission.quoted_reports)),
        record_numbers=frozenset(_record_numbers(visit.organisation, admission.identifiers)),
    )


def compare(one: Facts, other: Facts, rules: Rules) -> Comparison:
    """Give back what the pair says. Symmetric: the order of the two does not matter."""
    supports = [
        *_same_name(one.person, other.person),
        *_same_birth_date(one.person, other.person),
        *_quoted(one, other),
    ]
    strong = [
        *_different_sex(one.person, other.person),
        *_different_birth_date(one.person, other.person, near_is_fine=bool(supports)),
        *_different_age(one, other, rules),
        *_different_record_number(one, other, same_person=bool(supports)),
    ]
    return Comparison(
        tuple(supports), tuple(strong), (*_different_place(one, other), *_different_time(one, other, rules))
    )


def comparable_number(value: str) -> str:
    """Give back an identifier as it is compared: letters and digits only, upper case. Leading zeros stay."""
    return re.sub(r"[^0-9A-Z]", "", value.upper())


def comparable_name(name: str | None) -> str:
    """Give back a name as it is compared: without accents, punctuation and case."""
    if not name:
        return ""
    bare = unicodedata.normalize("NFKD", name)
    return "".join(c for c in bare.casefold() if c.isalnum())


def _same_name(one: Person, other: Person) -> list[Reason]:
    if one.unidentified or other.unidentified:
        return []
    family, given = comparable_name(one.family), comparable_name(one.given)
    if not family or not given:
        return []
    if family == comparable_name(other.family) and given == comparable_name(other.given):
        return [Reason(code="name", says="family and given name agree")]
    return []


def _same_birth_date(one: Person, other: Person) -> list[Reason]:
    if one.unidentified or other.unidentified or _full_date(one) is None:
        return []
    if _full_date(one) == _full_date(other):
        return [Reason(code="birth-date", says="the birth dates agree")]
    return []


def _quoted(one: Facts, other: Facts) -> list[Reason]:
    if (one.quoted & other.numbers) - {""} or (other.quoted & one.numbers) - {""}:
        return [Reason(code="quoted-number", says="one record quotes a number that the other gave")]
    return []


def _different_sex(one: Person, other: Person) -> list[Reason]:
    if {one.sex, other.sex} == {Sex.FEMALE, Sex.MALE}:
        return [Reason(code="sex", says="the sexes recorded differ", supports=False)]
    return []


def _different_birth_date(one: Person, other: Person, *, near_is_fine: bool) -> list[Reason]:
    if one.unidentified or other.unidentified:
        return []
    first, second = one.birth_date, other.birth_date
    if not first or not second or first.startswith(second) or second.startswith(first):
        return []
    if near_is_fine and _one_slip(first, second):
        return []
    return [Reason(code="birth-date", says="the birth dates differ", supports=False)]


def _different_age(one: Facts, other: Facts, rules: Rules) -> list[Reason]:
    ages = _age_years(one), _age_years(other)
    if ages[0] is None or ages[1] is None or (_full_date(one.person) and _full_date(other.person)):
        return []
    estimated = any(f.person.age is not None and f.person.age.estimated for f in (one, other))
    allowed = rules.age_years * (3 if estimated else 1)
    if abs(ages[0] - ages[1]) > allowed + 1:
        return [Reason(code="age", says="the ages are too far apart", supports=False)]
    return []


def _different_record_number(one: Facts, other: Facts, *, same_person: bool) -> list[Reason]:
    if one.organisation != other.organisation or same_person:
        return []
    issuers = {issuer for issuer, _ in one.record_numbers} & {issuer for issuer, _ in other.record_numbers}
    for issuer in issuers:
        mine = {number for who, number in one.record_numbers if who == issuer}
        if not mine & {number for who, number in other.record_numbers if who == issuer}:
            return [
                Reason(
                    code="record-number",
                    says="one hospital, two record numbers, and nothing else agrees",
                    supports=False,
                )
            ]
    return []


def _different_place(one: Facts, other: Facts) -> list[Reason]:
    if one.kind is other.kind or one.place is None or other.place is None or one.place == other.place:
        return []
    return [Reason(code="place", says="the report names another destination than the visit's facility", supports=False)]


def _different_time(one: Facts, other: Facts, rules: Rules) -> list[Reason]:
    if one.kind is other.kind or one.at is None or other.at is None or one.place != other.place:
        return []
    report, visit = (one, other) if one.kind is RecordKind.CARE_REPORT else (other, one)
    assert report.at is not None
    assert visit.at is not None
    if -rules.before <= visit.at - report.at <= rules.after:
        return []
    return [Reason(code="time", says="the visit began too long before or after the report's arrival", supports=False)]


def _record_numbers(organisation: str, identifiers: tuple[Identifier, ...]) -> list[tuple[str, str]]:
    return [
        (each.system or each.namespace or organisation, comparable_number(each.value))
        for each in identifiers
        if each.type == "MR"
    ]


def _full_date(person: Person) -> date | None:
    if person.birth_date is None or len(person.birth_date) != 10:
        return None
    try:
        return date.fromisoformat(person.birth_date)
    except ValueError:
        return None


def _age_years(facts: Facts) -> float | None:
    born = _full_date(facts.person)
    if born is not None and facts.at is not None:
        return (facts.at.date() - born).days / DAYS["a"]
    age: Age | None = facts.person.age
    return age.value * DAYS[age.unit] / DAYS["a"] if age is not None and age.unit in DAYS else None


def _one_slip(first: str, second: str) -> bool:
    """Whether two dates are one keying slip apart: one digit, two neighbours swapped, or day and month swapped."""
    if len(first) != len(second):
        return False
    wrong = [i for i, (a, b) in enumerate(zip(first, second, strict=True)) if a != b]
    if len(wrong) == 1:
        return True
    swapped = len(wrong) == 2 and first[wrong[0]] == second[wrong[1]] and first[wrong[1]] == second[wrong[0]]
    return swapped or (
        len(first) == 10 and first[:4] == second[:4] and first[5:7] == second[8:] and first[8:] == second[5:7]
    )
