"""XML that stays well-formed while it is bent: elements go, come twice, change places, names and texts.

A fuzzer that changes bytes breaks the markup nearly every time and gets no further than the parser. Here the
parser is passed, and what is tried is what stands behind it.
"""

import random
from collections.abc import Callable

from lxml import etree

#: Texts that a reader of this trade is most likely to stumble over.
TEXTS = (
    "", " ", "0", "-1", "99999999999999999999", "1e309", "NaN", "٣", "\u00a0", "\U0001f691", "x" * 5000,
    "2026-03-14", "2026-02-30", "0000-00-00T00:00:00Z", "9999-12-31T23:59:59-14:00", "0001-01-01T00:00:00+14:00",
    "2026-03-08T02:30:00", "2026-03-14T12:00:00.1234567890+24:00", "7701001", "YF7K4M2QG", "yf 7k4 m2qg", "YF-7K4M2QG.",
    "9906001", "M", "true", "\t\n", "urn:uuid:", "{}", "%s", "]]>", "&amp;",
)  # fmt: skip
TIMES = 3  # changes to one tree, at most

Bending = Callable[[list[etree._Element], random.Random], None]


def bent(data: bytes, chance: random.Random) -> bytes | None:
    """Give back the document with a few changes; None for one that cannot be parsed."""
    parser = etree.XMLParser(resolve_entities=False, no_network=True, load_dtd=False)
    try:
        root = etree.fromstring(data, parser)
    except (etree.XMLSyntaxError, ValueError):
        return None
    for _ in range(chance.randint(1, TIMES)):
        elements = [each for each in root.iter() if isinstance(each.tag, str)][1:]
        if elements:
            chance.choice(BENDINGS)(elements, chance)
    return bytes(
        etree.tostring(root, xml_declaration=chance.random() < 0.5, encoding=chance.choice(("UTF-8", "ASCII")))
    )


def _write(elements: list[etree._Element], chance: random.Random) -> None:
    texts = [each for each in elements if not len(each)]
    if texts:
        text = chance.choice(TEXTS)
        chance.choice(texts).text = text if chance.random() < 0.8 else (chance.choice(texts).text or "") + text


def _remove(elements: list[etree._Element], chance: random.Random) -> None:
    element = chance.choice(elements)
    above = element.getparent()
    if above is not None:
        above.remove(element)


def _repeat(elements: list[etree._Element], chance: random.Random) -> None:
    element = chance.choice(elements)
    above = element.getparent()
    if above is not None:
        above.insert(chance.randint(0, len(above)), etree.fromstring(etree.tostring(element, with_tail=False)))


def _move(elements: list[etree._Element], chance: random.Random) -> None:
    element, place = chance.choice(elements), chance.choice(elements)
    if element is not place and element not in place.iterancestors():
        place.append(element)


def _rename(elements: list[etree._Element], chance: random.Random) -> None:
    chance.choice(elements).tag = chance.choice(elements).tag


def _attribute(elements: list[etree._Element], chance: random.Random) -> None:
    names = sorted({str(name) for each in elements for name in each.attrib})
    if names:
        chance.choice(elements).set(chance.choice(names), chance.choice([t for t in TEXTS if t.isprintable()]))


def _forget(elements: list[etree._Element], chance: random.Random) -> None:
    chance.choice(elements).attrib.clear()


BENDINGS: tuple[Bending, ...] = (_write, _write, _write, _remove, _repeat, _move, _rename, _attribute, _forget)
