"""Published numbers beside the tests: each file of tests/published/ by id, with its tolerance and source."""

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

PUBLISHED = Path(__file__).parent / "published"
FIGURES: dict[str, Any] = {
    value["id"]: value for value in json.loads((PUBLISHED / "figures_values.json").read_text())
}


def given(name: str) -> tuple[Any, Any, Any]:
    """What goes in, what must come out, and a function that makes a number comparable within the tolerance."""
    value = FIGURES[name]
    tolerance = value["tolerance"]

    def near(expected: Any, **other: float) -> Any:
        allowed = {"rel": 0.0, "abs": 0.0} | {k: v for k, v in tolerance.items() if k in ("rel", "abs")} | other
        return pytest.approx(np.asarray(expected, dtype=float), **allowed)

    return value["inputs"], value["expected"], near
