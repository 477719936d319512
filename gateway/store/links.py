"""Link decisions: never changed, never removed.

A decision about a record and an episode is a row. A later decision about the same two is another row, with
the same id or a new one, and the row before is no longer current. What holds now is the current row; who
decided what, when and why is all of them.
"""

import msgspec
from sqlalchemy import bindparam, false, func, select, update

from gateway.errors import GatewayFault
from gateway.records import Link, LinkState, Reason, RecordKind, Traffic
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import EPISODES, LINKS
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_C = LINKS.c
_COLUMNS = (
    _C.id,
    _C.episode,
    _C.kind,
    _C.record,
    _C.organisation,
    _C.state,
    _C.confirmed,
    _C.reasons,
    _C.decided,
    _C.decided_by,
)
_INSERT = Statement(insert_into(LINKS, without=frozenset({"row"})))
_RETIRE = Statement(
    update(LINKS)
    .where(
        _C.episode == bindparam("of_episode"),
        _C.kind == bindparam("of_kind"),
        _C.record == bindparam("of_record"),
        _C.current,
    )
    .values(current=false())
)
_GET = Statement(select(*_COLUMNS).where(_C.id == bindparam("id")).order_by(_C.row.desc()).limit(1))
_OF_EPISODE = Statement(select(*_COLUMNS).where(_C.episode == bindparam("episode"), _C.current).order_by(_C.row))
_OF_RECORD = Statement(
    select(*_COLUMNS).where(_C.kind == bindparam("kind"), _C.record == bindparam("record"), _C.current).order_by(_C.row)
)
_HISTORY = Statement(
    select(*_COLUMNS).where(_C.kind == bindparam("kind"), _C.record == bindparam("record")).order_by(_C.row)
)
#: Asked of each row, from the newest on; with a join SQLite would sort all links of the traffic to show ten.
_TRAFFIC = select(EPISODES.c.traffic).where(EPISODES.c.id == _C.episode).scalar_subquery()
_RECENT = Statement(
    select(*_COLUMNS)
    .where(_C.current, bindparam("traffic") == _TRAFFIC)
    .order_by(_C.row.desc())
    .limit(bindparam("limit"))
)
_COUNTS = Statement(
    select(_C.state, _C.confirmed, func.count())
    .join_from(LINKS, EPISODES)
    .where(EPISODES.c.traffic == bindparam("traffic"), _C.current)
    .group_by(_C.state, _C.confirmed)
)
_ENCODER = msgspec.json.Encoder()
_REASONS = msgspec.json.Decoder(tuple[Reason, ...])


def add(tx: Tx, link: Link) -> None:
    """Keep a decision; it is now the current one about its record and episode."""
    tx.run(_RETIRE, of_episode=link.episode, of_kind=link.kind, of_record=link.record)
    tx.run(
        _INSERT,
        id=link.id,
        episode=link.episode,
        kind=link.kind,
        record=link.record,
        organisation=link.organisation,
        state=link.state,
        confirmed=link.confirmed,
        reasons=_ENCODER.encode(link.reasons).decode(),
        decided=to_micros(link.decided),
        decided_by=link.decided_by,
        current=True,
    )


def get(tx: Tx, link_id: str) -> Link:
    """Give back the newest decision of this id. Raises `GatewayFault` when there is none."""
    row = tx.find(_GET, id=link_id)
    if row is None:
        raise GatewayFault(f"links: no link {link_id}")
    return _link(row)


def of_episode(tx: Tx, episode: str) -> list[Link]:
    """Give back what holds now for an episode, withdrawn links included, in the order of the decisions."""
    return [_link(row) for row in tx.rows(_OF_EPISODE, episode=episode)]


def of_record(tx: Tx, kind: RecordKind, record: str) -> list[Link]:
    """Give back what holds now for a record; it may be held in more than one episode."""
    return [_link(row) for row in tx.rows(_OF_RECORD, kind=kind, record=record)]


def history(tx: Tx, kind: RecordKind, record: str) -> list[Link]:
    """Give back every decision about a record, the oldest first."""
    return [_link(row) for row in tx.rows(_HISTORY, kind=kind, record=record)]


def recent(tx: Tx, *, traffic: Traffic, limit: int = 50) -> list[Link]:
    """Give back the newest decisions that hold, the newest first."""
    return [_link(row) for row in tx.rows(_RECENT, traffic=traffic, limit=limit)]


def count(tx: Tx, *, traffic: Traffic) -> dict[tuple[LinkState, bool], int]:
    """How many links hold now, by state and whether they are confirmed."""
    found = tx.rows(_COUNTS, traffic=traffic)
    return {(LinkState(state), bool(confirmed)): int(number) for state, confirmed, number in found}


def _link(row: Row) -> Link:
    return Link(
        id=row[0],
        episode=row[1],
        kind=RecordKind(row[2]),
        record=row[3],
        organisation=row[4],
        state=LinkState(row[5]),
        confirmed=bool(row[6]),
        reasons=_REASONS.decode(row[7]),
        decided=from_micros(row[8]),
        decided_by=row[9],
    )
