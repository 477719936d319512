"""Single values of HL7 v2 text: delimiters, escapes, the delete indicator, character sets.

The rules (HL7 v2, edition 2.9.1):

* Delimiters hold for one message only; MSH-1 and MSH-2 say which they are (2.5.4, MSH-1, MSH-2).
* Split first, unescape after; escape first, join after. Escapes do not nest (2.6).
* An escape that is not known stays as it stands; it never fails a message (common practice).
* Bytes are read as MSH-18 says, else as UTF-8, else as the feed's fallback, and never dropped (common
  practice; MSH-18 and table 0211).
"""

import dataclasses
import re
from enum import Enum
from functools import lru_cache
from typing import Final, Literal, NamedTuple

from gateway.errors import UnreadableMessage

# ── the three states of a value ────────────────────────────────────────────────────────────────────


class Null(Enum):
    """The type of `NULL`."""

    NULL = '""'


NULL_TEXT: Final = '""'
NULL: Final = Null.NULL  #: two quotes, alone: what the receiver has stored is to be removed (2.4.3.1, 2.9.5)

#: None is "not populated": no conclusion may be drawn. A text is never empty and never the two quotes.
Value = str | Literal[Null.NULL] | None

# ── delimiters ─────────────────────────────────────────────────────────────────────────────────────

# Far beyond any list of identifiers, near enough to keep a hostile field from filling the memory.
REPETITION_LIMIT: Final = 1_000

# A delimiter is a printable ASCII sign. The quote is refused because `""` could then not be told from
# two delimiters.
_SIGNS = frozenset("!#$%&'()*+,-./:;<=>?@[\\]^_`{|}~")


@dataclasses.dataclass(frozen=True, slots=True)
class Delimiters:
    """The separators of one message, and the escaping that follows from them."""

    field: str = "|"
    component: str = "^"
    repetition: str = "~"
    escape: str = "\\"
    subcomponent: str = "&"
    truncation: str | None = None
    _replacements: dict[int, str] = dataclasses.field(init=False, repr=False, compare=False)
    _meanings: dict[str, str] = dataclasses.field(init=False, repr=False, compare=False)
    _sequence: re.Pattern[str] = dataclasses.field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        letters = {"F": self.field, "S": self.component, "T": self.subcomponent, "R": self.repetition, "E": self.escape}
        if self.truncation:
            letters["P"] = self.truncation
        sign = self.escape
        object.__setattr__(self, "_meanings", letters)
        object.__setattr__(self, "_replacements", {ord(mark): f"{sign}{code}{sign}" for code, mark in letters.items()})
        object.__setattr__(self, "_sequence", _sequence(sign))

    @property
    def encoding_characters(self) -> str:
        """MSH-2 as it is written."""
        return f"{self.component}{self.repetition}{self.escape}{self.subcomponent}{self.truncation or ''}"

    def repetitions(self, field: str) -> list[str]:
        """Split the raw text of a field; what is beyond `REPETITION_LIMIT` stays together in the last."""
        return field.split(self.repetition, REPETITION_LIMIT)

    def nth_repetition(self, field: str, number: int) -> str:
        """Give back the raw text of one repetition, counted from 1; "" where there is none."""
        return _nth(field, self.repetition, number)

    def components(self, repetition: str) -> list[str]:
        """Split the raw text of one repetition; index 0 is component 1."""
        return repetition.split(self.component)

    def subcomponents(self, component: str) -> list[str]:
        """Split the raw text of one component; index 0 is subcomponent 1."""
        return component.split(self.subcomponent)

    def part(self, repetition: str, component: int = 1, subcomponent: int = 1) -> Value:
        """Give back one unescaped value out of the raw text of one repetition.

        Numbers count from 1. What is left out is 1: a part that later versions split keeps its meaning
        in the first (2.7, rules of compatibility). The delete indicator holds for all that is in it.
        """
        text = repetition
        if component == subcomponent == 1 and text.isalnum():
            return text  # most values: letters and digits, and no delimiter is one
        if text == NULL_TEXT:
            return NULL
        if component > 1 or self.component in text:
            text = _nth(text, self.component, component)
            if text == NULL_TEXT:
                return NULL
        if subcomponent > 1 or self.subcomponent in text:
            text = _nth(text, self.subcomponent, subcomponent)
            if text == NULL_TEXT:
                return NULL
        if self.escape in text:
            text = self.unescape(text)
        return text or None

    def escape_text(self, text: str) -> str:
        """Give back the text with every delimiter in it escaped."""
        return text.translate(self._replacements)

    def unescape(self, text: str) -> str:
        r"""Give back what one component or subcomponent means: `\F\ \S\ \T\ \R\ \E\ \P\` hold everywhere.

        Sequences of formatted text and unknown ones stay as they stand.
        """
        if self.escape not in text:
            return text
        return self._sequence.sub(self._plain, text)

    def unescape_formatted(self, text: str, *, codec: str = "utf-8") -> str:
        r"""Give back what a TX or FT value means, line ends as `\n`.

        `\.br\` and its kin become line ends and blanks, `\H\` and `\N\` vanish, `\X0D0A\` is decoded with
        `codec`, the character set of the message (2.6).
        """
        if self.escape not in text:
            return text
        decoded = self._sequence.sub(lambda match: self._formatted(match, codec), text)
        return decoded.replace("\r\n", "\n").replace("\r", "\n")

    def _plain(self, match: re.Match[str]) -> str:
        return self._meanings.get(match[1], match[0])

    def _formatted(self, match: re.Match[str], codec: str) -> str:
        code = match[1]
        if code in self._meanings:
            return self._meanings[code]
        if code.startswith("X"):
            return _hexadecimal(code[1:], codec) or match[0]
        if code.startswith("."):
            return _layout(code[1:3], code[3:])
        return "" if code in {"H", "N"} else match[0]


def _nth(text: str, separator: str, number: int) -> str:
    parts = text.split(separator, number)
    return parts[number - 1] if number <= len(parts) else ""


def _sequence(sign: str) -> re.Pattern[str]:
    """The escape sequences of 2.6 by their form, so that a lone escape character pairs with nothing.

    Numbers of the layout commands are short: `\\.sp99999999\\` must not become a hundred million lines.
    """
    mark = re.escape(sign)
    code = r"[FSTREPHN]|X(?:[0-9A-Fa-f]{2})+|Z[0-9A-Za-z]*|C[0-9A-Fa-f]{4}|M[0-9A-Fa-f]{4}(?:[0-9A-Fa-f]{2})?|"
    layout = r"\.(?:br|fi|nf|ce|(?:sp|in|ti|sk) ?[+-]?[0-9]{0,2})"
    return re.compile(f"{mark}({code}{layout}){mark}")


def _layout(command: str, argument: str) -> str:
    count = abs(int(argument or "1"))
    match command:
        case "br" | "ce":
            return "\n"
        case "sp":
            return "\n" * count
        case "sk":
            return " " * count
        case _:
            return ""


def _hexadecimal(digits: str, codec: str) -> str:
    """The decoded text, or "" when it is no printable text (an image, a control character)."""
    try:
        text = bytes.fromhex(digits).decode(codec)
    except UnicodeDecodeError:
        return ""
    return text if all(character.isprintable() or character in "\t\r\n" for character in text) else ""


USUAL: Final = Delimiters()


@lru_cache(maxsize=256)
def read_delimiters(separator: str, encoding_characters: str) -> Delimiters:
    """Give back the delimiters that MSH-1 and MSH-2 name.

    Raises `UnreadableMessage` when they are fewer than four or more than five, not distinct, or no
    signs: to guess here would put one field's text into another.
    """
    signs = separator + encoding_characters
    if len(encoding_characters) not in {4, 5}:
        raise _no_delimiters("MSH-2 must have four or five characters")
    if len(set(signs)) != len(signs):
        raise _no_delimiters("a character is used for two purposes")
    if not _SIGNS.issuperset(signs):
        raise _no_delimiters("a letter, digit, blank, quote or control character cannot be a delimiter")
    return Delimiters(*signs)


def _no_delimiters(message: str) -> UnreadableMessage:
    return UnreadableMessage(
        message, code="encoding-characters", path="MSH-2", remedy="send MSH-2 as ^~\\&", hl7_code="102"
    )


# ── character sets ─────────────────────────────────────────────────────────────────────────────────

#: MSH-18 (table 0211, and spellings met in practice) to the codec that reads it. CNS 11643-1992 has none;
#: UTF-16 and UTF-32 cannot travel in a frame.
CODECS: Final[dict[str, str]] = {
    "": "ascii",
    "ASCII": "ascii",
    "ISO IR6": "ascii",
    "8859": "iso8859-1",
    **{f"8859/{part}": f"iso8859-{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
    "UNICODE": "utf-8",
    "UNICODE UTF-8": "utf-8",
    "UTF-8": "utf-8",
    "GB 18030-2000": "gb18030",
    "BIG-5": "big5",
    "KS X 1001": "euc_kr",
    "ISO IR14": "shift_jis",
    "ISO IR87": "iso2022_jp",
    "ISO IR159": "iso2022_jp_1",
}

#: The codec of a message we write, and what MSH-18 then says.
NAMES: Final[dict[str, str | None]] = {
    "ascii": None,
    "utf-8": "UNICODE UTF-8",
    **{f"iso8859-{part}": f"8859/{part}" for part in (1, 2, 3, 4, 5, 6, 7, 8, 9, 15)},
}


class Decoded(NamedTuple):
    """Text, the codec that read it, and the finding codes to be told about it, if any."""

    text: str
    codec: str
    findings: tuple[str, ...]


def decode(data: bytes, declared: str, *, fallback: str) -> Decoded:
    """Read the bytes as `declared` (a key of `CODECS`), else as UTF-8, else as `fallback`.

    When nothing fits they are read as Latin-1, which loses nothing and is told as well. Raises
    `LookupError` when `fallback` names no codec.
    """
    codec = CODECS.get(declared)
    unknown = ("hl7-charset-unknown",) if codec is None else ()
    for candidate in (codec, "utf-8", fallback):
        text = _try(data, candidate) if candidate else None
        if candidate and text is not None:
            mismatch = ("hl7-charset-mismatch",) if codec not in {None, candidate} else ()
            return Decoded(text, candidate, unknown + mismatch)
    return Decoded(data.decode("latin-1"), "latin-1", (*unknown, "hl7-charset-mismatch"))


def _try(data: bytes, codec: str) -> str | None:
    try:
        return data.decode(codec)
    except UnicodeDecodeError:
        return None
