"""What is fuzzed still works: every target takes its seeds. The fuzzing itself is `python -m tests.fuzz`."""

from itertools import islice

import pytest

from tests.fuzz.seeds import SEEDS
from tests.fuzz.targets import TARGETS

SOME = 9  # every so manieth seed


def test_every_target_has_seeds() -> None:
    assert TARGETS.keys() == SEEDS.keys()


@pytest.mark.parametrize("name", TARGETS)
def test_a_target_finds_no_fault_with_its_seeds(name: str) -> None:
    seeds = list(islice(SEEDS[name](), 0, None, SOME))
    assert seeds
    for seed in seeds:
        TARGETS[name].check(seed)
