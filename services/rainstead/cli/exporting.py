"""`rainstead export`: the log as files that other tools read."""

from pathlib import Path
from typing import Annotated

import typer

from .site import AsOf, SiteFolder, open_site, since_ms

__all__ = ["export"]


def export(
    folder: Annotated[Path, typer.Argument(metavar="FOLDER", help="A new folder; nothing is overwritten.")],
    format_: Annotated[str, typer.Option("--format", metavar="parquet|csv", help="As what.")] = "parquet",
    tables: Annotated[
        list[str] | None,
        typer.Option(
            "--table",
            metavar="TABLE",
            help="readings, thinned, minutes, storms, runs or book; again for more; else all.",
        ),
    ] = None,
    since: Annotated[str | None, typer.Option("--since", metavar="TIME", help="From then on.")] = None,
    site: SiteFolder = Path(),
    as_of: AsOf = None,
) -> None:
    """Write the log, and what follows from it, as CSV or Parquet: a folder a table and month, units beside them."""
    from rainstead import exporting
    from rainstead.log import LogReader
    from rainstead.notebook import read_notes

    wanted = next((one for one in exporting.FORMATS if one == format_), None)
    if wanted is None:
        raise exporting.ExportRefused(f"--format {format_!r}: must be one of {', '.join(exporting.FORMATS)}")
    with open_site(site, as_of) as opened, opened.progress("exporting") as progress:
        assert isinstance(opened.reader, LogReader)
        done = exporting.export(
            opened.settings,
            opened.reader,
            read_notes(site, upto_ms=opened.as_of_ms),
            folder,
            as_of_ms=opened.as_of_ms,
            since_ms=since_ms(since, opened),
            tables=tables or tuple(exporting.TABLES),
            format_=wanted,
            progress=progress or (lambda _: None),
        )
    for name, rows in done.rows.items():
        typer.echo(f"{done.folder / name}: {rows:,} rows")
    for name, why in done.left_out.items():
        typer.echo(f"{name}: left out, because {why}")
    typer.echo(
        f"{done.folder / 'datapackage.json'}: units, meaning and calibrations; {done.size_bytes / 1e6:.1f} MB in all"
    )
