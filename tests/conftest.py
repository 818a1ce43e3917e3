"""Shared switches of the test suite."""

import pytest


def pytest_addoption(parser: pytest.Parser) -> None:
    parser.addoption("--full-size", action="store_true", help="run statistical tests over all their seeds")


@pytest.fixture(scope="session")
def full_size(request: pytest.FixtureRequest) -> bool:
    """True when statistical tests are to run whole; otherwise they run a small version of themselves."""
    return bool(request.config.getoption("--full-size"))
