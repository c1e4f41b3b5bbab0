"""When a condition makes an alarm: while it stands, happens too often, or is missing.

A shape is told what its condition says and gives back whether it is so; it may want to be woken
because time alone changes that.
"""

from __future__ import annotations

from collections import deque
from typing import Protocol

from collector.core.alarms.rule import Happens, Missing, Shape, Stands


class Judge(Protocol):
    """What a shape makes of a condition."""

    def take(self, holds: bool | None, at_us: int) -> bool | None:
        """What the condition says from an instant on; back comes whether the rule is met."""
        ...

    def wake(self, at_us: int) -> bool | None:
        """Time has passed."""
        ...

    def due_us(self) -> int | None:
        """When time alone may change what it says; None if never."""
        ...

    def save(self) -> list[int]:
        """Its state as numbers."""
        ...

    def restore(self, saved: list[int]) -> None:
        """Take back a state from ``save``."""
        ...


def judge_of(shape: Shape) -> Judge:
    """What keeps count for a shape."""
    if isinstance(shape, Happens):
        return _Happening(shape)
    if isinstance(shape, Missing):
        return _Absence(shape)
    assert isinstance(shape, Stands)
    return _Standing()


def _code(holds: bool | None) -> int:
    return -1 if holds is None else int(holds)


def _of_code(code: int) -> bool | None:
    return None if code < 0 else bool(code)


class _Standing:
    """It is so while the condition holds."""

    def __init__(self) -> None:
        self._holds: bool | None = None

    def take(self, holds: bool | None, at_us: int) -> bool | None:
        del at_us
        self._holds = holds
        return holds

    def wake(self, at_us: int) -> bool | None:
        del at_us
        return self._holds

    def due_us(self) -> int | None:
        return None

    def save(self) -> list[int]:
        return [_code(self._holds)]

    def restore(self, saved: list[int]) -> None:
        self._holds = _of_code(saved[0])


class _Happening:
    """It is so while the condition has come true more than so many times within the window.

    What is unknown hides happenings and makes none: seen ones count on. That few were seen does
    not tell that there were few, until a whole window has been watched.
    """

    def __init__(self, shape: Happens) -> None:
        self._shape = shape
        self._holds: bool | None = None
        self._watched_us: int | None = None  # since when; None once a whole window has been
        self._seen_us: deque[int] = deque(maxlen=shape.times + 1)

    def take(self, holds: bool | None, at_us: int) -> bool | None:
        if holds is True and self._holds is False:
            self._seen_us.append(at_us)
        if holds is not None and self._holds is None:
            self._watched_us = at_us
        self._holds = holds
        return self.wake(at_us)

    def wake(self, at_us: int) -> bool | None:
        while self._seen_us and self._seen_us[0] <= at_us - self._shape.within_us:
            self._seen_us.popleft()
        if len(self._seen_us) > self._shape.times:
            return True
        if self._watched_us is not None and at_us >= self._watched_us + self._shape.within_us:
            self._watched_us = None
        return None if self._holds is None or self._watched_us is not None else False

    def due_us(self) -> int | None:
        if len(self._seen_us) > self._shape.times:
            return self._seen_us[0] + self._shape.within_us
        if self._holds is None or self._watched_us is None:
            return None
        return self._watched_us + self._shape.within_us

    def save(self) -> list[int]:
        watched_us = -1 if self._watched_us is None else self._watched_us
        return [_code(self._holds), watched_us, *self._seen_us]

    def restore(self, saved: list[int]) -> None:
        self._holds = _of_code(saved[0])
        self._watched_us = None if saved[1] < 0 else saved[1]
        self._seen_us = deque(saved[2:], maxlen=self._shape.times + 1)


class _Absence:
    """It is so when the condition has not been true for a time; unknown time starts it again.

    It may have been true while that was unknown: whether it is missing is then not known before it
    is seen, or has been watched for the whole time.
    """

    def __init__(self, shape: Missing) -> None:
        self._for_us = shape.for_us
        self._holds: bool | None = None
        self._since_us: int | None = None  # last known to be true, or watched; None once missing
        self._seen = False  # whether it was true at that instant

    def take(self, holds: bool | None, at_us: int) -> bool | None:
        if holds is False and self._holds is not False:
            self._since_us, self._seen = at_us, self._holds is True
        elif holds is not False:
            self._since_us = None
        self._holds = holds
        return self.wake(at_us)

    def wake(self, at_us: int) -> bool | None:
        if self._holds is not False:
            return None if self._holds is None else False
        if self._since_us is not None and at_us >= self._since_us + self._for_us:
            self._since_us = None
        if self._since_us is None:
            return True
        return False if self._seen else None

    def due_us(self) -> int | None:
        return None if self._since_us is None else self._since_us + self._for_us

    def save(self) -> list[int]:
        since_us = -1 if self._since_us is None else self._since_us
        return [_code(self._holds), since_us, int(self._seen)]

    def restore(self, saved: list[int]) -> None:
        self._holds = _of_code(saved[0])
        self._since_us = None if saved[1] < 0 else saved[1]
        self._seen = bool(saved[2])
