"""Shared fixtures; see tests/fixtures/."""

import sys
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent))

pytest_plugins = ["fixtures.scenes"]
