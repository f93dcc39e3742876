"""Print how long and how deep our functions are, and fail beyond the agreed limits.

The limits: half of all functions have 9 lines or fewer, at most 3 % nest deeper than
3 levels, and 95 % of all files have 500 lines or fewer.
"""

import ast
import sys
from collections.abc import Iterator
from pathlib import Path
from statistics import median

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("accounts", "wholesale")

MEDIAN_LINES = 9
P95_FILE_LINES = 500
DEEP, DEEP_SHARE = 3, 0.03

Function = ast.FunctionDef | ast.AsyncFunctionDef
# `elif` is an If inside an If's else: the reader sees one level, so we count one.
BLOCKS = (ast.If, ast.For, ast.While, ast.With, ast.Try, ast.Match)


def sources() -> list[Path]:
    """Return our source files, without the generated migrations."""
    found = [path for package in PACKAGES for path in (ROOT / package).rglob("*.py")]
    return sorted(path for path in found if "migrations" not in path.parts)


def functions(path: Path) -> Iterator[Function]:
    """Yield every function of a file, inner ones too."""
    for node in ast.walk(ast.parse(path.read_text())):
        if isinstance(node, Function):
            yield node


def lines(function: Function) -> int:
    """Count the lines of a function from `def` to its end, without its docstring."""
    documented = ast.get_docstring(function, clean=False) is not None
    first = function.body[0]
    said = (first.end_lineno or 0) - first.lineno + 1 if documented else 0
    return (function.end_lineno or 0) - function.lineno + 1 - said


def depth(node: ast.AST, *, is_elif: bool = False) -> int:
    """Return how many blocks stand inside each other below and including `node`."""
    own = int(isinstance(node, BLOCKS) and not is_elif)
    return own + max((depth(child, is_elif=elif_of(node, child)) for child in inner(node)), default=0)


def inner(node: ast.AST) -> list[ast.AST]:
    """Return the children, but not the inside of a function within the function."""
    return [child for child in ast.iter_child_nodes(node) if not isinstance(child, Function)]


def elif_of(node: ast.AST, child: ast.AST) -> bool:
    """Is `child` the ``elif`` of `node`?"""
    return isinstance(node, ast.If) and isinstance(child, ast.If) and node.orelse == [child]


def p95(values: list[int]) -> int:
    """Return the smallest value that 95 % of the values don't exceed."""
    return sorted(values)[-(-95 * len(values) // 100) - 1]


def main() -> int:
    """Print the numbers; return 1 if a limit is exceeded."""
    files = {path: len(path.read_text().splitlines()) for path in sources()}
    found = [function for path in files for function in functions(path)]
    sizes, depths = [lines(f) for f in found], [depth(f) for f in found]
    deep = sum(d > DEEP for d in depths) / len(depths)
    print(f"functions: {len(found)}, median {median(sizes):g} lines, 95 % within {p95(sizes)}")
    print(f"nesting: deeper than {DEEP} in {deep:.1%}; files: 95 % within {p95([*files.values()])}")
    for path, size in files.items():
        if size > P95_FILE_LINES:
            print(f"long file: {path.relative_to(ROOT)} has {size} lines")
    within = median(sizes) <= MEDIAN_LINES and deep <= DEEP_SHARE
    return 0 if within and p95([*files.values()]) <= P95_FILE_LINES else 1


if __name__ == "__main__":
    sys.exit(main())
