"""What the gateway and the process that runs rule files say to each other."""

import hashlib
from typing import NamedTuple, Self

import msgspec


class Stylesheet(NamedTuple):
    """A rule file made a stylesheet; `key` tells it from every other."""

    text: str
    key: str

    @classmethod
    def of(cls, data: bytes) -> Self:
        """Give back the stylesheet with its key."""
        return cls(data.decode(), hashlib.sha256(data).hexdigest())


class Compile(msgspec.Struct, tag=True, frozen=True):
    """Make a stylesheet ready under a name."""

    name: str
    stylesheet: str
    seconds: float


class Run(msgspec.Struct, tag=True, frozen=True):
    """Run a stylesheet made ready before on one part of a data set, for so many seconds at most."""

    name: str
    part: str
    headers: int
    reports: int
    seconds: float


class Done(msgspec.Struct, tag=True, frozen=True):
    """What came of it: the result, empty after `Compile`."""

    result: str = ""


class Broken(msgspec.Struct, tag=True, frozen=True):
    """The stylesheet cannot be made ready, or broke off; `words` are the processor's, and may quote the report."""

    words: str


Order = Compile | Run
Answer = Done | Broken
