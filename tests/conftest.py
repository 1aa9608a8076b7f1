"""What holds for all tests."""

from __future__ import annotations

from hypothesis import settings

# a busy machine is slow, not wrong: times are measured by scripts/bench.py, never by a test
settings.register_profile("any machine", deadline=None)
settings.load_profile("any machine")
