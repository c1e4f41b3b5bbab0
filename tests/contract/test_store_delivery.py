"""The store outlet against a real victoria-metrics, read back over HTTP, and a refusing server."""

from __future__ import annotations

import asyncio
import contextlib
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from itertools import cycle
from pathlib import Path
from urllib.parse import parse_qs, urlsplit

import pytest

from collector.core.records import LINK_LOST, Quality, Record, RecordKind
from tests.contract.outlet_parts import (
    QUICK,
    all_delivered,
    at_work,
    ledger,
    secret,
    state_is,
)
from tests.outlet_samples import NOON_US, busy_records, one_of_each, record
from tests.real_parts import Series, running, stored_series, until, victoria_metrics

Figures = dict[tuple[str, int], float]


def figures(series: list[Series], name: str, **labels: str) -> list[tuple[int, float]]:
    """Time in ms and figure of every sample of a name whose labels match."""
    found: list[tuple[int, float]] = []
    for one in series:
        if one.labels["__name__"] == name and labels.items() <= one.labels.items():
            found += one.figures
    return sorted(found)


def numbers(series: list[Series]) -> list[int]:
    """Journal numbers of all rows in the store, repeats included."""
    return sorted(
        int(figure)
        for one in series
        if one.labels["__name__"].endswith("_number")
        for _, figure in one.figures
    )


async def test_what_is_read_back_over_http_equals_the_journal(tmp_path: Path) -> None:
    """Every figure, with its unit, stamp and quality; an unknown value has no figure, not 0."""
    store = victoria_metrics(tmp_path / "store")
    with running(store), ledger(tmp_path / "journal") as book:
        outlet = book.store(store.port)
        async with at_work(outlet):
            book.write(one_of_each(NOON_US), outlet)
            await all_delivered(book, outlet)
        rows = stored_series(store.port)
    noon_ms = NOON_US // 1000
    plant = {"plant": "osier_bend"}
    works = {**plant, "panel": "works"}
    pump = {**plant, "equipment": "pump_1"}
    run = {**pump, "quantity": "run_hours", "unit": "h"}
    assert figures(rows, "contact_value", **works, point="p1_run") == [(noon_ms, 1.0)]
    assert figures(rows, "contact_value", point="float_start") == []
    assert figures(rows, "contact_quality", **works, point="float_start") == [(noon_ms, 2.0)]
    assert figures(rows, "reading_value", **works, point="level", unit="cm") == [(noon_ms, 87.5)]
    assert figures(rows, "counter_value", **works, point="hours", unit="h") == [(noon_ms, 10.0)]
    assert figures(rows, "enumeration_value", **works, point="mode") == [(noon_ms, 2.0)]
    assert figures(rows, "equipment_value", **pump, quantity="state") == [(noon_ms, 1.0)]
    assert figures(rows, "equipment_value", **run) == [(noon_ms, 1.5)]
    ((_, low),), ((_, high),) = (figures(rows, f"equipment_{b}", **run) for b in ("low", "high"))
    assert (low, high) == pytest.approx((5398.5 / 3600, 5401.5 / 3600), rel=1e-14)
    assert figures(rows, "equipment_value", quantity="level_band") == []
    assert figures(rows, "equipment_low", quantity="level_band", unit="m") == [(noon_ms, 0.9)]
    assert figures(rows, "panel_value", **works, quantity="link_availability", unit="%") == [
        (noon_ms, 99.75)
    ]
    link = figures(rows, "panel_value", **works, quantity="link")
    assert sorted(figure for _, figure in link) == [0.0, 1.0, 2.0]
    assert figures(rows, "event_value", **pump, event="stopped", unit="s") == [(noon_ms, 90.5)]
    assert figures(rows, "event_value", **pump, event="started") == []
    assert figures(rows, "event_bracket_s", **pump, event="started") == [(noon_ms, 1.0)]
    assert figures(rows, "clock_value", **plant, unit="s") == [(noon_ms, 3600.0)]
    everything = book_numbers(one_of_each())
    assert numbers(rows) == everything


def book_numbers(records: list[Record]) -> list[int]:
    """Numbers of the records that have a place in a store."""
    homeless = (RecordKind.CONFIGURATION, RecordKind.HEAD)
    return [n for n, r in enumerate(records, 1) if r.kind not in homeless]


async def test_a_store_that_comes_late_and_dies_midway_gets_everything(tmp_path: Path) -> None:
    """Absent at the start, stopped and started between: every row is there in the end, and the
    cursor says so."""
    store = victoria_metrics(tmp_path / "store")
    with ledger(tmp_path / "journal") as book:
        book.write(busy_records(3000))
        outlet = book.store(store.port, batch=100)
        async with at_work(outlet):
            status = await state_is(outlet, "unreachable")
            assert status.sentence.startswith(f"no answer from http://127.0.0.1:{store.port}: ")
            assert status.delivered == 0
            for part in range(3):
                with running(store):
                    book.write(busy_records(1000, NOON_US + (part + 1) * 10**9), outlet)
                    if part < 2:
                        reached = outlet.status().delivered + 200
                        await until(_passed(outlet.status, reached), "some rows")
                    else:
                        await all_delivered(book, outlet)
                        rows = stored_series(store.port)
        assert set(numbers(rows)) == set(range(1, 6001))
        assert book.delivered("store") == 6000


async def test_what_a_killed_store_had_confirmed_and_lost_is_written_again(tmp_path: Path) -> None:
    """204 comes before the rows are on the store's disk: killed with them in memory, it gets them
    again, because the cursor waits until what was confirmed has settled."""
    store = victoria_metrics(tmp_path / "store")
    with running(store), ledger(tmp_path / "journal") as book:
        book.write(busy_records(500))
        outlet = book.store(store.port, replace(QUICK, settle_s=10.0))
        async with at_work(outlet):
            await until(lambda: outlet.status().behind == 0, "all receipts")
            assert book.delivered("store") == 0
            store.kill()
            store.start()
            assert stored_series(store.port) == [], "the kill cost the store nothing"
            store.stop()
            book.write(busy_records(1, NOON_US + 10**9), outlet)
            await state_is(outlet, "unreachable")
            store.start()
            await until(lambda: outlet.status().behind == 0, "all receipts once more")
            assert set(numbers(stored_series(store.port))) == set(range(1, 502))
        assert book.delivered("store") == 501, "a clean stop keeps what is confirmed"


def _passed(status: Callable[[], object], reached: int) -> Callable[[], bool]:
    return lambda: getattr(status(), "delivered", 0) >= reached


# --- a server that says no ------------------------------------------------------------------------


@dataclass
class Refusing:
    """A store that answers by a rule.

    Args:
        rule: for the lines of a request the status of the answer.
        headers: sent with it.
        body: its text.
    """

    rule: Callable[[list[str]], int] = lambda _: 204
    headers: dict[str, str] = field(default_factory=dict)
    body: bytes = b""
    taken: list[str] = field(default_factory=list)
    requests: list[tuple[dict[str, list[str]], str | None]] = field(default_factory=list)
    sizes: list[int] = field(default_factory=list)


@contextlib.contextmanager
def refusing(store: Refusing) -> Iterator[int]:
    """Serve it on loopback; its port."""

    class Handler(BaseHTTPRequestHandler):
        protocol_version = "HTTP/1.1"

        def do_POST(self) -> None:
            text = self.rfile.read(int(self.headers["Content-Length"])).decode()
            lines = text.splitlines()
            store.sizes.append(len(lines))
            query = parse_qs(urlsplit(self.path).query)
            store.requests.append((query, self.headers["Authorization"]))
            status = store.rule(lines)
            if status == 204:
                store.taken += lines
            body = b"" if status == 204 else store.body
            self.send_response(status)
            for name, value in store.headers.items():
                self.send_header(name, value)
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, format: str, *args: object) -> None:  # noqa: A002
            """Say nothing."""

    server = ThreadingHTTPServer(("127.0.0.1", 0), Handler)
    serving = threading.Thread(target=server.serve_forever, args=(0.01,))
    serving.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        serving.join()
        server.server_close()


def number_in(line: str) -> int:
    """Journal number of a line, parsed by the published syntax: tags, fields, stamp, split by
    spaces, since no name or figure here holds one."""
    _, fields, _ = line.split(" ")
    pairs = dict(part.split("=") for part in fields.split(","))
    return int(float(pairs["number"]))


async def test_rows_a_store_can_never_take_go_to_quarantine_and_the_rest_is_written(
    tmp_path: Path,
) -> None:
    """400 on a batch: it is halved until the bad rows are alone; good ones are written once."""
    bad = {7, 8, 301}
    store = Refusing(
        rule=lambda lines: 400 if bad & {number_in(line) for line in lines} else 204,
        body=b'{"code":"invalid","message":"unable to parse"}',
    )
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(500))
        outlet = book.store(port)
        async with at_work(outlet):
            await all_delivered(book, outlet)
            status = outlet.status()
            assert (status.state, status.refused) == ("delivering", 3)
        taken = [number_in(line) for line in store.taken]
        assert sorted(taken) == sorted(set(range(1, 501)) - bad)
        assert book.journal.flush(20)
        rows = book.reader.quarantined("store", 10)
        assert {row.sequence for row in rows} == bad
        assert {row.why for row in rows} == {"400: unable to parse"}


async def test_a_store_that_refuses_every_row_holds_and_gives_nothing_up(tmp_path: Path) -> None:
    """If it takes nothing the fault is not the rows': no quarantine, and few requests."""
    store = Refusing(rule=lambda _: 400, body=b"no such thing here")
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(150))
        outlet = book.store(port, replace(QUICK, held_retry_s=60.0))
        async with at_work(outlet):
            status = await state_is(outlet, "held")
            assert status.sentence.startswith("the store refuses every row: 400: ")
            assert (status.delivered, status.refused) == (0, 0)
        assert len(store.sizes) < 40
        assert book.delivered("store") == 0


async def test_a_batch_too_large_is_sent_in_parts(tmp_path: Path) -> None:
    """413 (RFC 9110, 15.5.14) is about the batch: halves go through and nothing is refused."""
    store = Refusing(rule=lambda lines: 413 if len(lines) > 60 else 204)
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(180))
        outlet = book.store(port)
        async with at_work(outlet):
            await all_delivered(book, outlet)
            assert outlet.status().refused == 0
        assert [number_in(line) for line in store.taken] == list(range(1, 181))


@pytest.mark.parametrize(
    ("code", "sentence"),
    [
        (401, "the store does not let us write (401): who are you"),
        (403, "the store does not let us write (403): who are you"),
        (404, "the store answers 404: who are you"),
        (200, "answers 200 where a store answers 204: is it the store?"),
    ],
)
async def test_a_store_that_wants_a_person_holds_the_outlet_until_it_is_put_right(
    tmp_path: Path, code: int, sentence: str
) -> None:
    """The reason is told, the token is not, the cursor stands; put right, everything arrives."""
    store = Refusing(rule=lambda _: code, body=b'{"message":"who are you"}')
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(20))
        outlet = book.store(port, token=secret("willow"), organisation="park", bucket="osier")
        async with at_work(outlet):
            status = await state_is(outlet, "held")
            assert status.sentence.endswith(sentence)
            assert "willow" not in status.sentence
            assert book.delivered("store") == 0
            store.rule = lambda _: 204
            await all_delivered(book, outlet)
            assert outlet.status().state == "delivering"
        query, authorization = store.requests[0]
        assert authorization == "Token willow"
        assert query == {"org": ["park"], "bucket": ["osier"], "precision": ["us"]}


@pytest.mark.parametrize("code", [429, 500, 502, 503, 408])
async def test_a_store_that_is_busy_is_tried_again(tmp_path: Path, code: int) -> None:
    """Nothing is refused and nothing is lost while it answers 429 or 5xx."""
    left = [4]

    def rule(lines: list[str]) -> int:
        left[0] -= 1
        return code if left[0] >= 0 else 204

    store = Refusing(rule=rule)
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(20))
        outlet = book.store(port)
        async with at_work(outlet):
            await all_delivered(book, outlet)
            assert (outlet.status().retried, outlet.status().refused) == (4, 0)
        assert [number_in(line) for line in store.taken] == list(range(1, 21))


async def test_a_store_says_itself_how_long_to_wait(tmp_path: Path) -> None:
    """Retry-After in seconds (RFC 9110, 10.2.3) is kept to, beyond the outlet's own wait."""
    store = Refusing(rule=lambda _: 503, headers={"Retry-After": "120"})
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(20))
        outlet = book.store(port)
        async with at_work(outlet):
            await state_is(outlet, "unreachable")
            wait_us = outlet._try_at_us - book.clock.now_us()
            assert 110 * 10**6 < wait_us <= 120 * 10**6


async def test_a_stop_does_not_wait_for_a_store_that_hangs(tmp_path: Path) -> None:
    """A write that never ends is left behind, and what it carried is not counted as delivered."""
    hanging, release = threading.Event(), threading.Event()

    def rule(lines: list[str]) -> int:
        hanging.set()
        release.wait(30)
        return 204

    with refusing(Refusing(rule=rule)) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(20))
        outlet = book.store(port)
        async with at_work(outlet):
            await until(hanging.is_set, "the write")
        assert outlet.status().state == "stopped"
        assert book.delivered("store") == 0
        release.set()


async def test_a_burst_of_live_rows_costs_one_request(tmp_path: Path) -> None:
    """What is committed within the moment after the first row goes with it; a full batch goes at
    once, and so does what waits when the collector stops."""
    store = Refusing()
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        outlet = book.store(port, replace(QUICK, gather_s=0.5))
        async with at_work(outlet):
            await until(lambda: outlet._begun, "the outlet to be ready")
            for burst in range(10):
                book.write(busy_records(3, NOON_US + burst * 10**9), outlet)
                await asyncio.sleep(0)
            assert store.sizes == []
            await all_delivered(book, outlet)
            assert store.sizes == [30]
        outlet = book.store(port, replace(QUICK, gather_s=3600.0))
        async with at_work(outlet):
            await until(lambda: outlet._begun, "the outlet to be ready")
            book.write(busy_records(400, NOON_US + 10**11), outlet)
            await until(lambda: outlet._moment is not None, "the moment")
            book.write(busy_records(200, NOON_US + 2 * 10**11), outlet)
            await until(lambda: sum(store.sizes) == 630, "a full batch, and the rest with it")
            assert store.sizes[1:] == [500, 100]
            book.write(busy_records(7, NOON_US + 3 * 10**11), outlet)
            await until(lambda: outlet._moment is not None, "the moment")
        assert store.sizes[3:] == [7]
        assert book.delivered("store") == 637


async def test_what_was_made_ahead_is_made_again_when_the_write_before_it_fails(
    tmp_path: Path,
) -> None:
    """A backlog of many batches, every third answer of which is 503: all arrive in their order,
    the cursor never passes one that the store does not have."""
    answers = cycle([204, 204, 503])
    store = Refusing(rule=lambda _: next(answers))
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(3_000))
        outlet = book.store(port, batch=100)
        async with at_work(outlet):
            while outlet.status().behind:
                assert outlet.status().delivered <= max(map(number_in, store.taken), default=0)
                await asyncio.sleep(0.001)
            await all_delivered(book, outlet)
            assert outlet.status().retried > 5
        taken = [number_in(line) for line in store.taken]
        assert taken == list(range(1, 3_001))


async def test_live_rows_do_not_wait_for_a_long_backlog(tmp_path: Path) -> None:
    """A row journaled during a backlog of 20 000 is written before the backlog's end."""
    store = Refusing()
    with refusing(store) as port, ledger(tmp_path / "journal") as book:
        book.write(busy_records(20_000))
        outlet = book.store(port)
        async with at_work(outlet):
            await until(lambda: len(store.taken) > 1000, "the backlog to move")
            fresh = record(
                RecordKind.POINT,
                "works.float_start",
                NOON_US + 10**10,
                None,
                Quality.BAD,
                LINK_LOST,
            )
            head = book.write([fresh], outlet)
            await all_delivered(book, outlet)
        order = [number_in(line) for line in store.taken]
        assert order.index(head) < order.index(20_000)
        assert [n for n in order if n != head] == list(range(1, 20_001))
        live = store.taken[order.index(head)]
        assert " value=" not in live
        assert ",value=" not in live
