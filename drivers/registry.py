"""Finds drivers of one kind by name: every module of a package, and other packages' entry points."""

from __future__ import annotations

import pkgutil
from functools import cached_property
from importlib import import_module, metadata
from types import ModuleType
from typing import Any, Generic, Protocol, TypeVar

from pydantic import BaseModel

_Settings = TypeVar("_Settings", bound=BaseModel, covariant=True)


class _Driver(Protocol[_Settings]):
    @property
    def name(self) -> str: ...
    @property
    def settings(self) -> type[_Settings]: ...


_Kind = TypeVar("_Kind", bound=_Driver[BaseModel])


class Registry(Generic[_Kind]):
    """The drivers of one kind."""

    def __init__(self, package: ModuleType, kind: type[_Kind], words: str, entry_points: str) -> None:
        """A module of `package` is a driver if its DRIVER is of this `kind`, called `words` for people. Another package
        adds one with an entry point of the group `entry_points` that loads it."""
        self._package, self._kind, self._words, self.entry_points = package, kind, words, entry_points

    @cached_property
    def _built_in(self) -> dict[str, _Kind]:
        found = {}
        for module in pkgutil.iter_modules(self._package.__path__):
            # The registry is what asks; it is no driver, and would be imported while it is being imported.
            if module.name != "registry":
                driver = getattr(import_module(f"{self._package.__name__}.{module.name}"), "DRIVER", None)
                if isinstance(driver, self._kind):
                    found[driver.name] = driver
        return found

    @cached_property
    def _others(self) -> dict[str, metadata.EntryPoint]:
        return {point.name: point for point in metadata.entry_points(group=self.entry_points)}

    def names(self) -> list[str]:
        """Return the names of all drivers that can be found, sorted."""
        return sorted({*self._built_in, *self._others})

    def find(self, name: str) -> _Kind:
        """Return the driver called `name`; raises LookupError naming the ones there are."""
        driver = self._built_in.get(name)
        if driver is None and (point := self._others.get(name)) is not None:
            loaded = point.load()
            if not isinstance(loaded, self._kind):
                kind = self._kind.__name__
                raise LookupError(f"entry point {point.value!r} for {self._words} {name!r} is no {kind}")
            driver = loaded
        if driver is None:
            raise LookupError(f"no {self._words} {name!r}; there are: {', '.join(self.names())}")
        return driver


def make_settings(driver: _Driver[_Settings], values: dict[str, Any]) -> _Settings:
    """Validate `values` (without the key "driver") as this driver's settings; raises pydantic's ValidationError."""
    return driver.settings.model_validate({key: value for key, value in values.items() if key != "driver"})
