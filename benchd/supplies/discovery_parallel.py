"""Slow questions asked side by side, and never waited for longer than allowed."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Mapping
from typing import Generic, TypeVar

Key = TypeVar("Key")
Result = TypeVar("Result")


class Results(Generic[Key, Result]):
    """`done`: what ended well, in the order of the questions. `failed`: why the others did not."""

    def __init__(self, done: dict[Key, Result], failed: dict[Key, str]) -> None:
        self.done = done
        self.failed = failed


def side_by_side(work: Mapping[Key, Callable[[], Result]], limit_s: float) -> Results[Key, Result]:
    """Run each in a thread of its own, and return after `limit_s` at the latest. Never raises for them.

    What has not ended by then is left to itself: a read that hangs inside a driver cannot be broken off, and a thread
    of this kind does not keep the process from ending.
    """
    done: dict[Key, Result] = {}
    failed: dict[Key, str] = {}
    lock = threading.Lock()

    def one(key: Key, call: Callable[[], Result]) -> None:
        try:
            result = call()
        except Exception as error:  # it must not take the others down; whoever asked is told
            with lock:
                failed[key] = f"{type(error).__name__}: {error}"
        else:
            with lock:
                done[key] = result

    threads = [threading.Thread(target=one, args=item, daemon=True) for item in work.items()]
    for thread in threads:
        thread.start()
    ends = time.monotonic() + limit_s
    for thread in threads:
        thread.join(max(0.0, ends - time.monotonic()))
    with lock:
        late = {key: f"not ended after {limit_s:g} s" for key in work if key not in done and key not in failed}
        return Results({key: done[key] for key in work if key in done}, failed | late)
