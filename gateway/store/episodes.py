"""Episodes and their bands.

One band has at most one open episode in each kind of traffic; the database itself forbids a second. The
primary band is number 0; aliases follow in the order in which they were added.
"""

from collections.abc import Iterable
from datetime import datetime
from itertools import groupby
from operator import itemgetter

from msgspec.structs import replace
from sqlalchemy import bindparam, func, select, update

from gateway.errors import GatewayFault
from gateway.records import Episode, EpisodeState, Traffic
from gateway.store.statements import Statement, insert_into
from gateway.store.tables import EPISODE_BANDS, EPISODES
from gateway.store.times import from_micros, to_micros
from gateway.store.transaction import Row, Tx

_E = EPISODES.c
_B = EPISODE_BANDS.c
_ALL = EPISODE_BANDS.alias("all_bands")
_COLUMNS = (_E.id, _E.traffic, _E.state, _E.opened, _E.closed, _ALL.c.band)
_WITH_BANDS = EPISODES.join(_ALL, _ALL.c.episode == _E.id)  # a row for each band
_OF_BANDS = _WITH_BANDS.join(EPISODE_BANDS, _B.episode == _E.id)
_INSERT = Statement(insert_into(EPISODES))
_INSERT_BAND = Statement(insert_into(EPISODE_BANDS))
_GET = Statement(select(*_COLUMNS).select_from(_WITH_BANDS).where(_E.id == bindparam("id")).order_by(_ALL.c.number))
_EPISODES_OF = Statement(select(_B.episode).where(_B.band == bindparam("band")))
_FIND_OPEN = Statement(
    select(*_COLUMNS)
    .select_from(_OF_BANDS)
    .where(_B.band == bindparam("band"), _B.traffic == bindparam("traffic"), _B.until.is_(None))
    .order_by(_ALL.c.number)
)
_OF_BAND = Statement(
    select(*_COLUMNS)
    .select_from(_OF_BANDS)
    .where(_B.band == bindparam("band"), _B.traffic == bindparam("traffic"))
    .order_by(_E.opened.desc(), _E.id, _ALL.c.number)
)
_SET_STATE = Statement(
    update(EPISODES)
    .where(_E.id == bindparam("of"), _E.state == bindparam("from_state"))
    .values(state=bindparam("state"), closed=bindparam("closed"))
)
_SET_OPENED = Statement(update(EPISODES).where(_E.id == bindparam("of")).values(opened=bindparam("opened")))
_SET_NUMBERS_ASIDE = Statement(update(EPISODE_BANDS).where(_B.episode == bindparam("of")).values(number=-1 - _B.number))
_SET_NUMBER = Statement(
    update(EPISODE_BANDS)
    .where(_B.episode == bindparam("of"), _B.band == bindparam("of_band"))
    .values(number=bindparam("new_number"))
)
_SET_UNTIL = Statement(update(EPISODE_BANDS).where(_B.episode == bindparam("of")).values(until=bindparam("until")))
_COUNTS = Statement(select(_E.state, func.count()).where(_E.traffic == bindparam("traffic")).group_by(_E.state))


def lock_band(tx: Tx, *bands: str) -> None:
    """Hold the right to change what belongs to these bands until the commit; take it before reading any of it.

    Every episode that has one of the bands is held too: it may have others, by which another process finds it.
    """
    for band in sorted(set(bands)):
        tx.lock("band", band)
    if not tx.is_alone:
        lock(tx, *(episode for band in bands for (episode,) in tx.rows(_EPISODES_OF, band=band)))


def lock(tx: Tx, *episode_ids: str) -> None:
    """Hold the right to change these episodes until the commit; take it before reading them."""
    for episode_id in sorted(set(episode_ids)):
        tx.lock("episode", episode_id)


def add(tx: Tx, episode: Episode) -> None:
    """Keep a new episode.

    Raises `GatewayFault` when it is open and one of its bands has an open episode already.
    """
    opened, closed = to_micros(episode.opened), to_micros(episode.closed)
    tx.run(
        _INSERT,
        id=episode.id,
        traffic=episode.traffic,
        state=episode.state,
        opened=opened,
        closed=closed,
    )
    for number, band in enumerate(episode.bands):
        _add_band(tx, episode, number, band, since=opened, until=closed)


def add_band(tx: Tx, episode: Episode, band: str, *, since: datetime, until: datetime | None = None) -> Episode:
    """Give an episode one more band, and give back the episode that has it.

    `until` is when the band came to be another episode's. Raises `GatewayFault` when the band stays and has
    another open episode.
    """
    over = to_micros(until or episode.closed)
    _add_band(tx, episode, len(episode.bands), band, since=to_micros(since), until=over)
    return get(tx, episode.id)


def rearrange(tx: Tx, episode: Episode, bands: tuple[str, ...], *, opened: datetime) -> Episode:
    """Put the bands of an episode into this order, the first being the primary one, and date its opening anew."""
    if episode.opened != opened:
        tx.run(_SET_OPENED, of=episode.id, opened=to_micros(opened))
    if episode.bands != bands:
        tx.run(_SET_NUMBERS_ASIDE, of=episode.id)
        for number, band in enumerate(bands):
            tx.run(_SET_NUMBER, of=episode.id, of_band=band, new_number=number)
    return replace(episode, bands=bands, opened=opened)


def get(tx: Tx, episode_id: str) -> Episode:
    """Give back one episode. Raises `GatewayFault` when there is none."""
    found = _episodes(tx.rows(_GET, id=episode_id))
    if not found:
        raise GatewayFault(f"episodes: no episode {episode_id}")
    return found[0]


def find_open(tx: Tx, band: str, *, traffic: Traffic) -> Episode | None:
    """Find the open episode of a canonical band."""
    found = _episodes(tx.rows(_FIND_OPEN, band=band, traffic=traffic))
    return found[0] if found else None


def of_band(tx: Tx, band: str, *, traffic: Traffic) -> list[Episode]:
    """Give back every episode of a canonical band, open or closed, the newest first."""
    return _episodes(tx.rows(_OF_BAND, band=band, traffic=traffic))


def close(tx: Tx, episode_id: str, *, at: datetime) -> None:
    """Close an open episode: its bands may gather no more records. Raises `GatewayFault` if it is not open."""
    _move(tx, episode_id, EpisodeState.OPEN, EpisodeState.CLOSED, at)


def reopen(tx: Tx, episode_id: str) -> None:
    """Open a closed episode again.

    Raises `GatewayFault` if it is not closed, or one of its bands has another open episode by now.
    """
    _move(tx, episode_id, EpisodeState.CLOSED, EpisodeState.OPEN, None)


def count(tx: Tx, *, traffic: Traffic) -> dict[EpisodeState, int]:
    """How many episodes there are, by state."""
    return {EpisodeState(state): int(number) for state, number in tx.rows(_COUNTS, traffic=traffic)}


def _add_band(tx: Tx, episode: Episode, number: int, band: str, *, since: int, until: int | None) -> None:
    tx.run(
        _INSERT_BAND,
        episode=episode.id,
        number=number,
        band=band,
        traffic=episode.traffic,
        since=since,
        until=until,
    )


def _move(tx: Tx, episode_id: str, before: EpisodeState, after: EpisodeState, closed: datetime | None) -> None:
    at = to_micros(closed)
    if tx.run(_SET_STATE, of=episode_id, from_state=before, state=after, closed=at) != 1:
        raise GatewayFault(f"episodes: episode {episode_id} is not {before}")
    tx.run(_SET_UNTIL, of=episode_id, until=at)


def _episodes(rows: Iterable[Row]) -> list[Episode]:
    """The episodes of rows that stand together by episode, each row with one of its bands."""
    return [
        Episode(
            id=episode_id,
            state=EpisodeState(state),
            traffic=Traffic(traffic),
            bands=tuple(row[-1] for row in group),
            opened=from_micros(opened),
            closed=from_micros(closed),
        )
        for (episode_id, traffic, state, opened, closed), group in groupby(rows, itemgetter(slice(5)))
    ]
