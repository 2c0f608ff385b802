"""
Every command with its options, from the parsers of the programs.

The programs are found by their names: none of them is imported by another.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from importlib import import_module

from cleanside.ingest.docs.markdown_text import anchor, code, page, plain, table

#: program -> module with `build_parser`
PROGRAMS = {
    "cleanside-gateway": "cleanside.gateway.cli",
    "cleanside-ingest": "cleanside.ingest.cli",
    "cleanside-simulator": "cleanside.simulator.cli",
}
#: the flag that stands in every parser
_HELP = "help"


def commands() -> str:
    """The page of all commands."""
    parts = [part for program in PROGRAMS for part in _program(program)]
    opening = "Each program shows the same with `--help`, and its version with `--version`."
    return page("Commands", opening, *parts)


def _program(program: str) -> Iterator[str]:
    parser = parser_of(program)
    yield f"## {program}"
    yield plain(parser.description or "")
    for name in actions_of(parser):
        yield from _command(f"{program} {name}", parser_of(program, name), name)


def parser_of(program: str, command: str = "") -> argparse.ArgumentParser:
    """The parser of a program. command : some options are loaded for the command that has them."""
    made = import_module(PROGRAMS[program]).build_parser
    parser: argparse.ArgumentParser = made(command=command) if program == "cleanside-ingest" else made()
    return parser


def actions_of(parser: argparse.ArgumentParser) -> dict[str, argparse.ArgumentParser]:
    """Name -> parser of the commands below one."""
    found = (action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    return next((dict(action.choices) for action in found), {})


def _command(title: str, parser: argparse.ArgumentParser, name: str) -> Iterator[str]:
    own = actions_of(parser)[name]
    yield f"### {title}\n\n{anchor(title.replace(' ', '-'))}"
    yield plain(_sentence(parser, name))
    yield from _options(own)
    for action, below in actions_of(own).items():
        yield f"#### {title} {action}"
        yield plain(_sentence(own, action))
        yield from _options(below)


def _sentence(parser: argparse.ArgumentParser, name: str) -> str:
    found = (action for action in parser._actions if isinstance(action, argparse._SubParsersAction))
    helps = {choice.dest: choice.help or "" for action in found for choice in action._choices_actions}
    sentence = helps.get(name, "")
    return sentence[:1].upper() + sentence[1:]


def _options(parser: argparse.ArgumentParser) -> Iterator[str]:
    rows = [_option(action) for action in parser._actions if _is_shown(action)]
    yield table(("option", "what it does"), rows)


def _is_shown(action: argparse.Action) -> bool:
    is_below = isinstance(action, argparse._SubParsersAction)
    return not is_below and action.dest != _HELP and action.help != argparse.SUPPRESS


def _option(action: argparse.Action) -> tuple[str, str]:
    value = action.metavar or ("|".join(map(str, action.choices)) if action.choices else action.dest.upper())
    takes = "" if action.nargs == 0 else f" {value}"
    names = ", ".join(action.option_strings) or str(value)
    written = f"{names}{takes}" if action.option_strings else names
    needed = " Needed." if action.required and action.option_strings else ""
    return code(written), plain((action.help or "").replace("%%", "%")) + needed
