"""
Nothing in the package runs code that it was given, and nothing but the download of samples reaches the network.

The list of names is that of common advice on hostile data (Python's own documentation warns of each: pickle, marshal,
shelve, eval, exec, subprocess with a shell, tempfile.mktemp).
"""

import ast
import os
import socket
import subprocess
import sys
from pathlib import Path

import pytest
from trust import originals

ROOT = Path(__file__).parents[1]
HOOKS = Path(__file__).parent / "trust" / "hooks"
SOURCES = sorted((ROOT / "texscan").rglob("*.py"))

FORBIDDEN_MODULES = {
    "pickle", "cPickle", "dill", "cloudpickle", "marshal", "shelve", "joblib", "yaml", "code", "codeop", "runpy",
    "subprocess", "pty", "commands", "imp", "telnetlib", "ftplib", "smtplib", "xmlrpc", "ctypes",
}  # fmt: skip
NETWORK_MODULES = {"socket", "ssl", "urllib", "http", "requests", "httpx", "aiohttp", "pooch", "asyncio"}
MAY_REACH_OUT = {"samples.py"}  # asks for a sample that is not here yet, when an address is set
FORBIDDEN_CALLS = {"eval", "exec", "compile", "__import__", "input", "breakpoint"}
FORBIDDEN_METHODS = {("os", "system"), ("os", "popen"), ("os", "startfile"), ("tempfile", "mktemp"),
                     ("importlib", "import_module")}  # fmt: skip


def findings(path: Path, text: str) -> list[str]:
    """What a source has that it must not have."""
    found = []
    for node in ast.walk(ast.parse(text)):
        if isinstance(node, ast.Import | ast.ImportFrom):
            names = [alias.name for alias in node.names] if isinstance(node, ast.Import) else [node.module or ""]
            tops = {name.split(".")[0] for name in names if name != "urllib.parse"}  # that only reads addresses
            found += sorted(tops & FORBIDDEN_MODULES)
            found += sorted(tops & NETWORK_MODULES) if path.name not in MAY_REACH_OUT else []
        elif isinstance(node, ast.Call):
            called = node.func
            if isinstance(called, ast.Name) and called.id in FORBIDDEN_CALLS:
                found.append(called.id)
            if isinstance(called, ast.Attribute) and isinstance(called.value, ast.Name):
                pair = called.value.id, called.attr
                found += [".".join(pair)] if pair in FORBIDDEN_METHODS or called.attr.startswith("spawn") else []
            for keyword in node.keywords:
                if keyword.arg in ("shell", "allow_pickle") and not _is_false(keyword.value):
                    found.append(keyword.arg)
            if isinstance(called, ast.Attribute) and (called.attr, _of(called)) in {
                ("load", "np"),
                ("load", "numpy"),
            }:
                found.append("np.load")  # .npy and .npz may hold pickles
    return found


def _is_false(node: ast.AST) -> bool:
    return isinstance(node, ast.Constant) and node.value is False


def _of(called: ast.Attribute) -> str:
    return called.value.id if isinstance(called.value, ast.Name) else ""


@pytest.mark.parametrize("path", SOURCES, ids=lambda path: str(path.relative_to(ROOT)))
def test_no_source_runs_what_it_was_given_or_reaches_out(path):
    assert findings(path, path.read_text(encoding="utf-8")) == []


@pytest.mark.parametrize(
    "text",
    ["import pickle", "from yaml import load", "eval(x)", "os.system('ls')", "f(shell=True)", "np.load(p)",
     "np.loadtxt(p, allow_pickle=True)", "import urllib.request", "from http import client", "exec(a)"],
)  # fmt: skip
def test_the_search_finds_what_it_looks_for(text):
    assert findings(Path("x.py"), text)


def test_templates_escape_what_users_wrote():
    """jinja2 escapes nothing unless told to; autoescape is on wherever an environment is made."""
    trees = (ast.parse(path.read_text(encoding="utf-8")) for path in SOURCES)
    calls = (node for tree in trees for node in ast.walk(tree) if isinstance(node, ast.Call))
    made = [node for node in calls if ast.unparse(node.func).endswith("Environment")]
    assert made
    for node in made:
        assert any(keyword.arg == "autoescape" and not _is_false(keyword.value) for keyword in node.keywords)


# Every command with the network forbidden, in its workers too


@pytest.fixture(scope="module")
def boat(tmp_path_factory):
    folder = tmp_path_factory.mktemp("boat")
    originals.boat_in(folder)
    for name in ("photos/p/a.jpg", "a.jpg"):
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(originals.quarter("bow-grit-sound", "a"))
    (folder / "forecast.csv").write_bytes((ROOT / "sample_images" / "forecast.csv").read_bytes())
    return folder


def run(folder: Path, *lines: str) -> subprocess.CompletedProcess:
    """Commands one after the other in one process, the network forbidden to it and to those that it starts."""
    code = (
        "import sys\nfrom texscan.cli import app\n"
        "for line in sys.argv[1:]:\n"
        "    app(line.split(), standalone_mode=False)\n"
    )
    environment = {**os.environ, "PYTHONPATH": str(HOOKS), "TEXSCAN_TEST_FAULT": "no-network"}
    return subprocess.run(
        [sys.executable, "-c", code, *lines], cwd=folder, env=environment, capture_output=True, text=True, timeout=250
    )


def test_every_command_works_with_the_network_forbidden(boat):
    done = run(
        boat,
        "--version",
        "card --paper a4 --out card",
        "guide --out guide.pdf",
        "check a.jpg",
        "watch photos/p --once",
        "batch photos --out done --jobs 1",
        "explain done/p",
        "export done/p --to exported",
        "coats --list",
        "survey check survey.toml",
        "deck out --survey survey.toml --to drawn",
        "plan out --survey survey.toml --forecast forecast.csv --to planned",
        "proposal out --survey survey.toml --to proposed",
        "compare out/deep out/lane --out compared",
        "schema",
    )
    assert done.returncode == 0, done.stderr
    assert (boat / "done" / "results.csv").stat().st_size > 0
    assert (boat / "proposed" / "proposal.pdf").stat().st_size > 0


@pytest.mark.parametrize(
    "code",
    [
        "import urllib.request; urllib.request.urlopen('http://192.0.2.1')",
        "import socket; socket.create_connection(('192.0.2.1', 80))",
    ],
)
def test_the_hook_forbids_the_network(code):
    """192.0.2.1 is nobody's (RFC 5737)."""
    environment = {**os.environ, "PYTHONPATH": str(HOOKS), "TEXSCAN_TEST_FAULT": "no-network"}
    done = subprocess.run([sys.executable, "-c", code], env=environment, capture_output=True, text=True, timeout=60)
    assert done.returncode == 1
    assert "RuntimeError: network:" in done.stderr


def test_tests_cannot_reach_another_machine():
    with pytest.raises(ConnectionRefusedError, match="tests run offline"):
        socket.create_connection(("192.0.2.1", 80), timeout=1)
