"""A visit is folded by event time: the newest filled value wins, an absent one keeps (HL7 v2 section 2.9.5)."""

from datetime import datetime, timedelta
from itertools import permutations

from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.findings import finding
from gateway.linking.evidence import facts_of_visit
from gateway.linking.visits import acts, fold, is_same_to_linking, visit_key
from gateway.records import Admission, How, Identifier, Location, Person, Sighting, Visit, VisitState
from tests.linking.people import IVY, NOON, OTTO

BAND = Sighting(raw="YF7K4M2QG", canonical="YF7K4M2QG", how=How.IDENTIFIER, path="PID-3[2].1", rule="r")


def message(trigger: str, minutes: int, **values: object) -> Admission:
    when = NOON + timedelta(minutes=minutes)
    return Admission(organisation="anvil-head", trigger=trigger, control_id=str(minutes), event_time=when, **values)  # type: ignore[arg-type]


def folded(*messages: Admission) -> Visit:
    visit = None
    for each in messages:
        visit = fold(visit, each, key="visit:1")
    assert visit is not None
    return visit


def at(minutes: int) -> datetime:
    return NOON + timedelta(minutes=minutes)


def test_registered_then_discharged() -> None:
    visit = folded(message("A04", 0, sightings=(BAND,)), message("A03", 90))
    assert (visit.state, visit.started, visit.ended) == (VisitState.DISCHARGED, at(0), at(90))
    assert visit.admission.sightings == (BAND,)


def test_a_discharge_that_comes_first_still_ends_the_visit() -> None:
    visit = folded(message("A03", 90), message("A04", 0, patient=IVY))
    assert (visit.state, visit.started, visit.ended) == (VisitState.DISCHARGED, at(0), at(90))
    assert visit.admission.patient == IVY


def test_an_update_may_be_the_first_message_of_a_visit() -> None:
    assert folded(message("A08", 5, patient=IVY)).state is VisitState.PRESENT


def test_a_stale_update_fills_gaps_but_overwrites_nothing() -> None:
    newer = message("A08", 60, location=Location(unit="ICU"))
    stale = message("A08", 10, location=Location(unit="ED"), service="SUR")
    visit = folded(newer, stale)
    assert visit.admission.location == Location(unit="ICU")
    assert visit.admission.service == "SUR"


def test_a_real_name_replaces_the_placeholder_and_its_filler_birth_date() -> None:
    doe = Person(family="Doe", given="Jane", birth_date="1900-01-01", unidentified=True)
    named = Person(family="Quillfeather", given="Ivy")
    for order in permutations([message("A04", 0, patient=doe), message("A08", 30, patient=named)]):
        patient = folded(*order).admission.patient
        assert (patient.family, patient.birth_date, patient.unidentified) == ("Quillfeather", None, False)


def test_which_triggers_act_for_now() -> None:
    assert [trigger for trigger in ("A01", "A03", "A04", "A08") if not acts(trigger)] == []
    assert not acts("A40")
    assert not acts("A11")


def test_the_key_is_visit_then_account_then_person_and_day() -> None:
    person = (Identifier(value="YF7K4M2QG"), Identifier(value="0041"))
    full = message(
        "A04",
        0,
        visit_number=Identifier(value="V1"),
        account=Identifier(value="A1"),
        identifiers=person,
        sightings=(BAND,),
    )
    assert visit_key(full) == "visit:V1"
    assert visit_key(message("A04", 0, account=Identifier(value="A1"))) == "account:A1"
    assert visit_key(message("A04", 0, identifiers=person, sightings=(BAND,))) == "person:0041:2026-03-14"
    assert visit_key(message("A04", 0)) is None


histories = st.lists(
    st.tuples(
        st.sampled_from(["A01", "A04", "A03", "A08"]),
        st.sampled_from([None, "ED", "ICU"]),
        st.sampled_from([None, "SUR", "MED"]),
    ),
    min_size=1,
    max_size=4,
)


@given(histories)
def test_any_order_of_the_same_messages_ends_in_the_same_state(history: list) -> None:
    messages = [
        message(trigger, minute, service=service, location=Location(unit=unit) if unit else None)
        for minute, (trigger, unit, service) in enumerate(history)
    ]
    results = {(v.state, v.ended) for order in permutations(messages) for v in [folded(*order)]}
    assert len(results) == 1


ONE, OTHER = Identifier(value="V100"), Identifier(value="V200")
SAID = st.builds(
    Admission,
    organisation=st.just("anvil-head"),
    trigger=st.sampled_from(["A04", "A08", "A03"]),
    control_id=st.sampled_from("12"),
    event_time=st.sampled_from([at(0), at(30)]),
    patient=st.sampled_from([IVY, OTTO]),
    visit_number=st.sampled_from([None, ONE, OTHER]),
    account=st.sampled_from([None, ONE, OTHER]),
    alternate_visit=st.sampled_from([None, ONE, OTHER]),
    identifiers=st.sampled_from([(), (ONE,), (ONE, OTHER)]),
    quoted_reports=st.sampled_from([(), ("R-1",)]),
    location=st.sampled_from([None, Location(unit="ED"), Location(unit="ICU")]),
    sightings=st.sampled_from(
        [(), (BAND,), (replace(BAND, canonical="YF0000000"),), (replace(BAND, how=How.FREE_TEXT),)]
    ),
    findings=st.sampled_from([(), (finding("band-mixed-signals"),)]),
)


@given(SAID, SAID)
def test_what_is_the_same_to_linking_gives_it_the_same_facts(one: Admission, other: Admission) -> None:
    before, after = folded(one), folded(one, other)
    if is_same_to_linking(before, after):
        none: frozenset[str] = frozenset()
        assert facts_of_visit("v", before, bands=none) == facts_of_visit("v", after, bands=none)
        bands = [[(each.canonical, each.how) for each in visit.admission.sightings] for visit in (before, after)]
        assert bands[0] == bands[1]


def test_a_bed_change_is_the_same_to_linking_and_a_name_is_not() -> None:
    first = message("A04", 0, patient=IVY, sightings=(BAND,), location=Location(unit="ED"))
    moved = message(
        "A08", 10, patient=IVY, sightings=(replace(BAND, path="ZBD-2", line=4),), location=Location(unit="ICU")
    )
    assert is_same_to_linking(folded(first), folded(first, moved))
    assert not is_same_to_linking(folded(first), folded(first, replace(moved, patient=OTTO)))
    assert not is_same_to_linking(
        folded(first), folded(first, replace(moved, findings=(finding("band-mixed-signals"),)))
    )
