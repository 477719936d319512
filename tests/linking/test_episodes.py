"""To which episode a record belongs: the band, its time, and nothing else.

That a band identifies one patient only while it is worn is common practice, no source.
"""

from datetime import UTC, datetime, timedelta
from itertools import permutations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.linking.episodes import (
    Belongs,
    NoBand,
    Opens,
    Span,
    membership,
    ordered_bands,
    prose_bands,
    time_of_report,
    time_of_visit,
    trusted_bands,
)
from gateway.linking.evidence import Rules
from gateway.records import Admission, CareReport, How, ReportTimes, Sighting, Visit, VisitState
from tests.linking.people import NOON

RULES = Rules(episode=timedelta(hours=72))
DAY = timedelta(days=1)


def seen(canonical: str | None, how: How = How.IDENTIFIER) -> Sighting:
    fault = None if canonical else "band-pattern"
    return Sighting(raw=canonical or "?", canonical=canonical, how=how, path="PID-3", rule="m: band[0]", fault=fault)


def span(episode: str, band: str, first: datetime = NOON, last: datetime = NOON) -> Span:
    return Span(episode=episode, band=band, first=first, last=last)


def test_bands_are_trusted_by_where_they_stand() -> None:
    sightings = [seen("B", How.CUSTOM), seen("A"), seen("B"), seen(None), seen("C", How.FREE_TEXT)]
    assert trusted_bands(sightings) == ("B", "A")
    assert prose_bands(sightings) == ("C",)


def test_prose_makes_no_link() -> None:
    sightings = [seen("A", How.FREE_TEXT), seen(None)]
    assert membership(sightings, NOON, [span("e1", "A")], RULES) == NoBand(("A",))
    assert membership([], NOON, [], RULES) == NoBand(())


def test_the_first_record_of_a_band_opens_an_episode_under_all_its_bands() -> None:
    assert membership([seen("A"), seen("B")], NOON, [], RULES) == Opens(("A", "B"))


def test_a_second_band_becomes_an_alias_of_the_same_episode() -> None:
    assert membership([seen("B"), seen("A")], NOON, [span("e1", "A")], RULES) == Belongs("e1", ("B",))


def test_bands_of_two_episodes_go_home_to_the_most_trusted_and_tell_of_the_other() -> None:
    spans = [span("e1", "A"), span("e2", "B")]
    assert membership([seen("B"), seen("A")], NOON, spans, RULES) == Belongs("e2", (), ("e1",))


@pytest.mark.parametrize(
    ("at", "belongs"),
    [
        (NOON - 3 * DAY, True),
        (NOON - 3 * DAY - timedelta(seconds=1), False),
        (NOON + 4 * DAY, True),
        (NOON + 4 * DAY + timedelta(seconds=1), False),
        (datetime.min.replace(tzinfo=UTC), False),
        (datetime.max.replace(tzinfo=UTC), False),
    ],
)
def test_an_episode_reaches_a_grace_beyond_its_events(at: datetime, belongs: bool) -> None:
    found = membership([seen("A")], at, [span("e1", "A", NOON, NOON + DAY)], RULES)
    assert found == (Belongs("e1", ()) if belongs else Opens(("A",)))


def test_between_two_episodes_of_one_band_the_nearer_one_counts() -> None:
    spans = [span("old", "A", NOON, NOON), span("new", "A", NOON + 4 * DAY, NOON + 5 * DAY)]
    for order in permutations(spans):
        assert membership([seen("A")], NOON + DAY, order, RULES) == Belongs("old", ())
        assert membership([seen("A")], NOON + 3 * DAY, order, RULES) == Belongs("new", ())


moments = st.integers(-200, 200).map(lambda hours: NOON + timedelta(hours=hours))
sightings = st.lists(st.builds(seen, st.sampled_from(["A", "B", "C", None]), st.sampled_from(How)), max_size=5)
spans = st.lists(
    st.builds(
        lambda episode, band, first, hours: span(episode, band, first, first + timedelta(hours=hours)),
        st.sampled_from(["e1", "e2", "e3"]),
        st.sampled_from(["A", "B", "C"]),
        moments,
        st.integers(0, 50),
    ),
    max_size=4,
    unique_by=lambda each: (each.episode, each.band),
)


@given(sightings, moments, spans)
def test_the_answer_accounts_for_every_trusted_band(seen_: list[Sighting], at: datetime, there: list[Span]) -> None:
    bands = trusted_bands(seen_)
    found = membership(seen_, at, there, RULES)
    match found:
        case NoBand():
            assert bands == ()
        case Opens(opened):
            assert opened == bands
            assert not any(each.band in bands and each.apart(at) <= RULES.episode for each in there)
        case Belongs(episode, new, elsewhere):
            assert episode in {each.episode for each in there if each.band in bands}
            assert set(new) <= set(bands)
            assert episode not in elsewhere
            assert len(new) < len(bands)


@given(sightings, moments, spans)
def test_the_order_in_which_episodes_are_listed_never_matters(
    seen_: list[Sighting], at: datetime, there: list[Span]
) -> None:
    expected = membership(seen_, at, there, RULES)
    assert all(membership(seen_, at, order, RULES) == expected for order in permutations(there))


@given(sightings, moments, spans)
def test_what_stands_in_prose_changes_nothing_but_the_question(
    seen_: list[Sighting], at: datetime, there: list[Span]
) -> None:
    trusted = [each for each in seen_ if each.how is not How.FREE_TEXT]
    found = membership(seen_, at, there, RULES)
    assert isinstance(found, NoBand) or membership(trusted, at, there, RULES) == found


def test_a_report_is_dated_by_its_contact_with_the_patient() -> None:
    def dated(**times: datetime) -> datetime:
        report = CareReport(key="r", number="r", organisation="x", times=ReportTimes(**times))
        return time_of_report(report, received=NOON + DAY)

    assert dated(at_patient=NOON, on_scene=NOON - DAY) == NOON
    assert dated(on_scene=NOON, arrived=NOON - DAY) == NOON
    assert dated(back_in_service=NOON) == NOON
    assert dated() == NOON + DAY


def test_a_visit_is_dated_by_its_start_or_its_newest_message() -> None:
    def dated(started: datetime | None = None, **times: datetime) -> datetime:
        admission = Admission(organisation="x", trigger="A04", control_id="1", **times)
        stay = Visit(key="v", organisation="x", state=VisitState.PRESENT, admission=admission, started=started)
        return time_of_visit(stay, received=NOON + DAY)

    assert dated(started=NOON, event_time=NOON - DAY) == NOON
    assert dated(event_time=NOON, message_time=NOON - DAY) == NOON
    assert dated(message_time=NOON) == NOON
    assert dated() == NOON + DAY


def test_the_band_that_was_seen_first_is_the_primary_one() -> None:
    """Whatever was heard of first: the original identifier persists for the whole episode (common practice)."""
    heard = [(NOON + DAY, ["B"]), (NOON, ["A", "B"]), (NOON + 2 * DAY, ["C", "A"])]
    for order in permutations(heard):
        assert ordered_bands(("B", "C", "A"), order) == ("A", "B", "C")


def test_a_band_that_nobody_names_any_more_comes_last() -> None:
    assert ordered_bands(("GONE", "B", "A"), [(NOON, ["A"]), (NOON + DAY, ["B", "X"])]) == ("A", "B", "GONE")


@given(
    st.permutations(["A", "B", "C", "D"]),
    st.lists(
        st.tuples(
            st.integers(0, 3).map(lambda days: NOON + days * DAY), st.lists(st.sampled_from("ABCDX"), unique=True)
        ),
        max_size=5,
    ),
)
def test_ordering_loses_no_band_and_does_not_depend_on_who_came_first(
    bands: list[str], heard: list[tuple[datetime, list[str]]]
) -> None:
    found = ordered_bands(bands, heard)
    assert sorted(found) == sorted(bands)
    assert ordered_bands(bands, heard[::-1]) == found
    assert ordered_bands(found, heard) == found
