"""Who may see what of an episode, decided when it is told, and whether there is anything new to tell.

| recipient                                   | sees                                                |
|---------------------------------------------|-----------------------------------------------------|
| a facility with a linked, confirmed visit   | identifiers and clinical content of confirmed reports |
| a facility with a linked visit, band alone  | identifiers, organisations and times only           |
| anybody, while a contradiction is open      | nothing                                             |
| anybody else                                | nothing                                             |

The two-identifier rule stands behind the first two rows: clinical content moves only when the band *and*
one independent fact agree. It holds for each report by itself: beside a confirmed one, a report that is linked
by band alone shows its identifiers only (`gateway.adapters.disclosure`).
"""

import hashlib

import msgspec

from gateway.records import (
    Channel,
    Detail,
    Episode,
    Link,
    LinkedRecord,
    LinkedReport,
    LinkedVisit,
    LinkState,
    Subscription,
    Traffic,
)


def record_for(
    recipient: str, episode: Episode, reports: tuple[LinkedReport, ...], visits: tuple[LinkedVisit, ...]
) -> LinkedRecord | None:
    """Give back what `recipient` (an organisation) may be told about the episode now; None for nothing.

    `reports` and `visits` are all current links of the episode, held ones included.
    """
    if episode.traffic is Traffic.TEST or any(link.state is LinkState.HELD for link in _links(reports, visits)):
        return None
    linked_reports = tuple(each for each in reports if each.link.state is LinkState.LINKED)
    linked_visits = tuple(each for each in visits if each.link.state is LinkState.LINKED)
    own = [each for each in linked_visits if each.visit.organisation == recipient]
    if not own or not linked_reports:
        return None
    clinical = any(each.link.confirmed for each in linked_reports) and any(each.link.confirmed for each in own)
    return LinkedRecord(
        episode=episode,
        recipient=recipient,
        detail=Detail.CLINICAL if clinical else Detail.IDENTIFIERS,
        reports=linked_reports,
        visits=linked_visits,
    )


def _links(reports: tuple[LinkedReport, ...], visits: tuple[LinkedVisit, ...]) -> list[Link]:
    return [*(each.link for each in reports), *(each.link for each in visits)]


def concerned(subscriptions: tuple[Subscription, ...], visits: tuple[LinkedVisit, ...]) -> list[Subscription]:
    """Give back the subscriptions whose organisation is in the patient's chain of care."""
    chain = {each.visit.organisation for each in visits}
    return [each for each in subscriptions if each.organisation in chain]


def fingerprint(record: LinkedRecord, channel: Channel) -> bytes:
    """Give back a digest of what a notification of this record would say over this channel.

    Equal digests mean there is nothing new to tell: a bed change inside the recipient's own house, or a
    message sent twice, makes no second notification.
    """
    own = [each.visit.admission for each in record.visits if each.visit.organisation == record.recipient]
    identity: list[object] = [record.episode.bands, [each.identifiers for each in own], [each.patient for each in own]]
    if channel is Channel.HL7V2_MLLP:
        said = identity
    else:
        others = [each for each in record.visits if each.visit.organisation != record.recipient]
        said = [
            *identity,
            record.detail,
            [(each.id, each.version, each.link.confirmed) for each in record.reports],
            [(each.id, each.visit.state, each.visit.started, each.visit.ended) for each in others],
        ]
    return hashlib.sha256(msgspec.json.encode(said)).digest()
