"""The password of the page against a real argon2 hash, made by the library itself.

The form of the header: RFC 7617, whose section 2 has the example of Aladdin, and section 2.1 that
of a name and password with characters beyond ASCII.
"""

from __future__ import annotations

import asyncio
import base64
import os
import unicodedata
from pathlib import Path

import argon2
import pytest
import structlog

from collector.errors import OutletError
from collector.page.access import Access, Refusal, hash_of, read_hash

CHEAP = argon2.PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
STRANGER = "198.51.100.7"
OWN = "127.0.0.1"


def basic(password: str, user: str = "engineer") -> str:
    """The header of a browser."""
    return "Basic " + base64.b64encode(f"{user}:{password}".encode()).decode()


class Door:
    """An access with a clock that a test moves."""

    def __init__(self, folder: Path, password: str) -> None:
        self.file = folder / "page.password"
        self.set(password)
        self.now_us = 0
        self.access = Access(self.file, lambda: self.now_us)

    def set(self, password: str) -> None:
        """Keep another password."""
        fresh = self.file.with_suffix(".new")
        fresh.write_text(CHEAP.hash(password) + "\n", "ascii")
        os.replace(fresh, self.file)

    async def try_(self, header: str | None, address: str = OWN) -> int:
        """Status of one try; 200 where it gets in."""
        refused: Refusal | None = await self.access.refusal(address, header)
        return 200 if refused is None else refused.status


async def test_who_knows_the_password_gets_in_whatever_name_he_gives(tmp_path: Path) -> None:
    """The examples of RFC 7617: Aladdin's password, and one beyond ASCII."""
    door = Door(tmp_path, "open sesame")
    assert await door.try_("Basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==") == 200
    assert await door.try_("basic QWxhZGRpbjpvcGVuIHNlc2FtZQ==") == 200
    assert await door.try_(basic("open sesame", "")) == 200
    assert await Door(tmp_path, "123£").try_("Basic dGVzdDoxMjPCow==") == 200


async def test_a_password_is_the_same_on_every_keyboard(tmp_path: Path) -> None:
    """Composed or decomposed, as systems differ (RFC 8265, section 4.2.1)."""
    door = Door(tmp_path, unicodedata.normalize("NFC", "grüße am weiher"))
    assert await door.try_(basic(unicodedata.normalize("NFD", "grüße am weiher"))) == 200


@pytest.mark.parametrize(
    "header",
    [
        None, "", "Basic", "Basic !!!", "Basic /w==", "Basic bm9jb2xvbg==", "Bearer abc",
        basic("open sesam"), basic("open sesame "), basic(""), basic("x" * 2_000),
    ],
)  # fmt: skip
async def test_everything_else_does_not(tmp_path: Path, header: str | None) -> None:
    """No header, no Basic, no base64, no UTF-8, no colon, another password."""
    assert await Door(tmp_path, "open sesame").try_(header) == 401


async def test_five_wrong_passwords_lock_an_address_out_even_with_the_right_one(
    tmp_path: Path,
) -> None:
    """Else the lock would not slow guessing; it says when to try again."""
    door = Door(tmp_path, "open sesame")
    tries = [await door.try_(basic(f"wrong {n}"), STRANGER) for n in range(5)]
    assert tries == [401] * 4 + [429]
    refused = await door.access.refusal(STRANGER, basic("open sesame"))
    assert refused is not None
    assert (refused.status, refused.retry_after_s) == (429, 60)
    door.now_us = 60_000_000
    assert await door.try_(basic("open sesame"), STRANGER) == 200


async def test_no_header_is_no_try(tmp_path: Path) -> None:
    """A browser asks without first."""
    door = Door(tmp_path, "open sesame")
    assert [await door.try_(None, STRANGER) for _ in range(20)] == [401] * 20
    assert await door.try_(basic("open sesame"), STRANGER) == 200


async def test_strangers_cannot_keep_the_machine_s_owner_out(tmp_path: Path) -> None:
    """Neither by being wrong, from anywhere, nor by being many at once."""
    door = Door(tmp_path, "open sesame")
    for number in range(20):
        await door.try_(basic("wrong"), OWN)
        await door.try_(basic("wrong"), f"198.51.100.{number}")
    crowd = [door.try_(basic("wrong"), f"203.0.113.{number}") for number in range(60)]
    *crowded, owner = await asyncio.gather(*crowd, door.try_(basic("open sesame"), OWN))
    assert owner == 200
    assert set(crowded) == {401, 429}


async def test_guesses_at_once_count_as_guesses_one_after_another(tmp_path: Path) -> None:
    """Five of eight that come together are looked at, at most."""
    door = Door(tmp_path, "open sesame")
    tries = await asyncio.gather(*(door.try_(basic(f"no {n}"), STRANGER) for n in range(8)))
    assert sorted(tries) == [401] * 4 + [429] * 4


async def test_another_password_takes_the_place_of_the_old_one_at_once(tmp_path: Path) -> None:
    """Also of one that was right a moment ago and is remembered."""
    door = Door(tmp_path, "open sesame")
    assert await door.try_(basic("open sesame")) == 200
    door.set("close sesame")
    assert await door.try_(basic("open sesame")) == 401
    assert await door.try_(basic("close sesame")) == 200


async def test_where_the_file_is_gone_nobody_gets_in(tmp_path: Path) -> None:
    """Not even who was in before; the log says why, without any secret."""
    door = Door(tmp_path, "open sesame")
    assert await door.try_(basic("open sesame")) == 200
    door.file.unlink()
    with structlog.testing.capture_logs() as log:
        assert await door.try_(basic("open sesame")) == 503
    assert str(door.file) in log[0]["because"]
    assert "sesame" not in str(log)


def test_a_hash_is_argon2id_and_never_the_same_twice() -> None:
    """RFC 9106, section 4: argon2id is what is to be used; each hash has a salt of its own."""
    first, second = hash_of("open sesame"), hash_of("open sesame")
    assert first.startswith("$argon2id$")
    assert first != second
    assert argon2.PasswordHasher().verify(first, "open sesame")


COSTLY = "$argon2id$v=19$m=1048576,t=3,p=4$c29tZXNhbHQ$aGFzaGhhc2hoYXNoaGFzaA"


@pytest.mark.parametrize(
    ("content", "says"),
    [
        (b"open sesame\n", "holds no argon2 hash"),
        (b"", "holds no argon2 hash"),
        (b"\xff\xfe", "holds no argon2 hash"),
        (COSTLY.encode(), "more memory or rounds"),
    ],
)
def test_a_file_that_cannot_be_used_is_told_without_its_content(
    tmp_path: Path, content: bytes, says: str
) -> None:
    """A password in clear must not come to stand in the log, nor a hash stop the collector."""
    path = tmp_path / "page.password"
    path.write_bytes(content)
    with pytest.raises(OutletError) as caught:
        read_hash(path)
    assert says in str(caught.value)
    assert "weirkeeper password" in str(caught.value)
    assert "sesame" not in str(caught.value)
