"""The clock module asks the kernel, and never makes anything wait for the answer."""

from __future__ import annotations

import ctypes
import struct

from collector.clock import maybe_synchronised

STATUS_OFFSET = 40  # of ``status`` in struct timex on 64-bit Linux (linux/timex.h)
STA_UNSYNC, STA_CLOCKERR = 0x0040, 0x1000  # linux/timex.h


def test_whether_the_clock_is_synchronised_is_what_the_kernel_says() -> None:
    """adjtimex(2): the clock is unsynchronised where STA_UNSYNC or STA_CLOCKERR is set."""
    buffer = ctypes.create_string_buffer(512)
    assert ctypes.CDLL(None).adjtimex(buffer) >= 0
    (status,) = struct.unpack_from("i", buffer, STATUS_OFFSET)
    assert maybe_synchronised() is (status & (STA_UNSYNC | STA_CLOCKERR) == 0)
