"""The architecture as a test: who may import whom, which library is imported where, and how large a module may be."""

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
PACKAGES = ("analysis", "recorder", "simulated_sensors", "tests")
# Each of these is known to one module only: to change or fake it, there is one place to look.
ONE_PLACE = {
    "bleak": "recorder/bluetooth_library.py",
    "dbus_fast": "recorder/bluetooth_library.py",
    "aiomqtt": "recorder/mqtt_client.py",
    "amqtt": "simulated_sensors/embedded_broker.py",
    "time": "recorder/host_clock.py",
}
TEXTUAL_FOLDER = "recorder/terminal/"
LONGEST_MODULE = 500
LONGEST_FUNCTION = 60


def modules(*packages: str) -> list[Path]:
    return sorted(path for package in packages for path in (ROOT / package).rglob("*.py"))


def imported(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.module:
            yield node.module


def wrong_imports(package: str, source: str) -> list[str]:
    """Imports of packages to the right of `package`."""
    forbidden = set(PACKAGES[PACKAGES.index(package) + 1 :])
    return [name for name in imported(ast.parse(source)) if name.split(".")[0] in forbidden]


def misplaced_libraries(place: str, source: str) -> list[str]:
    """Libraries that only another module may import."""
    tops = {name.split(".")[0] for name in imported(ast.parse(source))}
    found = [library for library, home in ONE_PLACE.items() if library in tops and place != home]
    if "textual" in tops and not place.startswith(TEXTUAL_FOLDER):
        found.append("textual")
    return found


def wall_clock_calls(source: str) -> list[str]:
    return [
        node.attr
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Attribute)
        and node.attr in ("now", "utcnow", "today")
        and ast.unparse(node.value).rpartition(".")[2] in ("datetime", "date")
    ]


@pytest.mark.parametrize("path", modules(*PACKAGES), ids=lambda p: str(p.relative_to(ROOT)))
def test_a_module_keeps_to_its_place(path: Path) -> None:
    package = path.relative_to(ROOT).parts[0]
    source = path.read_text()
    assert wrong_imports(package, source) == []
    if package == "tests":
        return
    assert misplaced_libraries(path.relative_to(ROOT).as_posix(), source) == []
    assert wall_clock_calls(source) == []
    tree = ast.parse(source)
    assert len(source.splitlines()) <= LONGEST_MODULE
    if path.name != "__init__.py" or source:
        assert ast.get_docstring(tree), "a module opens with a sentence on what it knows"
    functions = (n for n in ast.walk(tree) if isinstance(n, ast.FunctionDef | ast.AsyncFunctionDef))
    too_long = [f.name for f in functions if (f.end_lineno or 0) - f.lineno + 1 > LONGEST_FUNCTION]
    assert too_long == []


def test_the_direction_check_finds_an_injected_fault() -> None:
    assert wrong_imports("analysis", "from recorder.source import Identity") == ["recorder.source"]
    assert wrong_imports("recorder", "import simulated_sensors.rider") == ["simulated_sensors.rider"]
    assert wrong_imports("simulated_sensors", "from recorder import compose") == []
    assert misplaced_libraries("analysis/samples.py", "import time, bleak.exc") == ["bleak", "time"]
    assert misplaced_libraries("recorder/host_clock.py", "import time") == []
    assert wall_clock_calls("from datetime import datetime\ndatetime.now()") == ["now"]
    assert wall_clock_calls("import datetime\ndatetime.date.today()") == ["today"]


def test_analysis_knows_no_event_loop() -> None:
    for path in modules("analysis"):
        assert "asyncio" not in set(imported(ast.parse(path.read_text()))), path
