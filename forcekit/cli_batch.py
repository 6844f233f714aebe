"""The command for folders of recordings."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from forcekit.batch.run import BatchResult

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to the command line."""
    app.command()(batch)


def batch(
    inputs: Annotated[
        list[str] | None,
        typer.Argument(metavar="FOLDER|PATTERN|FILE...", help="Folders, files, or patterns such as 'season/**/*.csv'."),
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", metavar="FOLDER", help="Folder for the tables (needed).")
    ] = None,
    listed: Annotated[
        Path | None, typer.Option("--list", help="File that names one recording a line; - for standard input.")
    ] = None,
    device: Annotated[Path | None, typer.Option(help="Device file (TOML) of all plates.")] = None,
    bar_device: Annotated[Path | None, typer.Option(help="Device file of all bar sensors.")] = None,
    rules: Annotated[
        Path | None, typer.Option(help="Rules (TOML): device files by name or by header text, what to skip.")
    ] = None,
    cards: Annotated[
        Path | None, typer.Option(help="Table (CSV) of attempt cards: file, athlete, load_kg, outcome and so on.")
    ] = None,
    shortest_stance: Annotated[
        float | None, typer.Option(help="Accept a stance of at least this many seconds (usual: 0.8).")
    ] = None,
    cue_book: Annotated[Path | None, typer.Option(help="Your own cue book (TOML).")] = None,
    store: Annotated[
        str | None,
        typer.Option("--store", metavar="WHERE", help="Keep the lifts in this history, too (folder, .sqlite, URL)."),
    ] = None,
    workers: Annotated[
        int | None, typer.Option("--workers", "-n", min=1, help="Processes; left out, one for each processor.")
    ] = None,
    dask: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Scheduler of a Dask cluster that does the work instead.")
    ] = None,
    parquet: Annotated[
        bool | None, typer.Option("--parquet/--no-parquet", help="Parquet beside CSV; unless told, where it can be.")
    ] = None,
    anew: Annotated[bool, typer.Option("--anew", help="Do everything again, also what has not changed.")] = False,
) -> None:
    """Analyse folders of recordings into tables.

    The tables hold lifts, failures, files and quality. A run that was stopped goes on where it was.
    """
    from forcekit.analysis.pipeline import Settings
    from forcekit.batch.run import BatchWanted
    from forcekit.errors import InputError

    if output is None:
        raise InputError("batch: no folder for the tables is named; add -o FOLDER.")
    if not inputs and listed is None:
        raise InputError("batch: nothing to analyse is named; give a folder, a pattern, files, or --list FILE.")
    if workers is not None and dask is not None:
        raise InputError("batch: --workers and --dask exclude each other; with --dask the cluster has its own workers.")
    settings = Settings(cue_book=cue_book)
    if shortest_stance is not None:
        settings = Settings(shortest_stance_s=shortest_stance, cue_book=cue_book)
    wanted = BatchWanted(
        inputs=inputs or (),
        listed=() if listed is None else _lines(listed),
        out=output,
        device=device,
        bar_device=bar_device,
        rules=rules,
        cards=cards,
        settings=settings,
        store=store,
        parquet=parquet,
        anew=anew,
    )
    try:
        result = _run(wanted, workers, dask)
    except KeyboardInterrupt:
        print("\nforcekit: stopped; the same command goes on where it stopped.", file=sys.stderr)
        raise typer.Exit(130) from None
    _tell(result, output)
    if result.n_failed or result.n_not_kept:
        raise typer.Exit(1)


def _lines(path: Path) -> list[str]:
    """Names in a list file, blank lines and comments (#) left out."""
    from forcekit.acquire.csv_text import read_text

    text = sys.stdin.read() if str(path) == "-" else read_text(path, "utf-8")[0].decode()
    return [line.strip() for line in text.splitlines() if line.strip() and not line.lstrip().startswith("#")]


def _run(wanted: Any, workers: int | None, dask: str | None) -> BatchResult:
    """Run the batch behind a progress bar, or, where nobody looks, without one."""
    from forcekit.batch.run import run_batch
    from forcekit.batch.workers import dask_workers

    if not sys.stderr.isatty():
        if dask is None:
            return run_batch(wanted, workers)
        with dask_workers(dask) as cluster:
            return run_batch(wanted, cluster)
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TextColumn, TimeRemainingColumn

    columns = (
        BarColumn(),
        MofNCompleteColumn(),
        TextColumn("files"),
        TextColumn("{task.fields[rate]}"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        row = bar.add_task("", total=None, rate="")

        def progress(n: int, n_all: int) -> None:
            speed = bar.tasks[0].speed
            bar.update(row, completed=n, total=n_all, rate="" if speed is None else f"{speed:.0f}/s")

        if dask is None:
            return run_batch(wanted, workers, progress)
        with dask_workers(dask) as cluster:
            return run_batch(wanted, cluster, progress)


def _tell(result: BatchResult, output: Path) -> None:
    """Print what became of the batch."""
    from forcekit.cli_store import count_text

    for warning in result.warnings:
        print(f"forcekit: {warning}", file=sys.stderr)
    unchanged = result.n_files - result.n_analysed
    same = f"; {unchanged} had not changed since the last run" if unchanged else ""
    not_kept = f", of {result.n_not_kept} the lifts could not be kept in the history" if result.n_not_kept else ""
    print(
        f"{count_text(result.n_files, 'recording')}: {result.n_with_lifts} with {count_text(result.n_lifts, 'lift')}, "
        f"{result.n_without} without a lift, {result.n_failed} failed{not_kept}{same}"
    )
    print(f"tables: {output} (lifts, failures, files, quality, manifest.json)")
    if result.n_kept:
        print("Findings go by the limits of the cue book; `forcekit reanalyze NAME` judges by the lifter's own.")
    if result.n_failed or result.n_not_kept:
        print(f"what failed and why: {output / 'failures.csv'}", file=sys.stderr)
