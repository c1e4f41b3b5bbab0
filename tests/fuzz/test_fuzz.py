"""A little of each kind of damage on every run; ``python -m tests.fuzz`` tries more.

Sources of what is right stand in the modules: Modbus guides for frames, RFC 8259 for actions.
"""

from __future__ import annotations

from pathlib import Path
from random import Random

from tests.fuzz.files import file_cases
from tests.fuzz.frames import crc16, mbap_cases, rtu_cases
from tests.fuzz.spoken import action_cases, export_cases


def test_the_judge_reckons_the_published_check_sum() -> None:
    """CRC-16/MODBUS of "123456789" is 0x4B37 (catalogue of parametrised CRC algorithms)."""
    assert crc16(b"123456789") == 0x4B37


def test_no_damaged_reply_is_believed_and_no_right_one_refused() -> None:
    """In both framings, whole or in pieces, with late replies of earlier requests before them."""
    rng = Random(20260701)
    assert 1_000 < mbap_cases(rng, 15_000) < 9_000
    assert 500 < rtu_cases(rng, 15_000) < 9_000


def test_a_damaged_file_ends_in_sentences(tmp_path: Path) -> None:
    """Plant, rules and settings: what is wrong is said, nothing else comes out."""
    good = file_cases(Random(7), 240, tmp_path)
    assert all(0 < count < 80 for count in good.values()), good


def test_what_is_said_is_understood_or_refused() -> None:
    """Actions: taken only if they are JSON with just those words."""
    taken = action_cases(Random(7), 4_000)
    assert 100 < taken < 3_000


def test_a_damaged_export_never_counts_as_whole(tmp_path: Path) -> None:
    """Any changed byte is noticed, and none ends in an error."""
    assert export_cases(Random(7), 300, tmp_path) == 0
