"""What tests in every folder share."""

import pytest

from tests.r4 import R4, skip_without_schema


@pytest.fixture(scope="session")
def r4() -> R4:
    """The R4 schema and the R4B models; skips where the schema is not at hand."""
    skip_without_schema()
    return R4()
