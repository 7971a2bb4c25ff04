"""Lists of commands that load a command only when it is called, so that a list is printed without what they import."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from importlib import import_module
from typing import Any

import typer
from typer.core import TyperGroup
from typer.main import get_command


@dataclass(frozen=True, slots=True)
class Command:
    """A command as its list shows it: what it does, and where the function is (a file of this folder, its name).

    `beside` are commands that may follow its name instead of options.
    """

    says: str
    file: str
    function: str
    beside: Mapping[str, Command] = field(default_factory=dict)

    def load(self, name: str) -> Any:
        """Import the function and make it a command."""
        alone = typer.Typer(add_completion=False, rich_markup_mode=None)
        alone.command(name)(getattr(import_module(f"capture.cli.{self.file}"), self.function))
        command = get_command(alone)
        return _with_commands(command, self.beside) if self.beside else command


@dataclass(frozen=True, slots=True)
class Group:
    """Several commands about one noun."""

    says: str
    commands: Mapping[str, Command]

    def load(self, name: str) -> Any:
        """Make the group; its commands are loaded when they are called."""
        listed = CommandList.of(self.commands)
        return listed(name=name, help=self.says, no_args_is_help=True, rich_markup_mode=None)


def _with_commands(command: Any, beside: Mapping[str, Command]) -> Any:
    """Return `command` as it is where none of those `beside` it is called."""
    called: list[Any] = []

    class CommandOrOther(CommandList.of(beside)):  # type: ignore[misc]
        def invoke(self, ctx: Any) -> Any:
            called.append(ctx)
            return super().invoke(ctx)

    def alone(**values: Any) -> Any:
        return None if called[-1].invoked_subcommand else command.callback(**values)

    return CommandOrOther(
        name=command.name,
        help=command.help,
        params=command.params,
        callback=alone,
        invoke_without_command=True,
        rich_markup_mode=None,
    )


class _OnDemand(Mapping[str, Any]):
    """Commands by name, each made when it is asked for."""

    def __init__(self, listed: Mapping[str, Command | Group]) -> None:
        self._listed = listed

    def __getitem__(self, name: str) -> Any:
        return self._listed[name].load(name)

    def __iter__(self) -> Iterator[str]:
        return iter(self._listed)

    def __len__(self) -> int:
        return len(self._listed)


class CommandList(TyperGroup):
    """A list of commands; what is wrong with an argument is said in words for people."""

    listed: Mapping[str, Command | Group] = {}

    def __init__(self, **told: Any) -> None:
        super().__init__(**told)
        self.commands: Any = _OnDemand(self.listed)

    @classmethod
    def of(cls, listed: Mapping[str, Command | Group]) -> type[CommandList]:
        """Return the class of a list; typer makes the object."""
        return type("CommandList", (cls,), {"listed": listed})

    def list_commands(self, ctx: Any) -> list[str]:
        """Return the names in the order of the list."""
        return list(self.listed)

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write what there is: the commands, then the groups."""
        for title, kind in (("Commands", Command), ("Groups of commands", Group)):
            rows = [(name, one.says) for name, one in self.listed.items() if isinstance(one, kind)]
            if rows:
                with formatter.section(title):
                    formatter.write_dl(rows)

    def invoke(self, ctx: Any) -> Any:
        """Run the command that was asked for."""
        try:
            return super().invoke(ctx)
        except typer.BadParameter as error:
            from capture.plumbing.wrong_values import plain_words

            error.message = plain_words(error.message)
            raise
