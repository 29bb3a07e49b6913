"""Who imports whom in the package, read from its source: at once, only for types, or inside a function."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import coach

ROOT = Path(coach.__file__).parent
FILES = {
    ".".join(("coach", *path.relative_to(ROOT).with_suffix("").parts)).removesuffix(".__init__"): path
    for path in sorted(ROOT.rglob("*.py"))
}
"""Module to file."""
Import = ast.Import | ast.ImportFrom
_FUNCTIONS = (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda)


@cache
def tree_of(module: str) -> ast.Module:
    return ast.parse(FILES[module].read_text(encoding="utf-8"))


def imported(node: Import) -> Iterator[str]:
    """The modules that a statement imports, those of the package by their files."""
    if isinstance(node, ast.Import):
        yield from (alias.name for alias in node.names)
    elif node.module:
        for alias in node.names:
            inside = f"{node.module}.{alias.name}"
            yield inside if inside in FILES else node.module


def any_imports(module: str) -> set[str]:
    """Every module of the package that a module imports anywhere, also for types alone."""
    nodes = (node for node in ast.walk(tree_of(module)) if isinstance(node, Import))
    return {name for node in nodes for name in imported(node) if name in FILES and name != "coach"}


@cache
def imports_at_once(module: str) -> frozenset[str]:
    """What is imported as soon as the module is."""
    found: set[str] = set()
    waiting: list[ast.AST] = [tree_of(module)]
    while waiting:
        node = waiting.pop()
        if isinstance(node, Import):
            found.update(imported(node))
        elif isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING":
            waiting.extend(node.orelse)
        elif not isinstance(node, _FUNCTIONS):
            waiting.extend(ast.iter_child_nodes(node))
    return frozenset(found)


@cache
def loaded_with(module: str) -> frozenset[str]:
    """Every module that importing one loads; of other packages their first names."""
    seen: set[str] = set()
    waiting = [module]
    while waiting:
        name = waiting.pop()
        if name not in seen:
            seen.add(name)
            waiting.extend(imports_at_once(name) if name in FILES else ())
    return frozenset(name if name in FILES else name.split(".")[0] for name in seen)


def imports_inside_functions(module: str) -> Iterator[tuple[int, str]]:
    """Line and module of everything that is imported only when a function is called."""
    functions = (node for node in ast.walk(tree_of(module)) if isinstance(node, _FUNCTIONS))
    nodes = {node for function in functions for node in ast.walk(function) if isinstance(node, Import)}
    for node in sorted(nodes, key=lambda node: node.lineno):
        yield from ((node.lineno, name) for name in imported(node))


def circles() -> list[list[str]]:
    """Every set of files that import each other, directly or by others (strong components, Tarjan 1972)."""
    numbers: dict[str, int] = {}
    lowest: dict[str, int] = {}
    path: list[str] = []
    found: list[list[str]] = []

    def visit(module: str) -> None:
        numbers[module] = lowest[module] = len(numbers)
        path.append(module)
        for other in any_imports(module):
            if other not in numbers:
                visit(other)
            if other in path:
                lowest[module] = min(lowest[module], lowest[other])
        if lowest[module] == numbers[module]:
            start = path.index(module)
            if len(path) - start > 1:
                found.append(sorted(path[start:]))
            del path[start:]

    for module in FILES:
        if module not in numbers:
            visit(module)
    return found
