"""One browser and one stand-in for many looks; tests that break the server start their own."""

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from tests.browser.house import NURSERY, House, context_of, open_house


# Not for the whole session: while it is open its loop counts as running in this thread.
@pytest.fixture(scope="package")
def chromium() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path="/usr/bin/chromium", args=["--no-sandbox"]
        )
        yield browser
        browser.close()


@pytest.fixture(scope="package", autouse=True)
def nursery() -> Iterator[None]:
    yield
    NURSERY.close()


@pytest.fixture(scope="module")
def house() -> Iterator[House]:
    with open_house(House()) as found:
        yield found


@pytest.fixture
def own_house() -> Iterator[House]:
    with open_house(House()) as found:
        yield found


@pytest.fixture
def phone(chromium: Browser, house: House) -> Iterator[Page]:
    context = context_of(chromium, house)
    yield context.new_page()
    context.close()
