"""Writes lines to a time-series store and says in words what it made of them.

The library's batching writer loses rows at exit and after its last attempt, so only its synchronous
write is used, which blocks.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import Enum
from types import TracebackType
from typing import Self

from influxdb_client.client.influxdb_client import InfluxDBClient
from influxdb_client.client.write_api import SYNCHRONOUS
from influxdb_client.domain.write_precision import WritePrecision
from influxdb_client.rest import ApiException
from urllib3.exceptions import HTTPError

from collector.settings import StoreSettings

WRITTEN = 204
BAD_ROWS = frozenset({400, 413, 422})
TRY_LATER = frozenset({408, 425, 429})  # RFC 9110, RFC 8470, RFC 6585; all of 5xx beside
LONGEST_WAIT_S = 300.0


class Verdict(Enum):
    """What became of one write."""

    WRITTEN = "written"
    BAD_ROWS = "bad rows"
    LATER = "later"
    HELD = "held"


@dataclass(frozen=True, slots=True)
class Answer:
    """The store's answer, with the reason in words and the wait it asks for.

    ``away``: there was none, so the store may have died.
    """

    verdict: Verdict
    why: str = ""
    wait_s: float | None = None
    away: bool = False


class StoreClient:
    """The library's client of one store; closed at the end of a ``with``."""

    def __init__(self, settings: StoreSettings) -> None:
        self._bucket = settings.bucket
        self._client = InfluxDBClient(
            url=settings.url,
            token=_revealed(settings),
            org=settings.organisation,
            timeout=int(1000 * settings.timeout_s),
            ssl_ca_cert=_text(settings.authority_file),
        )
        self._writing = self._client.write_api(write_options=SYNCHRONOUS)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._client.close()  # type: ignore[no-untyped-call]

    def write(self, lines: Sequence[str]) -> Answer:
        """Write lines; blocks, and raises nothing foreign."""
        url = self._client.url
        try:
            self._writing.write(
                bucket=self._bucket,
                record="\n".join(lines).encode(),  # a list it would go through line by line
                write_precision=WritePrecision.US,  # type: ignore[arg-type] # its constants are str
            )
            status: int = self._client.api_client.last_response.status
        except ApiException as error:
            return _refusal(error)
        except (HTTPError, OSError, ValueError) as error:
            why = f"no answer from {url}: {_short(str(error))}"
            if url.startswith("http:") and "Connection aborted" in str(error):
                why += "; if it wants TLS, 'store.url' has to begin with https"
            return Answer(Verdict.LATER, why, away=True)
        if status != WRITTEN:
            why = f"{url} answers {status} where a store answers {WRITTEN}: is it the store?"
            return Answer(Verdict.HELD, why)
        return Answer(Verdict.WRITTEN)


def _refusal(error: ApiException) -> Answer:
    status = int(error.status or 0)
    why = _short(str(error.message or error.reason or "no reason given"))
    if status in BAD_ROWS:
        return Answer(Verdict.BAD_ROWS, f"{status}: {why}")
    if status in TRY_LATER or status >= 500:
        return Answer(Verdict.LATER, f"the store answers {status}: {why}", _wait_s(error))
    if status in (401, 403):
        return Answer(Verdict.HELD, f"the store does not let us write ({status}): {why}")
    if status == 0:  # how the library reports a TLS failure
        return Answer(Verdict.HELD, _no_tls(str(error.reason)))
    return Answer(Verdict.HELD, f"the store answers {status}: {why}")


def _no_tls(reason: str) -> str:
    """What a TLS failure means, and what would have to be so."""
    untrusted = re.search(r"certificate verify failed: (.+?) \(_ssl", reason)
    if untrusted is None:
        return f"no secure connection to the store: {_short(reason)}"
    return (
        f"no secure connection to the store: its certificate is not trusted ({untrusted[1]}); it "
        "has to be signed by the authority of 'store.authority_file', or one the system knows, "
        "valid today and made out to the host of 'store.url'"
    )


def _wait_s(error: ApiException) -> float | None:
    """Seconds of a Retry-After header (RFC 9110, 10.2.3); a date in it is not waited for."""
    text = str(error.retry_after or "")
    return min(float(text), LONGEST_WAIT_S) if text.isascii() and text.isdigit() else None


def _short(text: str) -> str:
    line = " ".join(text.split())
    return line if len(line) <= 200 else line[:199] + "…"


def _revealed(settings: StoreSettings) -> str:
    return settings.token.get_secret_value() if settings.token is not None else ""


def _text(path: object) -> str | None:
    return None if path is None else str(path)
