"""The bytes of messages too large for one value, sealed piece by piece, so that memory stays bounded.

A message that is kept so has no content in its own row (`gateway.store.messages`). Its pieces are written before it,
each in a transaction of its own if need be; what belongs to no message and waits for none is dropped.
"""

from sqlalchemy import bindparam, delete, exists, select

from gateway.store.statements import Statement, insert_into
from gateway.store.tables import MESSAGE_PIECES, MESSAGES, SUBMISSIONS
from gateway.store.transaction import Tx

PIECE = 4 * 1024 * 1024  #: bytes; nobody waits long for a transaction that writes one

_C = MESSAGE_PIECES.c
_INSERT = Statement(insert_into(MESSAGE_PIECES))
_FIND = Statement(select(_C.content).where(_C.message == bindparam("message"), _C.number == bindparam("number")))
_DROP = Statement(delete(MESSAGE_PIECES).where(_C.message == bindparam("message")))
_DROP_SPARE = Statement(
    delete(MESSAGE_PIECES).where(
        _C.message == bindparam("message"),
        ~exists().where(MESSAGES.c.id == _C.message, MESSAGES.c.content.is_(None), MESSAGES.c.outcome != "duplicate"),
    )
)
_DROP_LEFT_OVER = Statement(
    delete(MESSAGE_PIECES).where(
        _C.message < bindparam("before"),
        ~exists().where(MESSAGES.c.id == _C.message),
        ~exists().where(SUBMISSIONS.c.handle == _C.message, SUBMISSIONS.c.settled.is_(None)),
    )
)


def add(tx: Tx, message: str, number: int, raw: bytes) -> None:
    """Keep one piece; numbers count from 0 without gaps."""
    tx.run(_INSERT, message=message, number=number, content=tx.keys.seal(raw, place=_place(message, number)))


def find(tx: Tx, message: str, number: int) -> bytes | None:
    """Find one piece; None behind the last. Raises `GatewayFault` when it was altered."""
    row = tx.find(_FIND, message=message, number=number)
    return None if row is None else tx.keys.open(row[0], place=_place(message, number))


def gather(tx: Tx, message: str) -> bytes | None:
    """Give back all pieces as one; None where there are none."""
    whole, number = bytearray(), 0
    while (piece := find(tx, message, number)) is not None:
        whole += piece
        number += 1
    return bytes(whole) if number else None


def drop(tx: Tx, message: str) -> int:
    """Drop the pieces of a message; gives back how many there were."""
    return tx.run(_DROP, message=message)


def drop_spare(tx: Tx, message: str) -> int:
    """Drop the pieces of a message unless they are all there is of its bytes."""
    return tx.run(_DROP_SPARE, message=message)


def drop_left_over(tx: Tx, before: str) -> int:
    """Drop pieces that belong to nothing, of messages whose id sorts before `before`: those of a sender who left."""
    return tx.run(_DROP_LEFT_OVER, before=before)


def _place(message: str, number: int) -> str:
    return f"messages:{message}:{number}"
