"""What tests in every folder share."""

import logging
from collections.abc import Iterator

import pytest
import structlog
from hypothesis import settings

from gateway.store.database import Database
from tests.r4 import R4, skip_without_schema
from tests.store.conftest import database, empty_url, key_file, kind, open_again, server, url
from tests.working import House

#: The stores of `tests/store`, on both databases, for whoever works with a real one.
__all__ = ["database", "empty_url", "house", "key_file", "kind", "open_again", "r4", "server", "url"]


# Properties are searched, not timed: the machine may be busy with other tests.
settings.register_profile("here", deadline=None)
settings.load_profile("here")


@pytest.fixture(autouse=True)
def _logs_as_before() -> Iterator[None]:
    """Where log lines go is set for the whole process, as by a start; it is set back."""
    kept, handlers = structlog.get_config(), list(logging.getLogger().handlers)
    yield
    structlog.configure(**kept)
    logging.getLogger().handlers = handlers


@pytest.fixture
def house(database: Database) -> House:
    """The working floor of the invented region over an empty store; every test runs on both databases."""
    return House(database)


@pytest.fixture(scope="session")
def r4() -> R4:
    """The R4 schema and the R4B models; skips where the schema is not at hand."""
    skip_without_schema()
    return R4()


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """The longest first, so that no worker is left alone with them at the end."""
    items.sort(key=lambda item: "whole" not in item.path.parts)
