"""Which bands were issued: lots, the states of one band, and how new identifiers are drawn.

Identifiers are drawn at random without replacement, never in sequence: neighbours on a roll must not differ
in one character, and an identifier must not tell how many were printed. Chance is an argument.

The bundle of 25 and the three copies of each triage band are common practice, no source.
"""

from collections.abc import Callable, Iterator, Sequence, Set
from enum import StrEnum

import msgspec

from gateway.bands.scheme import Scheme

BUNDLE = 25  #: triage bands in one bundle
COPIES = 3  #: tear-off copies of the same identifier on one triage band: one patient, however many are seen


class LotKind(StrEnum):
    """The two kinds of band."""

    EVERYDAY = "everyday"  #: one strap, one identifier
    TRIAGE = "triage"  #: colour tabs and three copies; issued in bundles of 25


class BandState(StrEnum):
    """What is known about one band; only one that is issued or used can be on a wrist."""

    PRINTED = "printed"  #: exists, and is still with whoever ordered it
    ISSUED = "issued"  #: with an agency or a facility, ready to use
    USED = "used"  #: seen on a patient
    VOID = "void"  #: spoiled, lost or recalled: a sighting is an alarm
    TRAINING = "training"  #: for exercises, never for a patient


class Lot(msgspec.Struct, frozen=True, kw_only=True):
    """Bands ordered and issued together: `scheme` is the scheme's name, `bands` are canonical identifiers.

    Raises `ValueError` for a lot of triage bands that is not made of whole bundles.
    """

    name: str
    scheme: str
    kind: LotKind
    bands: tuple[str, ...]
    training: bool = False

    def __post_init__(self) -> None:
        """Refuse a broken bundle."""
        if self.kind is LotKind.TRIAGE and len(self.bands) % BUNDLE:
            raise ValueError(f"lot {self.name}: triage bands come in bundles of {BUNDLE}")

    def bundles(self) -> Iterator[tuple[str, ...]]:
        """Give back the bands of each bundle in turn; a lot of everyday bands has none."""
        if self.kind is LotKind.TRIAGE:
            yield from (self.bands[start : start + BUNDLE] for start in range(0, len(self.bands), BUNDLE))


def draw(
    scheme: Scheme,
    count: int,
    taken: Set[str],
    randbelow: Callable[[int], int],
    *,
    prefix: str | None = None,
) -> Sequence[str]:
    """Give back `count` new identifiers, none of them in `taken`, in the order drawn.

    `randbelow(n)` is a fair choice of 0 … n-1, as `secrets.randbelow`; `prefix` is the scheme's live prefix
    unless its training prefix is given. Raises `ValueError` when more than half of the prefix would be in
    use: identifiers so dense that a wrong one often hits another patient's are no longer safe.
    """
    chosen = scheme.prefix if prefix is None else prefix
    if chosen not in scheme.prefixes:
        raise ValueError(f"scheme {scheme.name} has no such prefix")
    used = sum(identifier.startswith(chosen) for identifier in taken)
    if 2 * (used + count) > scheme.capacity:
        raise ValueError(f"scheme {scheme.name}: more than half of its identifiers would be in use")
    drawn: dict[str, None] = {}
    while len(drawn) < count:
        identifier = _identifier(scheme, chosen, randbelow(scheme.capacity))
        if identifier not in taken:
            drawn[identifier] = None
    return tuple(drawn)


def _identifier(scheme: Scheme, prefix: str, number: int) -> str:
    """The identifier whose body is `number`, written in the scheme's alphabet."""
    body = ""
    for _ in range(scheme.body_length):
        number, digit = divmod(number, len(scheme.alphabet))
        body = scheme.alphabet[digit] + body
    stem = prefix + body
    return stem + scheme.check_characters(stem)
