"""Writes the files of an export, as streams: memory does not grow with the time that is exported.

CSV (RFC 4180) and JSON lines are one file; Parquet is a file a month in folders ``plant=.../
month=...``, so that the files of many plants can be laid into one folder and read by one query.
Names hold the plant and the journal, so they never collide. Each file appears whole or not at all.
In CSV alone, text that a spreadsheet would take for a formula begins with an apostrophe.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import IO, Any

from collector.errors import CommandLineError
from collector.reports.data_export.rows import MEANS, Row

MODE = 0o640
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ROWS_A_GROUP = 50_000
NO_PARQUET = (
    "--format parquet needs the library pyarrow, which is not installed (the extra 'parquet'); "
    "csv and jsonl need nothing"
)
FORMULA_BEGINS = frozenset("=+-@\t\r")
Pages = Iterable[list[Row]]


def write_rows(form: str, folder: Path, stem: str, pages: Pages, told: str) -> list[Path]:
    """Write the rows of an export.

    Args:
        form: ``csv``, ``jsonl`` or ``parquet``.
        folder: where to; made if it is not there.
        stem: begin of the names.
        pages: of rows, in order.
        told: the data dictionary, which a Parquet file carries.

    Raises:
        CommandLineError: it cannot be written, or the library is not there.
    """
    writers: dict[str, Callable[[], list[Path]]] = {
        "csv": lambda: [_write_text(folder / f"{stem}.csv", _csv_lines(pages))],
        "jsonl": lambda: [_write_text(folder / f"{stem}.jsonl", _json_lines(pages))],
        "parquet": lambda: _write_parquet(folder, stem, pages, told),
    }
    try:
        folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        return writers[form]()
    except OSError as error:
        raise CommandLineError(
            f"--out: found '{folder}', which cannot be written ({error.strerror})"
        ) from error


def write_text(path: Path, text: str) -> Path:
    """Write a text file as a whole or not at all."""
    return _write_text(path, iter([text]))


@contextlib.contextmanager
def whole(path: Path) -> Iterator[Path]:
    """A file to write beside a path, which takes its place when all went well."""
    part = path.with_name(path.name + ".part")
    for missing in reversed([each for each in path.parents if not each.exists()]):
        missing.mkdir(mode=0o750, exist_ok=True)
    os.close(os.open(part, os.O_WRONLY | os.O_CREAT | os.O_TRUNC | os.O_CLOEXEC, MODE))
    try:
        yield part
        with part.open("rb") as made:
            os.fsync(made.fileno())
        os.replace(part, path)
    except BaseException:
        part.unlink(missing_ok=True)
        raise


def _write_text(path: Path, pieces: Iterable[str]) -> Path:
    with whole(path) as part, part.open("w", encoding="utf-8", newline="") as out:
        _pour(out, pieces)
    return path


def _pour(out: IO[str], pieces: Iterable[str]) -> None:
    for piece in pieces:
        out.write(piece)


def dated(utc_us: int) -> str:
    """RFC 3339 in UTC, to the microsecond."""
    return (EPOCH + timedelta(microseconds=utc_us)).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


def _csv_lines(pages: Pages) -> Iterator[str]:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(MEANS)
    for page in pages:
        writer.writerows(
            (
                *row[:7], dated(row.utc), dated(row.begin_utc),
                "" if row.value is None else repr(row.value),
                "" if row.text is None else _inert(row.text), row.unit,
                "" if row.low is None else repr(row.low),
                "" if row.high is None else repr(row.high), row.quality, _inert(row.reason),
            )
            for row in page
        )  # fmt: skip
        yield out.getvalue()
        out.seek(0)
        out.truncate()
    yield out.getvalue()


def _inert(text: str) -> str:
    """Text that a spreadsheet would take for a formula, made harmless by an apostrophe."""
    return f"'{text}" if text[:1] in FORMULA_BEGINS else text


def _json_lines(pages: Pages) -> Iterator[str]:
    encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
    for page in pages:
        yield "".join(
            encode(row._replace(utc=dated(row.utc), begin_utc=dated(row.begin_utc))._asdict())  # type: ignore[arg-type]
            + "\n"
            for row in page
        )


# --- Parquet ------------------------------------------------------------------------------------


def _write_parquet(folder: Path, stem: str, pages: Pages, told: str) -> list[Path]:
    try:
        import pyarrow  # type: ignore[import-untyped]
        from pyarrow import parquet
    except ImportError:
        raise CommandLineError(NO_PARQUET) from None
    schema = _schema(pyarrow, told)
    writers: dict[Path, Any] = {}
    with contextlib.ExitStack() as stack:
        for path, rows in _by_month(folder, stem, pages):
            if path not in writers:
                part = stack.enter_context(whole(path))
                made = parquet.ParquetWriter(part, schema, compression="zstd")
                writers[path] = stack.enter_context(made)
            writers[path].write_table(_table(pyarrow, schema, rows), row_group_size=ROWS_A_GROUP)
    return list(writers)


def _by_month(folder: Path, stem: str, pages: Pages) -> Iterator[tuple[Path, list[Row]]]:
    """Rows in groups, each of one month, with the file they belong to."""
    waiting: list[Row] = []
    month = ""
    for row in (row for page in pages for row in page):
        at = (EPOCH + timedelta(microseconds=row.utc)).strftime("%Y-%m")
        if waiting and (at != month or len(waiting) >= ROWS_A_GROUP):
            yield _month_path(folder, stem, waiting[0].plant, month), waiting
            waiting = []
        month = at
        waiting.append(row)
    if waiting:
        yield _month_path(folder, stem, waiting[0].plant, month), waiting


def _month_path(folder: Path, stem: str, plant: str, month: str) -> Path:
    return folder / f"plant={plant}" / f"month={month}" / f"{stem}.parquet"


def _schema(pyarrow: Any, told: str) -> Any:
    word = pyarrow.dictionary(pyarrow.int32(), pyarrow.string())
    instant = pyarrow.timestamp("us", tz="UTC")
    types = {
        "journal": word, "sequence": pyarrow.int64(), "kind": word, "subject": word, "owner": word,
        "name": word, "utc": instant, "begin_utc": instant, "value": pyarrow.float64(),
        "text": pyarrow.string(), "unit": word, "low": pyarrow.float64(),
        "high": pyarrow.float64(), "quality": word, "reason": word,
    }  # fmt: skip
    fields = [
        pyarrow.field(name, kind, metadata={"means": MEANS[name]}) for name, kind in types.items()
    ]
    return pyarrow.schema(fields, metadata={"weirkeeper_dictionary": told})


def _table(pyarrow: Any, schema: Any, rows: list[Row]) -> Any:
    """The rows as a table; the plant stands in the folder's name."""
    columns = list(zip(*rows, strict=True))[1:]
    arrays = [
        pyarrow.array(column, type=field.type)
        for column, field in zip(columns, schema, strict=True)
    ]
    return pyarrow.Table.from_arrays(arrays, schema=schema)
