"""The bench is started as a module from the top of the project; its tests find it the same way."""

from __future__ import annotations

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[2]))
