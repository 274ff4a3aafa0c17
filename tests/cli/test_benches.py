"""`benchd benches`: the page by itself, and what is heard once."""

from __future__ import annotations

import asyncio
import json
import signal
import subprocess
import sys
import urllib.request
from pathlib import Path
from typing import Any

import pytest
from typer.testing import CliRunner

from benchd.cli.benches import _lines
from benchd.cli.main import app
from tests.daemon.test_benches import up
from tests.running import until
from tests.services import Mosquitto, free_port
from tests.web.test_benches import bench_of, heard, state


def ran(*words: str) -> Any:
    return CliRunner().invoke(app, ["benches", *words])


@pytest.mark.needs_mosquitto
def test_what_the_broker_keeps_is_printed_and_not_believed(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        place = ["--mqtt-host", "127.0.0.1", "--mqtt-port", str(broker.port), "--once"]
        nobody = ran(*place)
        assert (nobody.exit_code, nobody.stdout) == (0, f"127.0.0.1:{broker.port}: no bench was heard\n")
        asyncio.run(up(broker.port, "north", "off", job="R-7"))
        said = ran(*place)
        assert said.exit_code == 0
        assert said.stdout == (
            "north  R-7  nothing was heard from it yet but what the broker kept\n"
            "    psu-a/1  unknown  last known: off\n"
        )
        bench = json.loads(ran(*place, "--json").stdout)
        assert (bench["bench"], bench["outputs"][0]["output"], bench["outputs"][0]["last"]) == (
            "north",
            "unknown",
            "off",
        )


def test_options_that_do_not_go_together_are_a_sentence(tmp_path: Path) -> None:
    refused = ran("--mqtt-host", "127.0.0.1", "--mqtt-password-file", str(tmp_path / "secret"), "--once")
    assert (refused.exit_code, refused.stderr) == (
        2, "benchd: --mqtt-…: a password without user: a broker takes none without a name; give user\n"
    )  # fmt: skip


def test_no_broker_is_said(tmp_path: Path) -> None:
    port = free_port()
    gone = ran("--mqtt-host", "127.0.0.1", "--mqtt-port", str(port), "--once")
    assert gone.exit_code == 1
    words = "nothing listens there: is the server running? Check --mqtt-host, --mqtt-port"
    assert gone.stderr.splitlines() == [f"benchd: the benches are not heard: 127.0.0.1:{port}: {words}"]
    settings = tmp_path / "benchd.toml"
    settings.write_text(
        '[[supply]]\nname = "s"\nresource = "TCPIP0::127.0.0.1::1::SOCKET"\nprofile = "generic-scpi"\n'
        '[[supply.channel]]\nnumber = 1\nmax_voltage_v = 5.0\nmax_limit_a = 3.0\nplan = "phone-cell"\n'
    )
    unset = ran("--config", str(settings), "--once")
    assert unset.exit_code == 2
    assert "has no [mqtt]; --mqtt-host names the broker" in unset.stderr


@pytest.mark.needs_mosquitto
def test_who_named_the_broker_by_options_is_told_of_options(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "closed", {"bench": "right"}) as broker:
        said = ran("--mqtt-host", "127.0.0.1", "--mqtt-port", str(broker.port), "--once")
    assert said.exit_code == 1
    assert "takes nobody without a name: set --mqtt-user and --mqtt-password-file" in said.stderr


@pytest.mark.needs_mosquitto
def test_the_page_by_itself_follows_the_benches_and_ends_when_told(tmp_path: Path) -> None:
    with Mosquitto(tmp_path / "broker") as broker:
        words = ["--mqtt-host", "127.0.0.1", "--mqtt-port", str(broker.port), "--port", "0", "--json"]
        process = subprocess.Popen(
            [sys.executable, "-m", "benchd", "benches", *words], stdout=subprocess.PIPE, text=True
        )
        try:
            assert process.stdout is not None
            url = json.loads(process.stdout.readline())["url"]
            with urllib.request.urlopen(url, timeout=10) as page:
                assert b"<title>All benches</title>" in page.read()
            asyncio.run(up(broker.port, "north", "off"))

            def looked() -> list[tuple[str, str]]:
                with urllib.request.urlopen(f"{url}api/v1/benches", timeout=10) as answer:
                    return [(b["bench"], b["outputs"][0]["output"]) for b in json.load(answer)["benches"]]

            until(looked, lambda seen: seen == [("north", "off")], "north, off")
            process.send_signal(signal.SIGTERM)
            assert process.wait(10) == 0
        finally:
            process.kill()
            process.wait()
            if process.stdout is not None:
                process.stdout.close()


def test_an_output_that_is_on_is_printed_with_its_numbers() -> None:
    benches = heard(output="on", job="R-1")
    benches.take("benchd/north/psu-a/1/reading", b'{"voltage_v": 4.0, "current_a": 0.0612}', False, 100.0)
    benches.take("benchd/north/psu-c/1/state", state("on"), False, 100.0)
    benches.take("benchd/north/psu-c/1/reading", b'{"voltage_v": 4.0, "current_a": -0.0002}', False, 100.0)
    benches.take("benchd/north/psu-b/2/state", state("off", link_up=False), False, 100.0)
    assert _lines(bench_of(benches, 100.0)) == [
        "north  R-1",
        "    psu-a/1  on  4.000 V 0.061 A",
        "    psu-b/2  unknown  the supply is not reached  last known: off",
        "    psu-c/1  on  4.000 V 0.000 A",
    ]
