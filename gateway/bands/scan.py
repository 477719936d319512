"""What a barcode reader or a keyboard really sends, and the band it means.

A scanner set to type like a keyboard may put a symbology identifier (ISO/IEC 15424), a string of the site's
own and a line end around the data; may send a GS1 element string with its separators kept, replaced or lost;
may read a web address (GS1 Digital Link) off a square symbol. People type groups, hyphens, look-alikes, and
leave Caps Lock on. `read` takes all that off in one fixed order:

    Unicode NFKC → control characters (GS stays) → the site's strings → symbology identifier → web address →
    GS1 element string → upper case → separators → scheme by prefix → look-alikes → pattern → check

Rules of this file.

* `read` never raises: whatever stands in a band's place is a `Band` or a `NotABand` with its reason.
* Nothing is moved to a neighbour. An identifier that fails its check is refused, not repaired.
* Whether the band was ever issued, and is on somebody's wrist now, is not decided here.
* Work is bounded by the length of the text.
"""

import re
import unicodedata
from collections.abc import Iterator, Sequence
from enum import Enum, auto
from typing import Literal, NamedTuple

import msgspec
from stdnum import ean

from gateway.bands.scheme import Scheme, compact

LONGEST = 1024  #: characters; a web address on a wristband symbol is a tenth of this

GS = "\x1d"  #: stands where a GS1 symbol has its FNC1 separator (GS1 General Specifications, 7.8)

Refusal = Literal["band-pattern", "band-check", "band-symbology", "band-gs1", "band-gs1-check"]


class Carries(Enum):
    """What the data of a symbol is, as far as the symbology identifier tells."""

    PLAIN = auto()  #: the identifier itself, or a web address
    ELEMENTS = auto()  #: a GS1 element string: the symbol has FNC1 in first position
    ANYTHING = auto()  #: the scanner did not say


#: The symbols a band carries (ISO/IEC 15424); every other symbology identifier is refused. Those with an
#: extended channel interpretation, and QR model 1, are from memory.
SYMBOLOGIES = {
    "]C0": Carries.PLAIN,  # Code 128
    "]C1": Carries.ELEMENTS,  # GS1-128
    "]Q0": Carries.PLAIN,  # QR Code model 1
    "]Q1": Carries.PLAIN,  # QR Code model 2
    "]Q2": Carries.PLAIN,  # the same, with extended channel interpretation
    "]Q3": Carries.ELEMENTS,  # GS1 QR Code
    "]Q4": Carries.ELEMENTS,  # the same, with extended channel interpretation
    "]d1": Carries.PLAIN,  # Data Matrix ECC 200
    "]d2": Carries.ELEMENTS,  # GS1 DataMatrix
    "]d4": Carries.PLAIN,  # Data Matrix with extended channel interpretation
    "]d5": Carries.ELEMENTS,  # GS1 DataMatrix with extended channel interpretation
}

_SYMBOLOGY = re.compile(r"\][A-Za-z][0-9A-Za-z]")
_INTERPRETATION = re.compile(r"^\\[0-9]{6}")  # names a character set; the characters we want are in all of them

_ADDRESS = re.compile(r"https?://[^/?#]*([^?#]*)", re.IGNORECASE)
_DIGITAL_LINK = re.compile(r"/8018/([0-9]{18})(?:/8019/([0-9]{1,10}))?/?$")

#: What forms, terminals and people show where the separator was.
_SHOWN_SEPARATOR = re.compile(r"\^\]|<GS>|\{GS\}|\\x1d|\|", re.IGNORECASE)
_SHOWN_KEY = re.compile(r"\(([0-9]{2,4})\)")
_RELATION = re.compile(r"8018([0-9]{18})(?:8019([0-9]{1,10}))?")
_INSTANCE = re.compile(r"8019([0-9]{1,10})")
_OTHER_ELEMENT = re.compile(r"(?!801[89])[0-9]{2}.+")
_LOOKS_GS1 = re.compile(rf"[{GS}(]*801[89]")


class Band(msgspec.Struct, frozen=True, kw_only=True):
    """A band identifier that obeys its scheme.

    `scheme` is the scheme's name; `folded` tells that look-alikes were folded, which is suspicious in a
    scanned value; `symbology` is the identifier the scanner sent, as `]C1`; `srin` the GS1 service relation
    instance number that stood beside the identifier.
    """

    canonical: str
    scheme: str
    training: bool = False
    folded: bool = False
    symbology: str | None = None
    srin: str | None = None


class NotABand(msgspec.Struct, frozen=True):
    """No band identifier; `code` is the finding that says why."""

    code: Refusal


class Found(NamedTuple):
    """A band in a longer text: `text[start:end]` is what was written."""

    start: int
    end: int
    band: Band


def read(raw: str, schemes: Sequence[Scheme]) -> Band | NotABand:
    """Give back the band that `raw` means. Never raises.

    `schemes` must be free of clashes (`find_clashes`).
    """
    for scheme in schemes:
        if scheme.find_fault(raw) is None:
            return _band(raw, scheme)
    if len(raw) > LONGEST or _is_other_identifier(raw, schemes):
        return NotABand("band-pattern")
    symbology, text = _split_symbology(_without_wedge(_cleaned(raw), schemes))
    carries = Carries.ANYTHING if symbology is None else SYMBOLOGIES.get(symbology)
    if carries is None:
        return NotABand("band-symbology")
    text = _INTERPRETATION.sub("", _without_wedge(text, schemes)) if symbology else text
    return _read_payload(text, carries, symbology, schemes)


def find_in_text(text: str, schemes: Sequence[Scheme]) -> list[Found]:
    """Give back every band written in prose, in order, none overlapping another.

    Taken are words that are an identifier with its check right, whole or in its printed groups with one
    separator between two. This is a reason to ask a person, never a reason to link.
    """
    found: list[Found] = []
    candidates = (each for scheme in schemes for each in _candidates(text, scheme))
    for candidate in sorted(candidates, key=lambda each: (each.start, -each.end)):
        if not found or candidate.start >= found[-1].end:
            found.append(candidate)
    return found


def _band(
    canonical: str,
    scheme: Scheme,
    *,
    folded: bool = False,
    symbology: str | None = None,
    srin: str | None = None,
) -> Band:
    return Band(
        canonical=canonical,
        scheme=scheme.name,
        training=scheme.is_training(canonical),
        folded=folded,
        symbology=symbology,
        srin=srin,
    )


def _is_other_identifier(raw: str, schemes: Sequence[Scheme]) -> bool:
    """Whether `raw` is letters, digits and separators that begin neither like a scheme nor like a GS1 element.

    Most of what stands where a band may stand is such a number of somebody else's, and no step of `read` can
    make it a band: there is nothing to take off, since no string of a site consists of such characters alone.
    """
    compacted = raw.upper() if raw.isascii() and raw.isalnum() else compact(raw)
    return (
        compacted.isascii()
        and compacted.isalnum()
        and not compacted.startswith("801")
        and not any(compacted.startswith(scheme.prefixes) for scheme in schemes)
    )


# ── what stands around the data ────────────────────────────────────────────────────────────────────


def _cleaned(raw: str) -> str:
    """The text in compatibility form, without control and invisible characters; GS stays."""
    text = unicodedata.normalize("NFKC", raw)
    return "".join(each for each in text if each == GS or unicodedata.category(each) not in ("Cc", "Cf"))


def _without_wedge(text: str, schemes: Sequence[Scheme]) -> str:
    """The text without one of the strings that a site's scanners put before it, and one after it."""
    before = (each for scheme in schemes for each in scheme.wedge_prefixes)
    after = (each for scheme in schemes for each in scheme.wedge_suffixes)
    start = next((len(each) for each in before if text[: len(each)].upper() == each.upper()), 0)
    end = next((len(each) for each in after if text[-len(each) :].upper() == each.upper()), 0)
    return text[start : max(start, len(text) - end)]


def _split_symbology(text: str) -> tuple[str | None, str]:
    """The symbology identifier, if the text begins with one, and what follows it."""
    found = _SYMBOLOGY.match(text)
    return (found.group(), text[found.end() :]) if found else (None, text)


# ── what the data is ───────────────────────────────────────────────────────────────────────────────


def _read_payload(text: str, carries: Carries, symbology: str | None, schemes: Sequence[Scheme]) -> Band | NotABand:
    if carries is not Carries.ELEMENTS and (address := _ADDRESS.match(text)):
        return _read_path(address.group(1), symbology, schemes)
    if carries is not Carries.PLAIN:
        if relation := _find_relation(text):
            return _read_relation(*relation, symbology, schemes)
        if carries is Carries.ELEMENTS or (_LOOKS_GS1.match(text) and _find_scheme(compact(text), schemes) is None):
            return NotABand("band-gs1")
    return _read_plain(text, symbology, schemes)


def _read_path(path: str, symbology: str | None, schemes: Sequence[Scheme]) -> Band | NotABand:
    """Read the path of a GS1 Digital Link: key, then qualifier (GS1 Digital Link URI Syntax). The host says nothing."""
    if link := _DIGITAL_LINK.search(path):
        return _read_relation(link.group(1), link.group(2), symbology, schemes)
    return NotABand("band-gs1" if "/8018/" in path else "band-pattern")


def _find_relation(text: str) -> tuple[str, str | None] | None:
    """The service relation number and instance of a GS1 element string, or None when it is not certain.

    8018 has 18 digits, so 8019 may follow it with the separator lost. In any other order a lost separator
    lets the digits be cut differently (`8019123` + `8018…` reads as `8019` and a location number), so there
    it must be present. Two relation numbers are two scans run together.
    """
    wire = _SHOWN_KEY.sub(GS + r"\1", _SHOWN_SEPARATOR.sub(GS, text.replace(" ", "")))
    relations, instances = [], []
    for element in filter(None, wire.split(GS)):
        if relation := _RELATION.fullmatch(element):
            relations.append(relation.group(1))
            instances += [relation.group(2)] if relation.group(2) else []
        elif instance := _INSTANCE.fullmatch(element):
            instances.append(instance.group(1))
        elif not _OTHER_ELEMENT.fullmatch(element):
            return None
    if len(relations) != 1 or len(instances) > 1:
        return None
    return relations[0], next(iter(instances), None)


def _read_relation(number: str, srin: str | None, symbology: str | None, schemes: Sequence[Scheme]) -> Band | NotABand:
    """Read a service relation number: its own check digit first, then whether a scheme of ours issues it."""
    if ean.calc_check_digit(number[:-1]) != number[-1]:
        return NotABand("band-gs1-check")
    issuer = next((each for each in schemes if each.is_service_relation and each.find_fault(number) is None), None)
    if issuer is None:
        return NotABand("band-pattern")
    return _band(number, issuer, symbology=symbology, srin=srin)


def _read_plain(text: str, symbology: str | None, schemes: Sequence[Scheme]) -> Band | NotABand:
    compacted = compact(text)
    scheme = _find_scheme(compacted, schemes)
    if scheme is None:
        return NotABand("band-pattern")
    canonical = scheme.folded(compacted)
    if fault := scheme.find_fault(canonical):
        return NotABand(fault)
    return _band(canonical, scheme, folded=canonical != compacted, symbology=symbology)


def _find_scheme(compacted: str, schemes: Sequence[Scheme]) -> Scheme | None:
    """The scheme whose prefix the text begins with; the longest prefix wins."""
    begun = (scheme for scheme in schemes if compacted.startswith(scheme.prefixes))
    return max(begun, key=lambda scheme: len(scheme.prefix), default=None)


def _candidates(text: str, scheme: Scheme) -> Iterator[Found]:
    for start, end in scheme.find_words(text):
        compacted = compact(text[start:end])
        canonical = scheme.folded(compacted)
        if scheme.find_fault(canonical) is None:
            yield Found(start, end, _band(canonical, scheme, folded=canonical != compacted))
