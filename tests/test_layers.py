"""The house's own rules: imports run one way, the analysis knows no front end, nothing reaches the network."""

import ast
import re
import tomllib
from pathlib import Path

import pytest

from tests.conftest import ROOT

# Each room may import those before it. Private rooms (_name) stand with the room they serve.
ORDER = (
    "measured display flags tomlfile photo tables scale card ring surface closeup likelihood bands pits relief pattern corrections readings "
    "capacity extremes wall facts water flow metals derived causes leaks steps examination record drawing charts report output cli"
).split()
SERVES = {"_network": "surface", "_edges": "scale", "_find_card": "scale", "_find_ruler": "scale", "_find_disc": "scale", "_plane_pose": "scale", "_piece": "surface", "_outline_edges": "surface", "_cup": "relief", "specimen": "surface"}
FORBIDDEN = {"requests", "urllib", "http", "socket", "ftplib", "smtplib", "httpx", "aiohttp"}


def imports(path: Path) -> set[str]:
    found = set()
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            found |= {node.module} if node.module != "analyzer" else {f"analyzer.{alias.name}" for alias in node.names}
    return found


def rank(module: str) -> int:
    return ORDER.index(SERVES.get(module, module))


@pytest.mark.parametrize("path", sorted((ROOT / "analyzer").glob("*.py")), ids=lambda p: p.stem)
def test_imports_run_one_way(path):
    if path.stem in ("__init__", "__main__"):
        return
    here = rank(path.stem)
    typing_only = {"record"}  # names the Examination that it writes, for the type checker alone
    for module in imports(path):
        if module.startswith("analyzer.") and not module.startswith("analyzer.training"):
            other = module.split(".")[1]
            if path.stem in typing_only and other == "examination":
                continue
            assert rank(other) <= here, f"{path.stem} imports {other}, which comes later"


@pytest.mark.parametrize("path", sorted((ROOT / "analyzer").glob("*.py")), ids=lambda p: p.stem)
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
    source = "\n".join(path.read_text(encoding="utf-8") for path in (ROOT / "analyzer").glob("*.py"))
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
