"""What the fuzzer begins with: the messages of the invented day, the broken ones, and the standards' own where present.

A seed shows the fuzzer a way into the reader; whatever it is, the fuzzer bends it.
"""

from collections.abc import Callable, Iterable, Iterator
from pathlib import Path

FIXTURES = Path(__file__).parents[2] / "fixtures"
SHARED = Path(__file__).parents[3] / "shared"
CORPUS = SHARED / "corpus" / "hl7"
SAMPLES = SHARED / "standards" / "nemsis" / "samples"
MOST = 100_000  # bytes of a seed: what is longer only slows the fuzzer down


def admissions() -> Iterator[bytes]:
    """Messages as they stand in files."""
    yield from _short(FIXTURES.glob("day/admissions/*.hl7"))
    yield from _short(FIXTURES.glob("bad/*.hl7"))
    yield from _short(CORPUS.glob("*/*"))


def frames() -> Iterator[bytes]:
    """Streams: framed as they should be, and as they should not."""
    every = list(admissions())
    framed = [b"\x0b" + message + b"\x1c\r" for message in every]
    yield from framed[::7]
    yield b"".join(framed[:2])
    yield b"\x0b" + every[0] + b"\x0b" + every[1] + b"\x1c"
    yield b"\r\n\x0b\x1c\r\x0b\x1c" * 9
    yield from _short(FIXTURES.glob("bad/*.bytes"))


def reports() -> Iterator[bytes]:
    """Care reports, one or several to a file."""
    yield from _short(FIXTURES.glob("day/care-reports/*.xml"))
    yield from _short(FIXTURES.glob("bad/*.xml"))
    yield from _short(SAMPLES.rglob("*.xml"))
    yield next(_short(FIXTURES.glob("day/care-reports/*.xml"))).decode().replace("UTF-8", "UTF-16").encode("utf-16")


def requests() -> Iterator[bytes]:
    """Requests of the web service, written by hand after the standard's WSDL, around nothing, little and a report."""
    who = "<n:username>u</n:username><n:password>p</n:password><n:organization>o</n:organization>"
    yield _envelope("QueryLimit", f"{who}<n:requestType>QueryLimit</n:requestType>")
    handle = "<n:requestHandle>h</n:requestHandle><n:originalRequestType>SubmitData</n:originalRequestType>"
    yield _envelope("RetrieveStatus", f"{who}<n:requestType>RetrieveStatus</n:requestType>{handle}")
    for payload in (
        "",
        "<EMSDataSet xmlns='http://www.nemsis.org'/>",
        "<e:a xmlns:e='u'><!--x--><e:b c='1'/>&amp;</e:a> ",
        *_bodies(),
    ):
        holder = f"<n:submitPayload><n:payloadOfXmlElement>{payload}</n:payloadOfXmlElement></n:submitPayload>"
        about = "<n:requestDataSchema>61</n:requestDataSchema><n:schemaVersion>3.5.1</n:schemaVersion>"
        request = _envelope("SubmitData", f"{who}<n:requestType>SubmitData</n:requestType>{holder}{about}")
        yield request
        yield request.decode().encode("utf-16")


def _bodies() -> Iterator[str]:
    """Short care reports without their declaration."""
    for report in list(_short(FIXTURES.glob("day/care-reports/*.xml")))[:3]:
        yield report.decode().partition("?>")[2]


def _envelope(operation: str, inner: str) -> bytes:
    soap = "http://schemas.xmlsoap.org/soap/envelope/"
    request = f"<n:{operation}Request>{inner}</n:{operation}Request>"
    spaces = f'xmlns:s="{soap}" xmlns:n="http://ws.nemsis.org/" xmlns:xsi="http://www.w3.org/2001/XMLSchema-instance"'
    return f"<s:Envelope {spaces}><s:Header/><s:Body>{request}</s:Body></s:Envelope>".encode()


def _short(paths: Iterable[Path]) -> Iterator[bytes]:
    for path in sorted(paths):
        if path.is_file() and path.stat().st_size <= MOST:
            yield path.read_bytes()


#: What can be fuzzed, and what each begins with.
SEEDS: dict[str, Callable[[], Iterator[bytes]]] = {
    "er7": admissions,
    "frames": frames,
    "reports": reports,
    "requests": requests,
}
