"""The house: imports run one way, every module has a room, every parameter is described, and steps load light."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

from nebulakit.declare import About, step

PACKAGE = Path(__file__).resolve().parents[1] / "nebulakit"
ROOMS = (
    "errors",
    "pixels",
    "image",
    "quantity",
    "declare",
    "steps",
    "files",
    "recipe",
    "runner",
    "report",
    "demo",
    "cli",
    "__main__",
)
"""A room knows only those before it."""

FACE = "__init__"
"""The package's own file joins the rooms; no room may import names from it, only rooms."""

HEAVY = ("cv2", "scipy", "astropy", "skimage", "pywt", "tifffile", "imagecodecs", "PIL", "matplotlib", "numba")

ALL = sorted(PACKAGE.rglob("*.py"))


def module_of(path: Path) -> tuple[str, ...]:
    """Give the parts of a module's name below the package."""
    parts = path.relative_to(PACKAGE).with_suffix("").parts
    return parts[:-1] if parts[-1] == "__init__" and len(parts) > 1 else parts


def imported(tree: ast.AST, package: tuple[str, ...]) -> list[tuple[int, tuple[str, ...]]]:
    """Give each import of the package, wherever it stands, as (line, parts below the package)."""
    found: list[tuple[int, tuple[str, ...]]] = []
    for node in ast.walk(tree):
        if isinstance(node, ast.Attribute) and isinstance(node.value, ast.Name) and node.value.id == "nebulakit":
            names = [("nebulakit", (node.attr,))]
        elif isinstance(node, ast.Import):
            names = [(a.name, ()) for a in node.names]
        elif isinstance(node, ast.ImportFrom) and node.level:
            base = ("nebulakit", *package[: len(package) - (node.level - 1)])
            names = [(".".join([*base, *filter(None, [node.module])]), (a.name,)) for a in node.names]
        elif isinstance(node, ast.ImportFrom):
            names = [(node.module or "", (a.name,)) for a in node.names]
        elif isinstance(node, ast.Call) and isinstance(node.func, (ast.Name, ast.Attribute)):
            called = node.func.id if isinstance(node.func, ast.Name) else node.func.attr
            texts = [a.value for a in node.args[:1] if isinstance(a, ast.Constant) and isinstance(a.value, str)]
            names = [(t, ()) for t in texts if called in ("import_module", "__import__")]
        else:
            continue
        for name, below in names:
            parts = name.split(".")
            if parts[0] == "nebulakit":
                # "from nebulakit import steps" means the room, not the face
                found.append((node.lineno, (*parts[1:], *below)))
    return found


@pytest.mark.parametrize("path", ALL, ids=lambda p: str(p.relative_to(PACKAGE)))
def test_imports_run_one_way(path: Path) -> None:
    parts = module_of(path)
    if parts == (FACE,):
        return
    room = parts[0]
    assert room in ROOMS, f"{path.name} lies in no room; the rooms are {', '.join(ROOMS)}"
    package = parts if path.name == "__init__.py" else parts[:-1]
    for line, target in imported(ast.parse(path.read_text(encoding="utf-8")), package):
        if not target or target in (("__version__",), ("__file__",), ("__path__",)):
            continue  # what the face says itself: where it lies and how old it is
        assert target[0] in ROOMS, f"{path}:{line} uses nebulakit.{'.'.join(target)}, which is no room"
        assert ROOMS.index(target[0]) <= ROOMS.index(room), f"{path}:{line}: {room} may not know {target[0]}"
        if room == "steps" and target[0] == "steps" and path.name != "__init__.py":
            pytest.fail(f"{path}:{line}: a step imports another step; what they share belongs into pixels")


def test_the_reader_of_imports_sees_them_all() -> None:
    text = (
        "import nebulakit.runner\n"
        "from nebulakit import files\n"
        "def f():\n"
        "    from nebulakit.cli import main\n"
        "    from ..report import page\n"
        "    from . import noise\n"
        "    importlib.import_module('nebulakit.demo')\n"
        "import numpy\n"
        "nebulakit.run(1)\n"
    )
    found = {target for _, target in imported(ast.parse(text), ("pixels",))}
    assert found == {
        ("runner",),
        ("files", "files")[:1],
        ("cli", "main"),
        ("report", "page"),
        ("pixels", "noise"),
        ("demo",),
        ("run",),
    }


def test_every_file_of_python_lies_in_the_package_as_a_room() -> None:
    tops = {module_of(p)[0] for p in ALL}
    assert tops - {FACE} <= set(ROOMS)
    assert len(ALL) > 20, "the package was not found"


def loaded_by(code: str) -> set[str]:
    """Give the top-level names in sys.modules after ``code`` in a new process."""
    told = f"{code}\nimport sys\nprint(' '.join(sorted(m.partition('.')[0] for m in sys.modules)))"
    done = subprocess.run([sys.executable, "-c", told], capture_output=True, text=True, check=True, cwd=PACKAGE.parent)
    return set(done.stdout.split())


def test_the_steps_load_no_heavy_library() -> None:
    loaded = loaded_by("import nebulakit.steps")
    assert "numpy" in loaded, "the process was not looked at"
    assert not loaded & set(HEAVY)


def test_checking_a_recipe_loads_no_heavy_library() -> None:
    text = "version: 1\\nsteps: []\\noutputs: []\\n"
    loaded = loaded_by(f"from nebulakit.recipe import loads\ntry:\n    loads('{text}')\nexcept ValueError:\n    pass")
    assert "yaml" in loaded
    assert not loaded & set(HEAVY)


def test_the_face_loads_nothing() -> None:
    loaded = loaded_by("import nebulakit, nebulakit.recipe, nebulakit.cli")
    assert not loaded & {*HEAVY, "numpy", "pydantic", "yaml"}


def test_a_job_and_its_page_load_what_looks_at_pixels_only_when_they_do() -> None:
    loaded = loaded_by("import nebulakit.runner.door_pixels, nebulakit.report.numbers, nebulakit.report.places")
    assert "numpy" in loaded
    assert "cv2" not in loaded


def test_a_parameter_without_a_description_is_no_step() -> None:
    def bare(image: object, *, width: int = 3) -> object:
        """Do nothing."""

    with pytest.raises(TypeError, match="width has no About"):
        step()(bare)


def test_every_parameter_is_described() -> None:
    import nebulakit.steps  # noqa: F401
    from nebulakit.declare import STEPS

    for declared in STEPS.values():
        for name, about in declared.abouts.items():
            assert isinstance(about, About)
            assert len(about.text) > 10, f"{declared.name}.{name}"
            assert declared.params.model_fields[name].description == about.text
