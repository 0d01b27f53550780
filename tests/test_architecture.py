"""The house rules that a machine can check: who may import whom, how long a file may be, what a file may be called."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

ROOT = Path(__file__).parent.parent
PACKAGE = ROOT / "studykit"
MOST_LINES = 400
TOP_LEVEL = {
    "README.md",
    "DEVELOPERS.md",
    "LICENSE",
    "CITATION.cff",
    "pyproject.toml",
    "requirements.lock",
    "studykit",
    "notebooks",
    "tests",
    "synthetic_data",
}

LEAVES = {"errors", "vocabulary", "formatting", "table", "provenance", "result", "toml_text", "display", "progress"}
ANALYSIS = LEAVES | {"pictures", "protocol", "data", "numerics", "modelling"}
MAY_IMPORT = {
    "errors": set(),
    "vocabulary": set(),
    "formatting": set(),
    "table": {"errors"},
    "provenance": set(),
    "toml_text": set(),
    "display": set(),
    "progress": set(),
    "result": {"formatting", "errors", "table", "provenance", "display"},
    "pictures": LEAVES,
    "numerics": {"errors"},
    "modelling": LEAVES | {"numerics"},
    "protocol": LEAVES,
    "data": LEAVES | {"protocol"},
    "entry": LEAVES | {"protocol"},
    "starting": LEAVES | {"protocol", "entry", "notebook"},
    "notebook": LEAVES | {"report"},
    "words": {"errors"},
    "simulate": LEAVES | {"protocol", "data"},
    "reliability": ANALYSIS,
    "change": ANALYSIS,
    "dose": ANALYSIS | {"change"},
    "planning": ANALYSIS | {"change"},
    "individuals": ANALYSIS | {"change"},
    "conduct": ANALYSIS | {"change"},
    "audit": ANALYSIS | {"change", "sample"},
    "missing_visits": ANALYSIS | {"change"},
    "sensitivity": ANALYSIS | {"change", "missing_visits"},
    "sample": LEAVES | {"protocol", "data"},
    "answers": LEAVES
    | {"protocol", "data", "reliability", "change", "individuals", "conduct", "sample", "missing_visits", "sensitivity"}
    | {"audit", "dose"},
    "report": LEAVES | {"pictures", "protocol", "data", "entry", "answers"},
    "archive": LEAVES | {"protocol", "data", "entry", "answers", "report"},
}
FRONT_DOORS = {"__init__", "__main__", "cli", "commands"}
FOREIGN_TO_NUMERICS = {"pandas", "statsmodels", "matplotlib", "seaborn", "pingouin", "pandera", "formulaic"}
NAMES_THAT_SAY_NOTHING = {"utils", "util", "helpers", "helper", "misc", "common", "tools", "stuff"}
MODULES = sorted(PACKAGE.rglob("*.py"))


def room_of(path: Path) -> str:
    return path.relative_to(PACKAGE).parts[0].removesuffix(".py")


def imported_names(path: Path) -> set[str]:
    names: set[str] = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, f"{path}: relative import; write the full name of the room"
            names |= {f"{node.module}.{alias.name}" for alias in node.names}
        elif isinstance(node, ast.Import):
            names |= {alias.name for alias in node.names}
    return names


def rooms_imported_by(path: Path) -> set[str]:
    parts = [name.split(".") for name in imported_names(path)]
    return {part[1] for part in parts if part[0] == "studykit" and len(part) > 1} - {"__version__"}


def name_of(path: Path) -> str:
    return path.relative_to(PACKAGE).as_posix()


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_module_imports_only_from_rooms_below_it(path: Path) -> None:
    room = room_of(path)
    if room in FRONT_DOORS:
        return
    assert rooms_imported_by(path) <= MAY_IMPORT[room] | {room}


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_module_fits_on_a_few_screens(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= MOST_LINES


@pytest.mark.parametrize("path", MODULES, ids=name_of)
def test_module_name_says_what_is_inside(path: Path) -> None:
    assert path.stem not in NAMES_THAT_SAY_NOTHING


DATA_STAIRS = ("reading", "intake", "checks", "sharing")


@pytest.mark.parametrize("path", sorted((PACKAGE / "data").rglob("*.py")), ids=name_of)
def test_data_go_one_way_from_file_to_study(path: Path) -> None:
    """Files -> sheets -> typed tables -> checked study -> what may be shared; nobody looks back up the stairs."""
    step = path.relative_to(PACKAGE / "data").parts[0]
    if step not in DATA_STAIRS:
        return
    above = set(DATA_STAIRS[DATA_STAIRS.index(step) + 1 :])
    needed = {name.split(".")[2] for name in imported_names(path) if name.startswith("studykit.data.")}
    assert not needed & above


def test_numerics_knows_arrays_and_no_people() -> None:
    for path in sorted((PACKAGE / "numerics").rglob("*.py")):
        foreign = {name.split(".")[0] for name in imported_names(path)} & FOREIGN_TO_NUMERICS
        assert not foreign, f"{name_of(path)} imports {foreign}"


def test_only_formatting_rounds() -> None:
    """A call of round() or an f-string with decimals elsewhere would be a second room that rounds for print."""
    for path in MODULES:
        if room_of(path) in {"formatting", "simulate"}:
            continue
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.FormattedValue) and node.format_spec is not None:
                spec = ast.unparse(node.format_spec)
                assert "f" not in spec.strip("f'\""), f"{name_of(path)}:{node.lineno} rounds in an f-string: {spec}"


def test_no_import_circle_between_modules() -> None:
    graph = {}
    known = {f"studykit.{name_of(path)[:-3].replace('/', '.')}".removesuffix(".__init__"): path for path in MODULES}
    for name, path in known.items():
        needs = set()
        for full in imported_names(path):
            for candidate in (full, full.rpartition(".")[0]):
                if candidate in known and candidate != name:
                    needs.add(candidate)
                    break
        graph[name] = needs
    graph["studykit"] = set()  # the front door opens its rooms only when a name is asked for
    walked: dict[str, str] = {}

    def walk(name: str, trail: tuple[str, ...]) -> None:
        if walked.get(name) == "done":
            return
        assert name not in trail, f"import circle: {' -> '.join([*trail[trail.index(name) :], name])}"
        for need in graph[name]:
            walk(need, (*trail, name))
        walked[name] = "done"

    for name in graph:
        walk(name, ())


def test_top_level_is_as_agreed() -> None:
    ignored = {"build", "dist"}
    entries = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")} - ignored
    entries = {name for name in entries if not name.endswith(".egg-info")}
    assert entries <= TOP_LEVEL


def test_lock_names_no_address() -> None:
    lock = ROOT / "requirements.lock"
    text = lock.read_text(encoding="utf-8")
    assert "://" not in text
    assert "--hash=sha256:" in text


def test_every_test_file_has_a_name_of_its_own() -> None:
    """Two test files of one name cannot be collected in one run."""
    names = [path.name for path in (ROOT / "tests").rglob("test_*.py")]
    assert sorted(names) == sorted(set(names))
