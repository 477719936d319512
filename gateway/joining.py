"""What a kept record does to its episode, inside the caller's transaction.

A record with a trusted band joins the episode of that band, or opens one. Then the episode is decided anew
from all its members at once, changed links are written, questions are asked or settled, and whoever is
entitled is told. The same three steps follow whatever changed, so there is one answer to "what is linked
now": what `gateway.linking.decision` says of the members there are. Only a message that says nothing new of
the person, such as a bed change, leaves all of it alone; so changed rules, or a new subscription, reach an episode
that is there already with its next news.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from datetime import datetime
from typing import NamedTuple

from msgspec.structs import replace

from gateway.linking.decision import Decision, Verdict, decide
from gateway.linking.episodes import (
    Belongs,
    NoBand,
    Span,
    counting,
    is_mixed,
    membership,
    ordered_bands,
    prose_bands,
    trusted_bands,
)
from gateway.linking.evidence import Facts, facts_of_report, facts_of_visit
from gateway.linking.questions import QUESTIONS, SETTLED_BY_NEWER_DATA
from gateway.linking.visits import is_same_to_linking
from gateway.records import (
    Episode,
    EpisodeState,
    Finding,
    Link,
    LinkedReport,
    LinkedVisit,
    LinkState,
    RecordKind,
    Review,
    ReviewState,
    Sighting,
    Traffic,
)
from gateway.region import Region
from gateway.routing.entitlement import concerned, fingerprint, record_for
from gateway.store import audit, episodes, events, links, reports, reviews, visits
from gateway.store.reports import StoredReport
from gateway.store.transaction import Tx
from gateway.store.visits import StoredVisit

Stored = StoredReport | StoredVisit
WHO = "gateway"


class Kept(NamedTuple):
    """A record that has just been kept: what joining needs to know of it.

    `at` is its own event time; `before` is what was kept of it until now, None for a record that is new.
    """

    stored: Stored
    sightings: tuple[Sighting, ...]
    findings: tuple[Finding, ...]
    at: datetime
    traffic: Traffic
    before: Stored | None

    @property
    def counting(self) -> tuple[Sighting, ...]:
        """Where it names bands that may count in its traffic; none while its message contradicts itself."""
        return () if is_mixed(self.findings) else counting(self.sightings, self.traffic)

    @property
    def is_same_to_linking(self) -> bool:
        """Whether it says nothing new about whom it belongs to, so that every decision stays as it is."""
        before, stored = self.before, self.stored
        if not isinstance(before, StoredVisit) or not isinstance(stored, StoredVisit):
            return False
        return before.event_time == self.at and is_same_to_linking(before.visit, stored.visit)


class Member(NamedTuple):
    """One record of an episode, with what has been decided about it so far."""

    stored: Stored
    link: Link | None

    @property
    def kind(self) -> RecordKind:
        """Which kind of record it is."""
        return RecordKind.CARE_REPORT if isinstance(self.stored, StoredReport) else RecordKind.VISIT

    @property
    def organisation(self) -> str:
        """Whose record it is."""
        if isinstance(self.stored, StoredReport):
            return self.stored.report.organisation
        return self.stored.visit.organisation

    @property
    def sightings(self) -> tuple[Sighting, ...]:
        """Where it names bands that may count in its traffic."""
        if isinstance(self.stored, StoredReport):
            return counting(self.stored.report.sightings, self.stored.report.traffic)
        said = self.stored.visit.admission
        return counting(said.sightings, said.traffic)


@dataclass(slots=True)
class Gathering:
    """An episode and its members by record id, withdrawn ones left out; `left` tells whether there are such."""

    episode: Episode
    members: dict[str, Member]
    left: bool = False

    def span(self) -> tuple[datetime, datetime]:
        """The earliest and the latest event of the episode."""
        times = [m.stored.event_time for m in self.members.values() if m.stored.event_time is not None]
        return min([self.episode.opened, *times]), max([self.episode.opened, *times])


@dataclass(frozen=True, slots=True)
class Joining:
    """Joins kept records to episodes by the rules of one region; ids come from `new_id`."""

    region: Region
    new_id: Callable[[], str]

    def join(self, tx: Tx, kept: Kept, *, now: datetime) -> None:
        """Put a kept record where it belongs, and tell whom it concerns."""
        if kept.is_same_to_linking:
            self._tell_others(tx, kept, now)
            return
        kind = Member(kept.stored, None).kind
        bands = trusted_bands(kept.counting)
        before = [] if kept.before is None else _holding(links.of_record(tx, kind, kept.stored.id))
        if is_mixed(kept.findings):
            self._ask_about_record(tx, kept, kind, "mixed-signals", now)
        elif not bands and prose_bands(kept.counting):
            self._ask_about_record(tx, kept, kind, "free-text-only", now)
        home = self._home(tx, kept, bands, now) if bands else None
        for link in before:
            if home is None or link.episode != home.episode.id:
                self._leave(tx, link, now)
        if home is None:
            return
        link_before = next((each for each in before if each.episode == home.episode.id), None)
        home.members[kept.stored.id] = Member(kept.stored, link_before)
        if link_before is None and kept.before is not None:
            self._settle_record_questions(tx, kept, kind, now)
        self._decide(tx, home, now)

    # ── where it belongs ───────────────────────────────────────────────────────────────────────

    def _home(self, tx: Tx, kept: Kept, bands: tuple[str, ...], now: datetime) -> Gathering | None:
        """The episode a record belongs to; None where that has more records already than a patient can have."""
        episodes.lock_band(tx, *sorted(bands))
        known: dict[str, Gathering] = {}
        spans = []
        for band in bands:
            for episode in episodes.of_band(tx, band, traffic=kept.traffic):
                gathering = known.get(episode.id) or self._gather(tx, episode, kept.stored)
                known[episode.id] = gathering
                spans.append(Span(episode.id, band, *gathering.span()))
        where = membership(kept.counting, kept.at, spans, self.region.rules)
        assert not isinstance(where, NoBand)
        if len(bands) > 1:
            self._ask_about_record(tx, kept, Member(kept.stored, None).kind, "several-bands", now)
        if isinstance(where, Belongs):
            home = known[where.episode]
            if kept.stored.id not in home.members and len(home.members) >= self.region.settings.episode_records:
                self._ask_about_crowd(tx, home.episode, now)
                return None
            for band in where.new_bands:
                until = self._end_others(tx, (band,), kept)
                home.episode = episodes.add_band(tx, home.episode, band, since=kept.at, until=until)
            return home
        return self._open(tx, bands, kept, now)

    def _open(self, tx: Tx, bands: tuple[str, ...], kept: Kept, now: datetime) -> Gathering:
        """Open an episode; one that a later episode of its band has ended before it is known is closed at once."""
        over = self._end_others(tx, bands, kept)
        episode = Episode(
            id=self.new_id(),
            state=EpisodeState.CLOSED if over else EpisodeState.OPEN,
            traffic=kept.traffic,
            bands=bands,
            opened=kept.at,
            closed=over,
        )
        episodes.add(tx, episode)
        audit.append(tx, audit.Entry(at=now, who=WHO, what="episode-opened", records=(episode.id,)))
        return Gathering(episode, {})

    def _end_others(self, tx: Tx, bands: tuple[str, ...], kept: Kept) -> datetime | None:
        """Close earlier episodes that have these bands and lie too far away in time to be the record's own.

        Gives back when a later one begins, which is then the end of the bands' time with this record; else None.
        """
        found = (episodes.find_open(tx, band, traffic=kept.traffic) for band in bands)
        others = {each.id: each for each in found if each is not None}.values()
        for other in others:
            if other.opened <= kept.at:
                episodes.close(tx, other.id, at=kept.at)
        return min((other.opened for other in others if other.opened > kept.at), default=None)

    def _gather(self, tx: Tx, episode: Episode, at_hand: Stored | None = None) -> Gathering:
        """Give back an episode with its members; the record `at_hand` need not be read again."""
        found = links.of_episode(tx, episode.id)
        members = {}
        for link in _holding(found):
            stored = at_hand if at_hand and at_hand.id == link.record else _stored(tx, link)
            members[link.record] = Member(stored, link)
        return Gathering(episode, members, left=len(members) < len(found))

    def _leave(self, tx: Tx, link: Link, now: datetime) -> None:
        """Take back a link that the record's newest content no longer supports, and decide the rest anew."""
        episodes.lock(tx, link.episode)
        withdrawn = replace(link, state=LinkState.WITHDRAWN, confirmed=False, decided=now, decided_by=WHO)
        links.add(tx, withdrawn)
        audit.append(tx, audit.Entry(at=now, who=WHO, what="link-withdrawn", records=(link.record, link.episode)))
        self._decide(tx, self._gather(tx, episodes.get(tx, link.episode)), now)

    # ── what is decided, and who is told ───────────────────────────────────────────────────────

    def _decide(self, tx: Tx, home: Gathering, now: datetime) -> None:
        home.episode = self._in_order(tx, home)
        bands = frozenset(home.episode.bands)
        facts = [_facts(member, bands) for member in home.members.values()]
        verdict = decide(facts, self.region.rules)
        for decision in verdict.decisions:
            member = home.members[decision.record]
            home.members[decision.record] = member._replace(link=self._link(tx, home.episode, member, decision, now))
        self._ask_about_episode(tx, home, verdict, now)
        self._tell(tx, home, now)

    def _in_order(self, tx: Tx, home: Gathering) -> Episode:
        """The episode, its bands and its opening by the times of its events, whatever the order they arrived in."""
        seen = [(m.stored.event_time, trusted_bands(m.sightings)) for m in home.members.values()]
        dated = [(at, named) for at, named in seen if at is not None]
        bands = ordered_bands(home.episode.bands, dated)
        opened = min((at for at, _ in dated), default=home.episode.opened)
        if (bands, opened) == (home.episode.bands, home.episode.opened):
            return home.episode
        return episodes.rearrange(tx, home.episode, bands, opened=opened)

    def _link(self, tx: Tx, episode: Episode, member: Member, decision: Decision, now: datetime) -> Link:
        """Write the decision if it differs from what holds; gives back the link that holds now."""
        old = member.link
        if old and (old.state, old.confirmed, old.reasons) == (decision.state, decision.confirmed, decision.reasons):
            return old
        link = Link(
            id=old.id if old else self.new_id(),
            episode=episode.id,
            kind=decision.kind,
            record=decision.record,
            organisation=member.organisation,
            state=decision.state,
            confirmed=decision.confirmed,
            reasons=decision.reasons,
            decided=now,
        )
        links.add(tx, link)
        why = " ".join(reason.code for reason in link.reasons)
        entry = audit.Entry(
            at=now, who=WHO, what=f"link-{link.state.value}", records=(link.record, episode.id), why=why
        )
        audit.append(tx, entry)
        return link

    def _tell(self, tx: Tx, home: Gathering, now: datetime) -> None:
        """Have everybody told who is entitled and has not heard exactly this before."""
        told_reports, told_visits = linked(home.members.values())
        for subscription in concerned(tuple(self.region.subscriptions.values()), told_visits):
            record = record_for(subscription.organisation, home.episode, told_reports, told_visits)
            if record is None:
                continue
            notice = events.Notice(
                subscription=subscription.name,
                episode=home.episode.id,
                topic=subscription.topic,
                at=now,
                content_hash=fingerprint(record, subscription.channel),
                delivery=self.new_id(),
            )
            events.tell(tx, notice)

    def _tell_others(self, tx: Tx, kept: Kept, now: datetime) -> None:
        """Have the others in the chain of care told where a visit stands now, if that is what has changed."""
        stored = kept.stored
        if not isinstance(stored, StoredVisit) or _standing(stored) == _standing(kept.before):
            return
        for link in _holding(links.of_record(tx, RecordKind.VISIT, stored.id)):
            episodes.lock(tx, link.episode)
            chain = links.of_episode(tx, link.episode)
            if any(each.kind is RecordKind.VISIT and each.organisation != link.organisation for each in chain):
                self._tell(tx, self._gather(tx, episodes.get(tx, link.episode), stored), now)

    # ── what is asked ──────────────────────────────────────────────────────────────────────────

    def _ask_about_episode(self, tx: Tx, home: Gathering, verdict: Verdict, now: datetime) -> None:
        """Ask about contradictions, once for each set of records, and settle what no longer contradicts."""
        if len(home.members) < 2 and not home.left:
            return  # nobody there to contradict, now or before
        waiting = [
            each
            for each in reviews.of_episode(tx, home.episode.id)
            if each.question == "contradiction" and each.state is ReviewState.OPEN
        ]
        held = set(verdict.contradictions)
        if held and any(held == set(each.records) for each in waiting):
            return
        for each in waiting:
            reviews.answer(tx, each.id, SETTLED_BY_NEWER_DATA, by=WHO, at=now)
        if held:
            whom, episode = verdict.contradictions, home.episode
            self._ask(tx, "contradiction", now, records=whom, traffic=episode.traffic, episode=episode.id)

    def _ask_about_record(self, tx: Tx, kept: Kept, kind: RecordKind, question: str, now: datetime) -> None:
        record = (kind, kept.stored.id)
        if not any(each.question == question for each in reviews.of_record(tx, *record)):
            self._ask(tx, question, now, records=(record,), traffic=kept.traffic)

    def _ask_about_crowd(self, tx: Tx, episode: Episode, now: datetime) -> None:
        """Ask once for each episode: every pair of its records is compared, so they cannot grow without end."""
        if not any(each.question == "crowded-band" for each in reviews.of_episode(tx, episode.id)):
            self._ask(tx, "crowded-band", now, records=(), traffic=episode.traffic, episode=episode.id)

    def _settle_record_questions(self, tx: Tx, kept: Kept, kind: RecordKind, now: datetime) -> None:
        """A record that has come to carry its band in a queryable field needs nobody to read its prose."""
        for each in reviews.of_record(tx, kind, kept.stored.id):
            if each.question == "free-text-only" and each.state is ReviewState.OPEN:
                reviews.answer(tx, each.id, SETTLED_BY_NEWER_DATA, by=WHO, at=now)

    def _ask(
        self,
        tx: Tx,
        question: str,
        now: datetime,
        *,
        records: tuple[tuple[RecordKind, str], ...],
        traffic: Traffic,
        episode: str | None = None,
    ) -> None:
        review = Review(
            id=self.new_id(),
            state=ReviewState.OPEN,
            question=question,
            says=QUESTIONS[question],
            opened=now,
            traffic=traffic,
            episode=episode,
            records=records,
        )
        reviews.add(tx, review)
        audit.append(tx, audit.Entry(at=now, who=WHO, what="review-opened", records=(review.id,), why=question))


def gather_linked(tx: Tx, episode: str) -> tuple[tuple[LinkedReport, ...], tuple[LinkedVisit, ...]]:
    """Give back everything an episode holds now, withdrawn links left out; for telling and for looking up."""
    return linked(Member(_stored(tx, link), link) for link in _holding(links.of_episode(tx, episode)))


def linked(members: Iterable[Member]) -> tuple[tuple[LinkedReport, ...], tuple[LinkedVisit, ...]]:
    """Give back members as the linked reports and visits that entitlement and adapters take."""
    listed = [(each.stored, each.link) for each in members if each.link is not None]
    return (
        tuple(
            LinkedReport(id=s.id, report=s.report, link=link, version=s.version)
            for s, link in listed
            if isinstance(s, StoredReport)
        ),
        tuple(
            LinkedVisit(id=s.id, visit=s.visit, link=link, version=s.version)
            for s, link in listed
            if isinstance(s, StoredVisit)
        ),
    )


def _standing(stored: Stored | None) -> tuple[object, ...]:
    return (stored.visit.state, stored.visit.ended) if isinstance(stored, StoredVisit) else ()


def _holding(found: Iterable[Link]) -> list[Link]:
    return [each for each in found if each.state is not LinkState.WITHDRAWN]


def _stored(tx: Tx, link: Link) -> Stored:
    if link.kind is RecordKind.CARE_REPORT:
        return reports.get(tx, link.record)
    return visits.get(tx, link.record)


def _facts(member: Member, bands: frozenset[str]) -> Facts:
    if isinstance(member.stored, StoredReport):
        return facts_of_report(member.stored.id, member.stored.report)
    return facts_of_visit(member.stored.id, member.stored.visit, bands=bands)
