"""Work that a process of its own does: what holds the interpreter for half a second would hold the daemon, and the
guard of a daemon that is held switches off."""

from __future__ import annotations

import asyncio
import contextlib
import sys
from typing import NamedTuple

from benchd.web.errors import ApiError


class Done(NamedTuple):
    """How the process has ended: its exit status (below 0: by this signal), what it made, and what it said."""

    status: int
    made: bytes
    told: bytes


class Apart:
    """Runs `python -m MODULE`, one at a time, with an order on its standard input. Lives in the event loop.

    `code`: of what is answered when it fails, and `what` it makes. `within_s`: a process that takes longer is given up.
    `most_waiting`: who comes when so many orders are there is told to come again; orders may be large.
    """

    def __init__(self, module: str, what: str, code: str, *, within_s: float, most_waiting: int) -> None:
        self._module, self._what, self._code = module, what, code
        self.within_s, self.most_waiting = within_s, most_waiting
        self._turn = asyncio.Lock()
        self._waiting = 0

    async def done(self, order: bytes) -> Done:
        """Have it done. Raises ApiError 503 where too many wait, it cannot be started or takes too long."""
        if self._waiting >= self.most_waiting:
            raise ApiError(503, "busy", f"{self._waiting} {self._what}s are waited for already; ask again in a moment")
        self._waiting += 1
        try:
            async with self._turn:
                return await self._run(order)
        finally:
            self._waiting -= 1

    async def _run(self, order: bytes) -> Done:
        pipe = asyncio.subprocess.PIPE
        try:
            process = await asyncio.create_subprocess_exec(
                sys.executable, "-m", self._module, stdin=pipe, stdout=pipe, stderr=pipe
            )
        except OSError as e:
            told = f"the process that makes {self._what}s could not be started: {e}; try again, or start benchd anew"
            raise ApiError(503, self._code, told) from None
        try:
            made, told_bytes = await asyncio.wait_for(process.communicate(order), self.within_s)
        except TimeoutError:
            told = f"the {self._what} was not made within {self.within_s:g} s, and given up"
            raise ApiError(503, self._code, told) from None
        finally:
            if process.returncode is None:
                with contextlib.suppress(ProcessLookupError):
                    process.kill()
                await process.wait()
        assert process.returncode is not None
        return Done(process.returncode, made, told_bytes)
