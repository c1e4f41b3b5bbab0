"""The files of a period's record: page, one CSV a table with a list of its columns, and PDF.

CSV is RFC 4180, UTF-8; a cell that a spreadsheet would take for a formula is made harmless. The PDF
is the same page, set by WeasyPrint with the fonts that come with the plotting library; it fetches
nothing, and carries no date and no number of its own, so that the same record gives the same bytes.
"""

from __future__ import annotations

import csv
import hashlib
import io
import os
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from collector.errors import CommandLineError
from collector.journal.reader import JournalReader
from collector.plant.model import Plant
from collector.reports.alarm_export import inert
from collector.reports.period_report.gather import Pictures, gather
from collector.reports.period_report.html import report_html
from collector.reports.period_report.period import Period
from collector.reports.period_report.tables import NONE, Cell, PeriodReport, Table

MODE = 0o640
GATHERED = 0.6
"""Share of the work that is done when all figures are gathered and drawn; the rest is setting."""
FACES = (("normal", "DejaVuSans.ttf"), ("bold", "DejaVuSans-Bold.ttf"))


def write_report(
    reader: JournalReader,
    plant: Plant,
    period: Period,
    folder: Path,
    *,
    pdf: bool,
    pictures: Pictures | None = None,
    tell: Callable[[float], None] = lambda _: None,
) -> list[Path]:
    """Write the record of a period.

    Args:
        reader: of the journal.
        plant: the plant file in force now.
        period: which.
        folder: where to; made if it is not there. Files of the same record are replaced.
        pdf: whether a PDF is wanted too.
        pictures: draws charts; None for none.
        tell: takes the share that is done, 0 to 1.

    Returns:
        the files, the page first.

    Raises:
        CommandLineError: the folder cannot be written, or the PDF library is not there.
    """
    if pdf and not can_print():
        raise CommandLineError(NO_PRINTER)
    report = gather(reader, plant, period, pictures)
    tell(GATHERED)
    stem = f"{report.plant}_{report.period}"
    try:
        folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        paths = [_write(folder / name, data) for name, data in _files(report, stem, pdf=pdf)]
    except OSError as error:
        raise CommandLineError(
            f"--out: found '{folder}', which cannot be written ({error.strerror})"
        ) from error
    tell(1.0)
    return paths


NO_PRINTER = (
    "--pdf needs the library weasyprint, which is not installed (the extra 'pdf', and the system's "
    "packages libpango-1.0-0 and libpangoft2-1.0-0); the page itself prints as well"
)


def can_print() -> bool:
    """Whether the PDF library and the system's own libraries for it are there."""
    try:
        import weasyprint  # type: ignore[import-untyped]
    except (ImportError, OSError):
        return False
    return bool(weasyprint.VERSION)


def _files(report: PeriodReport, stem: str, *, pdf: bool) -> Iterator[tuple[str, bytes]]:
    yield f"{stem}.html", report_html(report).encode()
    if pdf:
        yield f"{stem}.pdf", report_pdf(report)
    for table in report.tables():
        yield f"{stem}_{table.key}.csv", csv_bytes(table)
    yield f"{stem}_columns.txt", columns_text(report).encode()


def csv_bytes(table: Table) -> bytes:
    """A table as CSV; figures with all their digits, empty where nothing is known."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow([column.key for column in table.columns])
    for row in table.rows:
        writer.writerow([_cell(cell) for cell in row])
    return out.getvalue().encode()


def _cell(cell: Cell) -> str:
    if cell is None or cell == NONE:
        return ""
    return inert(cell) if isinstance(cell, str) else repr(float(cell))


def columns_text(report: PeriodReport) -> str:
    """What every column of every CSV file is, as text."""
    lines = [
        f"Record of {report.title}, {report.period}: {report.covers}",
        f"made of the journal as of {report.as_of}",
        "",
        "UTF-8, RFC 4180. Empty cells are unknown. Times carry their offset from UTC.",
    ]
    for table in report.tables():
        lines += ["", f"{report.plant}_{report.period}_{table.key}.csv: {table.title}"]
        for column in table.columns:
            means = column.means or column.heading.lower() or "title"
            lines.append(f"  {column.key}: {means}")
    return "\n".join(lines) + "\n"


def report_pdf(report: PeriodReport) -> bytes:
    """The page as PDF."""
    import weasyprint

    page = report_html(report, _font_css())
    document = weasyprint.HTML(string=page, url_fetcher=_fetch_fonts_only)
    identifier = hashlib.sha256(page.encode()).digest()[:16]
    return bytes(document.write_pdf(pdf_identifier=identifier))


def _font_folder() -> Path:
    import matplotlib

    return Path(matplotlib.get_data_path()) / "fonts" / "ttf"


def _font_css() -> str:
    return "\n".join(
        f'@font-face {{ font-family: "DejaVu Sans"; font-weight: {weight}; '
        f"src: url(font:{name}); }}"
        for weight, name in FACES
    )


def _fetch_fonts_only(url: str, *_: object, **__: object) -> dict[str, Any]:
    """Give the fonts of the page and refuse all else: no page of ours may fetch anything."""
    names = {f"font:{name}" for _, name in FACES}
    if url not in names:
        raise ValueError(f"nothing is fetched for a record: {url}")
    data = (_font_folder() / url.removeprefix("font:")).read_bytes()
    return {"string": data, "mime_type": "font/ttf"}


def _write(path: Path, data: bytes) -> Path:
    """Write a file as a whole or not at all."""
    part = path.with_name(path.name + ".part")
    descriptor = os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, MODE)
    try:
        with open(descriptor, "wb") as out:
            out.write(data)
            out.flush()
            os.fsync(out.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise
    return path
