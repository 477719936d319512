"""A band scheme as data: what one programme's identifiers look like, and how each is checked and printed.

Rules of this file.

* A scheme is checked when it is made; one that contradicts itself never comes into being.
* Canonical means: upper case, no separators, look-alikes folded, check character right. `Scheme.parse` and
  `Scheme.printed` are a pair.
* Folding is safe only because the folded letters can never occur in the scheme's identifiers. Nothing else
  is ever repaired: an identifier that fails its check is refused, however near a valid one may be.
* The check covers the prefix too, so that one slip cannot turn a live band into a training band.
"""

import itertools
import re
from collections.abc import Callable, Iterator, Mapping, Sequence
from functools import cached_property
from math import gcd
from typing import Literal, NamedTuple

import msgspec
from stdnum import damm, ean, luhn, verhoeff
from stdnum.iso7064 import mod_11_2, mod_11_10, mod_37_2, mod_37_36, mod_97_10

from gateway.errors import SenderFault

DIGITS = "0123456789"
LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"

#: What people and printers put between groups; the dashes are those a word processor makes of a hyphen.
SEPARATORS = " -._\u00a0\u2010\u2011\u2012\u2013\u2014\u2212"

LONGEST_IDENTIFIER = 64  #: characters of an identifier; more make a linear symbol wider than a strap

_COMPACT = str.maketrans(dict.fromkeys(SEPARATORS) | dict(zip(LETTERS.lower(), LETTERS, strict=True)))

_OID = re.compile(r"[0-2](\.(0|[1-9][0-9]*))+")


class CheckSystem(NamedTuple):
    """One way to compute check characters.

    `compute` takes the identifier without its check characters and the scheme's alphabet; `places` is how
    many characters it gives; `weighs` are the characters it has a value for and `gives` those it may give,
    each None where that is the scheme's own alphabet.
    """

    compute: Callable[[str, str], str]
    places: int
    weighs: str | None
    gives: str | None


def _by_itself(compute: Callable[[str], str]) -> Callable[[str, str], str]:
    """The computation of a system that has its own character values, whatever the scheme's alphabet."""
    return lambda stem, _alphabet: compute(stem)


_ALNUM = DIGITS + LETTERS

#: Every check system a scheme may name. The ISO ones are those of ISO/IEC 7064 with the standard's character
#: values. `mod-x-2` is its pure system with radix 2 on the scheme's own alphabet of x characters: not a named
#: system of the standard. `gs1-mod-10` is the check digit of the GS1 General Specifications.
CHECK_SYSTEMS: Mapping[str, CheckSystem] = {
    "none": CheckSystem(_by_itself(lambda _stem: ""), 0, _ALNUM, ""),
    "mod-11-2": CheckSystem(_by_itself(mod_11_2.calc_check_digit), 1, DIGITS, DIGITS + "X"),
    "mod-37-2": CheckSystem(_by_itself(mod_37_2.calc_check_digit), 1, _ALNUM, _ALNUM + "*"),
    "mod-x-2": CheckSystem(mod_37_2.calc_check_digit, 1, None, None),
    "mod-97-10": CheckSystem(_by_itself(mod_97_10.calc_check_digits), 2, _ALNUM, DIGITS),
    "mod-11-10": CheckSystem(_by_itself(mod_11_10.calc_check_digit), 1, DIGITS, DIGITS),
    "mod-37-36": CheckSystem(_by_itself(mod_37_36.calc_check_digit), 1, _ALNUM, _ALNUM),
    "luhn": CheckSystem(luhn.calc_check_digit, 1, None, None),
    "damm": CheckSystem(_by_itself(damm.calc_check_digit), 1, DIGITS, DIGITS),
    "verhoeff": CheckSystem(_by_itself(verhoeff.calc_check_digit), 1, DIGITS, DIGITS),
    "gs1-mod-10": CheckSystem(_by_itself(ean.calc_check_digit), 1, DIGITS, DIGITS),
}


class Mistake(NamedTuple):
    """One thing wrong with a scheme: the field it stands in, and what is wrong there."""

    field: str
    says: str


class Slip(NamedTuple):
    """What is first seen to be wrong with a text that should be an identifier.

    `at` is the place of the first character that is wrong, from 1 and not counting separators; where the length is
    wrong it is the number of characters there are, and 0 where the check fails, which cannot tell the place.
    """

    kind: Literal["prefix", "length", "character", "check"]
    at: int


class SchemeError(ValueError):
    """A scheme contradicts itself; `mistakes` holds everything found, not just the first."""

    def __init__(self, mistakes: Sequence[Mistake]) -> None:
        super().__init__("; ".join(f"{mistake.field}: {mistake.says}" for mistake in mistakes))
        self.mistakes = tuple(mistakes)


class Scheme(msgspec.Struct, frozen=True, kw_only=True, dict=True):
    """One programme's identifiers.

    `system` is the namespace as a URI, `namespace`, `universal_id` and `universal_id_type` the same as the
    three parts of an HL7 v2 assigning authority (HD). `length` counts the whole identifier with prefix and
    check characters; `alphabet` is what its body is made of, in the order the check weighs it; `fold` maps
    a look-alike to the character it is read as; `groups` are the lengths of the printed groups.
    `wedge_prefixes` and `wedge_suffixes` are strings that a site's scanners type around the identifier.

    Raises `SchemeError`.
    """

    name: str
    system: str
    namespace: str
    universal_id: str
    universal_id_type: str = "ISO"
    prefix: str
    training_prefix: str | None = None
    alphabet: str
    length: int
    check: str
    fold: Mapping[str, str] = {}
    groups: tuple[int, ...] = ()
    wedge_prefixes: tuple[str, ...] = ()
    wedge_suffixes: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        """Refuse a scheme that contradicts itself."""
        if mistakes := list(_mistakes(self)):
            raise SchemeError(mistakes)

    @cached_property
    def prefixes(self) -> tuple[str, ...]:
        """The live prefix, and the training prefix if there is one."""
        return (self.prefix,) if self.training_prefix is None else (self.prefix, self.training_prefix)

    @cached_property
    def capacity(self) -> int:
        """How many identifiers one prefix has."""
        return int(len(self.alphabet) ** self.body_length)

    @cached_property
    def body_length(self) -> int:
        """How many characters stand between the prefix and the check characters."""
        return self.length - len(self.prefix) - self._system.places

    @cached_property
    def example(self) -> str:
        """An identifier as printed, to show what they look like: one for training if there is one, so nobody's."""
        prefix = self.prefix if self.training_prefix is None else self.training_prefix
        stem = prefix + "".join(itertools.islice(itertools.cycle(self.alphabet), self.body_length))
        return self.printed(stem + self.check_characters(stem))

    @cached_property
    def is_service_relation(self) -> bool:
        """Whether the identifiers are GS1 service relation numbers (GSRN): 18 digits, the last a check."""
        return self.check == "gs1-mod-10" and self.length == 18

    def parse(self, text: str) -> str:
        """Give back the canonical identifier that `text` writes, in any case and with any separators.

        Raises `SenderFault` with code `band-pattern` or `band-check`.
        """
        canonical = self.folded(compact(text))
        fault = self.find_fault(canonical)
        if fault is None:
            return canonical
        raise SenderFault(f"no identifier of scheme {self.name}", code=fault, hl7_code="102")

    def printed(self, canonical: str) -> str:
        """Give back the form people read: the groups with a space between."""
        if not self.groups:
            return canonical
        ends = itertools.accumulate(self.groups)
        return " ".join(canonical[end - size : end] for size, end in zip(self.groups, ends, strict=True))

    def folded(self, compacted: str) -> str:
        """Give back `compacted` with the look-alikes behind its prefix read as what they stand for."""
        start = len(self.prefix)
        return compacted[:start] + compacted[start:].translate(self._folding)

    def find_fault(self, canonical: str) -> Literal["band-pattern", "band-check"] | None:
        """Give back the finding code for what keeps `canonical` from being an identifier, or None."""
        if not self._pattern.fullmatch(canonical):
            return "band-pattern"
        end = self.length - self._system.places
        return None if canonical[end:] == self.check_characters(canonical[:end]) else "band-check"

    def find_slip(self, text: str) -> Slip | None:
        """Give back what keeps `text`, in any case and with any separators, from being an identifier, or None."""
        canonical = self.folded(compact(text))
        fault = self.find_fault(canonical)
        if fault is None:
            return None
        if not canonical.startswith(self.prefixes):
            return Slip("prefix", 1)
        if len(canonical) != self.length:
            return Slip("length", len(canonical))
        return Slip("check", 0) if fault == "band-check" else Slip("character", self._first_stranger(canonical))

    def _first_stranger(self, canonical: str) -> int:
        """The place, from 1, of the first character behind the prefix that cannot stand there."""
        end = self.length - self._system.places
        gives = self.alphabet if self._system.gives is None else self._system.gives
        body = range(len(self.prefix), self.length)
        return 1 + next(at for at in body if canonical[at] not in (self.alphabet if at < end else gives))

    def find_words(self, text: str) -> Iterator[tuple[int, int]]:
        """Give back start and end of each word of `text` that has the form of an identifier.

        A word is unbroken or in its printed groups with one separator between two. Words may overlap, and
        their check is still to be made. The time taken is proportional to the length of `text`.
        """
        if not any(begun in text for begun in self._beginnings):
            return iter(())  # nearly all prose: no word of it begins like an identifier
        return (match.span(1) for match in self._written.finditer(text))

    def check_characters(self, stem: str) -> str:
        """Give back what completes `stem`, which is prefix and body."""
        return self._system.compute(stem, self.alphabet)

    def is_training(self, canonical: str) -> bool:
        """Whether this identifier belongs to exercises, never to patients."""
        return self.training_prefix is not None and canonical.startswith(self.training_prefix)

    @cached_property
    def _system(self) -> CheckSystem:
        return CHECK_SYSTEMS[self.check]

    @cached_property
    def _pattern(self) -> re.Pattern[str]:
        gives = self._system.gives
        check = f"[{re.escape(self.alphabet if gives is None else gives)}]{{{self._system.places}}}"
        body = f"[{self.alphabet}]{{{self.body_length}}}"
        return re.compile(f"(?:{'|'.join(self.prefixes)}){body}{check if self._system.places else ''}")

    @cached_property
    def _written(self) -> re.Pattern[str]:
        """Group 1 is a word of prose that may be an identifier; the check is still to be made."""
        ends = set(itertools.accumulate(self.groups))
        gap = f"[{re.escape(SEPARATORS)}]?"
        spelt = (f"{self._spellings(at)}{gap if at + 1 in ends else ''}" for at in range(self.length - 1))
        word = "".join((*spelt, self._spellings(self.length - 1)))
        return re.compile(rf"(?<![^\W_])(?=({word})(?![^\W_]))")

    @cached_property
    def _beginnings(self) -> tuple[str, ...]:
        """One of these stands in every text that writes an identifier: how a prefix begins, in any case."""
        end = 1 if self.groups[:1] == (1,) else 2  # a separator may stand behind a first group of one
        letters = ([{character, character.lower()} for character in prefix[:end]] for prefix in self.prefixes)
        return tuple("".join(spelt) for each in letters for spelt in itertools.product(*each))

    def _spellings(self, at: int) -> str:
        """What people may write at one place of an identifier, as a character class."""
        if at < len(self.prefix):
            characters = "".join(prefix[at] for prefix in self.prefixes)
        elif at < self.length - self._system.places or self._system.gives is None:
            characters = self.alphabet + "".join(self.fold)
        else:
            characters = self._system.gives + "".join(self.fold)
        return f"[{re.escape(characters + characters.lower())}]"

    @cached_property
    def _folding(self) -> dict[int, str]:
        return str.maketrans(dict(self.fold))


def compact(text: str) -> str:
    """Give back `text` in upper case and without separators; only ASCII letters change case."""
    return text.translate(_COMPACT)


def find_clashes(schemes: Sequence[Scheme]) -> list[Mistake]:
    """Give back what keeps these schemes from standing side by side.

    Names must differ, and the prefix must tell the scheme: a prefix may begin like another's only where the
    next character cannot stand in the other's body.
    """
    clashes = []
    for number, one in enumerate(schemes):
        for other in schemes[number + 1 :]:
            if one.name == other.name:
                clashes.append(Mistake("name", f"two schemes are named {one.name}"))
            if any(_runs_into(p, one, q) or _runs_into(q, other, p) for p in one.prefixes for q in other.prefixes):
                clashes.append(Mistake("prefix", f"{one.name} and {other.name} cannot be told apart"))
    return clashes


def _runs_into(prefix: str, scheme: Scheme, longer: str) -> bool:
    return longer.startswith(prefix) and set(longer[len(prefix) :]) <= set(scheme.alphabet)


# ── what can be wrong with a scheme ────────────────────────────────────────────────────────────────


def _mistakes(scheme: Scheme) -> Iterator[Mistake]:
    yield from _naming_mistakes(scheme)
    yield from _alphabet_mistakes(scheme)
    yield from _prefix_mistakes(scheme)
    yield from _wedge_mistakes(scheme)
    system = CHECK_SYSTEMS.get(scheme.check)
    if system is None:
        yield Mistake("check", f"not a known check system; one of: {', '.join(CHECK_SYSTEMS)}")
    else:
        yield from _length_mistakes(scheme, system)
        yield from _check_mistakes(scheme, system)
        yield from _fold_mistakes(scheme, system)


def _naming_mistakes(scheme: Scheme) -> Iterator[Mistake]:
    for field in ("name", "system", "namespace", "universal_id", "universal_id_type"):
        if not getattr(scheme, field).strip():
            yield Mistake(field, "empty")
    if scheme.universal_id_type == "ISO" and not _OID.fullmatch(scheme.universal_id):
        yield Mistake("universal_id", "not an object identifier, though its type is ISO")
    if scheme.system.startswith("urn:oid:") and scheme.system != f"urn:oid:{scheme.universal_id}":
        yield Mistake("system", "not the object identifier that universal_id gives")


def _alphabet_mistakes(scheme: Scheme) -> Iterator[Mistake]:
    if len(scheme.alphabet) < 2:
        yield Mistake("alphabet", "needs two characters or more")
    if len(set(scheme.alphabet)) < len(scheme.alphabet):
        yield Mistake("alphabet", "has a character twice")
    if not _is_plain(scheme.alphabet):
        yield Mistake("alphabet", "may hold digits and upper-case letters A to Z only")


def _prefix_mistakes(scheme: Scheme) -> Iterator[Mistake]:
    training = scheme.training_prefix
    if not _is_plain(scheme.prefix):
        yield Mistake("prefix", "may hold digits and upper-case letters A to Z only")
    if not scheme.prefix and scheme.check == "none":
        yield Mistake("prefix", "without prefix and check nothing tells an identifier from any other number")
    if training is None:
        return
    if not _is_plain(training):
        yield Mistake("training_prefix", "may hold digits and upper-case letters A to Z only")
    if len(training) != len(scheme.prefix):
        yield Mistake("training_prefix", "must be as long as the prefix")
    elif training == scheme.prefix:
        yield Mistake("training_prefix", "must differ from the prefix")


def _wedge_mistakes(scheme: Scheme) -> Iterator[Mistake]:
    """A string the scanner adds must never be able to eat into an identifier of any scheme."""
    for field in ("wedge_prefixes", "wedge_suffixes"):
        for added in getattr(scheme, field):
            if not (added.isascii() and added.isprintable()):
                yield Mistake(field, "may hold printable ASCII only; control characters are dropped anyway")
            elif all(character in SEPARATORS + "*" or character.isalnum() for character in added):
                yield Mistake(field, "needs a character that no identifier has, such as ~ or #")


def _length_mistakes(scheme: Scheme, system: CheckSystem) -> Iterator[Mistake]:
    if scheme.length <= len(scheme.prefix) + system.places:
        yield Mistake("length", "too short for prefix, body and check")
    if scheme.length > LONGEST_IDENTIFIER:
        yield Mistake("length", f"more than {LONGEST_IDENTIFIER} characters fit no wristband")
    if scheme.groups and (sum(scheme.groups) != scheme.length or min(scheme.groups) < 1):
        yield Mistake("groups", "do not add up to the length")


def _check_mistakes(scheme: Scheme, system: CheckSystem) -> Iterator[Mistake]:
    weighs = set(scheme.alphabet if system.weighs is None else system.weighs)
    if not set(scheme.alphabet) <= weighs:
        yield Mistake("alphabet", f"has a character that {scheme.check} cannot weigh")
    for field, prefix in (("prefix", scheme.prefix), ("training_prefix", scheme.training_prefix or "")):
        if not set(prefix) <= weighs:
            yield Mistake(field, f"has a character that {scheme.check} cannot weigh")
    if scheme.check == "luhn" and len(scheme.alphabet) % 2:
        yield Mistake("alphabet", "luhn misses wrong characters when the alphabet has an odd number of them")
    if scheme.check == "mod-x-2" and _swaps_slip_through(len(scheme.alphabet), scheme.length):
        yield Mistake(
            "alphabet", f"with {len(scheme.alphabet)} characters mod-x-2 misses errors; with 29 it misses none"
        )


def _fold_mistakes(scheme: Scheme, system: CheckSystem) -> Iterator[Mistake]:
    occurring = set(scheme.alphabet) | set(system.gives or "")
    for source, target in scheme.fold.items():
        if len(source) != 1 or not _is_plain(source):
            yield Mistake("fold", "each look-alike is one digit or upper-case letter")
        elif source in occurring:
            yield Mistake("fold", f"{source} occurs in identifiers, so it cannot stand for another character")
        if len(target) != 1 or target not in scheme.alphabet:
            yield Mistake("fold", "each look-alike is read as one character of the alphabet")


def _is_plain(text: str) -> bool:
    return set(text) <= set(_ALNUM)


def _swaps_slip_through(size: int, length: int) -> bool:
    """Whether a check modulo `size` with weights 1, 2, 4, … misses some wrong character or some swap.

    A character wrong by e changes the sum by e·2^i, and a swap of two that differ by e and stand d places
    apart by e·2^i·(2^d - 1). For some e that is a multiple of `size` just when the factor shares a divisor
    with it.
    """
    return any(gcd(factor, size) > 1 for factor in (2, *(2**d - 1 for d in range(2, length))))
