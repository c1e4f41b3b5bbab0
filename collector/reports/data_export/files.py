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
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import groupby
from pathlib import Path
from typing import Any

from collector import __version__
from collector.errors import CommandLineError
from collector.reports.alarm_export import inert
from collector.reports.data_export.rows import MEANS, Row

MODE = 0o640
DAY_US = 86_400_000_000
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ROWS_A_GROUP = 50_000
NO_PARQUET = (
    "--format parquet needs the library pyarrow, which is not installed (the extra 'parquet'); "
    "csv and jsonl need nothing"
)
COLUMNS = Row._fields
UTC_AT = COLUMNS.index("utc")
Pages = Iterable[list[Row]]


@dataclass(frozen=True, slots=True)
class Told:
    """The data dictionary in both its forms."""

    as_json: str
    as_text: str


def write_export(form: str, folder: Path, stem: str, pages: Pages, told: Told) -> list[Path]:
    """Write the rows of an export and its data dictionary.

    Args:
        form: ``csv``, ``jsonl`` or ``parquet``.
        folder: where to; made if it is not there.
        stem: begin of the names.
        pages: of rows, in order.
        told: the data dictionary as JSON, which a Parquet file carries, and as text.

    Raises:
        CommandLineError: it cannot be written, or the library is not there.
    """
    try:
        folder.mkdir(mode=0o750, parents=True, exist_ok=True)
        if form == "parquet":
            paths = _write_parquet(folder, stem, pages, told.as_json)
        else:
            lines = _csv_lines(pages) if form == "csv" else _json_lines(pages)
            paths = [_write_text(folder / f"{stem}.{form}", lines)]
        paths.append(_write_text(folder / f"{stem}_dictionary.json", [told.as_json]))
        paths.append(_write_text(folder / f"{stem}_dictionary.txt", [told.as_text]))
    except OSError as error:
        why = error.strerror or error
        raise CommandLineError(
            f"--out: found '{folder}', which cannot be written ({why})"
        ) from error
    return paths


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
        for piece in pieces:
            out.write(piece)
    return path


@lru_cache(maxsize=4096)
def _minute(since_1970_min: int) -> str:
    return (EPOCH + timedelta(minutes=since_1970_min)).strftime("%Y-%m-%dT%H:%M:")


@lru_cache(maxsize=4096)  # many records are of one scan
def dated(utc_us: int) -> str:
    """RFC 3339 in UTC, to the microsecond."""
    minute, rest_us = divmod(utc_us, 60_000_000)
    digits = f"{rest_us:08d}"
    return f"{_minute(minute)}{digits[:2]}.{digits[2:]}Z"


def _csv_lines(pages: Pages) -> Iterator[str]:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(COLUMNS)
    for page in pages:
        writer.writerows(
            (
                *row[:UTC_AT], dated(row.utc), dated(row.begin_utc), row.value,
                row.text and inert(row.text), row.unit, row.low, row.high, row.quality,
                row.reason and inert(row.reason),
            )
            for row in page
        )  # fmt: skip
        yield out.getvalue()
        out.seek(0)
        out.truncate()
    yield out.getvalue()


def _json_lines(pages: Pages) -> Iterator[str]:
    encode = json.JSONEncoder(ensure_ascii=False, separators=(",", ":"), allow_nan=False).encode
    for page in pages:
        lines = []
        for row in page:
            told: dict[str, object] = dict(zip(COLUMNS, row, strict=True))
            told["utc"], told["begin_utc"] = dated(row.utc), dated(row.begin_utc)
            lines.append(encode(told))
        yield "\n".join(lines) + "\n"


# --- Parquet ------------------------------------------------------------------------------------


def _write_parquet(folder: Path, stem: str, pages: Pages, told: str) -> list[Path]:
    try:
        import pyarrow  # type: ignore[import-untyped]
        from pyarrow import parquet
    except ImportError:
        raise CommandLineError(NO_PARQUET) from None
    schema = _schema(pyarrow, told)
    written: dict[Path, _MonthFile] = {}
    with contextlib.ExitStack() as stack:
        for month, rows in _by_month(pages):
            path = folder / f"plant={rows[0].plant}" / f"month={month}" / f"{stem}.parquet"
            if path not in written:
                out = stack.enter_context(stack.enter_context(whole(path)).open("wb"))
                made = stack.enter_context(parquet.ParquetWriter(out, schema, compression="zstd"))
                written[path] = _MonthFile(pyarrow, schema, made)
            written[path].add(rows)
        for each in written.values():
            each.flush()
    return list(written)


class _MonthFile:
    """Gathers what a month's rows are in row groups, as columns, which take less than rows."""

    def __init__(self, pyarrow: Any, schema: Any, writer: Any) -> None:
        self._pyarrow, self._schema, self._writer = pyarrow, schema, writer
        self._batches: list[Any] = []
        self._rows = 0

    def add(self, rows: list[Row]) -> None:
        """Rows of the month; the plant stands in the folder's name."""
        columns = list(zip(*rows, strict=True))[1:]
        arrays = [
            self._pyarrow.array(column, type=field.type, from_pandas=False)
            for column, field in zip(columns, self._schema, strict=True)
        ]
        self._batches.append(self._pyarrow.record_batch(arrays, schema=self._schema))
        self._rows += len(rows)
        if self._rows >= ROWS_A_GROUP:
            self.flush()

    def flush(self) -> None:
        """Write what waits as a row group."""
        if self._batches:
            table = self._pyarrow.Table.from_batches(self._batches)
            self._writer.write_table(table, row_group_size=table.num_rows)
        self._batches, self._rows = [], 0


def _by_month(pages: Pages) -> Iterator[tuple[str, list[Row]]]:
    """The rows of each page in runs of one month (UTC)."""
    for page in pages:
        for month, rows in groupby(page, lambda row: _month(row.utc // DAY_US)):
            yield month, list(rows)


@lru_cache(maxsize=1024)
def _month(since_1970_days: int) -> str:
    return (EPOCH + timedelta(days=since_1970_days)).strftime("%Y-%m")


def _schema(pyarrow: Any, told: str) -> Any:
    text, figure = pyarrow.string(), pyarrow.float64()
    instant = pyarrow.timestamp("us", tz="UTC")
    types = {
        "sequence": pyarrow.int64(), "utc": instant, "begin_utc": instant, "value": figure,
        "low": figure, "high": figure,
    }  # fmt: skip
    fields = [
        pyarrow.field(name, types.get(name, text), metadata={"means": MEANS[name]})
        for name in COLUMNS[1:]
    ]
    return pyarrow.schema(
        fields, metadata={"weirkeeper_version": __version__, "weirkeeper_dictionary": told}
    )
