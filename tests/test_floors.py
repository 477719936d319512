"""The rule of the floors: a file imports only what stands above it in one list.

The list is the design; whoever adds a file says here where it stands. On the lower floors nothing may do
input or output, read a clock, use chance, or know a database or the web. The style figures (length of
modules and functions) are reported, and their hard limits held.
"""

import ast
import statistics
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "gateway"

#: One list, top to bottom. A name ending in / stands for every file of that folder, in any order among themselves
#: as long as they make no circle; all else is one file.
FLOORS: list[list[str]] = [
    # 0: words
    ["__init__", "errors", "bands/", "records/", "findings", "yaml_tree", "documents", "caution"],
    # 1: adapters, the standards read and written
    ["adapters/"],
    # 2: deciding
    ["mapping/", "linking/", "routing/"],
    # 3: keeping
    [
        "settings",
        "text_files",
        "mapping_folders",
        "rule_orders",
        "schema_files",
        "schemas",
        "region_file",
        "region_mistakes",
        "region_paths",
        "region",
        "logs",
        "store/",
        "data_folder",
    ],
    # 4: working
    [
        "clock",
        "passwords",
        "rule_runner",
        "rule_process",
        "checking",
        "demographics",
        "attribution",
        "stages",
        "reading",
        "showing",
        "joining",
        "keeping",
        "handing_over",
        "report_intake",
        "judging",
        "handles",
        "submissions",
        "intake",
        "looking_up",
        "mllp_client",
        "replaying/",
        "deliveries",
    ],
    # 5: doors
    ["doors/", "web/"],
    # 6: running
    ["listening", "reading_process", "run", "trial_certificates", "cli/", "__main__"],
]
PURE_FLOORS = 3

#: What floors 0 to 2 may never know: IO, clocks, chance, databases, the web. (`io` is text in memory.)
IMPURE = {
    "asyncio", "socket", "ssl", "threading", "multiprocessing", "subprocess", "os", "pathlib", "shutil", "tempfile",
    "logging", "random", "secrets", "uuid", "time", "sqlite3", "sqlalchemy", "alembic", "psycopg", "httpx", "fastapi",
    "starlette", "uvicorn", "jinja2", "structlog", "cryptography", "urllib.request", "http", "select", "signal", "sys",
}  # fmt: skip
CLOCK_CALLS = {"now", "today", "utcnow"}
MODULE_LINES, FUNCTION_LINES = 500, 50


def modules() -> dict[str, Path]:
    return {path.relative_to(PACKAGE).with_suffix("").as_posix(): path for path in sorted(PACKAGE.rglob("*.py"))}


def place(module: str) -> int | None:
    """The position of a module in the one list; None when it is not listed."""
    flat = [entry for floor in FLOORS for entry in floor]
    for index, entry in enumerate(flat):
        if module == entry or (entry.endswith("/") and module.startswith(entry)):
            return index
    return None


def floor(module: str) -> int:
    return next(
        n
        for n, entries in enumerate(FLOORS)
        if any(module == e or (e.endswith("/") and module.startswith(e)) for e in entries)
    )


def imports(tree: ast.AST) -> list[tuple[str, int, bool]]:
    """Every import of a file: the module's dotted name, the line, and whether it hides inside a function."""
    found = []
    for node in ast.walk(tree):
        hidden = isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        if hidden:
            found += [(name, line, True) for child in node.body for name, line, _ in imports(child)]
        elif isinstance(node, ast.Import):
            found += [(alias.name, node.lineno, False) for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"line {node.lineno}: a relative import"
            found.append((node.module or "", node.lineno, False))
            found += [(f"{node.module}.{alias.name}", node.lineno, False) for alias in node.names]
    return found


def to_module(name: str) -> str | None:
    """The module of ours that a dotted name means."""
    if name != "gateway" and not name.startswith("gateway."):
        return None
    path = name.removeprefix("gateway").lstrip(".").replace(".", "/")
    known = modules()
    for candidate in (path, f"{path}/__init__", path.rpartition("/")[0]):
        if candidate in known:
            return candidate
    return None


TREES = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in modules().items()}


def test_every_file_stands_in_the_list() -> None:
    assert [name for name in modules() if place(name) is None] == []


def test_every_entry_of_the_list_exists() -> None:
    known = modules()
    missing = [e for f in FLOORS for e in f if not any(n == e or (e.endswith("/") and n.startswith(e)) for n in known)]
    assert missing == []


@pytest.mark.parametrize("module", TREES)
def test_a_file_imports_only_what_stands_above_it(module: str) -> None:
    own = place(module)
    assert own is not None
    upward = []
    for name, line, _ in imports(TREES[module]):
        other = to_module(name)
        if other is None or other == module:
            continue
        theirs = place(other)
        assert theirs is not None
        if theirs > own:
            upward.append(f"line {line}: {name}")
    assert upward == []


def test_no_circles() -> None:
    graph = {m: {o for name, _, _ in imports(t) if (o := to_module(name)) and o != m} for m, t in TREES.items()}
    graph = {m: {o for o in others if not o.endswith("__init__")} for m, others in graph.items()}
    while leaves := [m for m, others in graph.items() if not others & graph.keys()]:
        for leaf in leaves:
            del graph[leaf]
    assert sorted(graph) == []


@pytest.mark.parametrize("module", TREES)
def test_no_import_of_our_own_code_inside_a_function(module: str) -> None:
    assert [name for name, _, hidden in imports(TREES[module]) if hidden and to_module(name)] == []


@pytest.mark.parametrize("module", [m for m in TREES if floor(m) < PURE_FLOORS])
def test_the_lower_floors_are_pure(module: str) -> None:
    names = [name for name, _, _ in imports(TREES[module])]
    assert [n for n in names if n in IMPURE or n.split(".")[0] in IMPURE] == []
    calls = [n for n in ast.walk(TREES[module]) if isinstance(n, ast.Call)]
    assert [n.lineno for n in calls if isinstance(n.func, ast.Name) and n.func.id in {"open", "print", "input"}] == []
    clocks = [
        f"line {n.lineno}"
        for n in calls
        if isinstance(n.func, ast.Attribute)
        and n.func.attr in CLOCK_CALLS
        and isinstance(n.func.value, ast.Name)
        and n.func.value.id in {"datetime", "date"}
    ]
    assert clocks == []


def functions(tree: ast.AST) -> list[tuple[str, int]]:
    """Name and length of every function, its docstring not counted."""
    found = []
    for node in ast.walk(tree):
        if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef):
            length = (node.end_lineno or 0) - node.lineno + 1
            if doc := ast.get_docstring(node, clean=False):
                length -= doc.count("\n") + 1
            found.append((node.name, length))
    return found


def test_no_module_and_no_function_is_too_long() -> None:
    long_modules = [f"{m} {n}" for m, p in modules().items() if (n := len(p.read_text().splitlines())) > MODULE_LINES]
    long_functions = [f"{m}.{name} {n}" for m, t in TREES.items() for name, n in functions(t) if n > FUNCTION_LINES]
    assert (long_modules, long_functions) == ([], [])


def test_report_of_the_style_figures(record_property: Any) -> None:
    lengths = sorted(n for tree in TREES.values() for _, n in functions(tree))
    nine_in_ten = lengths[int(len(lengths) * 0.9)]
    record_property("function lines, median", statistics.median(lengths))
    record_property("function lines, nine in ten under", nine_in_ten)
    assert lengths, "there is code to measure"
    print(f"functions: {len(lengths)}, median {statistics.median(lengths)} lines, nine in ten under {nine_in_ten}")


def test_no_error_is_swallowed() -> None:
    silent = [
        f"{module} line {node.lineno}"
        for module, tree in TREES.items()
        for node in ast.walk(tree)
        if isinstance(node, ast.ExceptHandler) and all(isinstance(s, ast.Pass) for s in node.body)
    ]
    assert silent == []
