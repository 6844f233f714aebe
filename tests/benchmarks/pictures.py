"""The pictures of the README, made by the program itself from the invented season and the invented day.

Run from the checkout, with Chromium on the path for the picture of the page::

    python tests/benchmarks/pictures.py

Writes `lost_in_front.png` (forcekit demo) beside the folder of the others, `season.png` (forcekit trend --aligned),
`report_phone.png` (the page of forcekit report, 390 pixels wide, as a phone shows it), and `report_print.png` (the
first two pages of its PDF, if pdftoppm is there), each with few colours to be small; and `live.png`, the coach's page
after the second lift of the day, in a window of 1280 by 800 pixels.
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1] / "live"))

PHONE_HIGH = 1560


def run(*words: object) -> None:
    """Run a command and stop at the first that fails."""
    subprocess.run([str(w) for w in words], check=True)


def forcekit(*words: object) -> None:
    """Run the program."""
    run(sys.executable, "-m", "forcekit", *words)


def small(path: Path, *, left: int = 0, top: int = 0, right: int | None = None, bottom: int | None = None) -> None:
    """Cut a picture and write it with 64 colours; a mark of few points keeps its own, in which a miss is told."""
    from PIL import Image

    picture = Image.open(path).convert("RGB")
    picture = picture.crop((left, top, right or picture.width, bottom or picture.height))
    picture.quantize(64, method=Image.Quantize.FASTOCTREE).save(path, optimize=True)


def side_by_side(paths: list[Path], to: Path) -> None:
    """Put pictures beside each other with a thin gap."""
    from PIL import Image

    pictures = [Image.open(p).convert("RGB") for p in paths]
    sheet = Image.new("RGB", (sum(p.width + 8 for p in pictures) - 8, max(p.height for p in pictures)), "#888888")
    x = 0
    for p in pictures:
        sheet.paste(p, (x, 0))
        x += p.width + 8
    sheet.save(to)


def page(to: Path, folder: Path) -> None:
    """Let the invented day run up to its second lift and take the coach's page."""
    from browser import chromium, window
    from served import served

    from forcekit.live.invented import invented_day

    with served(invented_day(), folder) as running, chromium() as browser, window(browser, (1280, 800)) as seen:
        seen.page.goto(running.here)
        session = running.session
        while len(session.state()["reps"]) < 1:
            seen.page.wait_for_timeout(200)
        session.mark(1, "made")
        while [r["stage"] for r in session.state()["reps"][1:2]] != ["settled"]:
            seen.page.wait_for_timeout(200)
        session.mark(2, "missed forward")
        seen.page.get_by_text("Ready to lift.", exact=True).wait_for()
        seen.page.screenshot(path=to)
    small(to)


def main() -> None:
    """Make the season, keep it in a history of its own, and take the pictures."""
    out = Path(sys.argv[1] if len(sys.argv) > 1 else "sample_signals/pictures").absolute()
    out.mkdir(exist_ok=True)
    forcekit("demo", "--brief", "--plot", out.parent / "lost_in_front.png")
    small(out.parent / "lost_in_front.png")
    folder = Path(tempfile.mkdtemp())
    store = folder / "history"
    run(sys.executable, "-m", "forcekit.simulate.season", folder / "season")
    forcekit("athlete", "add", "Tamo Velling", "--stature", 178, "--foot-length", 27.1, "--store", store)
    forcekit("batch", folder / "season", "-o", folder / "tables", "--store", store)
    forcekit("trend", "Tamo Velling", "--aligned", "--plot", out / "season.png", "--store", store)
    small(out / "season.png")
    note = "Calm dips today. The 87.5 was in front again: next week 82.5 and stay patient."
    for kind in ("html", "pdf"):
        forcekit("report", "Tamo Velling", "-o", folder / f"report.{kind}", "--note", note, "--store", store)
    (folder / "day").mkdir()
    page(out / "live.png", folder / "day")
    chromium = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if chromium is not None:
        picture = (
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--hide-scrollbars",
            f"--window-size=390,{PHONE_HIGH}",
        )
        run(chromium, *picture, f"--screenshot={out / 'report_phone.png'}", folder / "report.html")
        small(out / "report_phone.png")
    if shutil.which("pdftoppm") is not None:
        run("pdftoppm", "-r", 64, "-png", "-l", 2, folder / "report.pdf", folder / "page")
        side_by_side(sorted(folder.glob("page-*.png")), out / "report_print.png")
        small(out / "report_print.png")


if __name__ == "__main__":
    main()
