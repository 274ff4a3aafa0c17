"""Work that must be done even where no thread can be had."""

from __future__ import annotations

import _thread

import pytest

from benchd.guard.errand import Errand


def test_it_is_done_once_in_a_thread_or_here() -> None:
    did: list[int] = []
    errand = Errand(lambda: did.append(1))
    errand.start()
    assert errand.done.wait(5)
    errand.run()
    assert did == [1]
    assert errand.begun


@pytest.mark.parametrize("trouble", [RuntimeError("can't start new thread"), MemoryError(), None])
def test_without_a_thread_the_caller_does_it(monkeypatch: pytest.MonkeyPatch, trouble: Exception | None) -> None:
    def start(*_: object) -> int:
        if trouble is not None:
            raise trouble
        return 0  # the thread has died before it began

    monkeypatch.setattr(_thread, "start_new_thread", start)
    did: list[int] = []
    errand = Errand(lambda: did.append(1))
    errand.start()
    assert not errand.begun
    errand.run()
    assert did == [1]
    assert errand.done.is_set()


def test_what_it_raises_is_printed_and_goes_no_further(capsys: pytest.CaptureFixture[str]) -> None:
    errand = Errand(lambda: 1 // 0)  # type: ignore[arg-type, return-value]
    errand.run()
    assert errand.done.is_set()
    assert "ZeroDivisionError" in capsys.readouterr().err
