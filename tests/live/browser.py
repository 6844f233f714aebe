"""A real browser for the tests of the pages: the machine's Chromium, without a window, driven by Playwright."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from urllib.parse import urlsplit

from playwright.sync_api import Browser, BrowserContext, Page, Request, WebSocket, sync_playwright

NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
LAPTOP, TABLET, PHONE = (1366, 768), (1180, 820), (390, 844)


@contextmanager
def chromium() -> Iterator[Browser]:
    """The machine's Chromium.

    Raises
    ------
    FileNotFoundError
        If there is none.
    """
    path = next((p for name in NAMES if (p := shutil.which(name))), None)
    if path is None:
        raise FileNotFoundError(f"no browser is installed; one of {', '.join(NAMES)} is needed for the pages' tests")
    quiet = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=path, args=quiet)
        try:
            yield browser
        finally:
            browser.close()


@dataclass(slots=True)
class Watched:
    """A browser of its own with one page, and everything it complained about or asked for."""

    context: BrowserContext
    page: Page
    complaints: list[str] = field(default_factory=list)
    asked: set[str] = field(default_factory=set)
    """Hosts that were asked for anything."""


@contextmanager
def window(browser: Browser, size: tuple[int, int] = LAPTOP, *, dark: bool = False) -> Iterator[Watched]:
    """Open a page that knows nothing of other pages, of a size, in light or dark."""
    context = browser.new_context(
        viewport={"width": size[0], "height": size[1]}, color_scheme="dark" if dark else "light"
    )
    page = context.new_page()
    page.set_default_timeout(30_000)
    seen = Watched(context, page)

    def requested(request: Request) -> None:
        seen.asked.add(urlsplit(request.url).hostname or request.url)

    def lined(line: WebSocket) -> None:
        seen.asked.add(urlsplit(line.url).hostname or line.url)

    page.on(
        "console", lambda m: seen.complaints.append(f"{m.type}: {m.text}") if m.type in ("error", "warning") else None
    )
    page.on("pageerror", lambda e: seen.complaints.append(str(e)))
    context.on("request", requested)
    page.on("websocket", lined)
    try:
        yield seen
    finally:
        context.close()
