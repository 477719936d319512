"""Who issued an identifier: from what an HL7 v2 message says to a namespace as a URI.

An assigning authority (HD) has a universal id, which is the real key, and a namespace, a local nickname that
differs from feed to feed. So the universal id comes first, then the feed's own table, and what neither
resolves stays unresolved: a namespace is never taken for a URI.

Most real identifiers carry a namespace only, and many carry neither: a row of the table that names only a
type resolves those without an issuer.
"""

from collections.abc import Iterable

from gateway.mapping.source import Authority

_OID_CHARACTERS = frozenset("0123456789.")
_UUID_CHARACTERS = frozenset("0123456789abcdef-")


def resolve(
    authorities: Iterable[Authority],
    namespace: str | None,
    universal_id: str | None,
    universal_id_type: str | None,
    type_code: str | None,
) -> str | None:
    """Give back the namespace as a URI, or None when neither the message nor the table tells it.

    `namespace`, `universal_id` and `universal_id_type` are CX.4.1 to CX.4.3, `type_code` is CX.5.
    """
    if universal_id:
        system = universal_system(universal_id, universal_id_type)
        if system:
            return system
    best, most = None, 0
    for row in authorities:
        points = _matching_parts(row, namespace, universal_id, type_code)
        if points > most:
            best, most = row.system, points
    return best


def universal_system(universal_id: str, universal_id_type: str | None) -> str | None:
    """Give back the URI that a universal id is, if its type (HL7 table 0301) makes it one.

    ISO and UUID as the v2-to-FHIR datatype map HD[uri] has them. An object identifier is taken as one
    without its type too (common practice); an id whose type it does not obey is no key.
    """
    if universal_id_type in ("ISO", None):
        is_oid = universal_id[:1] in ("0", "1", "2") and _OID_CHARACTERS.issuperset(universal_id)
        return f"urn:oid:{universal_id}" if is_oid and _is_dotted(universal_id) else None
    if universal_id_type in ("UUID", "GUID"):
        uuid = universal_id.lower()
        return f"urn:uuid:{uuid}" if len(uuid) == 36 and _UUID_CHARACTERS.issuperset(uuid) else None
    if universal_id_type == "URI" and ":" in universal_id and " " not in universal_id:
        return universal_id
    return None


def _is_dotted(universal_id: str) -> bool:
    return "." in universal_id and ".." not in universal_id and universal_id[-1] != "."


def _matching_parts(row: Authority, namespace: str | None, universal_id: str | None, type_code: str | None) -> int:
    """How many parts of the row the identifier agrees with; 0 when it contradicts one.

    Namespace and universal id are two names of one issuer, so either may be missing where the other agrees.
    """
    if row.type is not None and row.type != type_code:
        return 0
    if row.namespace is None and row.universal_id is None:
        return int(row.type is not None and namespace is None and universal_id is None)
    points = 0
    if namespace is not None and row.namespace is not None:
        if namespace != row.namespace:
            return 0
        points += 1
    if universal_id is not None and row.universal_id is not None:
        if universal_id != row.universal_id:
            return 0
        points += 1
    return points + (row.type is not None) if points else 0
