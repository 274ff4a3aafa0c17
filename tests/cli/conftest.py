from __future__ import annotations

import functools
from collections.abc import Iterator

import pytest
import typer.testing


@pytest.fixture(scope="session", autouse=True)
def commands_are_read_once() -> Iterator[None]:
    """Else each of them reads the parameters of all commands anew, which takes longer than most do."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(typer.testing, "_get_command", functools.cache(typer.testing._get_command))
        yield
