"""README, DEVELOPERS and .ci/run say the same, and say what is there."""

import re
import tomllib
from pathlib import Path

import pytest

import texscan

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
SCRIPT = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
TRY = "python3 -m venv .venv && .venv/bin/pip install . && .venv/bin/texscan demo"
TEST = "python3 -m venv .venv && .venv/bin/pip install -e '.[test]' && .venv/bin/pytest -q"


def test_the_two_commands_stand_in_readme_on_lines_of_their_own():
    assert README.splitlines().count(TRY) == 1
    assert README.splitlines().count(TEST) == 1


@pytest.mark.parametrize(("name", "command"), [("test_command", TEST), ("try_command", TRY)])
def test_ci_takes_both_commands_from_readme(name, command):
    pattern = re.search(rf"{name}=\$\(grep -m1 -x '([^']*)' README\.md\)", SCRIPT)
    assert pattern, "the script must take the command from README.md"
    lines = [line for line in README.splitlines() if re.fullmatch(pattern[1], line)]
    assert lines == [command]
    assert f'bash -c "${name}"' in SCRIPT


def test_every_picture_and_file_that_readme_links_is_there():
    links = re.findall(r"\]\(([^)#]+)\)", README)
    assert any(link.endswith(".png") or link.endswith(".jpg") for link in links)
    missing = [link for link in links if "://" not in link and not (ROOT / link).exists()]
    assert missing == []


def test_every_module_stands_in_the_map():
    names = {p.stem for p in (ROOT / "texscan").glob("*.py") if p.stem != "__init__"}
    assert sorted(name for name in names if f"`{name}.py`" not in DEVELOPERS) == []
    mapped = set(re.findall(r"`(\w+)\.py`", DEVELOPERS.partition("## Map")[2].partition("## Conventions")[0]))
    inside = {p.stem for p in (ROOT / "texscan").glob("*/*.py")}
    assert sorted(mapped - names - inside) == []


def test_the_version_is_the_same_everywhere():
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert project["version"] == texscan.__version__
    assert f"version: {texscan.__version__}\n" in (ROOT / "CITATION.cff").read_text(encoding="utf-8")
    assert f"## {texscan.__version__} " in (ROOT / "CHANGELOG.md").read_text(encoding="utf-8")


def test_every_option_in_readme_exists():
    import typer.main

    from texscan import cli

    known = set()
    todo = [typer.main.get_command(cli.app)]
    while todo:
        command = todo.pop()
        todo += list(getattr(command, "commands", {}).values())
        known |= {option for parameter in command.params for option in parameter.opts}
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]+", README))
    assert sorted(named - known - {"--help"}) == []
