"""A mistake in the settings, told in the words of the person who made it."""

import difflib
import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from .model import Settings

__all__ = ["HIDDEN", "Mistake", "as_typed", "model_mistakes", "near"]

_LONGEST = 60
HIDDEN = "…"
"""Stands for what may be a password: what is said of a mistake goes into the journal, into the log and out by mail."""


@dataclass(frozen=True, slots=True)
class Mistake:
    """Where, what is there, and what would be right."""

    key: str
    value: str
    remedy: str

    def __str__(self) -> str:
        return f"{self.key} = {self.value}: {self.remedy}" if self.value else f"{self.key}: {self.remedy}"


def near(word: str, known: Iterable[str]) -> str:
    """A hint at what may have been meant; empty where nothing is near."""
    found = difflib.get_close_matches(word[:_LONGEST], list(known), n=1, cutoff=0.6)
    return f"; did you mean {found[0]}?" if found else ""


def as_typed(value: object) -> str:
    """A value much as it stands in the file, on one line."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        quoted = json.dumps(value[: 2 * _LONGEST], ensure_ascii=False)
        return _cut("".join(one if one.isprintable() else f"\\u{ord(one):04x}" for one in quoted))
    if isinstance(value, Mapping):
        return "{…}"
    if isinstance(value, list | tuple):
        return _cut(f"[{', '.join(as_typed(one) for one in value[:_LONGEST])}]")
    if isinstance(value, int):  # str() of an int refuses thousands of digits, hex() does not
        return str(value) if abs(value) < 10**_LONGEST else _cut(hex(value))
    return _cut(str(value))


def _may_be_secret(key: str, value: object, *, is_unknown: bool) -> bool:
    """Whether a password may stand there: an address where its file should be named, a token in a key of its own."""
    table, text = key.partition(".")[0], value if isinstance(value, str) else as_typed(value)
    is_address = "://" in text and ("@" in text or table == "messages")
    return is_address or (is_unknown and table in ("forward", "messages"))


def _cut(text: str) -> str:
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def model_mistakes(error: ValidationError, data: Mapping[str, Any]) -> list[Mistake]:
    """Every mistake in a settings file's shape, without the checker's own words. data: what was checked."""
    return [_mistake(one, data) for one in error.errors(include_url=False)]


def _mistake(error: Any, data: Mapping[str, Any]) -> Mistake:
    kind, context, value = error["type"], error.get("ctx", {}), error.get("input")
    place = _place(error["loc"], data, missing=kind == "missing")
    key, unit = place.key or "the file", place.unit
    said = HIDDEN if _may_be_secret(key, value, is_unknown=kind == "extra_forbidden") else as_typed(value)
    match kind:
        case "missing":
            return Mistake(key, "", "is missing; add it as `rainstead settings new` shows")
        case "extra_forbidden":
            hint = near(str(error["loc"][-1]), place.siblings)
            return Mistake(key, said, f"there is no such key{hint or '; mend or remove it'}")
        case "union_tag_invalid" | "union_tag_not_found":
            tag = str(context["discriminator"]).strip("'")
            kinds = "one of " + ", ".join(f'"{one}"' for one in place.tags)
            found = context.get("tag")
            if found is None:
                return Mistake(f"{key}.{tag}", "", f"is missing; add {kinds}")
            return Mistake(f"{key}.{tag}", as_typed(found), f"must be {kinds}{near(found, place.tags)}")
        case "literal_error":
            return Mistake(key, said, f"must be {context['expected']}".replace("'", '"'))
        case "value_error":
            return Mistake(key, said, str(context["error"]))
        case "greater_than":
            return Mistake(key, said, f"must be more than {context['gt']:g}{unit}")
        case "greater_than_equal":
            return Mistake(key, said, f"must be {context['ge']:g}{unit} or more")
        case "less_than":
            return Mistake(key, said, f"must be less than {context['lt']:g}{unit}")
        case "less_than_equal":
            return Mistake(key, said, f"must be {context['le']:g}{unit} or less")
        case "too_short":
            return Mistake(key, said, f"is too short; entries needed: {context['min_length']} or more")
        case "too_long":
            return Mistake(key, said, f"has {context['actual_length']} entries; {context['max_length']} are right")
        case "string_too_short":
            return Mistake(key, said, "is empty; put text in the quotes")
        case "string_pattern_mismatch" if "http" in context["pattern"]:
            return Mistake(key, said, "must begin with http:// or https://")
        case "string_pattern_mismatch":
            return Mistake(key, said, "a name has small letters, digits and _, begins with a letter, 40 at most")
        case "finite_number":
            return Mistake(key, said, "must be a finite number")
        case "float_type" if unit:
            return Mistake(key, said, f"must be a number in{unit}, or text with a unit, as in '3{unit}'")
    return Mistake(key, said, _EXPECTED.get(kind.split("_")[0], "is not a value that fits here; see the starter file"))


_EXPECTED = {
    "datetime": "must be a date (2026-01-31) or a date and time, without quotes",
    "date": "must be a date (2026-01-31) or a date and time, without quotes",
    "float": "must be a number, without quotes",
    "int": "must be a whole number, without quotes",
    "bool": "must be true or false, without quotes",
    "string": "must be text in quotes",
    "tuple": "must be a list in [ ], or tables with [[ ]]",
    "dict": "must be a table of named tables or values",
    "model": "must be a table",
}

_UNITS = {"m": "m", "mm": "mm", "m2": "m2", "l": "L", "s": "s", "l_h": "L/h"}


@dataclass(frozen=True, slots=True)
class _Place:
    """Where in the file a mistake is: its key as typed, and what the model knows of that place.

    unit: of a bare number, with a space before it; empty where there is none.
    siblings: keys that may stand where the last one stands. tags: kinds that may stand there.
    """

    key: str
    unit: str
    siblings: tuple[str, ...]
    tags: tuple[str, ...]


def _place(path: Sequence[int | str], data: Any, *, missing: bool) -> _Place:
    """Follow a checker's path through the file and the model together.

    The path also says which branch was tried ("cylinder", "date"); such a part is no key of the file, however a
    person names the tanks.
    """
    key, unit = "", ""
    models: list[type[BaseModel]] = [Settings]
    siblings: tuple[str, ...] = ()
    a_name_is_next = False
    for k, part in enumerate(path):
        if isinstance(part, int):
            key += f"[{part}]"
            data = data[part] if isinstance(data, list) and part < len(data) else None
            continue
        here = isinstance(data, Mapping) and part in data
        if not here and not (missing and k == len(path) - 1):
            models = [model for model in models if _tag(model) == part] or models
            continue
        key += ("." if key else "") + (part if part.replace("_", "").replace("-", "").isalnum() else as_typed(part))
        data = data[part] if here else None
        if a_name_is_next:
            a_name_is_next = False
            continue
        fields = {field.alias or name: (name, field) for model in models for name, field in model.model_fields.items()}
        siblings, models, unit = tuple(fields), [], ""
        if part in fields:
            name, field = fields[part]
            unit = _UNITS.get(name.removeprefix(f"{part}_"), "") if field.alias else ""
            unit = f" {unit}" if unit else ""
            models = _models_in(field.annotation)
            a_name_is_next = "dict[" in str(field.annotation)
    return _Place(key, unit, siblings, tuple(_tag(model) for model in models))


def _tag(model: type[BaseModel]) -> str:
    """The kind or shape that tells a model from the others of its union; empty for one that stands alone."""
    field = model.model_fields.get("kind") or model.model_fields.get("shape")
    return get_args(field.annotation)[0] if field else ""


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in _models_in(part)]
