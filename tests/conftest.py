"""Fixtures for all tests; see tests/fixtures/."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

from fixtures.scenes import scenes  # noqa: F401
