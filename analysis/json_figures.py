"""Figures as JSON takes them: arrays become lists, and what cannot be said is null."""

from __future__ import annotations

import math
from typing import Any

import numpy as np


def jsonable(value: Any) -> Any:
    """Plain Python of dicts, lists, text and finite numbers; nan and infinity have no place in JSON."""
    if isinstance(value, dict):
        return {str(key): jsonable(v) for key, v in value.items()}
    if isinstance(value, np.ndarray | np.generic):
        return jsonable(value.tolist())
    if isinstance(value, list | tuple):
        return [jsonable(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value
