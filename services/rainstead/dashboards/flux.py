"""Pieces of Flux. Every measurement, tag and field is looked up in the schema: a name that is not there is an error."""

from rainstead.forward import Measurement, measurement

__all__ = [
    "BUCKET_VARIABLE",
    "SHOWN_BUCKET",
    "SHOWN_SITE",
    "SITE_VARIABLE",
    "Source",
    "field_of",
    "quoted",
    "source",
    "tag_of",
    "unit_of",
]

Source = str
"""Flux text that gives a stream of tables."""

# Variables belong to a whole organisation: a plain `bucket` would be taken from somebody else's dashboards.
BUCKET_VARIABLE, SITE_VARIABLE = "rainstead_bucket", "rainstead_site"
SHOWN_BUCKET, SHOWN_SITE = f"v.{BUCKET_VARIABLE}", f"v.{SITE_VARIABLE}"
"""What is chosen above a dashboard."""


def field_of(of: str, name: str) -> str:
    """A field's name. Raises KeyError where the schema has none such."""
    if name not in {field.name for field in measurement(of).fields}:
        raise KeyError(f"{of} has no field {name}")
    return name


def tag_of(of: str, name: str) -> str:
    """A tag's name. Raises KeyError where the schema has none such."""
    if name != "site" and name not in measurement(of).tags:
        raise KeyError(f"{of} has no tag {name}")
    return name


def quoted(text: str) -> str:
    """As a text in Flux, with nothing in it that Flux would work out."""
    plain = text.replace("\\", "\\\\").replace('"', '\\"').replace("${", "\\${")
    return f'"{plain}"'


def unit_of(of: str, name: str) -> str:
    """A field's unit, as an axis shows it."""
    found: Measurement = measurement(of)
    return next(field.unit for field in found.fields if field.name == name)


def source(
    of: str,
    *fields: str,
    bucket: str = SHOWN_BUCKET,
    start: str = "v.timeRangeStart",
    stop: str = "v.timeRangeStop",
    every_site: bool = False,
) -> Source:
    """Points of a measurement: of these fields, in the time that is shown, of the site that is shown or of all."""
    asked = " or ".join(f'r._field == "{field_of(of, name)}"' for name in fields)
    site = "" if every_site else f"\n  |> filter(fn: (r) => r.{tag_of(of, 'site')} == {SHOWN_SITE})"
    return (
        f"from(bucket: {bucket})\n"
        f"  |> range(start: {start}, stop: {stop})\n"
        f'  |> filter(fn: (r) => r._measurement == "{measurement(of).name}")\n'
        f"  |> filter(fn: (r) => {asked}){site}"
    )
