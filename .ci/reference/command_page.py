"""The command's page: every verb, argument and option, as click has them."""

from __future__ import annotations

import inspect
from collections.abc import Iterator

import click

from trainer.cli import palmwatt

__all__ = ["command_page", "table"]


def table(heads: tuple[str, ...], rows: list[tuple[str, ...]]) -> Iterator[str]:
    """Yield the lines of a Markdown table."""
    yield "| " + " | ".join(heads) + " |"
    yield "|" + " --- |" * len(heads)
    for row in rows:
        yield "| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |"
    yield ""


def command_page() -> str:
    """Return the page, Markdown."""
    lines = ["# The command `palmwatt`", "", palmwatt.get_short_help_str(200), ""]
    lines += [
        "Exit code 0: done; 1: the answer is no (over budget, not bit-exact, not fit); 2: the",
        "input or the call is wrong, said in one line.",
        "",
    ]
    for name in sorted(palmwatt.commands):
        lines += _verb(name, palmwatt.commands[name])
    return "\n".join(lines)


def _verb(name: str, command: click.Command) -> Iterator[str]:
    context = click.Context(command, info_name=f"palmwatt {name}")
    yield f"## palmwatt {name}"
    yield ""
    yield inspect.cleandoc(command.help or "")
    yield ""
    yield f"    {' '.join([context.command_path, *command.collect_usage_pieces(context)])}"
    yield ""
    given = [one for one in command.params if isinstance(one, click.Argument)]
    if given:
        yield from table(
            ("argument", "what it takes"),
            [(f"`{one.make_metavar(context)}`", _taken(one)) for one in given],
        )
    options = [one for one in command.params if isinstance(one, click.Option) and not one.hidden]
    rows = []
    for one in options:
        names = ", ".join(f"`{each}`" for each in (*one.opts, *one.secondary_opts))
        told = one.help or ""
        if one.required:
            told += " Required."
        elif not one.is_flag and type(default := one.get_default(context)) in (str, int, float):
            told += f" Default: `{default}`."
        rows.append((names, "" if one.is_flag else _taken(one), told.strip()))
    if rows:
        yield from table(("option", "value", ""), rows)
    if isinstance(command, click.Group):
        for below in sorted(command.commands):
            yield from _verb(f"{name} {below}", command.commands[below])
    if command.epilog:
        example = command.epilog.removeprefix("Example:").strip()
        yield f"    $ {example}"
        yield ""


def _taken(one: click.Parameter) -> str:
    """Say what an argument or option takes."""
    kind = one.type
    if isinstance(kind, click.Choice):
        words = " or ".join(f"`{choice}`" for choice in kind.choices)
    elif isinstance(kind, click.IntRange | click.FloatRange):
        number = "whole number" if isinstance(kind, click.IntRange) else "number"
        low = "" if kind.min is None else f" {'above' if kind.min_open else 'from'} {kind.min:g}"
        high = "" if kind.max is None else f" to {kind.max:g}"
        words = number + low + high
    elif isinstance(kind, click.Path):
        words = "file" if not kind.dir_okay else "folder" if not kind.file_okay else "path"
    else:
        words = {"integer": "whole number", "float": "number"}.get(kind.name, kind.name)
    return f"{words}; may be given again" if one.multiple or one.nargs == -1 else words
