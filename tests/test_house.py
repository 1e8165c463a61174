"""The house holds: rooms import only rooms above them, files stay short."""

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "detect"
ROOMS = ["survey", "geostat", "lanes", "readings", "probes", "squares", "present"]
#: modules beside the rooms, in the order they may import each other
FLOORS = [
    *ROOMS,
    "outputs",
    "stages",
    "figures",
    "summaries",
    "square_words",
    "trial_words",
    "report_context",
    "aside",
    "cluster",
    "writing",
    "job",
    "cli",
]


def imported(path: Path) -> set[str]:
    """Names of the rooms and modules of the package that a file imports, at any depth."""
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and node.module and node.module.startswith("detect"):
            parts = node.module.split(".")
            found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
        elif isinstance(node, ast.Import):
            found |= {n.name.split(".")[1] for n in node.names if n.name.startswith("detect.")}
    return found & set(FLOORS)


def floor_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


FILES = [p for p in sorted(PACKAGE.rglob("*.py")) if floor_of(p) in FLOORS]


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_a_room_imports_only_rooms_above_it(path):
    here = FLOORS.index(floor_of(path))
    below = [name for name in imported(path) if FLOORS.index(name) > here]
    assert not below, f"{path.name} reaches down to {below}"


def test_every_room_is_lived_in():
    assert {floor_of(p) for p in FILES} >= {*ROOMS, "job", "cli"}


@pytest.mark.parametrize("path", FILES, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_files_can_be_read_in_one_sitting(path):
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400
