"""What tests of several drivers share."""

import pytest


@pytest.fixture
def opened():
    """Open drivers that are closed again whatever happens."""
    drivers = []

    def opened(driver):
        drivers.append(driver)
        driver.open()
        return driver

    yield opened
    for driver in drivers:
        driver.close()
