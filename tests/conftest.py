"""Fixtures that several folders of tests share."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from jack_server import JackServer, jack_environment


@pytest.fixture(scope="session")
def jack_server() -> Iterator[JackServer]:
    """A JACK server for the whole run; clients of this process and of its children find it."""
    with jack_environment() as server:
        yield server
