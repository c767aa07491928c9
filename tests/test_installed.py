"""What a user installs: the wheel, in an environment of its own outside the checkout, opens its demo; pins fit the project."""

import os
import re
import signal
import socket
import subprocess
import sys
import sysconfig
import tarfile
import tomllib
import venv
import zipfile

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

from tests.conftest import CHROMIUM, ROOT
from tests.front.test_browser import FLAGS, answers


@pytest.fixture(scope="module")
def built(tmp_path_factory):
    """The two files that would be published."""
    folder = tmp_path_factory.mktemp("dist")
    command = [sys.executable, "-m", "build", "--no-isolation", "--outdir", str(folder), str(ROOT)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout[-2000:] + done.stderr[-2000:]
    return next(folder.glob("*.whl")), next(folder.glob("*.tar.gz"))


@pytest.fixture(scope="module")
def installed(built, tmp_path_factory):
    """Its programs' folder. What it depends on comes from the environment of the tests; the checkout itself does not."""
    home = tmp_path_factory.mktemp("home") / "environment"
    venv.create(home, with_pip=False)
    inside = {"base": str(home), "platbase": str(home)}
    site = sysconfig.get_path("purelib", vars=inside)
    with open(os.path.join(site, "needs.pth"), "w", encoding="utf-8") as file:
        file.write(sysconfig.get_path("purelib") + "\n")
    programs = sysconfig.get_path("scripts", vars=inside)
    python = os.path.join(programs, "python")
    command = [
        sys.executable,
        "-m",
        "uv",
        "pip",
        "install",
        "--offline",
        "--no-deps",
        "--python",
        python,
        str(built[0]),
    ]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    return programs


def variables() -> dict[str, str]:
    return {name: value for name, value in os.environ.items() if name not in ("PYTHONPATH", "VIRTUAL_ENV")}


@pytest.mark.slow
def test_what_is_shipped(built):
    wheel, source = built
    names = zipfile.ZipFile(wheel).namelist()
    assert not [name for name in names if "training" in name or name.startswith("tests/")]
    assert {"ui/demo_images/manifest.toml", "ui/photo_points/points.js", "analyzer/models/specimen.onnx"} <= set(names)
    with tarfile.open(source) as packed:
        inside = {name.partition("/")[2] for name in packed.getnames()}
    assert {"demo_images/manifest.toml", "tests/data/worked_examples.csv", "tests/conftest.py", ".pins.txt"} <= inside


@pytest.mark.slow
@pytest.mark.browser
def test_the_installed_program_opens_its_demo(installed, tmp_path):
    from playwright.sync_api import sync_playwright

    where = [os.path.join(installed, "python"), "-c", "import analyzer, ui; print(analyzer.__file__, ui.__file__)"]
    found = subprocess.run(where, cwd=tmp_path, env=variables(), capture_output=True, text=True).stdout
    assert found and str(ROOT) not in found.replace(sys.prefix, "")
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    command = [os.path.join(installed, "cutpipe"), "open", "--demo", "--no-browser", "--port", str(port)]
    running = subprocess.Popen(
        command,
        cwd=tmp_path,
        env=variables(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,
    )
    try:
        address = re.search(r"http://\S+", running.stdout.readline())[0]
        answers(running, port)
        with sync_playwright() as play:
            browser = play.chromium.launch(executable_path=CHROMIUM, args=FLAGS)
            page = browser.new_page()
            page.set_default_timeout(120_000)
            page.goto(address)
            page.locator("polygon.pit").first.wait_for(state="attached")
            assert page.locator("polygon.outline").count() == 1
            browser.close()
    finally:
        os.killpg(running.pid, signal.SIGTERM)
        try:
            running.wait(8)
        except subprocess.TimeoutExpired:
            os.killpg(running.pid, signal.SIGKILL)
            running.wait(8)
        running.stdout.close()


def test_every_package_is_pinned_with_hashes_and_without_a_host():
    text = (ROOT / ".pins.txt").read_text(encoding="utf-8")
    assert "://" not in text and "index" not in re.findall(r"^--(\S+)", text, re.MULTILINE)
    pinned: dict[str, set[str]] = {}
    for line in text.replace("\\\n", " ").splitlines():
        name, version, rest = re.fullmatch(r"([\w.-]+)==(\S+)(.*)", line).groups()
        assert "--hash=sha256:" in rest, name
        pinned.setdefault(canonicalize_name(name), set()).add(version)
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    wanted = [
        *project["build-system"]["requires"],
        *project["project"]["dependencies"],
        *project["dependency-groups"]["dev"],
    ]
    for requirement in map(Requirement, wanted):
        versions = pinned.get(canonicalize_name(requirement.name))
        assert versions, f"{requirement.name} is not pinned; DEVELOPERS.md says how to renew the pins"
        assert all(version in requirement.specifier for version in versions), requirement
