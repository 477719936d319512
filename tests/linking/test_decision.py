"""The rules of linking, each with its name; the facts of the trade are common practice, no source.

The band is a deterministic first tier with guards; two identifiers are needed before clinical content
moves (Joint Commission NPSG.01.01.01: at least two patient identifiers).
"""

from datetime import timedelta
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.linking.decision import Verdict, decide
from gateway.linking.evidence import Rules, comparable_name
from gateway.records import Age, LinkState, Person, Sex
from tests.linking.people import IVY, NOON, OTTO, report, visit

RULES = Rules()
DOE = Person(family="Doe", given="Jane", sex=Sex.FEMALE, birth_date="1900-01-01", unidentified=True)


def states(verdict: Verdict) -> dict[str, tuple[LinkState, bool]]:
    return {each.record: (each.state, each.confirmed) for each in verdict.decisions}


def codes(verdict: Verdict, record: str) -> set[str]:
    return {reason.code for each in verdict.decisions if each.record == record for reason in each.reasons}


def test_a_report_alone_is_linked_by_its_band_and_not_confirmed() -> None:
    verdict = decide([report()], RULES)
    assert states(verdict) == {"report": (LinkState.LINKED, False)}
    assert codes(verdict, "report") == {"band", "band-only"}


def test_band_and_name_are_two_identifiers() -> None:
    verdict = decide([report(), visit()], RULES)
    assert states(verdict) == {"report": (LinkState.LINKED, True), "visit": (LinkState.LINKED, True)}
    assert {"band", "name", "birth-date"} == codes(verdict, "visit")


def test_names_agree_without_accents_and_case() -> None:
    assert comparable_name("Ó Dálaigh-Núñez") == comparable_name("o dalaigh nunez")
    verdict = decide(
        [report(person=replace(IVY, family="Quîllfeather")), visit(person=replace(IVY, birth_date=None))], RULES
    )
    assert states(verdict)["visit"] == (LinkState.LINKED, True)


def test_a_doe_is_linked_by_band_but_never_confirmed_by_placeholder_data() -> None:
    verdict = decide([report(person=DOE), visit(person=DOE)], RULES)
    assert states(verdict) == {"report": (LinkState.LINKED, False), "visit": (LinkState.LINKED, False)}


def test_a_quoted_number_is_a_second_identifier() -> None:
    verdict = decide([report(person=DOE, quotes="v-100"), visit(person=DOE)], RULES)
    assert states(verdict)["report"] == (LinkState.LINKED, True)


def test_the_band_itself_is_no_second_identifier() -> None:
    verdict = decide([report(person=DOE, quotes="YF7K4M2QG"), visit(person=DOE, record_number="YF7K4M2QG")], RULES)
    assert states(verdict)["report"] == (LinkState.LINKED, False)


def test_a_report_number_quoted_by_the_hospital_confirms() -> None:
    verdict = decide([report(person=DOE), visit(person=DOE, quotes="report")], RULES)
    assert states(verdict)["visit"] == (LinkState.LINKED, True)


@pytest.mark.parametrize(
    ("other", "code"),
    [
        (replace(IVY, sex=Sex.MALE), "sex"),
        (OTTO, "birth-date"),
        (Person(sex=Sex.FEMALE, age=Age(value=8, unit="a")), "age"),
    ],
)
def test_a_contradiction_holds_both_links(other: Person, code: str) -> None:
    verdict = decide([report(), visit(person=other)], RULES)
    assert {state for state, _ in states(verdict).values()} == {LinkState.HELD}
    assert code in codes(verdict, "report")
    assert len(verdict.contradictions) == 2


def test_a_birth_date_one_slip_away_is_no_contradiction_when_the_name_agrees() -> None:
    slipped = replace(IVY, birth_date="1971-03-02")  # day and month swapped
    assert states(decide([report(), visit(person=slipped)], RULES))["visit"] == (LinkState.LINKED, True)
    stranger = replace(slipped, family="Marrowby", given="Ann")
    assert states(decide([report(), visit(person=stranger)], RULES))["visit"][0] is LinkState.HELD


def test_another_facility_than_the_destination_contradicts_unless_a_fact_agrees() -> None:
    nobody = Person(sex=Sex.FEMALE)
    assert (
        states(decide([report(person=nobody), visit(person=nobody, at_facility="saint-orla")], RULES))["visit"][0]
        is LinkState.HELD
    )
    assert states(decide([report(), visit(at_facility="saint-orla")], RULES))["visit"] == (LinkState.LINKED, True)


def test_a_transfer_explains_another_facility() -> None:
    nobody = Person(sex=Sex.FEMALE)
    first, here = report(person=nobody), visit(person=nobody)
    second = visit("second", nobody, at_facility="saint-orla", at=NOON + timedelta(hours=30), record_number="77")
    verdict = decide([first, here, second], RULES)
    assert {state for state, _ in states(verdict).values()} == {LinkState.LINKED}


@pytest.mark.parametrize(
    ("hours", "state"), [(-3, LinkState.HELD), (-1, LinkState.LINKED), (23, LinkState.LINKED), (30, LinkState.HELD)]
)
def test_the_time_window(hours: int, state: LinkState) -> None:
    nobody = Person(sex=Sex.FEMALE)
    verdict = decide([report(person=nobody), visit(person=nobody, at=NOON + timedelta(hours=hours))], RULES)
    assert states(verdict)["visit"][0] is state


def test_one_hospital_two_record_numbers_and_nothing_else_agrees() -> None:
    nobody = Person(sex=Sex.FEMALE)
    verdict = decide([visit(person=nobody), visit("other", nobody, number="V101", record_number="555")], RULES)
    assert {state for state, _ in states(verdict).values()} == {LinkState.HELD}


def test_only_the_pair_that_contradicts_is_held() -> None:
    nobody = Person(sex=Sex.FEMALE)
    third = visit("third", replace(nobody, sex=None), number="V100", record_number="00412907")
    verdict = decide([report(person=nobody), visit(person=replace(nobody, sex=Sex.MALE)), third], RULES)
    assert states(verdict)["third"][0] is LinkState.LINKED


def test_two_identifiers_can_be_switched_off_by_the_region() -> None:
    verdict = decide([report(person=DOE)], Rules(two_identifiers=False))
    assert states(verdict)["report"] == (LinkState.LINKED, True)


people = st.builds(
    Person,
    family=st.sampled_from([None, "Quillfeather", "Marrowby"]),
    given=st.sampled_from([None, "Ivy", "Otto"]),
    birth_date=st.sampled_from([None, "1971-02-03", "1971-03-02", "1938-11-30", "1938"]),
    sex=st.sampled_from([None, Sex.FEMALE, Sex.MALE, Sex.UNKNOWN]),
    age=st.sampled_from([None, Age(value=54, unit="a"), Age(value=5, unit="mo", estimated=True)]),
    unidentified=st.booleans(),
)
members = st.tuples(
    st.builds(report, st.just("r1"), people, to=st.sampled_from([None, "anvil-head", "saint-orla"])),
    st.builds(report, st.just("r2"), people, at=st.sampled_from([NOON, NOON + timedelta(hours=40)])),
    st.builds(visit, st.just("v1"), people, at_facility=st.sampled_from(["anvil-head", "saint-orla"])),
    st.builds(visit, st.just("v2"), people, record_number=st.sampled_from(["1", "2"])),
)


@given(members)
def test_the_order_of_records_never_matters(four: tuple) -> None:
    results = [states(decide(list(order), RULES)) for order in permutations(four)]
    assert all(result == results[0] for result in results)


@given(members)
def test_held_records_are_exactly_those_a_person_is_asked_about_and_never_confirmed(four: tuple) -> None:
    verdict = decide(list(four), RULES)
    held = {each.record for each in verdict.decisions if each.state is LinkState.HELD}
    assert held == {record for _, record in verdict.contradictions}
    assert not any(each.confirmed for each in verdict.decisions if each.record in held)


@given(people)
def test_unidentified_people_never_confirm(person: Person) -> None:
    doe = replace(person, unidentified=True)
    verdict = decide([report(person=doe), visit(person=IVY)], RULES)
    assert not any(each.confirmed for each in verdict.decisions)
