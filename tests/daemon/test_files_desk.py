"""Files of settings as they are edited on the page: checked as the files are, written whole, and written down."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import pytest

from benchd.daemon import files_desk
from benchd.daemon.bench import Bench
from benchd.daemon.core import Core
from benchd.daemon.file_changes import payload
from benchd.daemon.files_desk import FilesDesk
from benchd.daemon.step_desk import StepDesk
from benchd.settings import load
from benchd.store.log import Log
from benchd.web.files_port import FileKind
from benchd.web.port import Refused
from benchd.whole_file import replace_file
from tests.daemon.making import ACCURACY, FakeWriter

TEXT = """\
# The bench of this shop.\r
data_dir = "{folder}"\r
\r
[guard]\r
# rearm_pause_s = 2.0      # from a trip until its output may be re-armed\r
\r
[influxdb]\r
url = "http://127.0.0.1:8086"\r
token = "s3cret"  # ask the owner\r
\r
[[supply]]\r
name = "psu-a"\r
resource = "TCPIP0::192.0.2.5::5025::SOCKET"\r
profile = "generic-scpi"\r
[[supply.channel]]\r
max_voltage_v = 5.0  # no more\r
max_limit_a = 3.0\r
plan = "phone-cell"\r
"""
THIS = "this machine"
STEPS = '# ours\nformat = 1\n[[step]]\nid = "baked"\nlabel = "Baked"\n'


class Config:
    """The settings file, as another program would change it."""

    def __init__(self, path: Path) -> None:
        self.path = path

    @property
    def text(self) -> str:
        return self.path.read_bytes().decode()

    @text.setter
    def text(self, text: str) -> None:
        self.path.write_bytes(text.encode())


@pytest.fixture
def config(tmp_path: Path) -> Config:
    made = Config(tmp_path / "benchd.toml")
    made.text = TEXT.replace("{folder}", str(tmp_path))
    made.path.chmod(0o600)
    return made


@pytest.fixture
def core(log: Log, config: Config) -> Core:
    settings = load(config.path)
    return Core(settings, {("psu-a", 1): ACCURACY}, FakeWriter(log), None)  # type: ignore[arg-type]


@pytest.fixture
def desk(core: Core, log: Log, config: Config) -> FilesDesk:
    bench = Bench(core, log.path)
    return FilesDesk(core, bench, StepDesk(core, bench), config.path)


def own_files(folder: Path) -> list[str]:
    return sorted(path.name for path in folder.rglob("*.toml"))


async def values_of(desk: FilesDesk) -> dict[str, Any]:
    form = await desk.bench_form()
    assert form.values is not None
    return form.values


async def test_the_form_changes_a_value_and_nothing_else_and_gives_no_secret_away(
    desk: FilesDesk, config: Config, log: Log
) -> None:
    before = config.text
    form = await desk.bench_form()
    values = await values_of(desk)
    assert "s3cret" not in str(form)
    assert (form.pending, form.faults, form.defaults["guard"]["rearm_pause_s"]) == (False, [], 2.0)
    assert "generic-scpi" in form.profiles
    assert "phone-cell" in form.plans
    values["guard"] = {"rearm_pause_s": 3.5}
    values["supply"][0]["channel"][0]["max_limit_a"] = 2
    assert (await desk.check_form(values, THIS)).faults == [], "the phone's plan asks for 2 A"
    assert config.text == before, "a look writes nothing"
    view = await desk.save_form(values, form.version, "Ada")
    after = config.text
    assert after == before.replace("re-armed\r\n", "re-armed\r\nrearm_pause_s = 3.5\r\n").replace("= 3.0\r", "= 2\r")
    assert config.path.stat().st_mode & 0o777 == 0o600
    assert view.pending, "in force with the next start"
    assert "s3cret" not in view.text
    (entry,) = log.journal(kinds=["files"])
    assert entry.job is None
    assert "s3cret" not in str(entry.payload)
    assert entry.payload["changed"] == ["guard.rearm_pause_s", "supply[0].channel[0].max_limit_a"]
    (change,) = await desk.changes(10, None, None)
    assert (change.file, change.name, change.what, change.by) == ("supplies", "benchd", "changed", "Ada")
    assert "+rearm_pause_s = 3.5" in change.diff


async def test_what_differs_is_looked_for_beside_the_loop(desk: FilesDesk, monkeypatch: pytest.MonkeyPatch) -> None:
    threads = []

    def noted(*told: Any) -> dict[str, Any]:
        threads.append(threading.current_thread())
        return payload(*told)

    monkeypatch.setattr(files_desk, "payload", noted)
    await desk.save_file("steps", "steps", STEPS, None, THIS)
    await desk.save_form(await values_of(desk) | {"bench": "north"}, None, THIS)
    assert len(threads) == 2
    assert threading.main_thread() not in threads


async def test_what_is_wrong_is_told_at_its_key_and_nothing_is_written(desk: FilesDesk, config: Config) -> None:
    before = config.text
    values = await values_of(desk)
    values["supply"][0]["channel"][0]["max_voltage_v"] = 3.0
    (fault,) = (await desk.check_form(values, THIS)).faults
    assert (fault.key, fault.line) == ("supply[0].channel[0].max_voltage_v", 16)
    assert "the channel's max_voltage_v is 3.0 V" in fault.text
    with pytest.raises(Refused, match="max_voltage_v is 3") as refused:
        await desk.save_form(values, None, THIS)
    assert refused.value.code == "out-of-range"
    with pytest.raises(Refused, match="line 3: not valid TOML"):
        await desk.save_file("supplies", "benchd", "bench = 'a'\n\n[", None, THIS)
    assert config.text == before


async def test_an_old_page_is_refused_with_what_stands_there_now(desk: FilesDesk, config: Config) -> None:
    old = await desk.file("supplies", "benchd")
    by_hand = config.text.replace("# no more", "# no more, says the boss")
    config.text = by_hand
    with pytest.raises(Refused, match="changed meanwhile") as refused:
        await desk.save_file("supplies", "benchd", old.text, old.version, THIS)
    assert refused.value.code == "stale"
    assert "says the boss" in refused.value.present["text"]
    assert config.text == by_hand
    now = await desk.save_file("supplies", "benchd", old.text, refused.value.present["version"], THIS)
    assert not now.by_hand
    assert config.text.count("\r\n") == now.text.count("\n"), "line ends stay, and so does the secret"
    assert "s3cret" in config.text
    config.text = by_hand
    assert (await desk.bench_form()).by_hand


async def test_files_that_are_loaded_as_code_or_secrets_are_named_at_the_bench_itself(desk: FilesDesk) -> None:
    text = (await desk.file("supplies", "benchd")).text
    other = text.replace("[[supply.channel]]", 'visa_library = "/tmp/x.so"\r\n[[supply.channel]]')
    (fault,) = (await desk.check_file("supplies", "benchd", other, "Ada")).faults
    assert "visa_library: names a file of the bench's computer" in fault.text
    assert (await desk.check_file("supplies", "benchd", other, THIS)).faults == []
    with pytest.raises(Refused, match="not from another machine"):
        await desk.save_file("supplies", "benchd", other, None, "Ada")


async def test_plans_cards_checklists_and_steps_are_made_changed_and_deleted(
    desk: FilesDesk, core: Core, tmp_path: Path, log: Log
) -> None:
    rows = {(row.file, row.name): row for row in await desk.files()}
    assert rows["plan", "phone-cell"].origin == rows["card", "low-stall"].origin == "shipped"
    assert rows["supplies", "benchd"].title == "benchd.toml"
    lists = [name for kind, name in rows if kind == "checklist"]
    changes: tuple[tuple[FileKind, str, str], ...] = (
        ("plan", "mine", "# mine\nformat = 1\nvoltage_v = 3.8\nlimit_a = 1.0\n"),
        ("card", "low-stall", (await desk.file("card", "low-stall")).text + "# ours\n"),
        ("checklist", lists[0], (await desk.file("checklist", lists[0])).text + "# ours\n"),
        ("steps", "steps", STEPS),
    )
    for kind, name, text in changes:
        version = (await desk.file(kind, name)).version if (kind, name) in rows else ""
        made = await desk.save_file(kind, name, text, version, "Ada")
        assert (made.text, made.origin, made.faults, made.at_once) == (text, "own", [], True)
        with pytest.raises(Refused, match="changed meanwhile"):
            await desk.save_file(kind, name, text, version, "Ada")
        changed = await desk.save_file(kind, name, f"# more\n{text}", made.version, "Ben")
        assert not changed.by_hand
        broken = await desk.check_file(kind, name, "format = 1\nnothing = 1\n[", "Ada")
        assert [fault.line for fault in broken.faults] == [3]
        with pytest.raises(Refused, match="unknown key"):
            await desk.save_file(kind, name, f"nothing = 1\n{text}", None, "Ada")
        if kind != "plan":
            (first, second) = await desk.changes(10, kind, name)
            assert (first.by, first.what, first.diff) == (
                "Ben",
                "changed",
                "@@ -1 +1,2 @@\n+# more\n " + text.splitlines()[0],
            )
            assert (second.by, second.what) == ("Ada", "made")
            assert second.changed == ([] if text.endswith("# ours\n") else ["step"]), "beside the shipped one"
        await desk.delete_file(kind, name, changed.version, "Ada")
        assert (await desk.changes(1, None, None))[0].what == "deleted"
        with pytest.raises(Refused):
            await desk.delete_file(kind, name, None, "Ada")
    assert own_files(tmp_path) == ["benchd.toml"]


async def test_a_broken_file_is_listed_shown_and_can_be_mended(desk: FilesDesk, tmp_path: Path) -> None:
    replace_file(tmp_path / "plans" / "mine.toml", "format = 1\nvoltage_v = 61\nlimit_a = 1\n")
    row = next(row for row in await desk.files() if row.name == "mine")
    assert row.faults == ["voltage_v = 61: allowed: 60.0 or less (unit: V); it is not used"]
    view = await desk.file("plan", "mine")
    assert [(fault.key, fault.line) for fault in view.faults] == [("voltage_v", 2)]
    mended = await desk.save_file("plan", "mine", view.text.replace("61", "6"), view.version, "Ada")
    assert (mended.faults, mended.by_hand) == ([], False)
    (change,) = await desk.changes(5, "plan", "mine")
    assert (change.what, change.by) == ("made", "Ada")
    assert "+voltage_v = 6" in change.diff
    replace_file(tmp_path / "plans" / "mine.toml", view.text.replace("61", "7"))
    assert (await desk.file("plan", "mine")).by_hand


async def test_what_is_not_there_or_has_no_file_is_told(core: Core, desk: FilesDesk, log: Log) -> None:
    bench = Bench(core, log.path)
    without = FilesDesk(core, bench, StepDesk(core, bench))
    assert {row.file for row in await without.files()} == {"plan", "card", "checklist", "steps", "procedure"}
    with pytest.raises(Refused, match="runs without a settings file"):
        await without.bench_form()
    for name in ("no-such", ".."):
        with pytest.raises(Refused, match="is not there"):
            await desk.file("card", name)
    with pytest.raises(Refused, match="allowed are 1 to 40"):
        await desk.save_file("card", "A b", "", None, THIS)
    with pytest.raises(Refused, match="stays"):
        await desk.delete_file("supplies", "benchd", None, THIS)


async def test_a_journal_that_is_down_is_told_and_the_file_is_changed_all_the_same(
    desk: FilesDesk, core: Core, monkeypatch: pytest.MonkeyPatch
) -> None:
    async def down(work: object) -> None:
        raise Refused("log-down", "the disk is full")

    monkeypatch.setattr(desk._bench, "write", down)
    await desk.save_file("steps", "steps", STEPS, None, "Ada")
    assert "steps steps was changed by Ada, and the journal did not take it: the disk is full" in str(
        core.view().alarms
    )
