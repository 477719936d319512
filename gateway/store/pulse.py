"""A row that is written to see whether the database can be written at all: nothing else tells of a full disk."""

from datetime import datetime

from sqlalchemy import bindparam

from gateway.store.statements import Statement, upsert_into
from gateway.store.tables import PULSE
from gateway.store.times import to_micros
from gateway.store.transaction import Tx

_BEAT = Statement(upsert_into(PULSE, {"at": bindparam("at")}))
_OURS = 1  # one row serves all gateways


def beat(tx: Tx, *, at: datetime) -> None:
    """Write the row."""
    tx.run(_BEAT, number=_OURS, at=to_micros(at))
