"""The smallest region that can be served, and how faults of a region file are compared."""

from pathlib import Path

import pytest

from gateway.errors import ConfigurationFault
from gateway.region import read_region

SCHEME = """\
schemes:
  - name: yarrowfen
    system: "urn:oid:2.16.840.1.113883.19.77.1"
    namespace: YFBAND
    universal_id: "2.16.840.1.113883.19.77.1"
    prefix: YF
    alphabet: "0123456789ACDEFGHJKMNPQRTVWXY"
    length: 9
    check: mod-x-2
"""
HEAD = 'name: Yarrowfen\ntime_zone: America/Chicago\naddress: "http://127.0.0.1:8080"\n'
PLACES = """\
organisations:
  - {id: larkfield, kind: agency, name: Larkfield Fire District, nemsis_number: YF-A-012}
  - {id: fenwick, kind: facility, name: "Fenwick Children's", codes: [FC01]}
"""
SMALL = HEAD + SCHEME + PLACES


def faults_of(path: Path) -> list[str]:
    """Every fault without the folder of its file."""
    with pytest.raises(ConfigurationFault) as caught:
        read_region(path)
    return [str(fault).replace(f"{path.parent}/", "") for fault in caught.value.faults]
