"""The house as its imports show it: rooms, the arrows between them, and the names defined in it."""

from __future__ import annotations

import ast
from collections import defaultdict
from collections.abc import Iterator, Mapping
from functools import cache
from pathlib import Path

ROOT = Path(__file__).parents[2]
NAME = "cleanside"
PROGRAMS = ("gateway", "ingest", "simulator", "migrations")
FLOOR = "floor"
#: what everything in a program may stand on, and its two front doors
FLOOR_FILES = {"__init__.py", "__main__.py", "errors.py", "log.py", "output.py", "units.py", "version.py"}
FLOOR_FILES |= {
    "error_texts.py",
    "cautions.py",
    "file_modes.py",
    "hidden.py",
    "install_command.py",
    "private.py",
    "setting_table.py",
    "setting_texts.py",
    "this_machine.py",
    "unit_places.py",
}


@cache
def modules() -> Mapping[str, Path]:
    """Every module of ours without the outer name, `ingest.store.fleet`, and its file; packages too."""
    found = {}
    for program in PROGRAMS:
        for path in sorted((ROOT / program).rglob("*.py")):
            name = ".".join(path.relative_to(ROOT).with_suffix("").parts)
            found[name.removesuffix(".__init__")] = path
    return found


@cache
def tree(path: Path) -> ast.Module:
    """The syntax tree of a file."""
    return ast.parse(path.read_text())


def imported(path: Path) -> Iterator[str]:
    """Dotted names that a file imports, as written; relative ones made absolute."""
    package = (NAME, *path.relative_to(ROOT).with_suffix("").parts[:-1])
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            base = ".".join(package[: len(package) - node.level + 1]) if node.level else ""
            module = ".".join(part for part in (base, node.module) if part)
            yield from (f"{module}.{alias.name}" for alias in node.names)


def imported_modules(path: Path) -> set[str]:
    """The modules of ours that a file imports."""
    names = (name.removeprefix(f"{NAME}.") for name in imported(path) if name.startswith(f"{NAME}."))
    return {module for module in map(nearest_module, names) if module}


def nearest_module(name: str) -> str:
    """The module that a dotted name lies in; empty where it is none of ours."""
    while name and name not in modules():
        name = name.rpartition(".")[0]
    return name


def room_of(module: str) -> str:
    """
    The room of a module: its folder. A file directly in `gateway` or `ingest` is a room of its own.

    The floor is no room: files that everything in a program stands on. The simulator is one room.
    """
    path = modules()[module]
    folder = path.relative_to(ROOT).parent
    if len(folder.parts) > 1 or folder.name in ("simulator", "migrations"):
        return ".".join(folder.parts)
    return FLOOR if path.name in FLOOR_FILES else module


def arrows() -> set[tuple[str, str]]:
    """(from, to) for every pair of rooms where a file of the first imports one of the second."""
    pairs = {
        (room_of(module), room_of(other))
        for module, path in modules().items()
        for other in imported_modules(path)
    }
    return {(here, there) for here, there in pairs if here != there and FLOOR not in (here, there)}


def circles(pairs: set[tuple[str, str]]) -> list[list[str]]:
    """Groups of rooms that can reach each other (strongly connected components), each sorted."""
    ahead: dict[str, set[str]] = defaultdict(set)
    for here, there in pairs:
        ahead[here].add(there)
    reach = {room: reachable(room, ahead) for room in list(ahead)}
    groups = {
        tuple(sorted({room} | {other for other in reach[room] if room in reach.get(other, ())}))
        for room in reach
        if room in reach[room]
    }
    return [list(group) for group in sorted(groups)]


def reachable(room: str, ahead: Mapping[str, set[str]]) -> set[str]:
    """Every room that arrows lead to from one."""
    found: set[str] = set()
    waiting = list(ahead.get(room, ()))
    while waiting:
        there = waiting.pop()
        if there not in found:
            found.add(there)
            waiting.extend(ahead.get(there, ()))
    return found


def classes(path: Path) -> set[str]:
    """Names of the classes that a file defines at its top."""
    return {node.name for node in tree(path).body if isinstance(node, ast.ClassDef)}


def constants(path: Path) -> Iterator[tuple[str, str]]:
    """(name, value) of the public constants at the top of a file that are a plain number or text."""
    for node in tree(path).body:
        target: ast.expr | None = node.target if isinstance(node, ast.AnnAssign) else None
        if isinstance(node, ast.Assign) and len(node.targets) == 1:
            target = node.targets[0]
        if isinstance(target, ast.Name) and target.id.isupper() and not target.id.startswith("_"):
            value = getattr(node, "value", None)
            if isinstance(value, ast.Constant):
                yield target.id, ast.unparse(value)


def definitions(path: Path) -> set[str]:
    """Names of the functions and classes that a file defines, but for dunders and routes."""
    kinds = (ast.FunctionDef, ast.AsyncFunctionDef, ast.ClassDef)
    found = (node for node in ast.walk(tree(path)) if isinstance(node, kinds))
    return {n.name for n in found if not n.name.startswith("__") and not _is_route(n)}


def _is_route(node: ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef) -> bool:
    return any(ast.unparse(decorator).startswith("router.") for decorator in node.decorator_list)


def used(path: Path) -> set[str]:
    """Names that a file uses, as they stand or behind a dot; an import alone is no use."""
    names = {n.id for n in ast.walk(tree(path)) if isinstance(n, ast.Name) and isinstance(n.ctx, ast.Load)}
    return names | {node.attr for node in ast.walk(tree(path)) if isinstance(node, ast.Attribute)}
