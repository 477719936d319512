"""What is known under one band: its episode, every record linked to it and why, every open question.

The answer names records by organisation, number and time, never by a person's data: whoever looks up a band
holds the wrist and is entitled to know where the patient's records are, not what they say.
"""

from collections.abc import Sequence
from datetime import datetime
from typing import Any

from gateway.bands.scan import Band, NotABand, read
from gateway.bands.scheme import Scheme, Slip, compact
from gateway.findings import FINDINGS
from gateway.joining import gather_linked
from gateway.records import Episode, LinkedReport, LinkedVisit, RecordKind, Review, ReviewState, Traffic
from gateway.region import Region
from gateway.store import audit, episodes, reviews, sightings
from gateway.store.transaction import Tx


def look_up(tx: Tx, region: Region, given: str, *, traffic: Traffic = Traffic.LIVE) -> dict[str, Any]:
    """Give back what is known under a band in one kind of traffic; `episode` is None for an unknown band.

    Of the other kind is only said whether the band is known there. What is no band has `canonical` None, and says what
    is wrong with it and what a band looks like.
    """
    band = read(given, region.schemes)
    if not isinstance(band, Band):
        return {"band": {"given": given, "canonical": None, **_no_band(given, band, region.schemes)}, "episode": None}
    found = episodes.of_band(tx, band.canonical, traffic=traffic)
    other = Traffic.LIVE if traffic is Traffic.TEST else Traffic.TEST
    elsewhere = sightings.of_band(tx, band.canonical, traffic=other)
    answer: dict[str, Any] = {
        "band": {"given": given, "canonical": band.canonical, "printed": _printed(region, band)},
        "traffic": traffic.value,
        "episode": _episode(tx, found[0]) if found else None,
        "known_elsewhere": bool(elsewhere),
    }
    if len(found) > 1:
        answer["earlier_episodes"] = [_episode(tx, each) for each in found[1:]]
    if not found:
        answer["reviews"] = _reviews_of_prose(tx, band.canonical, traffic)
    return answer


def note_look_up(tx: Tx, *, who: str, found: bool, at: datetime) -> None:
    """Write down that somebody looked up a band; the band itself is not written."""
    audit.append(tx, audit.Entry(at=at, who=who, what="band-looked-up", why="found" if found else "not found"))


def _no_band(given: str, fault: NotABand, schemes: Sequence[Scheme]) -> dict[str, str]:
    """What is wrong with what was given, by place and never by value, and what would be right."""
    text = compact(given)
    meant = [scheme for scheme in schemes if text.startswith(scheme.prefixes)] or schemes
    typed = text.isascii() and text.isalnum()  # else a scanner stood before it, whose additions are no characters of it
    slip = meant[0].find_slip(text) if typed and len(meant) == 1 else None
    return {
        "fault": fault.code,
        "message": FINDINGS[fault.code].message if slip is None else _says(slip, meant[0]),
        "remedy": f"a band looks like {' or '.join(map(_looks, meant))}",
    }


def _says(slip: Slip, scheme: Scheme) -> str:
    if slip.kind == "prefix":
        return f"it does not begin with {' or '.join(scheme.prefixes)}"
    if slip.kind == "length":
        return f"{slip.at} characters where a band has {scheme.length}"
    if slip.kind == "character":
        return f"character {slip.at}, not counting separators, can stand in no band"
    return FINDINGS["band-check"].message


def _looks(scheme: Scheme) -> str:
    return scheme.example + (f" (for training; live ones begin with {scheme.prefix})" if scheme.training_prefix else "")


def _printed(region: Region, band: Band) -> str:
    scheme = next(each for each in region.schemes if each.name == band.scheme)
    return scheme.printed(band.canonical)


def _episode(tx: Tx, episode: Episode) -> dict[str, Any]:
    told_reports, told_visits = gather_linked(tx, episode.id)
    records = [*map(_report, told_reports), *map(_visit, told_visits)]
    return {
        "id": episode.id,
        "state": episode.state.value,
        "bands": list(episode.bands),
        "records": sorted(records, key=lambda each: str(each["when"])),
        "reviews": [_review(each) for each in _reviews(tx, episode, told_reports, told_visits)],
    }


def _report(linked: LinkedReport) -> dict[str, Any]:
    report = linked.report
    when = report.times.at_patient or report.times.arrived or report.times.notified
    return _record(linked, report.organisation, report.uuid or report.number, when)


def _visit(linked: LinkedVisit) -> dict[str, Any]:
    visit = linked.visit
    return _record(linked, visit.organisation, visit.key.partition(":")[2], visit.started)


def _record(
    linked: LinkedReport | LinkedVisit, organisation: str, number: str, when: datetime | None
) -> dict[str, Any]:
    link = linked.link
    return {
        "kind": link.kind.value,
        "organisation": organisation,
        "id": number,
        "when": when.isoformat() if when else None,
        "link": {
            "state": link.state.value,
            "confirmed": link.confirmed,
            "reasons": [{"code": r.code, "says": r.says, "supports": r.supports} for r in link.reasons],
            "decided": link.decided.isoformat(),
            "decided_by": link.decided_by,
        },
    }


def _reviews(
    tx: Tx, episode: Episode, told_reports: Sequence[LinkedReport], told_visits: Sequence[LinkedVisit]
) -> list[Review]:
    found = {each.id: each for each in reviews.of_episode(tx, episode.id)}
    for kind, linked in ((RecordKind.CARE_REPORT, told_reports), (RecordKind.VISIT, told_visits)):
        for each in linked:
            found.update({review.id: review for review in reviews.of_record(tx, kind, each.id)})
    return sorted((each for each in found.values() if each.state is ReviewState.OPEN), key=lambda each: each.opened)


def _reviews_of_prose(tx: Tx, band: str, traffic: Traffic) -> list[dict[str, Any]]:
    """Questions about records that name the band in prose only, when it has no episode."""
    found: dict[str, Review] = {}
    for seen in sightings.of_band(tx, band, traffic=traffic):
        found.update({each.id: each for each in reviews.of_record(tx, seen.kind, seen.record)})
    return [_review(each) for each in found.values() if each.state is ReviewState.OPEN]


def _review(review: Review) -> dict[str, Any]:
    return {
        "id": review.id,
        "question": review.question,
        "says": review.says,
        "opened": review.opened.isoformat(),
        "records": [{"kind": kind.value, "id": record} for kind, record in review.records],
    }
