"""What the bands seen in one message say about how well the band was captured.

The same for both kinds of message: each sighting was normalised and checked where it was made; here the
sightings of one record are looked at together. No finding holds a value, only places.
"""

from collections.abc import Sequence

from gateway.bands import scan
from gateway.bands.scan import Band, NotABand
from gateway.bands.scheme import Scheme
from gateway.findings import finding
from gateway.records import Finding, How, Sighting

#: What other identifiers never are: text with a scheme's prefix and length, or a whole GS1 number, misread.
ALMOST_A_BAND = frozenset({"band-check", "band-gs1-check"})


def sight(raw: str, band: Band | NotABand, *, how: How, path: str, line: int | None, rule: str) -> Sighting:
    """Give back the sighting of what `scan.read` made of the text at one place."""
    if isinstance(band, NotABand):
        return Sighting(raw=raw, canonical=None, how=how, path=path, line=line, rule=rule, fault=band.code)
    return Sighting(
        raw=raw,
        canonical=band.canonical,
        how=how,
        path=path,
        line=line,
        rule=rule,
        scheme=band.scheme,
        training=band.training,
        folded=band.folded,
    )


def sight_in_text(text: str, schemes: Sequence[Scheme], *, path: str, line: int | None, rule: str) -> list[Sighting]:
    """Give back a sighting for every band written in prose."""
    return [
        sight(text[start:end], band, how=How.FREE_TEXT, path=path, line=line, rule=rule)
        for start, end, band in scan.find_in_text(text, schemes)
    ]


def is_exercise(sightings: Sequence[Sighting]) -> bool:
    """Whether a training band was seen."""
    return any(sighting.training for sighting in sightings)


def judge(sightings: Sequence[Sighting], *, claims_live: bool) -> list[Finding]:
    """Give back what there is to say about the bands of one record, each at its place.

    `claims_live` tells that the message expressly says it is no exercise.
    """
    if len(sightings) == 1 and _is_plain(sightings[0]):
        return []
    if not sightings:
        return [finding("band-missing")]
    found = [_at(each.fault, each) for each in sightings if each.fault]
    read = [each for each in sightings if each.canonical]
    queryable = [each for each in read if each.how is not How.FREE_TEXT]
    if read and not queryable:
        found.append(_at("band-free-text-only", read[0]))
    other = next((each for each in queryable if each.canonical != queryable[0].canonical), None)
    if other:
        found.append(_at("band-several", other))
    found += [_at("band-folded", each) for each in read if each.folded]
    exercise = next((each for each in read if each.training), None)
    if exercise:
        found.append(_at("band-mixed-signals" if claims_live else "band-training", exercise))
    return found


def _is_plain(sighting: Sighting) -> bool:
    """One live band, well recorded: the usual case, of which there is nothing to say."""
    return not (sighting.fault or sighting.training or sighting.folded or sighting.how is How.FREE_TEXT)


def _at(code: str, sighting: Sighting) -> Finding:
    return finding(code, path=sighting.path, line=sighting.line)
