"""Has every case of the invented day become what it must? Compares the store and the receivers with expected.yaml."""

from collections.abc import Iterable
from typing import Any, NamedTuple

from gateway.adapters.er7 import Position
from gateway.cli.demo_receivers import Received
from gateway.cli.output import counted
from gateway.joining import gather_linked
from gateway.records import Channel, RecordKind, ReviewState, Traffic
from gateway.region import Region
from gateway.store import episodes, links, reports, reviews, visits
from gateway.store.transaction import Tx

Case = dict[str, Any]
Seen = tuple[str, str, str]  # kind, organisation, number


class Verdict(NamedTuple):
    """One case: what it was expected to become, and every way in which it did not."""

    id: str
    title: str
    needs: str | None
    differences: tuple[str, ...]


def judge(tx: Tx, cases: Iterable[Case], region: Region, received: Received) -> list[Verdict]:
    """Give back a verdict for each case; `now` stands before `becomes` where a case needs what is yet to come."""
    told = _told(region, received)
    return [
        Verdict(case["id"], case["title"], case.get("needs"), tuple(_differences(tx, case, region, told)))
        for case in cases
    ]


def _differences(tx: Tx, case: Case, region: Region, told: dict[str, dict[str, str]]) -> Iterable[str]:
    wanted = case.get("now") or case["becomes"]
    traffic = Traffic(case.get("traffic", "live"))
    questions: set[str] = set()
    for episode in wanted["episodes"]:
        found = _episode(tx, episode["bands"], traffic)
        if found is None:
            yield f"no episode under {counted(len(episode['bands']), 'band')}"
            continue
        yield from _compare_records(tx, found, episode["records"])
        questions |= _questions_of_episode(tx, found)
    for record in wanted.get("unlinked", []):
        stored = _find_record(tx, region, record, traffic)
        if stored is None:
            yield f"{record['kind']} of {record['organisation']} was not kept"
            continue
        if any(link.state != "withdrawn" for link in links.of_record(tx, *stored)):
            yield f"{record['kind']} of {record['organisation']} is linked and must not be"
        questions |= _open_questions(tx, *stored)
    if questions != set(wanted["reviews"]):
        yield f"reviews {sorted(questions)}, expected {sorted(wanted['reviews'])}"
    bands = [band for episode in wanted["episodes"] for band in episode["bands"]]
    for facility, level in wanted["notified"].items():
        yield from _compare_told(facility, level, bands, region, told)


def _episode(tx: Tx, bands: list[str], traffic: Traffic) -> str | None:
    for episode in episodes.of_band(tx, bands[0], traffic=traffic):
        if set(bands) == set(episode.bands) and episode.bands[0] == bands[0]:
            return episode.id
    return None


def _compare_records(tx: Tx, episode: str, wanted: list[dict[str, Any]]) -> Iterable[str]:
    told_reports, told_visits = gather_linked(tx, episode)
    has: dict[Seen, tuple[str, bool]] = {}
    for report in told_reports:
        number = report.report.uuid or report.report.number
        has["care-report", report.report.organisation, number] = (report.link.state.value, report.link.confirmed)
    for visit in told_visits:
        key = visit.visit.key.partition(":")[2]
        has["visit", visit.visit.organisation, key] = (visit.link.state.value, visit.link.confirmed)
    want = {(r["kind"], r["organisation"], str(r["id"])): (r["link"], r["confirmed"]) for r in wanted}
    for record in sorted(want.keys() | has.keys()):
        if want.get(record) != has.get(record):
            kind, organisation, _ = record
            yield f"{kind} of {organisation}: {_words(has.get(record))}, expected {_words(want.get(record))}"


def _words(link: tuple[str, bool] | None) -> str:
    return "not in the episode" if link is None else f"{link[0]}, {'confirmed' if link[1] else 'not confirmed'}"


def _find_record(tx: Tx, region: Region, record: dict[str, Any], traffic: Traffic) -> tuple[RecordKind, str] | None:
    del region
    who, number = record["organisation"], str(record["id"])
    if record["kind"] == "care-report":
        report = reports.find(tx, organisation=who, key=number, traffic=traffic)
        return (RecordKind.CARE_REPORT, report.id) if report else None
    for key in (f"visit:{number}", f"account:{number}"):
        visit = visits.find(tx, organisation=who, key=key, traffic=traffic)
        if visit:
            return RecordKind.VISIT, visit.id
    return None


def _questions_of_episode(tx: Tx, episode: str) -> set[str]:
    asked = {each.question for each in reviews.of_episode(tx, episode) if each.state is ReviewState.OPEN}
    for link in links.of_episode(tx, episode):
        asked |= _open_questions(tx, link.kind, link.record)
    return asked


def _open_questions(tx: Tx, kind: RecordKind, record: str) -> set[str]:
    return {each.question for each in reviews.of_record(tx, kind, record) if each.state is ReviewState.OPEN}


def _told(region: Region, received: Received) -> dict[str, dict[str, str]]:
    """What each subscription heard last about each band: clinical, identifiers-only, or the band by HL7 v2."""
    told: dict[str, dict[str, str]] = {}
    for name, bundles in received.bundles.items():
        for bundle in bundles:
            kinds = {entry["resource"]["resourceType"] for entry in bundle["entry"]}
            level = "clinical" if "Composition" in kinds else "identifiers-only"
            for band in _bands_of(bundle, region):
                told.setdefault(name, {})[band] = level
    for name, messages in received.messages.items():
        for message in messages:
            pid = message.find_segment("PID")
            for number in range(1, len(pid.repetitions(3)) + 1) if pid else ():
                value = message.value(Position("PID", 3, 1, repetition=number))
                told.setdefault(name, {})[str(value)] = "by HL7 v2"
    return told


def _bands_of(bundle: dict[str, Any], region: Region) -> list[str]:
    systems = {scheme.system for scheme in region.schemes}
    patient = next(e["resource"] for e in bundle["entry"] if e["resource"]["resourceType"] == "Patient")
    return [each["value"] for each in patient["identifier"] if each.get("system") in systems]


def _compare_told(
    facility: str, level: str, bands: list[str], region: Region, told: dict[str, dict[str, str]]
) -> Iterable[str]:
    for subscription in region.subscriptions.values():
        if subscription.organisation != facility:
            continue
        heard = {said for band, said in told.get(subscription.name, {}).items() if band in bands}
        if level == "nothing":
            wanted: set[str] = set()
        else:
            wanted = {level} if subscription.channel is Channel.FHIR_REST_HOOK else {"by HL7 v2"}
        if heard != wanted:
            yield f"{subscription.name} heard {sorted(heard) or 'nothing'}, expected {sorted(wanted) or 'nothing'}"
