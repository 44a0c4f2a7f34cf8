"""Laws of the source itself: no room too full, no public name without words, no test that skips."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parent.parent / "occlusim"
MODULES = sorted(PACKAGE.rglob("*.py"))
MOST_LINES = 500


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_module_is_a_room_of_readable_size(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES or path.parts[-2] == (
        "kernels"
    )


@pytest.mark.parametrize("path", MODULES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_names_in_all_exist_and_public_functions_say_what_they_return(path):
    tree = ast.parse(path.read_text(encoding="utf-8"))
    names = {n.name for n in tree.body if isinstance(n, ast.FunctionDef | ast.ClassDef)}
    for node in tree.body:
        targets = node.targets if isinstance(node, ast.Assign) else []
        names |= {t.id for t in targets if isinstance(t, ast.Name)}
        if isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names.add(node.target.id)
        if isinstance(node, ast.ImportFrom | ast.Import):
            names |= {(a.asname or a.name).split(".")[0] for a in node.names}
    for node in tree.body:
        if isinstance(node, ast.Assign) and getattr(node.targets[0], "id", "") == "__all__":
            assert set(ast.literal_eval(node.value)) <= names
        if isinstance(node, ast.FunctionDef) and not node.name.startswith("_"):
            assert ast.get_docstring(node), node.name


def test_heavy_libraries_are_imported_where_they_are_used():
    heavy = {"open3d", "pyvista", "plotly", "vtk"}
    for path in MODULES:
        for node in ast.parse(path.read_text(encoding="utf-8")).body:
            if isinstance(node, ast.Import):
                named = {a.name.split(".")[0] for a in node.names}
            elif isinstance(node, ast.ImportFrom):
                named = {(node.module or "").split(".")[0]}
            else:
                continue
            assert not named & heavy, path
