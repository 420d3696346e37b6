"""What the numbers rest on: site, time, calibrations. Goes into each Parquet file and into the folder's description."""

import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import BaseModel

from rainstead import __version__
from rainstead.derive import Deriver
from rainstead.settings import Settings

from .partitions import Partitions
from .tables import Table, Type

__all__ = ["About", "calibrations", "data_package"]

_TYPES = {
    Type.TIME: {"type": "datetime", "format": "default"},
    Type.DATE: {"type": "date"},
    Type.TEXT: {"type": "string"},
    Type.NUMBER: {"type": "number"},
    Type.COUNT: {"type": "integer"},
    Type.YES_NO: {"type": "boolean"},
}


@dataclass(frozen=True, slots=True)
class About:
    """Of one export."""

    site: str
    time_zone: str
    from_utc: str
    as_of_utc: str
    settings_digest: str
    calibrations: Mapping[str, Any]

    @staticmethod
    def of(settings: Settings, from_utc: str, as_of_utc: str) -> "About":
        """What these settings say."""
        return About(
            settings.site.name,
            settings.site.time_zone,
            from_utc,
            as_of_utc,
            Deriver(settings).digest,
            calibrations(settings),
        )

    def keys(self) -> dict[str, str]:
        """As key and value, both text."""
        return {
            "rainstead.version": __version__,
            "rainstead.site": self.site,
            "rainstead.time_zone": self.time_zone,
            "rainstead.from_utc": self.from_utc,
            "rainstead.as_of_utc": self.as_of_utc,
            "rainstead.settings_digest": self.settings_digest,
            "rainstead.calibrations": json.dumps(self.calibrations, ensure_ascii=False),
        }


def calibrations(settings: Settings) -> dict[str, Any]:
    """All that turns raw readings into litres and millimetres, in SI, by the settings' own names."""
    return {
        "tanks": {name: _plain(tank) for name, tank in settings.tanks.items()},
        "sensors": {name: _plain(sensor) for name, sensor in settings.sensors.items()},
        "rain": None if settings.rain is None else _plain(settings.rain),
        "pump": None if settings.pump is None else _plain(settings.pump),
    }


def _plain(part: BaseModel) -> Any:
    # Where a device is plugged in says nothing of its numbers.
    return part.model_dump(mode="json", exclude={"port", "path", "gpio", "trigger_gpio", "echo_gpio", "baud"})


def data_package(
    about: About, root: Path, written: Sequence[tuple[Table, Partitions]], left_out: Mapping[str, str], format_: str
) -> str:
    """A Data Package descriptor (version 1) of the folder, for people and for programs that know the format."""
    media = {"csv": "text/csv", "parquet": "application/vnd.apache.parquet"}[format_]
    package = {
        "profile": "data-package",
        "name": "rainstead-export",
        "title": f"{about.site}: water by rainstead",
        **{key.removeprefix("rainstead."): value for key, value in about.keys().items()},
        "calibrations": about.calibrations,
        "resources": [
            {
                "name": table.name,
                "description": table.meaning,
                "path": [path.relative_to(root).as_posix() for path in parts.paths],
                "format": format_,
                "mediatype": media,
                "encoding": "utf-8",
                "rows": parts.rows,
                "partitioned_by": table.month,
                "schema": {
                    "fields": [
                        {
                            "name": column.name,
                            **_TYPES[column.type],
                            **({"unit": column.unit} if column.unit else {}),
                            "description": column.meaning,
                        }
                        for column in table.columns
                    ],
                    "missingValues": [""],
                },
            }
            for table, parts in written
        ],
        "left_out": dict(left_out),
    }
    return json.dumps(package, indent=2, ensure_ascii=False) + "\n"
