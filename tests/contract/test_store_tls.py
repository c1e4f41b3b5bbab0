"""The store over TLS: trusted only with the right authority and name; what is said says what to do.

The peer is the TLS of Python's ``ssl`` with certificates by the library ``cryptography``; it
answers 204 to whatever comes, as a store does that has taken it.
"""

from __future__ import annotations

import contextlib
import ssl
import threading
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

import pytest

from collector.core.records import Record, RecordKind
from tests.certificates import DAY, NOW, Authority
from tests.contract.outlet_parts import all_delivered, at_work, ledger, state_is


class Taker(BaseHTTPRequestHandler):
    """Takes everything."""

    def do_POST(self) -> None:
        """Answer as a store that has written."""
        self.rfile.read(int(self.headers["Content-Length"]))
        self.send_response(204)
        self.end_headers()

    def log_message(self, format: str, *args: object) -> None:  # noqa: A002
        """Say nothing."""


@contextlib.contextmanager
def store(files: tuple[Path, Path]) -> Iterator[int]:
    """A store behind TLS on a free port."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), Taker)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*files)
    server.socket = context.wrap_socket(server.socket, server_side=True)
    thread = threading.Thread(target=server.serve_forever, daemon=True)
    thread.start()
    try:
        yield server.server_address[1]
    finally:
        server.shutdown()
        server.server_close()
        thread.join(10)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority.make(tmp_path_factory.mktemp("site"), "site")


def point() -> Record:
    now_us = 1_783_000_000_000_000
    return Record(RecordKind.POINT, "works.high", now_us, now_us, now_us, True)


async def test_the_right_authority_and_name_are_trusted(site: Authority, tmp_path: Path) -> None:
    """And everything is delivered."""
    with store(site.sign("127.0.0.1")) as port, ledger(tmp_path / "journal") as book:
        outlet = book.store(port, url=f"https://127.0.0.1:{port}", authority_file=site.file)
        async with at_work(outlet):
            book.write([point()], outlet)
            await all_delivered(book, outlet)


@pytest.mark.parametrize("fault", ["authority", "name", "date", "clear text"])
async def test_nothing_is_sent_to_whom_is_not_trusted(
    site: Authority, tmp_path: Path, fault: str
) -> None:
    """And the sentence names the address and the cause."""
    files = site.sign("127.0.0.1")
    authority = site.file
    scheme = "https"
    if fault == "authority":
        authority = Authority.make(tmp_path, "stranger").file
    elif fault == "name":
        files = site.sign("store.example.org")
    elif fault == "date":
        files = site.sign("127.0.0.1", begins=NOW - 3 * DAY, ends=NOW - DAY)
    else:
        scheme = "http"
    with store(files) as port, ledger(tmp_path / "journal") as book:
        outlet = book.store(port, url=f"{scheme}://127.0.0.1:{port}", authority_file=authority)
        async with at_work(outlet):
            book.write([point()], outlet)
            status = await state_is(outlet, "unreachable" if scheme == "http" else "held")
        assert book.delivered("store") == 0
    expected = {
        "authority": "'store.authority_file'", "name": "made out to the host of 'store.url'",
        "date": "has expired", "clear text": "'store.url' has to begin with https",
    }  # fmt: skip
    assert expected[fault] in status.sentence, status.sentence
