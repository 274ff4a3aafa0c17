"""What is made from the code is up to date, and the schema says the same as the checks."""

import re
import tomllib

import pytest

from benchd.share import share_path
from benchd.supplies.profile import load_profile, parse_profile, profile_names, profile_schema
from benchd.supplies.profile_tables import ProfileError
from tests import generated


@pytest.mark.parametrize("path", generated.files(), ids=lambda path: path.name)
def test_what_is_generated_is_up_to_date(path):
    assert path.read_text("utf-8") == generated.files()[path](), "run: python -m tests.generated"


def test_every_key_has_a_description():
    for table, definition in profile_schema()["$defs"].items():
        for key, value in definition["properties"].items():
            assert value.get("description", "").endswith((".", ").", ":")), f"{table}.{key}: {value}"


@pytest.mark.parametrize("name", profile_names())
def test_profiles_fit_their_schema_by_an_independent_validator(name):
    """jsonschema (a reference library of JSON Schema 2020-12) on the generated schema."""
    jsonschema = pytest.importorskip("jsonschema")
    data = tomllib.loads((share_path("drivers") / f"{name}.toml").read_text("utf-8"))
    validator = jsonschema.Draft202012Validator(profile_schema())
    assert [error.message for error in validator.iter_errors(data)] == []
    data["commands"]["output_onn"] = "OUTP ON"
    assert re.search("output_onn", " ".join(error.message for error in validator.iter_errors(data)))
    with pytest.raises(ProfileError, match="output_onn"):
        parse_profile(data, "x.toml")
    assert load_profile(name).name == name
