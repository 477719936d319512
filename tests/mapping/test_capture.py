"""How well a band was captured, in one word: each state by the sightings that make it."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.mapping.capture import BandState, capture
from gateway.records import How, Sighting


def seen(canonical: str | None, how: How = How.IDENTIFIER, path: str = "PID-3") -> Sighting:
    fault = None if canonical else "band-check"
    return Sighting(raw=canonical or "?", canonical=canonical, how=how, path=path, rule="m: band[0]", fault=fault)


@pytest.mark.parametrize(
    ("sightings", "state"),
    [
        ([], BandState.MISSING),
        ([seen("A")], BandState.RECORDED),
        ([seen("A", How.CUSTOM)], BandState.RECORDED),
        ([seen("A"), seen("A", How.CUSTOM)], BandState.RECORDED),
        ([seen("A"), seen("B", How.FREE_TEXT)], BandState.RECORDED),
        ([seen("A"), seen(None)], BandState.RECORDED),
        ([seen("A"), seen("B", How.CUSTOM)], BandState.SEVERAL),
        ([seen("A", How.FREE_TEXT)], BandState.FREE_TEXT_ONLY),
        ([seen("A", How.FREE_TEXT), seen("B", How.FREE_TEXT)], BandState.FREE_TEXT_ONLY),
        ([seen(None)], BandState.MALFORMED),
        ([seen(None), seen("A", How.FREE_TEXT)], BandState.MALFORMED),
        ([seen(None, How.FREE_TEXT)], BandState.MISSING),
    ],
)
def test_each_state(sightings: list[Sighting], state: BandState) -> None:
    assert capture(sightings).state is state


def test_the_most_trusted_sighting_speaks_for_the_record() -> None:
    first, second = seen("A", path="PID-3[2]"), seen("A", How.CUSTOM, path="ZBD-2")
    assert capture([first, second]).best is first
    assert capture([seen(None), second]).best is second
    assert capture([]).best is None


sightings = st.lists(st.builds(seen, st.sampled_from(["A", "B", None]), st.sampled_from(How)), max_size=5)


@given(sightings)
def test_only_a_queryable_identifier_is_recorded(found: list[Sighting]) -> None:
    state, best = capture(found)
    queryable = {each.canonical for each in found if each.canonical and each.how is not How.FREE_TEXT}
    assert (state is BandState.RECORDED) is (len(queryable) == 1)
    assert (state is BandState.SEVERAL) is (len(queryable) > 1)
    assert (best is None) is (state is BandState.MISSING)
    assert best is None or best in found
