"""The band schemes that these tests share: that of the invented region, and one of GS1 service relation numbers."""

from gateway.bands.scheme import DIGITS, Scheme

YARROWFEN = Scheme(
    name="yarrowfen",
    system="urn:oid:2.16.840.1.113883.19.77.1",
    namespace="YFBAND",
    universal_id="2.16.840.1.113883.19.77.1",
    prefix="YF",
    training_prefix="YT",
    alphabet="0123456789ACDEFGHJKMNPQRTVWXY",
    length=9,
    check="mod-x-2",
    fold={"O": "0", "I": "1", "L": "1", "Z": "2", "S": "5", "B": "8"},
    groups=(3, 3, 3),
    wedge_prefixes=("~", "BAND:"),
    wedge_suffixes=("#",),
)

# The company prefix of the GSRN example in the EPC Tag Data Standard.
GSRN = Scheme(
    name="service-relations",
    system="urn:oid:2.16.840.1.113883.19.77.8",
    namespace="YFGSRN",
    universal_id="2.16.840.1.113883.19.77.8",
    prefix="0614141",
    alphabet=DIGITS,
    length=18,
    check="gs1-mod-10",
    groups=(6, 6, 6),
)

SCHEMES = (YARROWFEN, GSRN)
