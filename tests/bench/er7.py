"""Reading and mapping admission messages, beside two foreign readers that only parse.

Ours is the whole reading path: text, announced event, and a record with the origin of every value. Beside it
stand python-hl7 and hl7apy (on a sample: it takes milliseconds a message), which get text whose line ends
are already mended.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from zoneinfo import ZoneInfo

import hl7
from hl7apy.exceptions import HL7apyException
from hl7apy.parser import parse_message

from gateway.mapping.admissions import compile_admissions
from gateway.mapping_folders import read_mapping_folders, shipped
from gateway.reading import read_admission
from gateway.region import Feed, Region, read_region
from tests.bench.figures import Figure, race

FIXTURES = Path(__file__).parents[2] / "fixtures"
CORPUS = Path(__file__).parents[3] / "shared" / "corpus" / "hl7" / "good"
FEED = "saint-orla-adt"  # lends its time zone and authorities to messages of nobody
MAPPINGS = ("hl7v2", "band-in-pid3-any-authority")
SAMPLE = 12  # messages that hl7apy reads
AIM = 3.0  # times the rate of python-hl7


def measure() -> Iterator[Figure]:
    """Give back a figure for the fixtures as a whole, for each of their feeds, and for the corpus."""
    region = read_region(FIXTURES / "region.yaml")
    day = [path.read_bytes() for path in sorted((FIXTURES / "day" / "admissions").glob("*.hl7"))]
    yield from _figures(f"ER7 read + map, all {len(day)} of the fixtures", region, day, None)
    for name, messages in _by_feed(region, day).items():
        yield from _figures(f"  of them {len(messages)}, {name}", region, messages, None, foreign=False)
    corpus = [path.read_bytes() for path in sorted(CORPUS.glob("ADT*.hl7"))]
    if not corpus:
        print(f"absent, so not measured: the corpus ({CORPUS.parent.name}/{CORPUS.name})")
        return
    for mapping in MAPPINGS:
        feed = _feed_with(region.feeds[FEED], mapping)
        yield from _figures(f"ER7 read + map, {len(corpus)} ADT of the corpus, {mapping}", region, corpus, feed)


def _figures(
    what: str, region: Region, messages: list[bytes], feed: Feed | None, *, foreign: bool = True
) -> Iterator[Figure]:
    texts = [readable(message) for message in messages]
    rates = race(
        {
            "ours": (lambda message: read_admission(region, message, feed=feed), messages),
            "hl7.parse": (hl7.parse, texts),
        }
    )
    ours = rates["ours"]
    yield Figure(what, ours, "messages/s", "hl7.parse", rates["hl7.parse"], AIM)
    if foreign:
        sample = [text for text in texts if _hl7apy_reads(text)][:SAMPLE]
        yield Figure(
            "", ours, "messages/s", "hl7apy.parse_message", race({"hl7apy": (parse_message, sample)}, turns=3)["hl7apy"]
        )


def readable(message: bytes) -> str:
    """Give back the text as the foreign readers want it: a CR after every segment."""
    return message.decode("latin-1").strip("\x0b\x1c\r\n").replace("\r\n", "\r").replace("\n", "\r") + "\r"


def _hl7apy_reads(text: str) -> bool:
    try:
        parse_message(text)
    except HL7apyException:
        return False
    return True


def _by_feed(region: Region, messages: list[bytes]) -> dict[str, list[bytes]]:
    found: dict[str, list[bytes]] = {}
    for message in messages:
        feed = read_admission(region, message).feed
        found.setdefault(f"{feed.name} ({feed.mapping})", []).append(message)
    return found


def _feed_with(feed: Feed, mapping: str) -> Feed:
    folders = read_mapping_folders([shipped("mappings")])
    source = replace(feed.source, zone=ZoneInfo("UTC"))
    reader = compile_admissions(folders.mappings[mapping], folders.tables)
    return replace(feed, mapping=mapping, reader=reader, source=source)
