"""Tables of a TOML file, read key by key, with a message for everything that does not fit."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import Any, TypeVar

from netcorr.errors import LayerError
from netcorr.layers.names import listed, similar

T = TypeVar("T")


class TomlTable:
    """One table of the file, with its name for messages.

    Parameters
    ----------
    value : object
        What the file holds at this place.
    item : str
        What it is called in messages.

    Raises
    ------
    LayerError
        If it is not a table.
    """

    def __init__(self, value: Any, item: str) -> None:
        self.item = item
        if not isinstance(value, dict):
            raise self.error("not a table", "see the example in the documentation of read_mapping")
        self.value: dict[str, Any] = value

    @classmethod
    def of_file(cls, file: Path) -> TomlTable:
        """Read a file.

        Raises
        ------
        LayerError
            If it is missing, unreadable or not TOML.
        """
        return cls(_parse(file), f"mapping {file.name}")

    def error(self, found: str, remedy: str) -> LayerError:
        """Return the error that says what is wrong here."""
        return LayerError(self.item, found=found, remedy=remedy)

    def allow(self, *keys: str) -> None:
        """Refuse other keys."""
        for key in self.value:
            if key not in keys:
                raise self.error(
                    f"key {key!r} is not known{similar(key, keys)}", f"use {listed(keys, most=20)}"
                )

    def sub(self, key: str) -> TomlTable:
        """Return a table that must be there."""
        if key not in self.value:
            raise self.error(f"no table [{key}]", f"add [{key}] with its layer and columns")
        return self.part(key, name=f"[{key}]")

    def part(self, key: str, *, name: str | None = None) -> TomlTable:
        """Return a table that may be missing; it is empty then."""
        return TomlTable(self.value.get(key, {}), f"{self.item}, {name or key}")

    def text(self, key: str) -> str | None:
        """Return a text, or None."""
        value = self.value.get(key)
        if value is not None and not isinstance(value, str):
            raise self.error(f"{key} = {value!r} is not text", f"write {key} as text between quotes")
        return value

    def needed(self, key: str, what: str) -> str:
        """Return a text that must be there and not empty."""
        value = self.text(key)
        if not value:
            raise self.error(f"no {key}", f"give {key}: {what}")
        return value

    def path(self, key: str, folder: Path) -> Path | None:
        """Return a path relative to the folder of the file, or None."""
        name = self.text(key)
        return folder / name if name else None

    def choices(self, key: str, allowed: Mapping[str, tuple[str, ...]]) -> dict[str, str]:
        """Return a table whose values are each one of a few words."""
        part = self.part(key)
        part.allow(*allowed)
        for name in part.value:
            if part.text(name) not in allowed[name]:
                raise part.error(
                    f"{name} = {part.value[name]!r} is not known", f"use one of {listed(allowed[name])}"
                )
        return dict(part.value)

    def codes(self, key: str, meanings: Mapping[str, T]) -> dict[str, T]:
        """Return a table from the file's own codes to what they mean."""
        part = self.part(key)
        meant: dict[str, T] = {}
        for code in part.value:
            word = part.text(code) or ""
            if word not in meanings:
                raise part.error(
                    f"{code} = {word!r} is not known{similar(word, meanings)}",
                    f"use one of {listed(meanings, most=20)}",
                )
            meant[code.strip()] = meanings[word]
        return meant


def _parse(file: Path) -> dict[str, Any]:
    try:
        return tomllib.loads(file.read_text(encoding="utf-8"))
    except FileNotFoundError:
        there = [path.name for path in file.parent.glob("*.toml")] if file.parent.is_dir() else []
        raise LayerError(
            f"mapping {file}", found="no such file", remedy=f"check the path{similar(file.name, there)}"
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise LayerError(
            f"mapping {file}", found=f"cannot be read ({error})", remedy="give a text file in UTF-8"
        ) from error
    except tomllib.TOMLDecodeError as error:
        raise LayerError(
            f"mapping {file.name}", found=f"not TOML: {error}", remedy="correct the line that is named"
        ) from error
