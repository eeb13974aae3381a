"""Houses with a page, real but for the broker."""

import pytest

from support.paper import Paper


@pytest.fixture(scope="module")
def house(tmp_path_factory):
    """The plain one, for whoever changes nothing that others look at."""
    with Paper(tmp_path_factory.mktemp("house")) as made:
        yield made
