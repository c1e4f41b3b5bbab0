"""Modbus/TCP Security: who is trusted, in both directions, and what is said when trust fails.

The certificates are made by the ``cryptography`` library; the panel is the TLS of Python's ``ssl``
with replies of our own making.
"""

from __future__ import annotations

import asyncio
import datetime
import socket
import ssl
import threading
from collections.abc import AsyncIterator, Iterator
from contextlib import asynccontextmanager, contextmanager, suppress
from pathlib import Path

import pytest

from collector.core.scans import Read
from collector.links.contract import Link
from collector.links.faults import NoConnection, NotTrusted, ReadFault
from collector.links.modbus import open_link
from collector.plant.model import TlsLink
from tests.certificates import DAY, NOW, Authority
from tests.faults.links_panel import BadPanel, Request

READ = Read(1, 3, 0, 10)


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """The authority of the site, which signs panels and the collector."""
    return Authority.make(tmp_path_factory.mktemp("site"), "site")


@pytest.fixture(scope="module")
def stranger(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    """Another authority, of the same name."""
    return Authority.make(tmp_path_factory.mktemp("stranger"), "site")


@asynccontextmanager
async def secure_panel(
    files: tuple[Path, Path],
    trusts: Authority | None = None,
    newest: ssl.TLSVersion = ssl.TLSVersion.TLSv1_3,
    cut_at: int | None = None,
) -> AsyncIterator[tuple[BadPanel, int]]:
    """A panel that speaks TLS, and asks for certificates of ``trusts`` if given."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*files)
    context.maximum_version = newest
    if trusts is not None:
        context.load_verify_locations(trusts.file)
        context.verify_mode = ssl.CERT_REQUIRED

    def behaviour(request: Request) -> list[bytes | float]:
        frame = request.framed(request.right_pdu)
        # Each piece written is a TLS record of its own.
        return [frame] if cut_at is None else [frame[:cut_at], 0.005, frame[cut_at:]]

    panel = BadPanel("tcp", behaviour)
    server = await asyncio.start_server(panel.serve, "127.0.0.1", 0, ssl=context)
    loop = asyncio.get_running_loop()
    loop.set_exception_handler(lambda *_: None)  # refused handshakes are what is being tested
    try:
        yield panel, server.sockets[0].getsockname()[1]
    finally:
        server.close()
        panel.close()
        await server.wait_closed()


@asynccontextmanager
async def link_to(port: int, authority: Authority, **more: str) -> AsyncIterator[Link]:
    """Our link, closed at the end."""
    link = open_link(
        TlsLink(kind="tls", host="127.0.0.1", port=port, authority_file=str(authority.file), **more)
    )
    try:
        yield link
    finally:
        await link.close()
        await asyncio.sleep(0.02)  # both sides see the end before the server closes


async def fault_of(link: Link) -> ReadFault:
    """What a read fails with."""
    with pytest.raises(ReadFault) as fault:
        await link.read(READ, 2.0)
    return fault.value


@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_a_panel_whose_certificate_is_right_is_read(
    site: Authority, newest: ssl.TLSVersion
) -> None:
    """Signed by the authority named in the plant file, valid, and for the host's address."""
    async with secure_panel(site.sign("127.0.0.1"), newest=newest) as (panel, port):
        async with link_to(port, site) as link:
            for _ in range(3):
                assert panel.answers_last_of(0, await link.read(READ, 2.0))
        assert panel.connections == 1


@pytest.mark.parametrize("cut_at", [1, 6, 7, 9, 20])
async def test_a_reply_in_two_records_is_read(site: Authority, cut_at: int) -> None:
    """TLS carries a stream: where its records end means nothing."""
    async with (
        secure_panel(site.sign("127.0.0.1"), cut_at=cut_at) as (panel, port),
        link_to(port, site) as link,
    ):
        assert panel.answers_last_of(0, await link.read(READ, 2.0))


async def test_the_name_in_the_certificate_may_be_given(site: Authority) -> None:
    """A panel known by address whose certificate carries a name is read by giving that name."""
    files = site.sign("works.osierbend.example")
    async with secure_panel(files) as (panel, port):
        async with link_to(port, site) as link:
            fault = await fault_of(link)
            assert isinstance(fault, NotTrusted)
            assert "does not carry the name '127.0.0.1'; give" in str(fault)
        async with link_to(port, site, server_name="works.osierbend.example") as link:
            assert panel.answers_last_of(0, await link.read(READ, 2.0))


async def test_a_panel_signed_by_another_authority_is_refused(
    site: Authority, stranger: Authority
) -> None:
    """Even where the other authority bears the same name; nothing is asked of such a panel."""
    async with (
        secure_panel(stranger.sign("127.0.0.1")) as (panel, port),
        link_to(port, site) as link,
    ):
        fault = await fault_of(link)
    assert isinstance(fault, NotTrusted)
    assert fault.reason == "certificate refused"
    assert panel.requests == []


async def test_an_issuer_nobody_named_is_told_with_the_file_to_change(
    site: Authority, tmp_path: Path
) -> None:
    """The sentence names authority_file."""
    other = Authority.make(tmp_path, "elsewhere")
    async with secure_panel(other.sign("127.0.0.1")) as (_, port), link_to(port, site) as link:
        fault = await fault_of(link)
    assert isinstance(fault, NotTrusted)
    assert f"is not signed by the authority in {site.file}" in str(fault)


@pytest.mark.parametrize(
    ("begins", "ends", "sentence"),
    [
        (NOW - 3 * DAY, NOW - 2 * DAY, "has expired; renew it in the panel, or set this machine's"),
        (NOW + 2 * DAY, NOW + 3 * DAY, "is not valid yet; set the clocks"),
    ],
)
async def test_a_certificate_out_of_its_time_is_refused(
    site: Authority, begins: datetime.datetime, ends: datetime.datetime, sentence: str
) -> None:
    """The sentence says which way, and that a clock may be wrong."""
    files = site.sign("127.0.0.1", begins=begins, ends=ends)
    async with secure_panel(files) as (panel, port), link_to(port, site) as link:
        fault = await fault_of(link)
    assert isinstance(fault, NotTrusted)
    assert sentence in str(fault)
    assert panel.requests == []


@contextmanager
def panel_that_asks(
    files: tuple[Path, Path], trusts: Authority, newest: ssl.TLSVersion
) -> Iterator[int]:
    """A panel that wants our certificate, on blocking sockets; yields its port.

    Unlike the TLS of asyncio, it sends the alert of the standard when it refuses one.
    """
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(*files)
    context.maximum_version = newest
    context.load_verify_locations(trusts.file)
    context.verify_mode = ssl.CERT_REQUIRED
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            plain, _ = listener.accept()
            secure = context.wrap_socket(plain, server_side=True, do_handshake_on_connect=False)
            with secure:
                try:
                    secure.do_handshake()
                except ssl.SSLError:
                    # Take what still comes, else the end overtakes the alert.
                    secure.shutdown(socket.SHUT_WR)
                    while socket.socket.recv(secure, 1024):
                        pass
                    continue
                number = 0
                while frame := secure.recv(12):
                    request = Request("tcp", frame, number)
                    secure.sendall(request.framed(request.right_pdu))
                    number += 1

    def until_closed() -> None:
        with suppress(OSError):
            serve()

    thread = threading.Thread(target=until_closed)
    thread.start()
    try:
        yield listener.getsockname()[1]
    finally:
        listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        thread.join()


@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_a_panel_that_asks_for_our_certificate_gets_it(
    site: Authority, tmp_path: Path, newest: ssl.TLSVersion
) -> None:
    """With the right one it answers; without one, or a stranger's, it refuses, and we say so."""
    stranger = Authority.make(tmp_path, "elsewhere")
    with panel_that_asks(site.sign("127.0.0.1"), site, newest) as port:
        certificate, key = map(str, site.sign("collector"))
        async with link_to(port, site, certificate_file=certificate, key_file=key) as link:
            assert len(await link.read(READ, 2.0)) == 20
        async with link_to(port, site) as link:
            fault = await fault_of(link)
            assert isinstance(fault, NotTrusted)
            assert "none was shown (certificate_file is not set)" in str(fault)
        certificate, key = map(str, stranger.sign("collector"))
        async with link_to(port, site, certificate_file=certificate, key_file=key) as link:
            fault = await fault_of(link)
            assert isinstance(fault, NotTrusted)
            assert "refused our certificate" in str(fault)
            assert certificate in str(fault)


@pytest.mark.parametrize("newest", [ssl.TLSVersion.TLSv1_2, ssl.TLSVersion.TLSv1_3])
async def test_a_panel_that_hangs_up_on_our_certificate_is_told_as_that(
    site: Authority, newest: ssl.TLSVersion
) -> None:
    """Some end the connection without a word: the sentence says what it may mean."""
    files = site.sign("127.0.0.1")
    async with (
        secure_panel(files, trusts=site, newest=newest) as (_, port),
        link_to(port, site) as link,
    ):
        fault = await fault_of(link)
    assert isinstance(fault, NoConnection)
    assert "it may not trust our certificate (certificate_file)" in str(fault)


async def test_a_panel_that_does_not_speak_tls_is_told(site: Authority) -> None:
    """Plain Modbus on that port: the sentence asks whether the kind of link is right."""
    ended = asyncio.Event()

    async def plain(reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        writer.write(b"\0\1\0\0\0\3\1\x83\1")
        with suppress(ConnectionError):
            await reader.read()
        writer.close()
        with suppress(ConnectionError):
            await writer.wait_closed()
        ended.set()

    server = await asyncio.start_server(plain, "127.0.0.1", 0)
    async with link_to(server.sockets[0].getsockname()[1], site) as link:
        fault = await fault_of(link)
    await ended.wait()
    server.close()
    await server.wait_closed()
    assert "check the port, or whether the link is of kind 'tcp'" in str(fault)


@pytest.mark.parametrize(
    ("field", "content", "sentence"),
    [
        ("authority_file", None, "authority_file of the link cannot be read"),
        ("authority_file", "not PEM", "authority_file of the link cannot be used"),
        ("certificate_file", None, "certificate_file of the link cannot be read"),
        ("certificate_file", "not PEM", "certificate_file of the link cannot be used"),
    ],
)
async def test_a_certificate_file_that_cannot_be_used_is_named(
    site: Authority, tmp_path: Path, field: str, content: str | None, sentence: str
) -> None:
    """Before anything is sent."""
    file = tmp_path / "file.pem"
    if content is not None:
        file.write_text(content)
    fields = {"authority_file": str(site.file)} | {field: str(file)}
    link = open_link(TlsLink(kind="tls", host="127.0.0.1", port=1, **fields))
    fault = await fault_of(link)
    assert sentence in str(fault)
    assert str(file) in str(fault)
