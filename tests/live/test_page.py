"""The pages in a real browser: a session as a coach lives it, guests, and what everybody must be able to use."""

from __future__ import annotations

import re
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from browser import LAPTOP, PHONE, TABLET, Watched, chromium, window
from playwright.sync_api import Browser, Locator, Page, expect
from served import GUEST_NAME, Served, served

from forcekit.live.invented import LIFTERS, invented_day

MARKUP = '"><img src=x onerror="window.broken=1"><b>Bo</b> & \'Kim\''
SPEED = 8.0
"""The day is played so much faster than it was; the analysis keeps up on a slow machine."""
WAIT_MS = 90_000
CUE = "Heels heavy, then jump."

pytestmark = pytest.mark.filterwarnings("ignore::ResourceWarning")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    """One browser for all tests; each opens windows of its own in it."""
    with chromium() as running:
        yield running


@pytest.fixture(scope="module")
def live(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A session in which an invented lifter did three reps and went home; the plate is silent now."""
    with served(invented_day(lifters=LIFTERS[:1]), tmp_path_factory.mktemp("live"), speed=SPEED, loop=False) as running:
        wait_until(lambda: len(settled(running)) >= 3)
        yield running


def wait_until(true: Callable[[], bool]) -> None:
    """Wait until something is true; a test that waits too long fails."""
    until = time.monotonic() + WAIT_MS / 1000
    while not true():
        assert time.monotonic() < until, "it did not happen"
        time.sleep(0.05)


def settled(live: Served) -> list[int]:
    """Numbers of the reps that are measured for good."""
    return [r["rep"] for r in live.session.state()["reps"] if r["stage"] == "settled"]


def reps(page: Page) -> int:
    """How many reps the strip shows."""
    return page.locator("#strip .rep").count()


def strip(page: Page, rep: int) -> Locator:
    """The button of a rep in the strip."""
    return page.locator(f'.rep[data-rep="{rep}"]')


def wait_for_reps(page: Page, n: int) -> None:
    """Wait until the strip shows so many reps or more."""
    expect(page.locator("#strip .rep").nth(n - 1)).to_be_attached(timeout=WAIT_MS)


def choose(page: Page, opener: str, choice: str) -> None:
    """Open a sheet and tap a choice."""
    page.locator(opener).click()
    page.locator("#sheet").get_by_role("button", name=choice, exact=True).click()
    expect(page.locator("#sheet")).not_to_be_visible()


def all_is_well(seen: Watched, *hosts: str) -> None:
    """No complaint in the console, nothing asked from elsewhere."""
    assert [] == seen.complaints
    assert set(hosts) >= seen.asked


def test_a_session_on_the_page(browser: Browser, tmp_path: Path) -> None:
    """A coach's session: marks, load, undo, a trial with its answer, a reload, and a while without any page."""
    day = invented_day(lifters=LIFTERS[:1])
    with served(day, tmp_path, speed=SPEED) as live:
        with window(browser) as seen:
            seen.page.goto(live.here)
            marks_and_loads(seen.page, live)
            trial(seen.page, live)
            seen.page.reload()
            wait_for_reps(seen.page, 6)
            expect(seen.page.locator("#trial")).to_have_text(live.session.state()["trial"]["answer"])
            expect(strip(seen.page, 2)).to_have_attribute("aria-label", re.compile("missed forward"))
            seen.page.locator("#open-trial").click()
            expect(seen.page.locator("#trial")).not_to_be_visible()
            all_is_well(seen, "127.0.0.1")
        then_s = live.session.state()["now_s"]
        wait_until(lambda: live.session.state()["now_s"] > then_s + 2.0)  # nobody looks, samples go on coming
        assert live.session.state()["recording"]["failure"] is None
        with window(browser) as seen:
            seen.page.goto(live.here)
            wait_for_reps(seen.page, 6)
            all_is_well(seen, "127.0.0.1")


def marks_and_loads(page: Page, live: Served) -> None:
    """Three reps come; each is marked in another way; the load is stepped, typed and taken back."""
    wait_for_reps(page, 3)
    expect(page.locator(".number")).to_have_count(3)
    expect(page.locator("#say")).to_contain_text("rep ")
    strip(page, 3).click()
    page.get_by_role("button", name="Made", exact=True).click()
    expect(page.get_by_role("button", name="Made", exact=True)).to_have_attribute("aria-pressed", "true")
    strip(page, 2).click()
    page.keyboard.press("f")
    expect(strip(page, 2)).to_have_attribute("aria-label", re.compile("missed forward"))
    page.keyboard.press("ArrowLeft")
    choose(page, "#more-outcomes", "not tried")
    outcomes = {r["rep"]: r["outcome"] for r in live.session.state()["reps"]}
    assert ["not tried", "missed forward", "made"] == [outcomes[r] for r in (1, 2, 3)]

    page.locator("#load-more").click()
    expect(page.locator("#pick-load")).to_contain_text("62.5 kg")
    page.keyboard.press("l")
    page.locator("#sheet input").fill("64,5")
    page.keyboard.press("Enter")
    expect(page.locator("#pick-load")).to_contain_text("64.5 kg")
    page.locator("#undo").click()
    expect(page.locator("#pick-load")).to_contain_text("62.5 kg")


def trial(page: Page, live: Served) -> None:
    """A cue is tried with the next three reps, and the page shows the session's answer."""
    wait_until(lambda: len(settled(live)) >= 3)  # a first look does not count as a rep before
    page.locator("#open-trial").click()
    page.locator("#sheet").get_by_label("In your own words").fill(CUE)
    page.keyboard.press("Enter")
    expect(page.locator("#trial")).to_contain_text(CUE)
    expect(page.locator("#pick-cue")).to_contain_text(CUE)
    expect(page.locator("#trial")).not_to_contain_text("more to go", timeout=WAIT_MS)
    told = live.session.state()["trial"]
    assert len(told["with"]) >= 3
    expect(page.locator("#trial")).to_have_text(told["answer"])
    assert {62.5} == {r["load_kg"] for r in live.session.state()["reps"] if r["cue"] == CUE}


def test_guests_come_in_with_a_code(browser: Browser, live: Served) -> None:
    """A wrong code is refused, a right one lets a second screen in; two pages show the same; shown out, it is out."""
    with window(browser) as coach, window(browser, TABLET) as tablet:
        coach.page.goto(live.here)
        tablet.page.goto(live.there)
        expect(tablet.page).to_have_url(f"{live.there}/join")
        coach.page.locator("#open-share").click()
        coach.page.get_by_role("button", name="A second screen of mine").click()
        digits = coach.page.locator(".digits")
        expect(digits).to_have_text(re.compile(r"^\d{3} \d{3}$"))
        assert (
            coach.page.locator(".code img").evaluate(
                "i => i.complete ? i.naturalWidth : i.decode().then(() => i.naturalWidth)"
            )
            > 0
        )
        code = digits.inner_text().replace(" ", "")

        tablet.page.get_by_label("Your name").fill("Tablet by the rack")
        tablet.page.get_by_label("Code").fill(f"{(int(code) + 1) % 10**6:06d}")
        tablet.page.get_by_role("button", name="Come in").click()
        expect(tablet.page.locator("#why")).to_contain_text("not the code")
        tablet.complaints.clear()  # the browser notes the refusal's status
        tablet.page.goto(f"{live.there}/join#{code}")
        tablet.page.reload()
        tablet.page.get_by_label("Code").fill(code)
        tablet.page.get_by_label("Your name").fill("Tablet by the rack")
        tablet.page.get_by_role("button", name="Come in").click()
        expect(tablet.page).to_have_url(f"{live.there}/")
        expect(coach.page.locator("#sharing")).to_contain_text("Tablet by the rack · second screen · looking on")
        coach.page.locator("#sheet-close").click()

        wait_for_reps(coach.page, 1)
        wait_for_reps(tablet.page, 1)
        first = live.session.state()["reps"][0]["rep"]
        strip(tablet.page, first).click()
        tablet.page.get_by_role("button", name="Missed back", exact=True).click()
        expect(strip(coach.page, first)).to_have_attribute("aria-label", re.compile("missed back"))
        expect(tablet.page.locator("#open-share")).not_to_be_visible()

        coach.page.locator("#open-share").click()
        coach.page.get_by_role("button", name="Show Tablet by the rack out").click()
        expect(tablet.page).to_have_url(f"{live.there}/join")
        all_is_well(coach, "127.0.0.1")
        all_is_well(tablet, GUEST_NAME)


def test_a_lifters_phone_shows_own_lifts(browser: Browser, live: Served) -> None:
    """A lifter comes in with the scanned address, sees the lifts and the history, and finds nothing to change."""
    with window(browser) as coach, window(browser, PHONE) as phone:
        coach.page.goto(live.here)
        coach.page.locator("#open-share").click()
        coach.page.locator("#whose").select_option("Ines Falkner")
        coach.page.get_by_role("button", name="Code for this lifter").click()
        code = coach.page.locator(".digits").inner_text().replace(" ", "")
        phone.page.goto(f"{live.there}/join#{code}")
        expect(phone.page.get_by_label("Code")).to_have_value(code)
        assert code not in phone.page.url
        phone.page.get_by_label("Your name").fill("Ines")
        phone.page.keyboard.press("Enter")
        expect(phone.page).to_have_url(f"{live.there}/lifter")
        expect(phone.page.locator("h1")).to_have_text("Ines Falkner")
        wait_for_reps(phone.page, 1)
        expect(phone.page.locator("#history img")).to_be_visible(timeout=WAIT_MS)
        for gone in ("Made", "Undo", "Cue trial", "Share"):
            assert 0 == phone.page.get_by_role("button", name=gone, exact=True).count()
        all_is_well(phone, GUEST_NAME)


def test_a_name_is_never_markup(browser: Browser, live: Served) -> None:
    """Somebody whose name is made of markup is shown letter by letter on every page, and nothing of it runs."""
    with window(browser) as seen:
        page = seen.page
        page.goto(f"{live.here}/bench")
        page.locator("summary").click()
        page.get_by_label("Name or pseudonym").fill(MARKUP)
        page.get_by_label("Body mass, kg").fill("70,5")
        page.locator("#add").get_by_role("button", name="Add").click()
        expect(page.get_by_role("button", name=MARKUP)).to_be_visible()
        expect(page.locator("#whose")).to_have_text(MARKUP)
        page.wait_for_load_state("networkidle")
        seen.complaints.clear()  # the browser notes that the new lifter has no history
        page.goto(live.here)
        page.locator("#pick-athlete").click()
        page.locator("#sheet").get_by_role("button", name=MARKUP, exact=True).click()
        expect(page.locator("#pick-athlete .what")).to_have_text(MARKUP)
        assert 0 == page.locator("img").count() + page.locator("b", has_text=re.compile("^Bo$")).count()
        assert page.evaluate("window.broken") is None
        choose(page, "#pick-athlete", "Ines Falkner")
        all_is_well(seen, "127.0.0.1")


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("size", [LAPTOP, TABLET, PHONE], ids=["laptop", "tablet", "phone"])
def test_everybody_can_use_the_coachs_page(browser: Browser, live: Served, size: tuple[int, int], dark: bool) -> None:
    """Nothing for axe to find, nothing wider than the screen, large buttons, one view on laptop and tablet."""
    with window(browser, size, dark=dark) as seen:
        page = seen.page
        page.goto(live.here)
        wait_for_reps(page, 1)
        page.wait_for_timeout(300)
        accessible(page)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        assert size == PHONE or page.evaluate("document.documentElement.scrollHeight <= innerHeight")
        for opener in ("#open-trial", "#pick-load", "#devices", "#open-share"):
            page.locator(opener).click()
            if size == LAPTOP and not dark:
                accessible(page)
            large_enough(page)
            page.keyboard.press("Escape")
        large_enough(page)
        all_is_well(seen, "127.0.0.1")


def test_a_small_phone_cuts_no_load_and_no_button(browser: Browser, live: Served) -> None:
    """A load of which only the first digit is seen is another load."""
    with window(browser, (360, 700)) as seen:
        page = seen.page
        page.goto(live.here)
        load = page.locator("#pick-load .what")
        load.evaluate("e => { e.textContent = '102.5 kg' }")
        assert load.evaluate("e => e.scrollWidth <= e.clientWidth && e.parentElement.scrollWidth <= innerWidth")
        page.locator("#devices").click()
        keys = page.get_by_role("button", name="Keys:")
        assert keys.evaluate(
            "e => e.getBoundingClientRect().right <= e.closest('dialog').getBoundingClientRect().right"
        )


@pytest.mark.parametrize("size", [LAPTOP, TABLET, PHONE], ids=["laptop", "tablet", "phone"])
def test_the_large_numbers_carry_their_uncertainty(browser: Browser, live: Served, size: tuple[int, int]) -> None:
    """Beside each number stands ± half its interval, small; nothing runs out of its column, be it ever so wide."""
    with window(browser, size) as seen:
        page = seen.page
        page.goto(live.here)
        wait_for_reps(page, 3)
        strip(page, 3).click()
        numbers = live.session.state()["reps"][2]["numbers"]
        halves = [t.replace("\u2009", " ") for t in page.locator(".number .half").all_inner_texts()]
        assert [f"± {n['half']}" for n in numbers] == halves
        assert all(re.fullmatch(r"± <?\d+(\.\d)?", h) for h in halves)
        in_their_columns(page)
        if size == LAPTOP:
            # Read at 3 m: normal sight (1.0) reads letters of 5', three times that is 15' or 13.1 mm; a laptop of 14
            # inches shows 1366 px on 310 mm.
            assert 310.0 / 1366.0 * digit_px(page) > 13.1
        sizes = page.locator(".number .half, .number .value").evaluate_all(
            "all => all.map((e) => parseFloat(getComputedStyle(e).fontSize))"
        )
        assert all(2.0 * half < number for number, half in zip(sizes[::2], sizes[1::2], strict=True))
        page.evaluate(
            """async () => {
              const { number } = await import('/parts/rep.js');
              const wide = { label: 'shift', value: -0.1234, low: -0.149, high: -0.099, half: '2.5', usual: null };
              const columns = [0, 1, 2].map(() => number({ ...wide, measure: 'shift_total_of_foot' }, false, null));
              document.querySelector('.numbers').replaceChildren(...columns);
            }"""
        )
        in_their_columns(page)
        all_is_well(seen, "127.0.0.1")


def in_their_columns(page: Page) -> None:
    """No large number, unit or interval sticks out of its button."""
    out = page.evaluate(
        """() => [...document.querySelectorAll('.number')].flatMap((b) => {
          const range = document.createRange(); range.selectNodeContents(b.querySelector('.value'));
          const end = Math.max(...[...range.getClientRects()].map((r) => r.right));
          return end > b.getBoundingClientRect().right + 0.5 ? [`${b.textContent} ${end}`] : [];
        })"""
    )
    assert [] == out


def digit_px(page: Page) -> float:
    """Height of a digit of the large numbers."""
    return float(
        page.evaluate(
            """() => {
              const brush = document.createElement('canvas').getContext('2d');
              const style = getComputedStyle(document.querySelector('.number .value'));
              brush.font = `${style.fontWeight} ${style.fontSize} ${style.fontFamily}`;
              return brush.measureText('0').actualBoundingBoxAscent;
            }"""
        )
    )


@pytest.mark.parametrize("dark", [False, True], ids=["light", "dark"])
@pytest.mark.parametrize("path", ["/bench", "/lifter", "/join"])
def test_everybody_can_use_the_other_pages(browser: Browser, live: Served, path: str, dark: bool) -> None:
    """Nothing for axe to find on a phone, nothing wider than the screen, all buttons large enough."""
    with window(browser, PHONE, dark=dark) as seen:
        page = seen.page
        page.goto(live.here + path)
        if path == "/lifter":
            wait_for_reps(page, 1)
        if path != "/join":
            expect(page.locator("#history li").first).to_be_visible(timeout=WAIT_MS)
        accessible(page)
        large_enough(page)
        assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
        all_is_well(seen, "127.0.0.1")


def accessible(page: Page) -> None:
    """Axe-core finds nothing on the page as it is now."""
    found = Axe().run(page).response["violations"]
    assert [] == [f"{v['id']}: {v['help']}: {[n['html'][:150] for n in v['nodes'][:3]]}" for v in found]


def large_enough(page: Page) -> None:
    """Every button, link button and field that is seen is 48 px high or more and wide enough to hit."""
    small = page.evaluate(
        """() => [...document.querySelectorAll('button, .button, input, select, summary')]
        .map((e) => [e.textContent || e.id, e.getBoundingClientRect()])
        .filter(([, r]) => r.width && Math.min(r.height, r.width) < 47.9).map(([t, r]) => `${t} ${r.height}`)"""
    )
    assert [] == small


def test_the_page_can_be_used_with_keys_alone(browser: Browser, live: Served) -> None:
    """Tab reaches every control in order with a visible ring; a sheet takes the focus, keeps it, and gives it back."""
    with window(browser) as seen:
        page = seen.page
        page.goto(live.here)
        wait_for_reps(page, 1)
        visited = []
        for _ in range(10):
            page.keyboard.press("Tab")
            visited.append(page.evaluate("document.activeElement.id || document.activeElement.textContent"))
            assert "none" != page.evaluate("getComputedStyle(document.activeElement).outlineStyle")
        card = ["pick-athlete", "pick-movement", "load-less", "pick-load", "load-more", "pick-cue", "pick-drill"]
        assert [*card, "open-share", "Bench", "theme"] == visited
        page.locator("#pick-cue").focus()
        page.keyboard.press("Enter")
        expect(page.locator("#sheet")).to_be_visible()
        assert page.evaluate("document.getElementById('sheet').contains(document.activeElement)")
        page.keyboard.press("Escape")
        assert "pick-cue" == page.evaluate("document.activeElement.id")
