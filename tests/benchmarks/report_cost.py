"""What a report costs: seconds of processor time and kilobytes of page and PDF for a session of the invented season.

Run from the checkout::

    python tests/benchmarks/report_cost.py
"""

from __future__ import annotations

import gzip
import tempfile
import time
from pathlib import Path


def main() -> None:
    """Make the season, and time each step of its last session's report."""
    from forcekit.batch.run import BatchWanted, run_batch
    from forcekit.history.digest import digest_of_store
    from forcekit.history.people import add_athlete
    from forcekit.history.store import open_store
    from forcekit.show.report import make_report
    from forcekit.show.report_html import report_html
    from forcekit.show.report_pdf import report_pdf
    from forcekit.simulate.season import LIFTER, make_season

    folder = Path(tempfile.mkdtemp())
    make_season(folder / "season")
    with open_store(folder / "history") as store:
        add_athlete(store, LIFTER, stature_m=1.78, foot_length_m=0.271, body_mass_kg=84.6)
        where = str(folder / "history")
        run_batch(
            BatchWanted(inputs=[str(folder / "season")], out=folder / "tables", store=where, parquet=False), workers=1
        )
        for turn in ("first", "again"):
            start = time.process_time()
            digest = digest_of_store(store, LIFTER)
            gathered = time.process_time()
            report = make_report(digest)
            page = report_html(report).encode()
            html_done = time.process_time()
            pdf = report_pdf(report)
            pdf_done = time.process_time()
            print(
                f"{turn}: gathering (two lifts analysed again) {gathered - start:.2f} s; "
                f"page {html_done - gathered:.2f} s, {len(page) / 1e3:.0f} kB ({len(gzip.compress(page)) / 1e3:.0f} kB "
                f"gzipped); PDF {pdf_done - html_done:.2f} s, {len(pdf) / 1e3:.0f} kB"
            )


if __name__ == "__main__":
    main()
