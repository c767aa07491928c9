"""The house's own rules: imports run one way, the analysis knows no front end, nothing reaches the network."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

from tests.conftest import ROOT

# The rooms from the ground up: each may import itself and those before it.
ROOMS = "base house photo scale door piece ring marks relief wall causes result show case batch cli".split()
# Inside a room too imports run one way; a pair listed here may not turn round.
TYPING_ONLY = {
    ("result.record", "result.examination")
}  # names the Examination that it writes, for the type checker alone
FORBIDDEN = {"requests", "urllib", "http", "socket", "ftplib", "smtplib", "httpx", "aiohttp"}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} if node.module != "analyzer" else {f"analyzer.{alias.name}" for alias in node.names}
    return found


def sources() -> list[Path]:
    return [
        path
        for path in sorted((ROOT / "analyzer").rglob("*.py"))
        if "training" not in path.parts and path.parent != ROOT / "analyzer"
    ]


def name_of(path: Path) -> str:
    return ".".join(path.relative_to(ROOT / "analyzer").with_suffix("").parts)


def inside(path: Path) -> set[str]:
    """The project's own modules that a file imports, as ``room.module``."""
    modules = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            modules |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            whole = ROOT.joinpath(*node.module.split("."))
            modules |= {f"{node.module}.{alias.name}" for alias in node.names} if whole.is_dir() else {node.module}
    return {module.removeprefix("analyzer.") for module in modules if module.startswith("analyzer.")}


def test_every_room_is_in_the_order():
    folders = {path.name for path in (ROOT / "analyzer").iterdir() if (path / "__init__.py").is_file()}
    assert folders - {"training"} == set(ROOMS) - {"cli"}


@pytest.mark.parametrize("path", sources(), ids=name_of)
def test_imports_run_one_way_between_rooms(path):
    room = name_of(path).split(".")[0]
    for other in inside(path):
        assert ROOMS.index(other.split(".")[0]) <= ROOMS.index(room), (
            f"{name_of(path)} imports {other}, which comes later"
        )


def test_imports_run_one_way_inside_rooms():
    arrows = {name_of(path): inside(path) for path in sources() if path.stem != "__init__"}
    arrows = {
        name: {other for other in others if other in arrows and (name, other) not in TYPING_ONLY}
        for name, others in arrows.items()
    }
    while arrows:
        free = {name for name, others in arrows.items() if not others}
        assert free, f"imports run in a circle among {sorted(arrows)}"
        arrows = {name: others - free for name, others in arrows.items() if name not in free}


@pytest.mark.parametrize("path", [*sources(), ROOT / "analyzer/cli.py"], ids=name_of)
def test_analysis_knows_no_front_end_and_no_network(path):
    roots = {module.split(".")[0] for module in imports(path)}
    assert not roots & {"streamlit", "torch", *FORBIDDEN}
    if path.stem != "cli":
        assert "ui" not in roots


@pytest.mark.parametrize("path", sorted((ROOT / "ui").rglob("*.py")), ids=lambda p: p.stem)
def test_front_end_computes_nothing(path):
    roots = {module.split(".")[0] for module in imports(path)}
    assert not roots & {"numpy", "scipy", "skimage"}


def test_flags_are_stated_once_and_raised():
    rows = tomllib.loads((ROOT / "analyzer/data/flags.toml").read_text(encoding="utf-8"))["flag"]
    ids = [row["id"] for row in rows]
    assert len(set(ids)) == len(ids)
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "analyzer").rglob("*.py"))
    raised = set(re.findall(r'raise_flag\(\s*"([a-z_0-9]+)"', source)) | set(re.findall(r'"([a-z_0-9]+)"', source))
    assert set(ids) <= raised, f"never raised: {set(ids) - raised}"
    named = set(re.findall(r'raise_flag\(\s*"([a-z_0-9]+)"', source))
    assert named <= set(ids), f"not in the register: {named - set(ids)}"
    for row in rows:
        assert row["severity"] in ("note", "warning", "serious")
        assert set(row["suffers"]) <= {"scale", "area", "pits", "bands", "wall", "causes"}
        assert row["message"].endswith((".", "{detail}")) and row["remedy"].endswith(".")


def test_top_level_holds_what_was_agreed():
    import subprocess

    listed = subprocess.run(["git", "ls-files"], cwd=ROOT, capture_output=True, text=True).stdout.split()
    if not listed:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed}
    allowed = {"README.md", "DEVELOPERS.md", "pyproject.toml", "analyzer", "ui", "tests", "demo_images", "LICENSE"}
    assert {name for name in top if not name.startswith(".")} <= allowed
