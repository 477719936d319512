"""Who may see what: the table at the head of the file, row by row, and when there is something new to tell.

Clinical content needs two identifiers (Joint Commission NPSG.01.01.01: at least two patient identifiers).
"""

from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from gateway.records import (
    Admission,
    CareReport,
    Channel,
    Detail,
    Episode,
    EpisodeState,
    Identifier,
    Link,
    LinkedReport,
    LinkedVisit,
    LinkState,
    Location,
    RecordKind,
    Subscription,
    Topic,
    Traffic,
    Visit,
    VisitState,
)
from gateway.routing.entitlement import concerned, fingerprint, record_for
from tests.linking.people import IVY, OTTO

NOON = datetime(2026, 3, 14, 12, 0, tzinfo=UTC)
EPISODE = Episode(id="e1", state=EpisodeState.OPEN, traffic=Traffic.LIVE, bands=("YF7K4M2QG",), opened=NOON)


def link(kind: RecordKind, record: str, *, confirmed: bool, state: LinkState = LinkState.LINKED) -> Link:
    return Link(
        id=f"l-{record}",
        episode="e1",
        kind=kind,
        record=record,
        organisation="x",
        state=state,
        confirmed=confirmed,
        reasons=(),
        decided=NOON,
    )


def report(name: str = "r1", *, confirmed: bool = True, state: LinkState = LinkState.LINKED) -> LinkedReport:
    care_report = CareReport(key=name, number=name, organisation="harrow-point", patient=IVY)
    return LinkedReport(
        id=name, report=care_report, link=link(RecordKind.CARE_REPORT, name, confirmed=confirmed, state=state)
    )


def visit(
    name: str = "v1", at: str = "anvil-head", *, confirmed: bool = True, state: LinkState = LinkState.LINKED
) -> LinkedVisit:
    admission = Admission(
        organisation=at, trigger="A04", control_id="1", patient=IVY, identifiers=(Identifier(value="00412907"),)
    )
    stay = Visit(key=name, organisation=at, state=VisitState.PRESENT, admission=admission)
    return LinkedVisit(id=name, visit=stay, link=link(RecordKind.VISIT, name, confirmed=confirmed, state=state))


def shown(recipient: str, reports: list[LinkedReport], visits: list[LinkedVisit]) -> Detail | None:
    found = record_for(recipient, EPISODE, tuple(reports), tuple(visits))
    return found.detail if found else None


# ── the rows of the table ──────────────────────────────────────────────────────────────────────────


def test_a_facility_with_a_confirmed_visit_sees_clinical_content() -> None:
    assert shown("anvil-head", [report()], [visit()]) is Detail.CLINICAL


@pytest.mark.parametrize(("report_confirmed", "visit_confirmed"), [(False, False), (True, False), (False, True)])
def test_a_facility_linked_by_band_alone_sees_identifiers_only(report_confirmed: bool, visit_confirmed: bool) -> None:
    found = shown("anvil-head", [report(confirmed=report_confirmed)], [visit(confirmed=visit_confirmed)])
    assert found is Detail.IDENTIFIERS


@pytest.mark.parametrize("held", [report("r2", state=LinkState.HELD), visit("v2", state=LinkState.HELD)])
def test_nobody_sees_anything_while_a_contradiction_is_open(held: LinkedReport | LinkedVisit) -> None:
    reports = [report(), *([held] if isinstance(held, LinkedReport) else [])]
    visits = [visit(), *([held] if isinstance(held, LinkedVisit) else [])]
    assert shown("anvil-head", reports, visits) is None


@pytest.mark.parametrize("recipient", ["saint-orla", "harrow-point", ""])
def test_anybody_else_sees_nothing(recipient: str) -> None:
    assert shown(recipient, [report()], [visit()]) is None


# ── what the table leaves unsaid ───────────────────────────────────────────────────────────────────


def test_another_facilitys_confirmed_visit_gives_no_clinical_content() -> None:
    visits = [visit(confirmed=False), visit("v2", "saint-orla", confirmed=True)]
    assert shown("anvil-head", [report()], visits) is Detail.IDENTIFIERS


def test_a_visit_whose_link_was_withdrawn_is_no_visit() -> None:
    assert shown("anvil-head", [report()], [visit(state=LinkState.WITHDRAWN)]) is None


def test_a_withdrawn_report_is_not_told() -> None:
    withdrawn = report("r2", state=LinkState.WITHDRAWN)
    found = record_for("anvil-head", EPISODE, (report(), withdrawn), (visit(),))
    assert found is not None
    assert [each.id for each in found.reports] == ["r1"]
    assert shown("anvil-head", [withdrawn], [visit()]) is None


def test_without_a_report_there_is_nothing_to_tell() -> None:
    assert shown("anvil-head", [], [visit()]) is None


def test_test_traffic_is_told_to_nobody() -> None:
    assert record_for("anvil-head", replace(EPISODE, traffic=Traffic.TEST), (report(),), (visit(),)) is None


states = st.sampled_from(LinkState)
reports = st.lists(st.builds(report, st.sampled_from(["r1", "r2"]), confirmed=st.booleans(), state=states), max_size=3)
visits = st.lists(
    st.builds(
        visit, st.just("v"), st.sampled_from(["anvil-head", "saint-orla"]), confirmed=st.booleans(), state=states
    ),
    max_size=3,
)


@given(reports, visits)
def test_clinical_content_always_has_two_identifiers_behind_it(
    told: list[LinkedReport], seen: list[LinkedVisit]
) -> None:
    found = record_for("anvil-head", EPISODE, tuple(told), tuple(seen))
    if found is None:
        return
    assert not any(each.link.state is LinkState.HELD for each in (*told, *seen))
    assert all(each.link.state is LinkState.LINKED for each in (*found.reports, *found.visits))
    own = [each for each in found.visits if each.visit.organisation == "anvil-head"]
    assert own
    assert (found.detail is Detail.CLINICAL) is (
        any(each.link.confirmed for each in own) and any(each.link.confirmed for each in found.reports)
    )


# ── whom it concerns, and whether it is news ───────────────────────────────────────────────────────


def test_the_chain_of_care_is_who_has_a_visit() -> None:
    subscriptions = tuple(
        Subscription(
            name=name, organisation=name, topic=Topic.RECORDS_LINKED, channel=Channel.FHIR_REST_HOOK, endpoint="x"
        )
        for name in ("anvil-head", "saint-orla", "fenwick")
    )
    chain = (visit(), visit("v2", "fenwick"))
    assert [each.name for each in concerned(subscriptions, chain)] == ["anvil-head", "fenwick"]
    assert concerned(subscriptions, ()) == []


def prints(*visits_: LinkedVisit, reports_: tuple[LinkedReport, ...] = (report(),)) -> dict[Channel, bytes]:
    found = record_for("anvil-head", EPISODE, reports_, visits_)
    assert found is not None
    return {channel: fingerprint(found, channel) for channel in Channel}


def changed(linked: LinkedVisit, **what: object) -> LinkedVisit:
    admission = replace(linked.visit.admission, **what)
    return replace(linked, visit=replace(linked.visit, admission=admission))


def test_a_bed_change_in_the_own_house_is_no_news() -> None:
    moved = changed(visit(), location=Location(bed="7"), control_id="2", event_time=NOON)
    assert prints(moved) == prints(visit())
    assert prints(visit()) == prints(visit())


@pytest.mark.parametrize(
    "what", [{"patient": OTTO}, {"identifiers": (Identifier(value="00412907"), Identifier(value="7"))}]
)
def test_a_new_name_or_number_is_news_on_both_channels(what: dict[str, object]) -> None:
    before, after = prints(visit()), prints(changed(visit(), **what))
    assert all(before[channel] != after[channel] for channel in Channel)


def test_a_new_report_or_a_visit_elsewhere_is_news_for_those_who_can_be_told_of_it() -> None:
    """ADT^A31 carries a person's identity only (HL7 v2 section 3.3.31), so what it says does not change."""
    before = prints(visit())
    second = visit("v2", "saint-orla")
    discharged = replace(second, visit=replace(second.visit, ended=NOON + timedelta(hours=3)))
    steps = [
        before,
        prints(visit(), reports_=(report(), report("r2"))),
        prints(visit(), reports_=(replace(report(), version=2),)),
        prints(visit(), reports_=(report(confirmed=False),)),
        prints(visit(), second),
        prints(visit(), discharged),
    ]
    assert len({each[Channel.FHIR_REST_HOOK] for each in steps}) == len(steps)
    assert len({each[Channel.HL7V2_MLLP] for each in steps}) == 1
