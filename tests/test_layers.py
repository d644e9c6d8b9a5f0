"""The import laws, read from the source by ast: imports inside functions count like those at the top."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

PACKAGE = Path(__file__).resolve().parents[1] / "standcam"

LOWER = ("spacing", "planter", "stand", "validation", "chain", "visits", "summarise", "sums")
UPPER = ("images", "ground", "vegetation", "rows", "plants", "frames")
IMAGE_LIBRARIES = {"cv2", "skimage", "PIL", "pillow_heif", "rasterio"}
STATISTICS_AND_REPORTS = {"statsmodels", "sklearn", "matplotlib", "rich"}
HEAVY = ("cv2", "scipy", "pandas", "skimage", "numpy", "reportlab", "PIL", "hypothesis")


def module_name(path: Path, package: Path) -> str:
    parts = path.relative_to(package.parent).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def imports_of(path: Path, package: Path, known: set[str], typing: bool = True) -> set[str]:
    """Dotted names that a file imports anywhere; ``from a import b`` is a.b where that is a module."""
    name = module_name(path, package)
    tree = ast.parse(path.read_text(encoding="utf-8"))
    unseen = set()
    if not typing:
        for node in ast.walk(tree):
            if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
                unseen |= {id(n) for part in node.body for n in ast.walk(part)}
    found = set()
    for node in ast.walk(tree):
        if id(node) in unseen:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            base = node.module or ""
            if node.level:
                home = name.split(".") if path.name == "__init__.py" else name.split(".")[:-1]
                base = ".".join(home[: len(home) - node.level + 1] + ([node.module] if node.module else []))
            for alias in node.names:
                full = f"{base}.{alias.name}"
                found.add(full if full in known or base == package.name else base)
    return found


def graph_of(package: Path, typing: bool = True) -> dict[str, set[str]]:
    files = {module_name(path, package): path for path in sorted(package.rglob("*.py"))}
    return {name: imports_of(path, package, set(files), typing) for name, path in files.items()}


def within(name: str, places: tuple[str, ...], package: str) -> bool:
    return any(name == f"{package}.{p}" or name.startswith(f"{package}.{p}.") for p in places)


def reached(graph: dict[str, set[str]], start: str) -> set[str]:
    """All that comes along when a module is imported and its functions are run."""
    seen: set[str] = set()
    waiting = [start]
    while waiting:
        for name in graph.get(waiting.pop(), set()) - seen:
            seen.add(name)
            waiting.append(name)
    return seen


def broken_laws(package: Path) -> list[str]:
    graph = graph_of(package)
    top = package.name
    wrong = []
    for module, names in sorted(graph.items()):
        if within(module, LOWER, top):
            wrong += [
                f"{module} comes to image code {name}"
                for name in sorted(reached(graph, module))
                if within(name, UPPER, top) or name.split(".")[0] in IMAGE_LIBRARIES
            ]
        for name in sorted(names):
            root = name.split(".")[0]
            statistics = root in STATISTICS_AND_REPORTS or name.startswith("scipy.stats")
            above = within(name, (*LOWER, "report", "batch", "review"), top)
            if within(module, UPPER, top) and (statistics or above):
                wrong.append(f"{module} imports statistics or report code {name}")
            if within(name, ("cli",), top) and not within(module, ("cli",), top):
                wrong.append(f"{module} imports {name}")
            if root == "typer" and not within(module, ("cli",), top):
                wrong.append(f"{module} imports typer")
    return wrong


def circles(graph: dict[str, set[str]]) -> list[str]:
    return [f"{module} imports itself by way of others" for module in sorted(graph) if module in reached(graph, module)]


def test_laws():
    assert broken_laws(PACKAGE) == []


def test_no_circles():
    assert circles(graph_of(PACKAGE, typing=False)) == []


def test_all_modules_are_seen():
    graph = graph_of(PACKAGE)
    assert {
        "standcam.summarise",
        "standcam.spacing.metrics",
        "standcam.cli.app",
        "standcam.images.photo",
    } <= set(graph)
    assert "standcam.tables" in graph["standcam.summarise"]
    assert "cv2" in graph["standcam.images.photo"]


@pytest.mark.parametrize(
    ("file", "text", "message"),
    [
        ("spacing/a.py", "def f():\n    import cv2\n", "top.spacing.a comes to image code cv2"),
        (
            "summarise.py",
            "from top.images import photo\n",
            "top.summarise comes to image code top.images.photo",
        ),
        ("summarise.py", "from . import helper\n", "top.summarise comes to image code skimage.measure"),
        ("stand/a.py", "from ..rows import line\n", "top.stand.a comes to image code top.rows.line"),
        (
            "plants/a.py",
            "from scipy.stats import norm\n",
            "top.plants.a imports statistics or report code scipy.stats",
        ),
        (
            "ground/a.py",
            "from top import summarise\n",
            "top.ground.a imports statistics or report code top.summarise",
        ),
        ("report/a.py", "import top.cli.app\n", "top.report.a imports top.cli.app"),
        ("units.py", "import typer\n", "top.units imports typer"),
    ],
)
def test_breaches_are_found(tmp_path, file, text, message):
    for name, content in {
        "images/photo.py": "", "rows/line.py": "", "cli/app.py": "import typer\n", "summarise.py": "",
        "helper.py": "import skimage.measure\n", "__init__.py": "", file: text,
    }.items():  # fmt: skip
        path = tmp_path / "top" / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text if name == file else content)
    assert message in broken_laws(tmp_path / "top")


def test_circle_is_found(tmp_path):
    (tmp_path / "top").mkdir()
    (tmp_path / "top" / "a.py").write_text("def f():\n    from top import b\n")
    (tmp_path / "top" / "b.py").write_text("import top.c\n")
    (tmp_path / "top" / "c.py").write_text("from .a import f\n")
    assert len(circles(graph_of(tmp_path / "top"))) == 3


def test_the_program_starts_light():
    code = f"import sys, standcam.cli.app; print([m for m in {HEAVY!r} if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert out.stdout.strip() == "[]"


def test_public_names_come_when_asked_for():
    code = f"import sys, standcam; print([m for m in {HEAVY!r} if m in sys.modules])"
    out = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    assert out.stdout.strip() == "[]"
