"""What a mapping needs to know about the feed a message came from.

The region file says these things once; mapping, which knows no files, takes them as one value.
"""

from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import tzinfo

from gateway.bands.scheme import Scheme


@dataclass(frozen=True, slots=True, kw_only=True)
class Authority:
    """One row of a feed's table of issuers: what the source writes, and which namespace it means.

    `namespace` is CX.4.1, `universal_id` CX.4.2, `type` CX.5; an unset one matches anything, and the row
    with the most matching parts wins. A row with nothing but a type resolves identifiers without an issuer
    (most real identifiers carry a namespace only, some nothing at all). `system` is the namespace as a URI.
    """

    system: str
    namespace: str | None = None
    universal_id: str | None = None
    type: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """A feed, as far as reading its messages is concerned.

    `zone` is the feed's local time, for times without an offset. `facilities` resolves a destination code to
    an organisation of the region. `placeholders` are family names (upper case) that stand for nobody: "DOE".
    `trial` marks all its messages as test traffic.
    """

    feed: str
    organisation: str
    zone: tzinfo
    schemes: tuple[Scheme, ...]
    authorities: tuple[Authority, ...] = ()
    facilities: Mapping[str, str] = field(default_factory=dict)
    placeholders: frozenset[str] = frozenset()
    agency_numbers: frozenset[str] = frozenset()
    trial: bool = False
