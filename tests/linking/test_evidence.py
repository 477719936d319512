"""What two records say about being one patient: each comparison, and that the order of the two never matters.

The rules are common practice, no source, but for the two identifiers (Joint Commission NPSG.01.01.01).
"""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.linking.evidence import (
    Facts,
    Rules,
    comparable_name,
    comparable_number,
    compare,
    facts_of_report,
)
from gateway.records import Age, CareReport, Identifier, Person, RecordKind, ReportTimes, Sex
from tests.linking.people import IVY, NOON, OTTO, report, visit

RULES = Rules()
NOBODY = Person()


def said(one: Person, other: Person) -> tuple[set[str], set[str]]:
    """The codes that support and those that contradict strongly, report against visit."""
    found = compare(report(person=one), visit(person=other), RULES)
    return {each.code for each in found.supports}, {each.code for each in found.strong}


@pytest.mark.parametrize(
    ("one", "other", "supports", "contradicts"),
    [
        (IVY, IVY, {"name", "birth-date"}, set()),
        (NOBODY, IVY, set(), set()),
        (IVY, OTTO, set(), {"sex", "birth-date"}),
        (replace(IVY, given=None), IVY, {"birth-date"}, set()),
        (replace(IVY, family="QUILLFEATHER"), replace(IVY, birth_date=None), {"name"}, set()),
        (replace(IVY, unidentified=True), IVY, set(), set()),
        (replace(IVY, unidentified=True), OTTO, set(), {"sex"}),
        (replace(IVY, sex=Sex.UNKNOWN), IVY, {"name", "birth-date"}, set()),
        (replace(IVY, sex=Sex.OTHER), IVY, {"name", "birth-date"}, set()),
        (replace(IVY, birth_date="1971"), IVY, {"name"}, set()),  # a part of the date neither agrees nor differs
        (replace(IVY, birth_date="1972"), IVY, {"name"}, {"birth-date"}),
        (replace(IVY, birth_date="1971-02-08"), IVY, {"name"}, set()),  # one digit: forgiven, the name agrees
        (Person(birth_date="1971-02-08"), Person(birth_date="1971-02-03"), set(), {"birth-date"}),
        (Person(age=Age(value=54, unit="a")), Person(birth_date="1971-02-03"), set(), set()),
        (Person(age=Age(value=60, unit="a")), Person(birth_date="1971-02-03"), set(), {"age"}),
        (Person(age=Age(value=60, unit="a", estimated=True)), Person(birth_date="1971-02-03"), set(), set()),
        (Person(age=Age(value=8, unit="mo")), Person(age=Age(value=240, unit="d")), set(), set()),
        (Person(age=Age(value=8, unit="furlong")), Person(age=Age(value=80, unit="a")), set(), set()),
    ],
)  # fmt: skip
def test_what_two_people_say(one: Person, other: Person, supports: set[str], contradicts: set[str]) -> None:
    assert said(one, other) == (supports, contradicts)
    assert said(other, one) == (supports, contradicts)


@pytest.mark.parametrize(
    ("first", "second", "slip"),
    [
        ("1971-02-03", "1971-02-08", True),  # one digit
        ("1971-02-03", "1917-02-03", True),  # two neighbours swapped
        ("1971-02-03", "1971-03-02", True),  # day and month swapped
        ("1971-12-11", "1971-11-12", True),
        ("1971-02-03", "1972-02-08", False),
        ("1971-02-03", "1938-11-30", False),
    ],
)
def test_a_slip_of_the_keys_is_forgiven_beside_a_name(first: str, second: str, slip: bool) -> None:
    _, contradicts = said(replace(IVY, birth_date=first), replace(IVY, birth_date=second))
    assert ("birth-date" not in contradicts) is slip


def test_numbers_are_compared_without_punctuation_and_keep_leading_zeros() -> None:
    assert comparable_number("v-100.7/a") == "V1007A"
    assert comparable_number("00412") == "00412"
    assert comparable_number("-") == ""


def test_a_quoted_number_agrees_and_an_empty_one_never() -> None:
    quoting = compare(report(person=NOBODY, quotes="v-100"), visit(person=NOBODY), RULES)
    assert {each.code for each in quoting.supports} == {"quoted-number"}
    empty = compare(report(person=NOBODY, quotes="--"), visit(person=NOBODY, number="..", record_number="?"), RULES)
    assert empty.supports == ()


def test_a_number_of_another_type_is_no_quoted_hospital_number() -> None:
    """eOutcome.03 in the NEMSIS 3.5 dictionary: 4303003 is a fire incident report, 4303005 a hospital's number."""
    facts = [
        facts_of_report(
            "r", CareReport(key="r", number="r", organisation="x", quoted=(Identifier(value="V100", type=kind),))
        )
        for kind in ("4303003", "4303005")
    ]
    assert [each.quoted for each in facts] == [frozenset(), frozenset({"V100"})]


def test_the_time_of_a_report_is_its_arrival_or_the_nearest_to_it() -> None:
    def at(times: ReportTimes) -> datetime | None:
        return facts_of_report("r", CareReport(key="r", number="r", organisation="x", times=times)).at

    later = NOON + timedelta(minutes=5)
    assert at(ReportTimes(arrived=NOON, handed_over=later)) == NOON
    assert at(ReportTimes(handed_over=later, at_patient=NOON)) == later
    assert at(ReportTimes(at_patient=NOON)) == NOON
    assert at(ReportTimes(called=NOON)) is None


def test_the_band_among_a_visits_numbers_is_no_number() -> None:
    facts = visit(record_number="YF7K4M2QG", number="YF7K4M2QG")
    assert "YF7K4M2QG" not in facts.numbers


def test_a_weak_contradiction_gives_way_to_an_agreeing_fact_and_a_strong_one_does_not() -> None:
    elsewhere = compare(report(), visit(at_facility="saint-orla"), RULES)
    assert {each.code for each in elsewhere.weak} == {"place"}
    assert elsewhere.contradictions == ()
    other_sex = compare(report(), visit(person=replace(IVY, sex=Sex.MALE)), RULES)
    assert {each.code for each in other_sex.contradictions} == {"sex"}


@pytest.mark.parametrize(
    ("minutes", "in_time"), [(-121, False), (-120, True), (0, True), (24 * 60, True), (24 * 60 + 1, False)]
)
def test_the_window_of_arrival_holds_its_edges(minutes: int, in_time: bool) -> None:
    found = compare(report(person=NOBODY), visit(person=NOBODY, at=NOON + timedelta(minutes=minutes)), RULES)
    assert (found.weak == ()) is in_time


def test_two_visits_of_one_hospital_with_two_record_numbers_differ_unless_a_fact_agrees() -> None:
    pair = visit(person=NOBODY), visit("other", NOBODY, record_number="555", number="V101")
    assert {each.code for each in compare(*pair, RULES).strong} == {"record-number"}
    named = visit(person=IVY), visit("other", IVY, record_number="555", number="V101")
    assert compare(*named, RULES).strong == ()


times = st.none() | st.sampled_from(
    [NOON, NOON + timedelta(hours=30), datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)]
)
people = st.builds(
    Person,
    family=st.sampled_from([None, "", "Quillfeather", "Ó Marrowby"]),
    given=st.sampled_from([None, "Ivy", "Otto"]),
    birth_date=st.sampled_from([None, "", "1971-02-03", "1971-03-02", "1971", "1971-02", "1971-99-99", "0001-01-01"]),
    sex=st.sampled_from([None, *Sex]),
    age=st.none()
    | st.builds(Age, value=st.integers(-1, 200), unit=st.sampled_from(["a", "mo", "x"]), estimated=st.booleans()),
    unidentified=st.booleans(),
)
numbers = st.frozensets(st.sampled_from(["", "1", "2"]))
facts = st.builds(
    Facts,
    kind=st.sampled_from(RecordKind),
    record=st.just("r"),
    organisation=st.sampled_from(["anvil-head", "saint-orla"]),
    person=people,
    place=st.sampled_from([None, "anvil-head", "saint-orla"]),
    at=times,
    numbers=numbers,
    quoted=numbers,
    record_numbers=st.frozensets(st.tuples(st.sampled_from(["i", "j"]), st.sampled_from(["1", "2"]))),
)


@given(facts, facts)
def test_a_comparison_is_symmetric_and_never_fails(one: Facts, other: Facts) -> None:
    assert compare(one, other, RULES) == compare(other, one, RULES)


@given(facts)
def test_a_record_never_contradicts_itself(one: Facts) -> None:
    assert compare(one, one, RULES).contradictions == ()


@given(facts, facts)
def test_no_reason_says_a_value(one: Facts, other: Facts) -> None:
    found = compare(one, other, RULES)
    for reason in (*found.supports, *found.strong, *found.weak):
        assert not any(character.isdigit() for character in reason.says)
        assert "Ivy" not in reason.says


@given(facts, facts)
def test_filler_data_is_never_evidence(one: Facts, other: Facts) -> None:
    doe = Facts(
        **{field: getattr(one, field) for field in Facts.__slots__} | {"person": replace(one.person, unidentified=True)}
    )
    assert not {each.code for each in compare(doe, other, RULES).supports} & {"name", "birth-date"}


def test_names_without_a_letter_are_no_names() -> None:
    assert comparable_name("--") == comparable_name(None) == ""
    empty = replace(IVY, family="-", birth_date=None)
    assert said(empty, empty) == (set(), set())


def test_a_visit_knows_its_own_and_the_quoted_numbers() -> None:
    facts = visit(quotes="5c1f-5444")
    assert facts.quoted == {"5C1F5444"}
    assert facts.numbers == {"V100", "00412907"}
    assert facts.record_numbers == {("AHMC", "00412907")}
