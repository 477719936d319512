"""What belongs together in one episode: a pure function of the records that carry its bands.

`decide` looks at all members of an episode at once and never at the order in which they came, so that any
order of the same messages ends in the same links. Every pair is compared; a pair that contradicts holds
both its links and asks a person; a record that shares an independent fact with another is confirmed.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import combinations

from gateway.linking.evidence import Facts, Rules, compare
from gateway.records import LinkState, Reason, RecordKind

BY_BAND = Reason(code="band", says="carries a band of this episode in a queryable field")
BAND_ONLY = Reason(code="band-only", says="no second identifier agrees yet", supports=False)


@dataclass(frozen=True, slots=True)
class Decision:
    """The link one record deserves, with every reason for and against it."""

    kind: RecordKind
    record: str
    state: LinkState
    confirmed: bool
    reasons: tuple[Reason, ...]


@dataclass(frozen=True, slots=True)
class Verdict:
    """What an episode's members deserve, and the pairs a person must look at."""

    decisions: tuple[Decision, ...]
    contradictions: tuple[tuple[RecordKind, str], ...]

    @property
    def held(self) -> bool:
        """Whether nothing may move until a person has answered."""
        return bool(self.contradictions)


def decide(members: Sequence[Facts], rules: Rules) -> Verdict:
    """Give back the links that the members of one episode deserve. Never raises; order does not matter."""
    supports: dict[str, set[Reason]] = {each.record: set() for each in members}
    against: dict[str, set[Reason]] = {each.record: set() for each in members}
    for one, other in combinations(members, 2):
        found = compare(one, other, rules)
        against_pair = found.strong if _other_leg(one, other, members) else found.contradictions
        for record in (one.record, other.record):
            supports[record].update(found.supports)
            against[record].update(against_pair)
    decisions = tuple(_decision(each, supports[each.record], against[each.record], rules) for each in members)
    return Verdict(decisions, tuple((d.kind, d.record) for d in decisions if d.state is LinkState.HELD))


def _other_leg(one: Facts, other: Facts, members: Sequence[Facts]) -> bool:
    """Whether a report and a visit belong to two legs of one journey.

    After a transfer the first crew's report names another hospital than the second visit: that is no
    contradiction when some other member explains the place.
    """
    if one.kind is other.kind or one.place == other.place or one.place is None or other.place is None:
        return False
    report, visit = (one, other) if one.kind is RecordKind.CARE_REPORT else (other, one)
    others = [each for each in members if each is not one and each is not other]
    arrived = any(each.kind is RecordKind.VISIT and each.place == report.place for each in others)
    brought = any(each.kind is RecordKind.CARE_REPORT and each.place == visit.place for each in others)
    return arrived or brought


def _decision(facts: Facts, supports: set[Reason], against: set[Reason], rules: Rules) -> Decision:
    reasons = (BY_BAND, *_sorted(supports), *_sorted(against))
    if against:
        return Decision(facts.kind, facts.record, LinkState.HELD, confirmed=False, reasons=reasons)
    confirmed = bool(supports) or not rules.two_identifiers
    return Decision(
        facts.kind, facts.record, LinkState.LINKED, confirmed, reasons if confirmed else (*reasons, BAND_ONLY)
    )


def _sorted(reasons: set[Reason]) -> list[Reason]:
    return sorted(reasons, key=lambda reason: reason.code)
