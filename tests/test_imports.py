"""The order of the modules, and a quick start: both told from the imports themselves."""

import ast
import subprocess
import sys
from functools import cache
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parents[1] / "texscan"

# The way the data walk. A module imports only what stands before it; the world outside may import every step.
STEPS = ["linear", "locate", "rectify", "light", "relief", "texture", "pattern", "zones", "coating", "verdict"]
OUTSIDE = [
    *("files", "samples", "overlay", "report", "score", "inputs", "result"),
    *("capture", "survey", "batch", "plan", "proposal", "compare", "commands", "cli"),
]
COMMON = {"errors", "model", "card", "silence"}
HEAVY = {
    "numpy",
    "cv2",
    "scipy",
    "skimage",
    "PIL",
    "tifffile",
    "pi_heif",
    "pooch",
    "reportlab",
    "pydantic.json_schema",
}


def modules():
    """Every module of the package, a folder of them counting as one."""
    folders = [p.parent.name for p in PACKAGE.glob("*/__init__.py")]
    return sorted([p.stem for p in PACKAGE.glob("*.py") if p.stem != "__init__"] + folders)


@cache
def imports_of(name):
    """Names of texscan's own modules that a module imports, anywhere in it."""
    found = set()
    paths = [PACKAGE / f"{name}.py"] if (PACKAGE / f"{name}.py").is_file() else sorted((PACKAGE / name).glob("*.py"))
    for path in paths:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.ImportFrom) and node.module and node.module.split(".")[0] == "texscan":
                parts = node.module.split(".")
                found |= {parts[1]} if len(parts) > 1 else {alias.name for alias in node.names}
            elif isinstance(node, ast.Import):
                found |= {alias.name.split(".")[1] for alias in node.names if alias.name.startswith("texscan.")}
    return found - {name, "__version__"}


def reach_of(name):
    """All modules that a module needs, near or far."""
    seen, todo = set(), [name]
    while todo:
        for found in imports_of(todo.pop()) - seen:
            seen.add(found)
            todo.append(found)
    return seen


@pytest.mark.parametrize("step", STEPS)
def test_a_step_needs_no_later_step_and_nothing_of_the_world_outside(step):
    if not (PACKAGE / f"{step}.py").exists() and not (PACKAGE / step).is_dir():
        pytest.fail(f"the step {step} is missing; change the order here and in DEVELOPERS.md together")
    later = set(STEPS[STEPS.index(step) + 1 :])
    assert not reach_of(step) & (later | set(OUTSIDE))


@pytest.mark.parametrize("name", sorted(COMMON))
def test_what_all_share_needs_no_step_but_the_srgb_curve(name):
    assert reach_of(name) <= COMMON | {"linear"}


def test_no_module_needs_itself_through_others():
    assert [name for name in modules() if name in reach_of(name)] == []


def test_steps_open_no_file_and_print_nothing():
    for step in STEPS:
        paths = (
            [PACKAGE / f"{step}.py"] if (PACKAGE / f"{step}.py").is_file() else sorted((PACKAGE / step).glob("*.py"))
        )
        for path in paths:
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
                called = node.func if isinstance(node, ast.Call) else None
                name = getattr(called, "id", getattr(called, "attr", ""))
                assert name not in ("print", "open", "read_bytes", "read_text", "write_bytes", "write_text"), (
                    path.name
                )


@pytest.mark.parametrize(
    "arguments", [["--help"], ["score", "--help"], ["explain", "--help"], ["coats", "--help"], ["proposal", "--help"]]
)
def test_help_loads_nothing_heavy(arguments):
    program = (
        "import sys\n"
        "from texscan.cli import main\n"
        f"sys.argv = ['texscan', *{arguments!r}]\n"
        "try:\n    main()\nexcept SystemExit:\n    pass\n"
        "print('LOADED', *sorted({m.split('.')[0] for m in sys.modules}))\n"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    loaded = set(done.stdout.rpartition("LOADED")[2].split())
    assert "texscan" in loaded
    assert "--" in done.stdout
    assert not loaded & HEAVY


def test_the_package_itself_loads_nothing():
    program = "import sys, texscan; print(*sorted(m for m in sys.modules if m.startswith(('numpy', 'texscan'))))"
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, timeout=60, check=True)
    assert done.stdout.split() == ["texscan"]
