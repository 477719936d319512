"""Reading and mapping care reports, beside lxml that only parses the same bytes.

Ours is the whole reading path of a submission: the guard before the parser, the parser, and a record with the
origin of every value. `lxml.etree.fromstring` builds the tree and nothing else.
"""

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from lxml import etree

from gateway.mapping.care_reports import compile_care_reports
from gateway.mapping_folders import read_mapping_folders, shipped
from gateway.reading import read_reports
from gateway.region import Feed, Region, read_region
from tests.bench.figures import Figure, race

FIXTURES = Path(__file__).parents[2] / "fixtures"
SAMPLES = Path(__file__).parents[3] / "shared" / "standards" / "nemsis" / "samples"
FOLDERS = ("pretest-full", "pretest-national", "generated", "custom-elements")
AGENCY = "harrow-point-reports"  # the feed that lends its name to samples of nobody
AIM = 0.4  # times the rate of lxml


def measure() -> Iterator[Figure]:
    """Give back a figure for the fixtures, for each of their feeds, and for each folder of samples."""
    region = read_region(FIXTURES / "region.yaml")
    day = {path.name: path.read_bytes() for path in sorted((FIXTURES / "day" / "care-reports").glob("*.xml"))}
    yield _figure(f"care report read + map, all {len(day)} of the fixtures", region, list(day.values()), None)
    for feed in region.feeds.values():
        sent = [data for name, data in day.items() if name.endswith(f"-{feed.organisation}.xml")]
        if sent:
            yield _figure(f"  of them {len(sent)}, {feed.name} ({feed.mapping})", region, sent, feed)
    plain = _plain_feed(region.feeds[AGENCY])
    folders = {each: [path.read_bytes() for path in sorted((SAMPLES / each).glob("*.xml"))] for each in FOLDERS}
    samples = [sample for each in folders.values() for sample in each]
    if not samples:
        print("absent, so not measured: the samples of the standard")
        return
    yield _figure(f"care report read + map, all {len(samples)} samples", region, samples, plain)
    for folder, files in folders.items():
        yield _figure(f"  of them {len(files)}, {folder}", region, files, plain)


def _figure(what: str, region: Region, files: list[bytes], feed: Feed | None) -> Figure:
    def read(data: bytes) -> None:
        for _ in read_reports(region, data, feed=feed):
            continue

    rates = race({"ours": (read, files), "lxml": (etree.fromstring, files)})
    return Figure(what, rates["ours"], "files/s", "lxml.etree.fromstring", rates["lxml"], AIM)


def _plain_feed(feed: Feed) -> Feed:
    """The feed with the mapping that every other care-report mapping is based on."""
    folders = read_mapping_folders([shipped("mappings")])
    reader = compile_care_reports(folders.mappings["nemsis-3.5"], folders.tables)
    return replace(feed, mapping="nemsis-3.5", reader=reader)
