"""The rules of the house: who may import whom, and that the pages tell the truth about the commands."""

import ast
import re
from functools import cache
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HORIZON = [
    "angles",
    "clip",
    "coded",
    "small",
    "segments",
    "lens",
    "candidates",
    "markers",
    "board",
    "calibrate",
    "bundle",
    "selfcalibrate",
    "coarse",
    "overlay",
    "edge",
    "fit",
    "sides",
    "sizes",
    "verify",
    "bend",
    "readout",
    "cone",
    "frame",
]
HORIZON += ["level", "looking", "looks", "sequence", "pan", "measure", "thin", "swing", "reference"]
HORIZON += ["selfcheck", "lettering", "draw", "synthetic"]


def modules(package: str) -> list[Path]:
    return sorted((ROOT / package).rglob("*.py"))


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"))


@cache
def imports(path: Path) -> frozenset[str]:
    """Dotted names a module imports, relative ones resolved, whether at the top or inside a function."""
    package = list(path.relative_to(ROOT).with_suffix("").parts[:-1])
    found = set()
    for node in ast.walk(parsed(path)):
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = package[: len(package) - node.level + 1] if node.level else []
            name = ".".join([*base, *([node.module] if node.module else [])])
            found |= {name} | {f"{name}.{alias.name}" for alias in node.names}
    return frozenset(found)


@pytest.mark.parametrize("path", modules("horizon"), ids=lambda path: path.stem)
def test_what_the_picture_says_never_asks_the_sensor(path):
    assert not {name for name in imports(path) if name.split(".")[0] == "attitude"}


def test_horizon_modules_import_only_what_stands_before_them():
    stems = [path.stem for path in modules("horizon") if path.stem != "__init__"]
    assert sorted(stems) == sorted(HORIZON)
    for path in modules("horizon"):
        if path.stem == "__init__":
            continue
        own = {name.split(".")[1] for name in imports(path) if name.startswith("horizon.")} & set(HORIZON)
        later = HORIZON[HORIZON.index(path.stem) :]
        # synthetic and draw stand last but need only angles and lens.
        assert not own & set(later), f"{path.name} imports {own & set(later)}"


def test_attitude_modules_do_not_import_in_circles():
    graph = {}
    for path in modules("attitude"):
        name = ".".join(path.relative_to(ROOT).with_suffix("").parts).removesuffix(".__init__")
        graph[name] = path
    # A package's front page gathers its modules; naming the package on the way to one of them is no import.
    edges = {
        name: {other for other in imports(path) & set(graph) if not name.startswith(f"{other}.")} - {name}
        for name, path in graph.items()
    }
    done: set[str] = set()

    def visit(name: str, trail: tuple[str, ...]) -> None:
        assert name not in trail, " -> ".join((*trail, name))
        if name not in done:
            for other in sorted(edges[name]):
                visit(other, (*trail, name))
            done.add(name)

    for name in sorted(edges):
        visit(name, ())


def test_the_simulator_shares_nothing_with_the_estimator():
    """A simulator that used the estimator's formulae would agree with their mistakes."""
    own = {
        name
        for name in imports(ROOT / "attitude" / "simulate.py")
        if name.split(".")[0] in ("attitude", "horizon")
    }
    modules_used = {".".join(name.split(".")[:2]) for name in own}
    assert modules_used <= {
        "horizon.angles",
        "attitude.LOG_COLUMNS",
        "attitude.LOG_OPTIONAL_COLUMNS",
        "attitude.plans",
        "attitude",
    }


@pytest.mark.parametrize(
    ("library", "only"),
    [
        ("av", {"horizon/clip.py", "horizon/coded.py"}),
        ("typer", {"attitude/cli.py", "attitude/cli_history.py", "attitude/cli_lens.py"}),
        ("rich", {"attitude/screen.py"}),
        ("platformdirs", {"attitude/history.py", "attitude/kept_tracks.py"}),
        ("sqlite3", {"attitude/history.py"}),
        ("jinja2", {"attitude/report/page.py"}),
        ("tomllib", {"horizon/lens.py", "attitude/sheet.py"}),
    ],
)
def test_each_outside_library_has_one_door(library, only):
    users = {
        path.relative_to(ROOT).as_posix()
        for package in ("horizon", "attitude")
        for path in modules(package)
        if library in {name.split(".")[0] for name in imports(path)}
    }
    assert users == only


def test_only_the_screen_prints():
    for package in ("horizon", "attitude"):
        for path in modules(package):
            if path.name == "screen.py":
                continue
            for node in ast.walk(parsed(path)):
                called = (
                    isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and node.func.id == "print"
                )
                assert not called, f"{path.name}:{getattr(node, 'lineno', 0)} prints"


def test_modules_can_be_taken_in_at_one_sitting():
    for package in ("horizon", "attitude"):
        for path in modules(package):
            assert len(path.read_text(encoding="utf-8").splitlines()) <= 450, path.name


def test_every_command_and_option_in_the_readme_exists():
    from typer.main import get_command

    from attitude.cli import app

    commands = get_command(app).commands  # type: ignore[attr-defined]
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    named = set(re.findall(r"(?:`|bin/)horizon-drift ([a-z]+)", text))
    assert named == set(commands)
    known = {option for command in commands.values() for param in command.params for option in param.opts}
    for line in re.findall(r"horizon-drift [a-z]+[^`\n]*", text):
        for option in re.findall(r"--[a-z-]+", line):
            assert option in known, f"{option} in README"
