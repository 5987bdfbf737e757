"""The pages over an empty folder, for every test that asks them something."""

from collections.abc import Iterator
from pathlib import Path

import pytest
from fastapi.testclient import TestClient

from tests.api_site import ApiSite


@pytest.fixture
def site(tmp_path: Path) -> ApiSite:
    """Give the app's files and clock before it runs."""
    return ApiSite(tmp_path)


@pytest.fixture
def client(site: ApiSite) -> Iterator[TestClient]:
    """Give a client of the running app, on this machine."""
    with site.client() as client:
        yield client
