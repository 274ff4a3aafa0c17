"""What is made from the code is up to date, and the schema says the same as the checks."""

import re
import tomllib

import jsonschema
import pytest

from benchd.share import share_path
from benchd.supplies.profile import load_profile, parse_profile, profile_names, profile_schema
from benchd.supplies.profile_tables import ProfileError
from tests import generated, mqtt_reference


@pytest.mark.parametrize("path", generated.files(), ids=lambda path: path.name)
def test_what_is_generated_is_up_to_date(path):
    assert path.read_text("utf-8") == generated.files()[path](), "run: python -m tests.generated"


def test_the_table_of_supplies_has_each_profile_once_and_says_how_well_it_is_verified():
    rows = [[cell.strip() for cell in row.split(" | ")] for row in generated.supply_table().splitlines()[2:]]
    assert [row[0].removeprefix("| ") for row in rows] == profile_names()
    for name, row in zip(profile_names(), rows, strict=True):
        assert len(row) == 6, row
        assert ("**unverified**" in row[4]) is (load_profile(name).trust == "unverified")
        assert "dialogue" in row[4]


def test_a_recording_of_the_hardware_shows_in_the_table(tmp_path, monkeypatch):
    (tmp_path / "dialogues").mkdir()
    recording = tmp_path / "recordings" / "generic-scpi" / "EX-30_1.07_hardware.txt"
    recording.parent.mkdir(parents=True)
    head = "# benchd dialogue 1\nprofile: generic-scpi\norigin: hardware\nidentity: Example Works,EX-30,SERIAL,1.07\n"
    recording.write_text(head + "channel: 1\n## identification\n")
    monkeypatch.setattr(generated, "TESTS", tmp_path)
    (row,) = (row for row in generated.supply_table().splitlines() if row.startswith("| generic-scpi |"))
    assert "recorded from hardware: 1 (EX-30)" in row
    assert "dialogue" not in row


def test_every_key_has_a_description():
    for table, definition in profile_schema()["$defs"].items():
        for key, value in definition["properties"].items():
            assert value.get("description", "").endswith((".", ").", ":")), f"{table}.{key}: {value}"


@pytest.mark.parametrize("name", profile_names())
def test_profiles_fit_their_schema_by_an_independent_validator(name):
    """jsonschema (a reference library of JSON Schema 2020-12) on the generated schema."""
    data = tomllib.loads((share_path("drivers") / f"{name}.toml").read_text("utf-8"))
    validator = jsonschema.Draft202012Validator(profile_schema())
    assert [error.message for error in validator.iter_errors(data)] == []
    data["commands"]["output_onn"] = "OUTP ON"
    assert re.search("output_onn", " ".join(error.message for error in validator.iter_errors(data)))
    with pytest.raises(ProfileError, match="output_onn"):
        parse_profile(data, "x.toml")
    assert load_profile(name).name == name


@pytest.mark.parametrize("payload", mqtt_reference.payload_types(), ids=lambda payload: payload.__name__)
def test_every_key_of_an_mqtt_payload_of_ours_is_told(payload):
    if payload.__module__ == "benchd.store.mqtt_payloads":
        for key, (kind, about) in mqtt_reference._keys(payload).items():
            assert kind
            assert about, f"{payload.__name__}.{key}"
