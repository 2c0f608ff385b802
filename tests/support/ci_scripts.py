"""The scripts of CI, which have no ending that Python would import, as modules."""

from __future__ import annotations

import importlib.util
from importlib.machinery import SourceFileLoader
from pathlib import Path
from types import ModuleType

FOLDER = Path(__file__).parents[2] / ".ci"


def load(name: str) -> ModuleType:
    """`.ci/NAME` as a module."""
    loader = SourceFileLoader(f"ci_{name}", str(FOLDER / name))
    spec = importlib.util.spec_from_loader(f"ci_{name}", loader)
    assert spec is not None
    module = importlib.util.module_from_spec(spec)
    loader.exec_module(module)
    return module
