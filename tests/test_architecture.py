"""The house keeps its order: imports run downward, and each library stays in its room."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "pipeline"
MODULES = sorted(PACKAGE.rglob("*.py"))

RANKS = {
    0: ("__init__", "errors", "units", "frame", "compiled"),
    1: ("schema", "settings", "resources"),
    2: ("findings", "records", "bushfile", "wire", "terrain", "hydraulics"),
    3: ("survey", "ground", "mainlines", "laterals", "hang", "flow", "takeoff", "judge", "safety", "sections",
        "pockets", "edges"),
    4: ("replan", "sheets", "store"),
    5: ("reading", "run", "publish", "checking", "explaining", "repair_run"),
    6: ("cli", "__main__"),
}
RANK = {room: rank for rank, rooms in RANKS.items() for room in rooms}
# Inside a rank these may lean on one another; every other pair of the same rank may not.
INSIDE = {
    ("frame", "errors"), ("resources", "settings"), ("records", "findings"), ("bushfile", "findings"),
    ("run", "reading"), ("publish", "run"), ("publish", "reading"), ("checking", "reading"), ("repair_run", "reading"),
    ("checking", "run"), ("repair_run", "run"), ("repair_run", "publish"),
    ("explaining", "publish"), ("__main__", "cli"),
}
LIBRARY_ROOMS = {
    "rasterio": {"store"}, "fiona": {"store"}, "geopandas": {"store"}, "pyogrio": {"store"},
    "reportlab": {"sheets"}, "pikepdf": {"sheets"}, "pypdfium2": {"sheets"}, "click": {"cli"}, "rich": {"cli"},
    "networkx": {"mainlines", "flow", "replan", "sections"},
    "numba": {"compiled"},
}


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imports_of(tree: ast.Module) -> list[str]:
    names = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            names += [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative import"
            if node.module == "pipeline":
                names += [f"pipeline.{alias.name}" for alias in node.names]
            else:
                names.append(node.module or "")
    return names


def is_runtime(tree: ast.Module) -> ast.Module:
    """Return the module without its type-checking-only imports."""

    class Strip(ast.NodeTransformer):
        def visit_If(self, node: ast.If) -> ast.AST | None:
            return None if isinstance(node.test, ast.Name) and node.test.id == "TYPE_CHECKING" else node

    return Strip().visit(tree)


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_run_downward_and_libraries_stay_in_their_rooms(path: Path) -> None:
    room = room_of(path)
    assert room in RANK, f"{room} has no rank: give it one in this test and in DEVELOPERS.md"
    for name in imports_of(is_runtime(ast.parse(path.read_text(encoding="utf-8")))):
        top, _, rest = name.partition(".")
        if top == "pipeline" and rest and rest != "__version__":
            other = rest.split(".")[0]
            if other == room or other.startswith("__"):
                continue
            assert other in RANK, f"{path.name} imports the unknown room {other}"
            downward = RANK[other] < RANK[room] or (room, other) in INSIDE
            assert downward, f"{room} (rank {RANK[room]}) imports {other} (rank {RANK[other]})"
        if top in LIBRARY_ROOMS:
            assert room in LIBRARY_ROOMS[top], f"{top} is imported in {room}"


# resources.py reads the program's own templates, compiled.py its own kernels; the user's files go through store/.
FILE_ROOMS = {"store", "resources", "compiled"}
FILE_CALLS = {"open", "read_text", "read_bytes", "write_text", "write_bytes", "mkdir", "unlink", "rename"}


@pytest.mark.parametrize("path", [m for m in MODULES if room_of(m) not in FILE_ROOMS],
                         ids=lambda p: str(p.relative_to(PACKAGE)))
def test_only_the_store_touches_files(path: Path) -> None:
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Call):
            name = node.func.attr if isinstance(node.func, ast.Attribute) else getattr(node.func, "id", "")
            # pikepdf and reportlab open in-memory buffers under the same names
            assert name not in FILE_CALLS or room_of(path) == "sheets", f"{path.name}:{node.lineno} calls {name}"


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_modules_can_be_known(path: Path) -> None:
    """A module rarely passes 400 lines; none may pass 450."""
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 450


def test_every_rank_names_rooms_that_exist_or_are_announced() -> None:
    rooms = {room_of(m) for m in MODULES}
    assert set(RANK) - rooms <= {"replan"}, "a rank lists a room that is gone"
