"""Starts and stops the daemon: log, guard, followers, page, in an order in which nothing can be lost or left on."""

from __future__ import annotations

import asyncio
import contextlib
import functools
import logging
import os
import signal
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from benchd.daemon.admission import Admission
from benchd.daemon.backups import DailyBackup
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.desks import desks_of
from benchd.daemon.followers import broker_of, follow
from benchd.daemon.housekeeping import Housekeeping
from benchd.daemon.known import Known
from benchd.daemon.notify import Notifier, status_line
from benchd.daemon.quiet import QuietHours, local_time
from benchd.guard.client import GuardClient
from benchd.guard.wire import ChannelConfig, Configure, SupplyConfig
from benchd.reading import OutputState
from benchd.settings import Settings, SettingsError, Supply
from benchd.settings_fit import unfit
from benchd.store.consent_rows import consented
from benchd.store.errors import LogError
from benchd.store.holding import LOG_FILE, FolderHeld, held
from benchd.store.log import Log, StoredTrip
from benchd.store.writer import LogWriter
from benchd.web.app import create_app
from benchd.web.desks import Desks
from benchd.web.server import CannotListen, serve

if TYPE_CHECKING:
    from benchd.daemon.benches import Listening

log = logging.getLogger("benchd")

ADDRESS = "daemon.json"
TASKS_END_S = 5.0
NOT_OFF = "not every output could be confirmed off: look at the supplies, switch off there"


class StartError(Exception):
    """The daemon cannot start; nothing was switched on. Says what is in the way and what to do."""


class Daemon:
    """One run of the daemon. `config`: the settings' file, absolute; None: they come from none, as in the demo."""

    def __init__(self, settings: Settings, config: Path | None = None) -> None:
        self._settings = settings
        self._config = config
        self._stop = asyncio.Event()
        self.bench: Bench | None = None
        self.core: Core | None = None

    def stop(self) -> None:
        """Ask the daemon to end."""
        self._stop.set()

    async def run(
        self,
        ready: Callable[[str], None],
        *,
        signals: bool = True,
        on_event: Callable[[str, dict[str, Any]], None] | None = None,
    ) -> bool:
        """Run until stopped. `ready` gets the page's address once everything is up; `on_event`: see `Core.on_event`.

        True when every output was confirmed off at the end. Raises StartError.
        """
        folder = self._settings.data_path
        with _only_one(folder), contextlib.ExitStack() as undo:
            configure, known = self._supplies()
            writer, kept = _open_log(folder / LOG_FILE)
            undo.callback(writer.close)
            self.core = core = Core(self._settings, known.families(), writer, kept.job, kept.consents)
            core.of_unit, core.senses = known.unit, known.senses
            core.on_event = on_event
            for supply in self._settings.supply:
                core.expect(known.expected(supply, self._settings.interval_ms(supply)))
            core.restore_latches(kept.latched)
            if kept.fault:
                core.alarm(
                    "which job was on the bench and which outputs had tripped cannot be read from the log, so none is "
                    f"held back: look before you switch on ({kept.fault})"
                )
            core.remember_settings()
            self.bench = bench = Bench(core, folder / LOG_FILE)
            await asyncio.to_thread(core.cards.shelf)  # before anything is on: reading many cards takes a while
            loop = asyncio.get_running_loop()
            if signals:
                for number in (signal.SIGINT, signal.SIGTERM):
                    loop.add_signal_handler(number, self._stop.set)
                    undo.callback(loop.remove_signal_handler, number)
            return await self._serve(core, bench, writer, configure, folder, ready)

    async def _serve(
        self,
        core: Core,
        bench: Bench,
        writer: LogWriter,
        configure: Configure,
        folder: Path,
        ready: Callable[[str], None],
    ) -> bool:
        web = self._settings.web
        admission = self._admission(folder, core)
        address: asyncio.Future[str] = asyncio.get_running_loop().create_future()
        benches = _all_benches(self._settings)
        desks = desks_of(core, bench, self._config)
        app = create_app(
            bench,
            bench_name=self._settings.bench,
            allowed_hosts=web.called,
            benches=benches,
            desks=desks,
            access=admission.access,
        )
        serving = serve(app, web.host, web.port, address.set_result, admission.tls)
        page = asyncio.create_task(serving, name="page")
        await _up(page, address)
        latched = [key for key, watch in core.watches.items() if watch.latched]
        guard = GuardClient(configure, core.on_report, core.alarm, latched)
        core.guard = guard
        tasks = [page, *_parts(bench, core, writer, benches)]
        for watch in core.watches.values():
            core.state_changed(watch)  # `unknown`: what an earlier daemon published last does not hold any more
        for task in tasks:
            task.add_done_callback(functools.partial(_ended, core))
        manager = Notifier.from_environment()
        confirmed = False
        try:
            try:
                await guard.start()
            except TimeoutError as e:
                raise StartError(str(e)) from None
            _announced(admission, folder / ADDRESS, address.result(), core)
            ready(address.result())
            told = manager.keep_told(lambda: guard.state == "alive", lambda: status_line(core.view(), address.result()))
            tasks.append(asyncio.create_task(told, name="telling the service manager"))
            tasks[-1].add_done_callback(functools.partial(_ended, core))
            stopped = asyncio.create_task(self._stop.wait(), name="stop")
            await asyncio.wait({stopped, page}, return_when=asyncio.FIRST_COMPLETED)
            stopped.cancel()
        finally:
            manager.stopping()
            confirmed = await _all_off(core, guard, desks)
            with contextlib.suppress(OSError):
                (folder / ADDRESS).unlink()
            await _end(core, tasks)
        if not self._stop.is_set():
            off = "every output was confirmed off" if confirmed else NOT_OFF
            raise StartError(f"the page ended by a fault of its own; {off}")
        return confirmed

    def _admission(self, folder: Path, core: Core) -> Admission:
        try:
            admission = Admission(self._settings.web, folder, core)
        except SettingsError as e:
            raise StartError(str(e)) from None
        if admission.warning:
            core.standing.append(admission.warning)
        return admission

    def _supplies(self) -> tuple[Configure, Known]:
        if faults := unfit(self._settings):
            raise StartError("\n".join(faults))
        supplies = tuple(guarded(s, self._settings) for s in self._settings.supply)
        configure = Configure(
            supplies,
            lock_dir=str(lock_dir()),
            rearm_pause_s=self._settings.guard.rearm_pause_s,
            rearm_per_minute=self._settings.guard.rearm_per_minute,
        )
        return configure, Known(self._settings.supply)


def _announced(admission: Admission, file: Path, address: str, core: Core) -> None:
    """Where this daemon is, for commands on this machine."""
    try:
        admission.announce(file, address)
    except OSError as e:
        core.alarm(f"{file}: not written, so `benchd job` will not find this daemon: {e}")


async def _all_off(core: Core, guard: GuardClient, desks: Desks) -> bool:
    """End runs and the guard; whether every output was confirmed off."""
    if desks.procedures is not None:
        desks.procedures.ending()
    confirmed = await guard.stop()
    if desks.procedures is not None:
        await desks.procedures.close()
    # A supply that was never reached holds nothing of ours, but nobody has read back that it is off.
    return confirmed and all(watch.output == OutputState.OFF for watch in core.watches.values())


def guarded(supply: Supply, settings: Settings) -> SupplyConfig:
    """A supply of the settings as the guard takes it."""
    return SupplyConfig(
        name=supply.name,
        resource=supply.resource,
        profile=supply.profile,
        channels=tuple(ChannelConfig(c.number, c.max_voltage_v, c.max_limit_a) for c in supply.channel),
        reading_interval_s=settings.interval_ms(supply) / 1000,
        timeout_s=supply.timeout_ms / 1000,
        on_daemon_loss=supply.on_daemon_loss,
        baud_rate=supply.baud_rate,
        array_readback=supply.array_readback,
        visa_library=supply.visa_library,
        serial=supply.serial,
        leave_alone=tuple(other.resource for other in settings.supply if other.name != supply.name),
        link_watchdog_s=supply.link_watchdog_s,
    )


def lock_dir() -> Path:
    """Where supplies are locked: one folder for all users' daemons of this machine, since a supply is one thing."""
    folder = Path("/run/lock") if os.access("/run/lock", os.W_OK) else Path("/tmp")  # noqa: S108
    found = folder / "benchd"
    try:
        found.mkdir(mode=0o1777, exist_ok=True)
    except OSError as e:
        raise StartError(f"{found}: the folder for the supplies' locks cannot be made: {e}") from None
    with contextlib.suppress(PermissionError):
        found.chmod(0o1777)
    return found


class _Kept(NamedTuple):
    """What an earlier daemon left in the log."""

    job: str | None = None
    latched: dict[tuple[str, int], StoredTrip | None] = {}  # noqa: RUF012 (never changed)
    consents: frozenset[str] = frozenset()
    fault: str = ""
    """Why that could not be read; empty where it was."""


def _open_log(path: Path) -> tuple[LogWriter, _Kept]:
    try:
        writer = LogWriter(path)
    except LogError as e:
        raise StartError(str(e)) from None
    # A log that cannot be written now is the writer's to report and to try again: protection does not wait for it.
    try:
        with Log.open(path, read_only=True) as db:
            return writer, _Kept(db.current_job(), db.latched(), consented(db))
    except LogError as e:
        return writer, _Kept(fault=str(e))


def _parts(bench: Bench, core: Core, writer: LogWriter, benches: Listening | None) -> list[asyncio.Task[Any]]:
    """What runs beside the page, each a task; raises StartError."""
    tasks = [asyncio.create_task(core.pump(), name="pump"), *_followers(bench, core, writer)]
    tasks.append(asyncio.create_task(QuietHours(core, local_time).keep(), name="quiet hours"))
    tasks.append(asyncio.create_task(DailyBackup(core).keep(), name="daily copy"))
    tasks.append(asyncio.create_task(Housekeeping(core).keep(), name="housekeeping"))
    if benches is not None:
        tasks.append(asyncio.create_task(benches.run(), name="all benches"))
    return tasks


async def _end(core: Core, tasks: list[asyncio.Task[Any]]) -> None:
    """What is being filed is filed; then the tasks end. For after the outputs are off."""
    await core.all_filed()
    for task in tasks:
        task.cancel()
    # Every output is looked after by now; a task that does not end must not keep the daemon for ever.
    _, late = await asyncio.wait(tasks, timeout=TASKS_END_S)
    for task in late:
        log.error("%s did not end when told", task.get_name())


def _followers(bench: Bench, core: Core, writer: LogWriter) -> list[asyncio.Task[Any]]:
    try:
        return follow(bench, core, writer)
    except SettingsError as e:
        raise StartError(str(e)) from None


def _all_benches(settings: Settings) -> Listening | None:
    """Who listens to all benches of the broker; None: the settings name none."""
    if settings.mqtt is None:
        return None
    from benchd.daemon.benches import Listening

    try:
        return Listening(broker_of(settings.mqtt))
    except SettingsError as e:
        raise StartError(str(e)) from None


async def _up(page: asyncio.Task[None], address: asyncio.Future[str]) -> None:
    """Wait for the page's address. Raises StartError when the page cannot be offered."""
    first: set[asyncio.Future[Any]] = {page, address}
    await asyncio.wait(first, return_when=asyncio.FIRST_COMPLETED)
    if not address.done():
        try:
            await page
        except CannotListen as e:
            raise StartError(str(e)) from None
        raise StartError("the page ended before it was up")


def _ended(core: Core, task: asyncio.Task[Any]) -> None:
    """A part of the daemon that ends before the daemon does is told at once."""
    if not task.cancelled() and (error := task.exception()) is not None:
        log.error("%s ended", task.get_name(), exc_info=error)
        core.alarm(f"{task.get_name()} ended by a fault of the daemon; restart it when no board is powered: {error!r}")


@contextlib.contextmanager
def _only_one(folder: Path) -> Iterator[None]:
    """Holds the folder for one daemon. Raises StartError when another process has it or there is no such folder.

    A disk that is full or read-only does not matter here: the outputs are guarded all the same.
    """
    with contextlib.ExitStack() as undo:
        try:
            undo.enter_context(held(folder))
        except FolderHeld as e:
            raise StartError(
                f"{folder}: another daemon writes this log ({e.holder}); end it, or set another data_dir"
            ) from None
        except OSError as e:
            raise StartError(f"data_dir {folder}: cannot be made or opened: {e}") from None
        yield
