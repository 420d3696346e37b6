"""Whatever is in the file, the answer is settings or a SettingsError in plain words."""

import copy
import tomllib
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rainstead.errors import SettingsError
from rainstead.settings import Settings, load_settings, parse_settings, settings_digest, starter

JARGON = ("Input should", "pydantic", "validation error", "valid dictionary", "function-", "errors.pydantic")
GOOD = tomllib.loads(starter())
NOW_MS = 1_782_864_000_000

scalars = (
    st.none()
    | st.booleans()
    | st.integers()
    | st.just(1 << 10_000)
    | st.floats()
    | st.text(max_size=20)
    | st.dates()
    | st.datetimes()
    | st.times()
    | st.sampled_from(
        ["house", "pool", "gauge", "house_level", "2 m", "cylinder", "strapping-table", "one-wire", "UTC"]
    )
)
keys = st.text(max_size=8) | st.sampled_from(["from", "kind", "shape", "house", "sensor", "brim", "date", "[key]"])
values = st.recursive(
    scalars, lambda inner: st.lists(inner, max_size=3) | st.dictionaries(keys, inner, max_size=3), max_leaves=6
)


def places(data: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """The path of every value in the starter file."""
    items = data.items() if isinstance(data, dict) else enumerate(data) if isinstance(data, list) else ()
    return [found for key, value in items for found in [(*path, key), *places(value, (*path, key))]]


PLACES = places(GOOD)


def told(data: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    """Check a parsed file; TOML text cannot hold all that a checker must withstand."""
    with monkeypatch.context() as patched:
        patched.setattr("tomllib.loads", lambda _: data)
        try:
            found = parse_settings("", "f.toml", now_ms=NOW_MS)
        except SettingsError as error:
            said = str(error)
            assert said
            assert not [word for word in JARGON if word in said], said
            assert all(line.startswith("f.toml: ") for line in said.splitlines()), said
            assert all(len(line) < 1000 for line in said.splitlines()), said
        else:
            assert isinstance(found, Settings)
            settings_digest(found)


@given(data=st.binary(max_size=200))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_bytes_are_settings_or_a_settings_error(data: bytes, tmp_path: Path) -> None:
    path = tmp_path / "any.toml"
    path.write_bytes(data)
    with pytest.raises(SettingsError):
        load_settings(path)


@given(data=st.dictionaries(keys | st.sampled_from(sorted(Settings.model_fields)), values, max_size=4))
@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
def test_any_tables_are_settings_or_a_settings_error(data: dict[str, Any], monkeypatch: pytest.MonkeyPatch) -> None:
    told(data, monkeypatch)


@given(spoils=st.lists(st.tuples(st.sampled_from(PLACES), values), min_size=1, max_size=4))
@settings(max_examples=400, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
def test_a_good_file_with_any_values_spoilt_is_settings_or_a_settings_error(
    spoils: list[tuple[tuple[Any, ...], Any]], monkeypatch: pytest.MonkeyPatch
) -> None:
    data = copy.deepcopy(GOOD)
    for path, value in spoils:
        inner: Any = data
        try:
            for part in path[:-1]:
                inner = inner[part]
            inner[path[-1]] = value
        except (KeyError, IndexError, TypeError):
            continue  # an earlier spoil took this place away
    told(data, monkeypatch)


@given(where=st.integers(0, len(starter()) - 1), cut=st.integers(0, 60), put=st.text(max_size=5))
@settings(max_examples=200, deadline=None)
def test_a_starter_file_with_a_piece_torn_out_is_settings_or_a_settings_error(where: int, cut: int, put: str) -> None:
    text = starter()[:where] + put + starter()[where + cut :]
    try:
        parse_settings(text, "f.toml", now_ms=NOW_MS)
    except SettingsError as error:
        assert not [word for word in JARGON if word in str(error)], error


@pytest.mark.parametrize("value", [None, True, -1, 1e99, "x", [], {}, [[]], {"x": 1}], ids=repr)
def test_every_place_withstands_every_kind_of_value(value: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    for *outer, last in PLACES:
        data = copy.deepcopy(GOOD)
        inner: Any = data
        for part in outer:
            inner = inner[part]
        inner[last] = value
        told(data, monkeypatch)
