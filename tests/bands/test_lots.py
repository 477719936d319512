"""Lots and the drawing of identifiers."""

import itertools
import random

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gateway.bands.lots import BUNDLE, COPIES, Lot, LotKind, draw

from .schemes import YARROWFEN
from .test_scheme import scheme_with

SMALL = scheme_with(prefix="W", training_prefix=None, alphabet="0123", length=3, check="none", fold={}, groups=())


@given(st.integers(0, 200), st.integers())
def test_drawn_identifiers_are_valid_and_new(count: int, seed: int) -> None:
    chance = random.Random(seed)
    taken = frozenset(draw(YARROWFEN, 50, frozenset(), chance.randrange))
    drawn = draw(YARROWFEN, count, taken, chance.randrange)
    assert len(set(drawn)) == count
    assert taken.isdisjoint(drawn)
    assert all(YARROWFEN.find_fault(each) is None and not YARROWFEN.is_training(each) for each in drawn)


def test_training_bands_are_drawn_under_their_own_prefix() -> None:
    drawn = draw(YARROWFEN, 20, frozenset(), random.Random(1).randrange, prefix="YT")
    assert all(YARROWFEN.is_training(each) for each in drawn)
    with pytest.raises(ValueError, match="no such prefix"):
        draw(YARROWFEN, 1, frozenset(), random.Random(1).randrange, prefix="YX")


def test_the_body_is_the_number_drawn() -> None:
    """The first identifier of the region's scheme; its check was computed with python-stdnum."""
    assert draw(YARROWFEN, 1, frozenset(), lambda _size: 0) == ("YF0000002",)


def test_every_identifier_can_be_drawn() -> None:
    numbers = itertools.count()
    taken: set[str] = set()
    for _ in range(SMALL.capacity // 2):
        taken.update(draw(SMALL, 1, taken, lambda size: next(numbers) % size))
    assert len(taken) == 8
    with pytest.raises(ValueError, match="more than half"):
        draw(SMALL, 1, taken, lambda size: next(numbers) % size)


def test_a_repeated_number_is_drawn_again() -> None:
    numbers = iter([3, 3, 3, 5, 3, 7])
    assert draw(SMALL, 2, {"W11"}, lambda _size: next(numbers)) == ("W03", "W13")


def test_triage_bands_come_in_whole_bundles() -> None:
    """A bundle of 25, three copies each: common practice, no source."""
    assert (BUNDLE, COPIES) == (25, 3)
    bands = tuple(draw(YARROWFEN, 50, frozenset(), random.Random(2).randrange))
    lot = Lot(name="landing", scheme="yarrowfen", kind=LotKind.TRIAGE, bands=bands)
    assert list(lot.bundles()) == [bands[:25], bands[25:]]
    with pytest.raises(ValueError, match="bundles of 25"):
        Lot(name="landing", scheme="yarrowfen", kind=LotKind.TRIAGE, bands=bands[:31])


def test_everyday_bands_have_no_bundles() -> None:
    lot = Lot(name="spring", scheme="yarrowfen", kind=LotKind.EVERYDAY, bands=("YF7K4M2QG",))
    assert list(lot.bundles()) == []
