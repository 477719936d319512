"""The process that is fuzzed: `python -m tests.fuzz.run TARGET [what libFuzzer takes]`; see `tests.fuzz`."""

import random
import sys
from functools import partial

import atheris

with atheris.instrument_imports(include=["gateway"], enable_loader_override=False):
    from tests.fuzz.targets import TARGETS, Target

OFTEN = 0.6  # share of the inputs that are bent in the target's own way, where it has one


def main() -> None:
    """Fuzz until the fuzzer ends the process."""
    program, name, *arguments = sys.argv
    target = TARGETS[name]
    own = {"custom_mutator": partial(_mutate, target)} if target.bend else {}
    atheris.Setup([program, *arguments], target.check, **own)
    atheris.Fuzz()


def _mutate(target: Target, data: bytes, most: int, seed: int) -> bytes:
    chance = random.Random(seed)
    bent = target.bend(data, chance) if target.bend and chance.random() < OFTEN else None
    return bent if bent is not None and len(bent) <= most else atheris.Mutate(data, most)


if __name__ == "__main__":
    main()
