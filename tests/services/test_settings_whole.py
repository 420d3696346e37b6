"""What settings are as a whole: their digest, their schema, the starter file, the cost of reading them."""

import json
import subprocess
import sys
import time
from typing import Any, get_args

import pytest
from pydantic import BaseModel

from rainstead.settings import Settings, parse_settings, settings_digest, starter


def digest(text: str) -> str:
    return settings_digest(parse_settings(text, "f"))


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("the-port-of-the-house-tank", "another"),
        ("gpio = 17", "gpio = 5"),
        ("echo_gpio = 24", "echo_gpio = 6"),
        ("28-0000000000ff", "28-0000000000fe"),
        ('port = "', 'baud = 4800\nport = "'),
        ('commit_every = "10 s"', "commit_every = 20"),
        ('brim = "2.10 m"', "brim = 2.1 # the same"),
        ("# [forward]", '[forward]\nurl = "http://x"\norg = "o"\nbucket = "b"\ntoken_file = "t"\n#'),
    ],
)
def test_the_digest_does_not_change_with_wiring_log_forwarding_or_typing(old: str, new: str) -> None:
    assert old in starter()
    assert digest(starter().replace(old, new)) == digest(starter())


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ('diameter = "9 ft"', 'diameter = "9.1 ft"'),
        ('depth_per_tip = "0.2 mm"', "depth_per_tip = 0.21"),
        ("k_factor_per_l = 450", "k_factor_per_l = 451"),
        ("humidity_ratio = 1.0", "humidity_ratio = 0.9"),
        ("house = 0.8,", "house = 0.7,"),
        ('margin = "500 L"', "margin = 501"),
        ("Europe/Lisbon", "Europe/Madrid"),
        ('shape = "cylinder"', 'from = 2025-01-01\nshape = "cylinder"'),
    ],
)
def test_the_digest_changes_with_what_an_answer_depends_on(old: str, new: str) -> None:
    assert old in starter()
    assert digest(starter().replace(old, new)) != digest(starter())


def test_the_digest_is_short_hexadecimal() -> None:
    assert len(digest(starter())) == 16
    int(digest(starter()), 16)


# --- schema and starter -------------------------------------------------------------------------------------------


def models(annotation: Any) -> set[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        inner = (models(field.annotation) for field in annotation.model_fields.values())
        return {annotation}.union(*inner)
    return set().union(*(models(part) for part in get_args(annotation)))


def test_the_schema_holds_every_key_as_it_is_typed_and_allows_no_other() -> None:
    schema = Settings.model_json_schema()
    assert json.loads(json.dumps(schema)) == schema
    parts = {"Settings": schema, **schema["$defs"]}
    assert len(models(Settings)) == len(parts)
    for model in models(Settings):
        keys = {field.alias or name for name, field in model.model_fields.items()}
        assert set(parts[model.__name__]["properties"]) == keys
        assert parts[model.__name__]["additionalProperties"] is False
        assert set(parts[model.__name__].get("required", [])) <= keys


def test_every_reference_in_the_schema_leads_somewhere() -> None:
    schema = Settings.model_json_schema()

    def references(node: Any) -> list[str]:
        if isinstance(node, dict):
            here = [node["$ref"]] if isinstance(node.get("$ref"), str) else []
            return here + [found for value in node.values() for found in references(value)]
        return [found for value in node for found in references(value)] if isinstance(node, list) else []

    found = references(schema)
    assert found
    assert {one.removeprefix("#/$defs/") for one in found} <= schema["$defs"].keys()


def test_the_starter_passes_its_own_check_and_says_it_is_invented() -> None:
    settings = parse_settings(starter(), "starter", now_ms=0)
    assert "invented" in settings.site.name


def test_the_starter_shows_every_table() -> None:
    for name in Settings.model_fields:
        assert f"[{name}" in starter(), name


@pytest.mark.parametrize("word", ["never measure alone", "ladders", "untreated", "Petrol", "fire authority"])
def test_the_starter_warns_where_somebody_could_be_hurt(word: str) -> None:
    assert word in starter()


def test_the_forwarding_table_of_the_starter_is_good_once_uncommented() -> None:
    head, tail = starter().split("# [forward]")
    settings = parse_settings(head + "[forward]" + tail.replace("\n# ", "\n"), "starter")
    assert settings.forward is not None


def test_settings_are_light_to_import_and_quick_to_read() -> None:
    """The logger imports them on a small board."""
    code = "import sys, rainstead.settings; print(*sorted(m.split('.')[0] for m in sys.modules))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, timeout=60)
    assert not {"typer", "rich", "pandas", "scipy", "influxdb_client"} & set(done.stdout.split())
    text = starter()
    begun = time.perf_counter()
    parse_settings(text, "f")
    assert time.perf_counter() - begun < 1
