"""A mistake in the settings, told in the words of the person who made it."""

import difflib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from typing import Any, get_args

from pydantic import BaseModel, ValidationError

from .model import Settings

__all__ = ["Mistake", "as_typed", "model_mistakes", "near"]


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
    found = difflib.get_close_matches(word, list(known), n=1, cutoff=0.6)
    return f"; did you mean {found[0]}?" if found else ""


def as_typed(value: object) -> str:
    """A value much as it stands in the file."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return f'"{value}"'
    if isinstance(value, Mapping):
        return "{…}"
    text = str(value)
    return text if len(text) <= 60 else text[:57] + "…"


def model_mistakes(error: ValidationError) -> list[Mistake]:
    """Every mistake in a settings file's shape, without the checker's own words."""
    return [_mistake(one) for one in error.errors(include_url=False)]


def _mistake(error: Any) -> Mistake:
    kind, context, value = error["type"], error.get("ctx", {}), error.get("input")
    path = [part for part in error["loc"] if not _is_tag(part)]
    key = "".join(f"[{part}]" if isinstance(part, int) else f".{part}" for part in path).lstrip(".") or "the file"
    said = as_typed(value)
    match kind:
        case "missing":
            return Mistake(key, "", "is missing; add it")
        case "extra_forbidden":
            return Mistake(key, said, f"there is no such key{_near_key(error['loc'])}; mend or remove it")
        case "union_tag_invalid" | "union_tag_not_found":
            tag = str(context["discriminator"]).strip("'")
            found = context.get("tag")
            if found is None:
                return Mistake(f"{key}.{tag}", "", f"is missing; say which {tag} it is")
            return Mistake(f"{key}.{tag}", f'"{found}"', f"must be one of {context['expected_tags']}")
        case "literal_error" | "enum":
            return Mistake(key, said, f"must be {context['expected']}")
        case "value_error":
            return Mistake(key, said, str(context["error"]))
        case "greater_than":
            return Mistake(key, said, f"must be more than {context['gt']:g}")
        case "greater_than_equal":
            return Mistake(key, said, f"must be {context['ge']:g} or more")
        case "less_than_equal":
            return Mistake(key, said, f"must be {context['le']:g} or less")
        case "too_short":
            return Mistake(key, said, f"needs at least {context['min_length']} entries")
        case "too_long":
            return Mistake(key, said, f"takes {context['max_length']} entries, not {context['actual_length']}")
        case "string_too_short":
            return Mistake(key, said, "must not be empty")
        case "string_pattern_mismatch" if "http" in context["pattern"]:
            return Mistake(key, said, "must begin with http:// or https://")
        case "string_pattern_mismatch":
            return Mistake(key, said, "a name has small letters, digits and _, begins with a letter, 40 at most")
        case "finite_number":
            return Mistake(key, said, "must be a finite number")
    for word, remedy in _EXPECTED.items():
        if word in kind:
            return Mistake(key, said, remedy)
    return Mistake(key, said, f"is not usable here ({kind.replace('_', ' ')})")


_EXPECTED = {
    "datetime": "must be a date (2026-01-31) or a date and time, without quotes",
    "date": "must be a date (2026-01-31) or a date and time, without quotes",
    "float": "must be a number, or text with a unit where the starter file shows one",
    "int": "must be a whole number, without quotes",
    "bool": "must be true or false, without quotes",
    "string": "must be text in quotes",
    "tuple": "must be a list in [ ]",
    "dict": "must be a table",
    "model": "must be a table",
}

_TAGS = frozenset({"date", "datetime", "[key]", "constrained-str"})


def _is_tag(part: object) -> bool:
    """What pydantic puts into a path to say which branch it tried."""
    return isinstance(part, str) and (part in _TAGS or part.startswith(("function-", "tuple[")) or part in _KINDS)


def _branches() -> tuple[frozenset[str], dict[str, frozenset[str]]]:
    """All tags of the discriminated unions, and the keys of every part by the tag or key that leads to it."""
    kinds: set[str] = set()
    keys: dict[str, frozenset[str]] = {}

    def walk(model: type[BaseModel], name: str) -> None:
        fields = {field.alias or key: field for key, field in model.model_fields.items()}
        keys[name] = frozenset(fields)
        for alias, field in fields.items():
            for part in _models_in(field.annotation):
                tag_field = part.model_fields.get("kind") or part.model_fields.get("shape")
                tag = alias if tag_field is None else get_args(tag_field.annotation)[0]
                if tag_field is not None:
                    kinds.add(tag)
                if tag not in keys:
                    walk(part, tag)

    walk(Settings, "")
    return frozenset(kinds), keys


def _models_in(annotation: Any) -> list[type[BaseModel]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return [annotation]
    return [found for part in get_args(annotation) for found in _models_in(part)]


_KINDS, _KEYS = _branches()


def _near_key(path: tuple[Any, ...]) -> str:
    wrong = str(path[-1])
    for part in reversed(path[:-1]):
        if part in _KEYS:
            return near(wrong, _KEYS[part])
    return near(wrong, _KEYS[""])
