"""Files that may not be read, also where the tests run as root, whom no permission stops."""

import os
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

needs_permissions = pytest.mark.skipif(not hasattr(os, "seteuid"), reason="this system has no POSIX permissions")


@contextmanager
def nobody() -> Iterator[None]:
    """Permissions do not hold for root, who is a user without a name for as long."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        os.seteuid(user)
