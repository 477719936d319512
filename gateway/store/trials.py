"""What one feed sent since a time, as one kind of traffic, in figures: what its trial found, or how it does live.

Figures are counted from the records themselves when somebody asks; no message waits for them. A figure never
names a person, a band or a record.
"""

from collections.abc import Mapping
from datetime import datetime

from sqlalchemy import ColumnElement, Table, and_, bindparam, case, exists, func, literal, select, true, union_all
from sqlalchemy.sql.selectable import CompoundSelect, Select

from gateway.mapping.capture import BandState
from gateway.records import How, LinkState, Record, RecordKind, Traffic
from gateway.store.messages import Outcome
from gateway.store.statements import Statement
from gateway.store.tables import LINKS, MESSAGES, QUARANTINE, REPORTS, SIGHTINGS, VISITS
from gateway.store.times import to_micros
from gateway.store.transaction import Tx

_OTHER = {Traffic.TEST: Traffic.LIVE, Traffic.LIVE: Traffic.TEST}


def _records(kind: RecordKind, table: Table) -> "Select[tuple[object, ...]]":
    """The records of one kind whose newest content came by the feed since the time."""
    return (
        select(literal(kind.value).label("kind"), table.c.id.label("record"))
        .join_from(table, MESSAGES, MESSAGES.c.id == table.c.message)
        .where(
            table.c.traffic == bindparam("traffic"),
            table.c.updated >= bindparam("since"),
            MESSAGES.c.feed == bindparam("feed"),
        )
    )


def _both() -> "CompoundSelect[tuple[object, ...]]":
    return union_all(_records(RecordKind.CARE_REPORT, REPORTS), _records(RecordKind.VISIT, VISITS))


_OF_FEED = _both().subquery("of_feed")
_SEEN = SIGHTINGS.alias("seen")
_PROSE = How.FREE_TEXT.value


def _seen(*conditions: "ColumnElement[bool]") -> "ColumnElement[bool]":
    of_record = and_(_SEEN.c.kind == _OF_FEED.c.kind, _SEEN.c.record == _OF_FEED.c.record)
    return exists().where(of_record, *conditions)


_QUERYABLE = (
    select(func.count(_SEEN.c.band.distinct()))
    .where(_SEEN.c.kind == _OF_FEED.c.kind, _SEEN.c.record == _OF_FEED.c.record, _SEEN.c.how != literal(_PROSE))
    .scalar_subquery()
)
#: The same words, told apart in the same order, as `gateway.mapping.capture`.
_STATE = case(
    (_QUERYABLE > 1, literal(BandState.SEVERAL.value)),
    (_QUERYABLE == 1, literal(BandState.RECORDED.value)),
    (_seen(_SEEN.c.fault.is_not(None), _SEEN.c.how != literal(_PROSE)), literal(BandState.MALFORMED.value)),
    (_seen(_SEEN.c.band.is_not(None)), literal(BandState.FREE_TEXT_ONLY.value)),
    else_=literal(BandState.MISSING.value),
).label("state")
_BANDS = Statement(select(_STATE, func.count()).select_from(_OF_FEED).group_by(_STATE))

_THEIRS = SIGHTINGS.alias("theirs")
_SHARED = exists().where(
    _SEEN.c.kind == _OF_FEED.c.kind,
    _SEEN.c.record == _OF_FEED.c.record,
    _SEEN.c.how != literal(_PROSE),
    _THEIRS.c.band == _SEEN.c.band,
    _THEIRS.c.traffic == bindparam("other"),
    _THEIRS.c.how != literal(_PROSE),
)
_ELSEWHERE = Statement(select(func.count()).select_from(_OF_FEED).where(_SHARED))

_LINKS = Statement(
    select(LINKS.c.state, LINKS.c.confirmed, func.count())
    .join_from(_OF_FEED, LINKS, and_(LINKS.c.kind == _OF_FEED.c.kind, LINKS.c.record == _OF_FEED.c.record))
    .where(LINKS.c.current == true())
    .group_by(LINKS.c.state, LINKS.c.confirmed)
)
_MESSAGES = Statement(
    select(MESSAGES.c.outcome, func.count())
    .where(
        MESSAGES.c.feed == bindparam("feed"),
        MESSAGES.c.received >= bindparam("since"),
        MESSAGES.c.traffic == bindparam("traffic"),
    )
    .group_by(MESSAGES.c.outcome)
)
_REFUSED = Statement(
    select(func.count())
    .join_from(QUARANTINE, MESSAGES)
    .where(
        QUARANTINE.c.settled.is_(None),
        MESSAGES.c.feed == bindparam("feed"),
        MESSAGES.c.traffic == bindparam("traffic"),
    )
)


class Links(Record, frozen=True, kw_only=True):
    """How the records stand to episodes: linked, of those with two identifiers, and held by a contradiction."""

    linked: int = 0
    confirmed: int = 0
    held: int = 0


class Figures(Record, frozen=True, kw_only=True):
    """What a feed sent.

    `messages` are counted by what became of them, `bands` are records by how they carry the band. `elsewhere` are
    records whose band stands in records of the other kind of traffic too: what is on trial would be linked with
    those, were the feed live. `quarantine` is what lies there still, whenever it came.
    """

    messages: Mapping[str, int]
    bands: Mapping[str, int]
    links: Links
    elsewhere: int
    quarantine: int

    @property
    def records(self) -> int:
        """All records."""
        return sum(self.bands.values())

    @property
    def queryable(self) -> int:
        """The records that carry a band where a computer can query it."""
        return self.bands[BandState.RECORDED] + self.bands[BandState.SEVERAL]


def figures(tx: Tx, feed: str, *, traffic: Traffic, since: datetime) -> Figures:
    """Count what a feed sent since a time."""
    asked = {"feed": feed, "traffic": traffic.value, "since": to_micros(since)}
    sent = {str(outcome): int(number) for outcome, number in tx.rows(_MESSAGES, **asked)}
    states = {str(state): int(number) for state, number in tx.rows(_BANDS, **asked)}
    elsewhere = tx.rows(_ELSEWHERE, **asked, other=_OTHER[traffic].value)[0][0]
    waiting = tx.rows(_REFUSED, feed=feed, traffic=traffic.value)[0][0]
    return Figures(
        messages={outcome.value: sent.get(outcome.value, 0) for outcome in Outcome},
        bands={state.value: states.get(state.value, 0) for state in BandState},
        links=_links({(state, bool(sure)): int(number) for state, sure, number in tx.rows(_LINKS, **asked)}),
        elsewhere=int(elsewhere),
        quarantine=int(waiting),
    )


def _links(found: Mapping[tuple[str, bool], int]) -> Links:
    linked = {sure: found.get((LinkState.LINKED.value, sure), 0) for sure in (True, False)}
    held = sum(number for (state, _), number in found.items() if state == LinkState.HELD.value)
    return Links(linked=sum(linked.values()), confirmed=linked[True], held=held)
